"""A TCP server on a free port of the loopback, one thread per connection, everything ended and closed with it."""

from __future__ import annotations

import contextlib
import select
import socket
import threading
from collections.abc import Callable


class Gone(Exception):
    """The client closed, or the server is ending."""


class Peer:
    """One connection, read in exact pieces."""

    def __init__(self, client: socket.socket, ending: threading.Event) -> None:
        self._client = client
        self._ending = ending
        self._sending = threading.Lock()

    def receive(self, count: int) -> bytes:
        """Exactly `count` bytes. Raises Gone."""
        got = b""
        while len(got) < count:
            if self._ending.is_set():
                raise Gone
            try:
                piece = self._client.recv(count - len(got))
            except TimeoutError:
                continue
            except OSError:
                raise Gone from None
            if not piece:
                raise Gone
            got += piece
        return got

    def send(self, data: bytes) -> None:
        """Raises Gone."""
        with self._sending:
            try:
                self._client.sendall(data)
            except OSError:
                raise Gone from None

    def gone(self) -> bool:
        """Whether the client has closed."""
        hang_up = select.poll()
        hang_up.register(self._client, select.POLLRDHUP)
        return bool(hang_up.poll(0))

    def drop(self) -> None:
        """Close from this side, whoever is reading."""
        with contextlib.suppress(OSError):
            self._client.shutdown(socket.SHUT_RDWR)


class Server:
    """`serve` gets each connection in a thread of its own; Gone ends it quietly. `peers` are the live ones."""

    def __init__(self, serve: Callable[[Peer], None]) -> None:
        self._serve = serve
        self._ending = threading.Event()
        self.peers: list[Peer] = []
        self.connections = 0
        self.refuses = False
        """A client is dropped at once, as by a supply that is switched off behind a switch that is on."""
        self._threads: list[threading.Thread] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.05)
        self.port: int = self._listener.getsockname()[1]
        self._start(self._accept)

    def _start(self, work: Callable[..., None], *arguments: object) -> None:
        thread = threading.Thread(target=work, args=arguments)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while not self._ending.is_set():
            try:
                client, _ = self._listener.accept()
            except TimeoutError:
                continue
            if self.refuses:
                client.close()
                continue
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            client.settimeout(0.05)
            self.connections += 1
            self._start(self._one, client)

    def _one(self, client: socket.socket) -> None:
        peer = Peer(client, self._ending)
        self.peers.append(peer)
        with client, contextlib.suppress(Gone):
            self._serve(peer)
        self.peers.remove(peer)

    def drop_all(self) -> None:
        """Close every connection."""
        for peer in list(self.peers):
            peer.drop()

    def close(self) -> None:
        """End every thread and connection."""
        self._ending.set()
        for thread in self._threads:
            thread.join(5)
        self._listener.close()
        assert not any(thread.is_alive() for thread in self._threads)
