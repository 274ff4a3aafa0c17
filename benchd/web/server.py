"""Serving the app inside a loop that is already running, next to the rest of the daemon."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import logging
import socket
from collections.abc import Callable, Iterator

import uvicorn
from starlette.types import ASGIApp

from benchd.web.addresses import local_url
from benchd.web.tls import Tls

PING_S = 5.0
GRACE_S = 1
"""How long open pages may take to say goodbye, s (uvicorn wants a whole number)."""


class CannotListen(Exception):
    """The page cannot be offered at this address; says why and what to do."""


class PortTaken(CannotListen):
    """Another program listens there."""


def open_socket(host: str, port: int) -> socket.socket:
    """A listening TCP socket; port 0 takes a free one. Raises CannotListen."""
    where = f"{host} port {port}"
    try:
        family, kind, proto, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        sock = socket.socket(family, kind, proto)
    except OSError as e:
        raise CannotListen(f"{where}: no address of this machine: {e.strerror}") from e
    try:
        # A daemon that was just restarted need not wait for old connections to time out.
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind(address)
        sock.listen(128)
    except OSError as e:
        sock.close()
        if e.errno == errno.EADDRINUSE:
            raise PortTaken(
                f"{where}: another program listens there already (perhaps another benchd); end it, or choose another "
                "port ([web] port in the settings, --port of the demo; 0 takes a free one)"
            ) from e
        raise CannotListen(f"{where}: cannot listen there: {e.strerror}") from e
    sock.setblocking(False)
    return sock


class _NoFault(logging.Filter):
    """A stream that the gate refused was answered as it should be; uvicorn calls that a fault each time."""

    def filter(self, record: logging.LogRecord) -> bool:
        return record.getMessage() != "ASGI callable returned without completing handshake."


_no_fault = _NoFault()


class _Server(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """The daemon handles signals: outputs are switched off before the page goes."""
        yield

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets=sockets)
        self._ready()


async def serve(app: ASGIApp, host: str, port: int, ready: Callable[[str], None], tls: Tls | None = None) -> None:
    """Serve until cancelled. `ready` is called once with the page's URL on this machine, when requests are answered.

    Raises CannotListen (PortTaken), or BadCertificate, before anything is served. After cancelling, open pages are told
    and the port is free within about two seconds.
    """
    logging.getLogger("uvicorn.error").addFilter(_no_fault)
    if tls is not None:
        tls.checked()
    sock = open_socket(host, port)
    where, taken = sock.getsockname()[:2]
    config = uvicorn.Config(
        app,
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        ws_ping_interval=PING_S,
        ws_ping_timeout=PING_S,
        ws_max_size=4096,
        # Messages are small and many: compressing each costs more time than it saves on a local network.
        ws_per_message_deflate=False,
        timeout_graceful_shutdown=GRACE_S,
        ssl_certfile=str(tls.cert) if tls else None,
        ssl_keyfile=str(tls.key) if tls else None,
    )
    server = _Server(config, lambda: ready(local_url(where, taken, tls is not None)))
    running = asyncio.create_task(server.serve(sockets=[sock]), name="web server")
    try:
        await asyncio.shield(running)
    except asyncio.CancelledError:
        server.should_exit = True
        await asyncio.wait({running}, timeout=GRACE_S + 2)
        raise
    finally:
        running.cancel()
        sock.close()
