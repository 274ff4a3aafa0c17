"""Raw TCP sockets and serial ports of the pure-Python backend: the bytes are moved on the descriptor itself."""

from __future__ import annotations

import contextlib
import os
import select
import time
from typing import Any

import pyvisa

from benchd.scpi.framing import Frame
from benchd.scpi.reply import ReplyError
from benchd.supplies.errors import LinkLost, ReplyLate
from benchd.supplies.received import body, garbled, ms_since, text, too_long

PIECE = 65536
"""Bytes asked of a descriptor at a time."""


class DescriptorWire:
    """A non-blocking descriptor, read and written directly."""

    def __init__(self, instrument: Any, fd: int, resource: str, is_socket: bool) -> None:
        self.fresh_is_clean = is_socket
        self.silence_ns = 0
        self._instrument = instrument  # owns the descriptor and closes it
        self._fd = fd
        self._resource = resource
        self._readable = select.poll()
        self._readable.register(fd, select.POLLIN | select.POLLRDHUP)

    def send(self, data: bytes, timeout_s: float) -> None:
        started = time.monotonic()
        left = memoryview(data)
        while True:
            try:
                left = left[os.write(self._fd, left) :]
            except BlockingIOError:
                pass
            except OSError as error:
                raise self._lost(error, data, started) from error
            if not left:
                return
            wait_s = started + timeout_s - time.monotonic()
            writable = select.poll()
            writable.register(self._fd, select.POLLOUT)
            if wait_s <= 0 or not writable.poll(wait_s * 1e3):
                raise LinkLost(self._resource, "takes no more bytes", text(data), ms_since(started))

    def receive(self, timeout_s: float, asked: bytes, frame: Frame) -> bytes:
        started = time.monotonic()
        wait_ms = timeout_s * 1e3
        idle_ms = 0.0  # the silence that would end the reply now
        got = b""
        try:
            while True:
                if wait_ms <= 0 or not self._readable.poll(min(idle_ms, wait_ms) if idle_ms else wait_ms):
                    if not idle_ms or wait_ms < idle_ms:
                        what = f"only {got[:80]!r} came, without its end" if got else "no reply"
                        raise ReplyLate(self._resource, what, text(asked), ms_since(started))
                    size = frame.complete(got, True)
                    if size is not None:
                        self.silence_ns = int(idle_ms * 1e6)
                        return body(frame, got, size)
                    idle_ms = 0.0  # it was said once, and said nothing
                else:
                    got += self._piece(asked, started)
                    size = frame.complete(got)
                    if size is not None:
                        return body(frame, got, size)
                    if len(got) > frame.longest:
                        raise too_long(got, frame)
                    idle_ms = frame.idle_ms if got else 0.0
                wait_ms = (started + timeout_s - time.monotonic()) * 1e3
        except ReplyError as error:
            raise garbled(self._resource, error, asked, started) from error

    def _piece(self, asked: bytes, started: float) -> bytes:
        """What is there, perhaps nothing."""
        try:
            piece = os.read(self._fd, PIECE)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise self._lost(error, asked, started) from error
        if not piece:
            raise self._lost(None, asked, started)
        return piece

    def unread(self, harmless: bytes = b"") -> bool:
        events = self._readable.poll(0)
        if not events:
            return False
        if events[0][1] & ~(select.POLLIN | select.POLLPRI):  # hang-up or error, whatever is still to be read
            raise self._lost(None, b"", time.monotonic())
        return not harmless or bool(self._piece(b"", time.monotonic()).strip(harmless))

    def drain(self, quiet_s: float, limit_s: float) -> None:
        started = time.monotonic()
        while time.monotonic() - started < limit_s and self._readable.poll(quiet_s * 1e3):
            self._piece(b"", started)

    def close(self) -> None:
        with contextlib.suppress(OSError, pyvisa.Error):
            self._instrument.close()

    def _lost(self, error: OSError | None, asked: bytes, started: float) -> LinkLost:
        what = f"connection lost: {error}" if error else "the other side closed the connection"
        return LinkLost(self._resource, what, text(asked), ms_since(started))
