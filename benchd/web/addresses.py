"""By which addresses people and commands reach the page."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Iterable

ANYWHERE = ((socket.AF_INET, "192.0.2.1"), (socket.AF_INET6, "2001:db8::1"))
"""Documentation addresses (RFC 5737, RFC 3849): asking for the way there sends nothing."""


def url(host: str, port: int, tls: bool) -> str:
    """The address to type into a browser."""
    scheme, usual = ("https", 443) if tls else ("http", 80)
    shown = f"[{host}]" if ":" in host else host
    return f"{scheme}://{shown}/" if port == usual else f"{scheme}://{shown}:{port}/"


def local_url(host: str, port: int, tls: bool) -> str:
    """How this machine itself reaches the page."""
    return url(_loopback_of(host) if _is_all(host) else host, port, tls)


def reached_at(host: str, port: int, names: Iterable[str], tls: bool) -> list[str]:
    """How others reach it: by its names first, then by its addresses."""
    own = _outward(host) if _is_all(host) else [host]
    return [url(name, port, tls) for name in dict.fromkeys([*names, *own])]


def _is_all(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_unspecified
    except ValueError:
        return False


def _loopback_of(host: str) -> str:
    return "::1" if ":" in host else "127.0.0.1"


def _outward(host: str) -> list[str]:
    """This machine's addresses towards its networks, as far as its routes tell; of IPv6 only where that is heard."""
    found = []
    for family, there in ANYWHERE[: 2 if ":" in host else 1]:
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as sock:
                sock.connect((there, 9))
                found.append(str(sock.getsockname()[0]))
        except OSError:
            continue  # no route of this kind
    return found
