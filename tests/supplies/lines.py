"""Instruments made of one function: a line comes in, steps go out. For faults that must come at an exact place.

A step is bytes to send, a number of seconds to wait, or CLOSE. Every line is answered before the next is looked at,
as an instrument does. With an empty `end` whatever comes in one piece is one line.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import tty
from collections.abc import Callable
from typing import Self

CLOSE = "close"
Step = bytes | float | str


class LineInstrument:
    """On a TCP socket: `resource`. `lines` holds everything that came in, `connections` how often it was opened."""

    def __init__(self, answer: Callable[[str], list[Step]], end: bytes = b"\n") -> None:
        self._answer = answer
        self._end = end
        self.lines: list[str] = []
        self.connections = 0
        self._ending = threading.Event()
        self._open: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.05)
        self.resource = f"TCPIP0::127.0.0.1::{self._server.getsockname()[1]}::SOCKET"
        self._start(self._accept)

    def _start(self, work: Callable[..., None], *arguments: object) -> None:
        thread = threading.Thread(target=work, args=arguments)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while not self._ending.is_set():
            with contextlib.suppress(TimeoutError):
                client, _ = self._server.accept()
                client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                client.settimeout(0.05)
                self._open.append(client)
                self.connections += 1
                self._start(self._serve, client)

    def _serve(self, client: socket.socket) -> None:
        waiting = b""
        with client, contextlib.suppress(OSError):
            while not self._ending.is_set():
                try:
                    piece = client.recv(4096)
                except TimeoutError:
                    continue
                if not piece:
                    return
                found, waiting = self._split(waiting + piece)
                for line in found:
                    if not self._carry_out(line.decode("latin-1"), client.sendall):
                        return

    def _split(self, waiting: bytes) -> tuple[list[bytes], bytes]:
        """Whole lines, and what is left of the last one."""
        if not self._end:
            return [waiting], b""
        *found, left = waiting.split(self._end)
        return found, left

    def _carry_out(self, line: str, send: Callable[[bytes], object]) -> bool:
        self.lines.append(line)
        for step in self._answer(line):
            if step == CLOSE:
                return False
            if isinstance(step, bytes):
                send(step)
            else:
                self._ending.wait(float(step))
        return True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        for thread in self._threads:
            thread.join(5)
        self._server.close()
        assert not any(thread.is_alive() for thread in self._threads)


class PortInstrument(LineInstrument):
    """On a pseudo terminal, as a serial port."""

    def __init__(self, answer: Callable[[str], list[Step]], end: bytes = b"\n") -> None:
        self._answer = answer
        self._end = end
        self.lines = []
        self.connections = 1
        self._ending = threading.Event()
        self._threads = []
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        self.resource = f"ASRL{os.ttyname(self._theirs)}::INSTR"
        self._start(self._serve_port)

    def _serve_port(self) -> None:
        waiting = b""
        while not self._ending.is_set():
            if not select.select([self._ours], [], [], 0.05)[0]:
                continue
            found, waiting = self._split(waiting + os.read(self._ours, 4096))
            for line in found:
                self._carry_out(line.decode("latin-1"), lambda data: os.write(self._ours, data))

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._threads[0].join(5)
        os.close(self._ours)
        os.close(self._theirs)
