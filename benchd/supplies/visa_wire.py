"""Every bus on which messages travel whole, and sockets and ports of other backends."""

from __future__ import annotations

import contextlib
import time
from functools import partial
from typing import Any

import pyvisa
from pyvisa import constants as visa

from benchd.scpi.framing import Frame
from benchd.scpi.reply import ReplyError
from benchd.supplies.errors import LinkError, LinkLost, ReplyGarbled, ReplyLate
from benchd.supplies.profile_link import LinkProfile
from benchd.supplies.received import body, garbled, ms_since, text, too_long
from benchd.supplies.usbtmc import WrongReply
from benchd.supplies.visa_session import HungUp, Overdue, VisaSession

LIBUSB = "USB-TMC needs libusb 1.0: install Debian's libusb-1.0-0 (or `pip install libusb-package`)"

MOST_BYTES = 1 << 20
"""Bytes asked of a backend at a time: the kernel has 16 MiB for all USB transfers together (Linux's default)."""


def is_stream(resource: str) -> bool:
    """Whether nothing but the bytes tells where a reply ends: a raw socket or a serial port."""
    return resource.upper().startswith("ASRL") or resource.upper().endswith("::SOCKET")


def reason(error: BaseException) -> str:
    """An exception of a VISA library in one line, with what to do where the library is lengthy about it."""
    told = " ".join(str(error).split()) or type(error).__name__
    if "PyUSB" in told:
        return LIBUSB
    return f"{told} ({error.__cause__})" if error.__cause__ else told


class VisaWire:
    """A session of any PyVISA backend, by its ordinary calls."""

    def __init__(self, session: VisaSession, resource: str, profile: LinkProfile) -> None:
        self.fresh_is_clean = session.fresh_is_clean
        self.silence_ns = 0
        self._session = session
        self._instrument = instrument = session.instrument
        self._resource = resource
        # Sockets and ports of other backends: nothing but the bytes tells where a reply ends.
        self._is_stream = is_stream(resource)
        # Between writing and reading some instruments lose a read request that comes too early. Reading a socket
        # or port asks nothing of the instrument, so only this wire waits.
        self._reply_gap_s = profile.reply_gap_ms / 1e3
        self._line_end = profile.read_end or None
        self._stops_at: str | None = None
        instrument.read_termination = None

    def send(self, data: bytes, timeout_s: float) -> None:
        # On a bus that marks the ends of messages, two in one transfer may be taken for one that makes no sense.
        for each in [data] if self._is_stream else data.splitlines(keepends=True):
            self._call(
                "the message was not taken", data, timeout_s, partial(self._instrument.write_raw, each), LinkLost
            )

    def receive(self, timeout_s: float, asked: bytes, frame: Frame) -> bytes:
        if self._reply_gap_s:
            time.sleep(self._reply_gap_s)
        started = time.monotonic()
        # A backend that stops reading at a line end must not do so inside a block.
        stops_at = None if frame.idle_ms else self._line_end
        if stops_at != self._stops_at:
            self._instrument.read_termination = self._stops_at = stops_at
        try:
            if self._is_stream and frame.idle_ms:
                return self._receive_bytes(started + timeout_s, asked, frame)
            return self._receive_messages(started + timeout_s, asked, frame)
        except ReplyError as error:
            raise garbled(self._resource, error, asked, started) from error

    def _receive_messages(self, ends: float, asked: bytes, frame: Frame) -> bytes:
        got = b""
        most = min(frame.longest + 1, MOST_BYTES)
        while True:
            left_s = ends - time.monotonic()
            if left_s <= 0 and got:
                raise ReplyLate(self._resource, f"only {got[:80]!r} came, without its end", text(asked))
            piece = self._call("no reply", asked, left_s, lambda: self._instrument.read_raw(most), ReplyLate)
            got += piece
            # PyVISA-py takes a USB-TMC message for ended where its buffer is full.
            size = frame.complete(got, quiet=not self._is_stream and len(piece) < most)
            if size is not None:
                return body(frame, got, size)
            if len(got) > frame.longest:
                raise too_long(got, frame)

    def _receive_bytes(self, ends: float, asked: bytes, frame: Frame) -> bytes:
        """Byte by byte: a backend throws away what came before its timeout, and here a timeout is a signal."""
        got, idle_s = b"", 0.0
        while True:
            left_s = ends - time.monotonic()
            try:
                got += self._call(
                    f"only {got[:80]!r} came, without its end" if got else "no reply", asked,
                    min(left_s, idle_s or left_s), lambda: self._instrument.read_bytes(1), ReplyLate,
                )  # fmt: skip
            except ReplyLate:
                if not idle_s or left_s < idle_s:
                    raise
                size = frame.complete(got, True)
                self.silence_ns = int(idle_s * 1e9) if size is not None else 0
                idle_s = 0.0
            else:
                size = frame.complete(got)
                idle_s = frame.idle_ms / 1e3
            if size is not None:
                return body(frame, got, size)
            if len(got) > frame.longest:
                raise too_long(got, frame)

    def unread(self, harmless: bytes = b"") -> bool:
        started = time.monotonic()
        try:
            return self._session.unread()
        except HungUp as error:
            raise LinkLost(self._resource, str(error), waited_ms=ms_since(started)) from error

    def drain(self, quiet_s: float, limit_s: float) -> None:
        started = time.monotonic()
        try:
            self._session.clear(limit_s)
        except (Overdue, HungUp) as error:
            raise LinkLost(self._resource, f"device clear: {error}", waited_ms=ms_since(started)) from error
        except Exception:  # not every backend and bus has a device clear: read it empty instead
            ends = started + limit_s
            with contextlib.suppress(ReplyLate):
                while time.monotonic() < ends:
                    self._call("unread", b"", quiet_s, self._instrument.read_raw, ReplyLate)

    def close(self) -> None:
        self._session.close()

    def _call(self, what: str, asked: bytes, timeout_s: float, action: Any, when_late: type[LinkError]) -> Any:
        started = time.monotonic()
        kind: type[LinkError] = LinkLost
        cause: Exception
        try:
            return self._session.run(action, timeout_s)
        except WrongReply as error:
            kind, cause = ReplyGarbled, error
        except Exception as error:  # PyVISA-py raises RuntimeError, AssertionError and others of its own as well
            cause = error
            if isinstance(error, pyvisa.VisaIOError) and error.error_code == visa.StatusCode.error_timeout:
                kind = when_late
        raise kind(self._resource, f"{what}: {reason(cause)}", text(asked), ms_since(started)) from cause
