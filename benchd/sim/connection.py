"""One client's byte streams: a socket or the controlling end of a pseudo terminal."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from itertools import count
from typing import Protocol

LONGEST_MESSAGE = 65536
"""Bytes without a terminator before the input buffer counts as overrun (-363)."""

MOST_UNSENT = 1 << 20
"""Bytes a client may leave unread before it is taken for gone."""

MOST_DESCRIPTORS = 1000
"""`select` takes descriptors below 1024 (it is used because it alone waits with microseconds)."""


Cut = Callable[[bytearray], "bytes | None"]


class Stream(Protocol):
    """The little that a socket and a terminal have in common here. All of it without waiting."""

    def fileno(self) -> int: ...
    def recv(self, size: int, /) -> bytes: ...
    def send(self, data: bytes, /) -> int: ...
    def close(self) -> None: ...


class Terminal:
    """A raw pseudo terminal; `path` is what a client opens like a serial port."""

    def __init__(self) -> None:
        import pty
        import tty

        self._controller, self._client = pty.openpty()
        tty.setraw(self._client)
        os.set_blocking(self._controller, False)
        # The client's end stays open here as well, or reading would fail whenever no client has it open.
        self.path = os.ttyname(self._client)

    def fileno(self) -> int:
        return self._controller

    def recv(self, size: int, /) -> bytes:
        return os.read(self._controller, size)

    def send(self, data: bytes, /) -> int:
        return os.write(self._controller, data)

    def close(self) -> None:
        os.close(self._controller)
        os.close(self._client)


_NUMBERS = count(1)


class Lost(Exception):
    """The client is gone."""


class Connection:
    """`cut` takes one complete message off the input, see `Rig.cut`."""

    def __init__(self, stream: Stream, cut: Cut) -> None:
        self._stream = stream
        self._cut = cut
        self.number = next(_NUMBERS)
        """Its own among all connections of this process."""
        self._input = bytearray()
        self._discarding = False
        self._unsent = bytearray()
        self.busy_until_s = 0.0
        """When the replies that later ones wait for are out."""
        self.last_reply_ns = 0
        self.open = True

    def fileno(self) -> int:
        return self._stream.fileno()

    @property
    def blocked(self) -> bool:
        """Whether there is something left to send once the client reads."""
        return bool(self._unsent)

    def receive(self) -> list[bytes | None]:
        """The messages that are complete now, without terminators; None for one that was too long. Raises Lost."""
        try:
            data = self._stream.recv(65536)
        except BlockingIOError:
            return []
        except OSError as error:
            raise Lost from error
        if not data:
            raise Lost
        messages: list[bytes | None] = []
        self._input += data
        while (message := self._cut(self._input)) is not None:
            too_long = self._discarding or len(message) > LONGEST_MESSAGE
            messages.append(None if too_long else message)
            self._discarding = False
        if len(self._input) > LONGEST_MESSAGE:
            self._discarding = True
            self._input.clear()
        return messages

    def send(self, data: bytes = b"") -> None:
        """Send, or keep what does not go out yet for the next call. Raises Lost."""
        self._unsent += data
        try:
            sent = self._stream.send(bytes(self._unsent))
        except BlockingIOError:
            sent = 0
        except OSError as error:
            raise Lost from error
        del self._unsent[:sent]
        if len(self._unsent) > MOST_UNSENT:
            raise Lost

    def close(self) -> None:
        if self.open:
            self.open = False
            self._stream.close()


def accept(listener: socket.socket, cut: Cut) -> Connection | None:
    """The next client, ready for small replies at once; None when it has gone again."""
    try:
        client, _ = listener.accept()
    except OSError:
        return None
    if client.fileno() >= MOST_DESCRIPTORS:
        client.close()
        return None
    client.setblocking(False)
    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return Connection(client, cut)
