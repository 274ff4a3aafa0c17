"""Why a server is not reached, in words: what the system and the libraries say of it is for programmers."""

from __future__ import annotations

import errno
import socket
import ssl

_NO_WAY = (errno.EHOSTUNREACH, errno.ENETUNREACH, errno.EHOSTDOWN, errno.ENETDOWN)


def unreached(error: BaseException, where: str) -> str:
    """What it means and what to do. `where`: the settings that hold the address. The system's error may be what the
    library's error came from (`__cause__`)."""
    cause = error if isinstance(error, OSError) else error.__cause__ or error.__context__
    if isinstance(cause, ssl.SSLCertVerificationError):
        return f"its certificate is not trusted here: {cause.verify_message}; check {where}"
    if isinstance(cause, ssl.SSLError):
        return f"TLS failed ({cause.reason or cause}): does it speak TLS there? Check {where}"
    if isinstance(cause, socket.gaierror):
        return f"its name is not known here: check {where}, and this machine's network"
    if isinstance(cause, ConnectionRefusedError):
        return f"nothing listens there: is the server running? Check {where}"
    if isinstance(cause, ConnectionError):
        return f"it closed the connection: its own log may say why; check {where}"
    if isinstance(cause, TimeoutError):
        return f"it was silent for too long: is the server running? Check {where}"
    if isinstance(cause, OSError) and cause.errno in _NO_WAY:
        return f"no way leads there: check this machine's network, and {where}"
    if isinstance(cause, OSError) and cause.strerror:
        return f"{cause.strerror}; check {where}"
    return f"{error or type(error).__name__}; check {where}"
