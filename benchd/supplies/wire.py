"""The bytes: one open connection, through PyVISA, with every wait bounded.

    Wire
    ├── DescriptorWire   raw TCP sockets and serial ports of the pure-Python backend
    └── VisaWire         everything else: USB-TMC, GPIB, VXI-11, other backends

PyVISA opens, sets up and closes every connection. For sockets and serial ports of the pure-Python backend the bytes
are then moved on the descriptor it opened, for reasons of safety, not only of speed (PyVISA-py 0.8.1): its read of
a socket that the instrument closed spins until the timeout, its write waits without any bound, bytes that came
before a timeout are thrown away, and nothing tells whether an unread reply is waiting.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
from typing import Any, Protocol

import pyvisa
from pyvisa import constants as visa

from benchd.scpi.framing import Frame
from benchd.scpi.reply import ReplyError
from benchd.supplies.errors import LinkError, LinkLost, ReplyGarbled, ReplyLate
from benchd.supplies.profile_link import LinkProfile, SerialPort

PIECE = 65536
"""Bytes asked of a descriptor at a time."""

_PARITY = {"none": visa.Parity.none, "even": visa.Parity.even, "odd": visa.Parity.odd}
_STOP_BITS = {1: visa.StopBits.one, 2: visa.StopBits.two}
_FLOW = {
    "none": visa.ControlFlow.none,
    "xon-xoff": visa.ControlFlow.xon_xoff,
    "rts-cts": visa.ControlFlow.rts_cts,
    "dtr-dsr": visa.ControlFlow.dtr_dsr,
}

_first_use = threading.Lock()


class Wire(Protocol):
    """One open connection. Methods raise LinkError; `asked` is only for their texts."""

    fresh_is_clean: bool
    """Whether an opened connection brings no replies to older questions (a socket brings none, all others may)."""
    silence_ns: int
    """How long the last `receive` waited after its last byte, since only silence ended the reply."""

    def send(self, data: bytes, timeout_s: float) -> None:
        """Write all of `data`."""

    def receive(self, timeout_s: float, asked: bytes, frame: Frame) -> bytes:
        """The body of one reply."""

    def unread(self, harmless: bytes = b"") -> bool:
        """Whether bytes are waiting that nobody asked for. Raises LinkLost when the other side has closed.

        Those that are all among `harmless` (line ends that some units send around a reply) are thrown away.
        """

    def drain(self, quiet_s: float, limit_s: float) -> None:
        """Throw away what comes until nothing came for `quiet_s`; at most `limit_s`."""

    def close(self) -> None:
        """Close. Never raises."""


def open_wire(resource: str, profile: LinkProfile, timeout_s: float, baud_rate: int | None, library: str) -> Wire:
    """Open a connection. Raises LinkLost, within about `timeout_s` (a host name's look-up is not bounded by it)."""
    started = time.monotonic()
    try:
        with _first_use:  # PyVISA's registry of backends is not made for two threads at once
            manager = pyvisa.ResourceManager(library)
        # The pure-Python backend takes the open timeout as its connect timeout; 0 would mean ten seconds.
        instrument: Any = manager.open_resource(resource, open_timeout=max(1, int(timeout_s * 1000)))
    except Exception as error:  # PyVISA-py raises bare Exception when it cannot connect
        raise LinkLost(resource, f"cannot be opened: {error}", waited_ms=_ms_since(started)) from error
    try:
        if resource.upper().startswith("ASRL") and isinstance(instrument, pyvisa.resources.SerialInstrument):
            _set_port(instrument, profile.serial, baud_rate)
        interface = _interface(instrument)
        if isinstance(interface, socket.socket):
            return _socket_wire(instrument, interface, resource)
        if interface is not None and interface.__class__.__module__.startswith("serial."):
            return DescriptorWire(instrument, interface.fileno(), resource, is_socket=False)
        return VisaWire(instrument, resource, profile)
    except (OSError, ValueError, pyvisa.Error) as error:
        with contextlib.suppress(OSError, pyvisa.Error):
            instrument.close()
        raise LinkLost(resource, f"cannot be set up: {error}", waited_ms=_ms_since(started)) from error


def _interface(instrument: Any) -> Any:
    """The socket or port under a session of the pure-Python backend, else None."""
    session = getattr(instrument.visalib, "sessions", {}).get(instrument.session)
    if session.__class__.__module__ not in ("pyvisa_py.tcpip", "pyvisa_py.serial"):
        return None
    return getattr(session, "interface", None)


def _socket_wire(instrument: Any, interface: socket.socket, resource: str) -> DescriptorWire:
    # PyVISA-py takes a refused connection for a good one; the socket remembers the truth.
    refused = interface.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
    if refused:
        raise OSError(refused, os.strerror(refused))
    interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    interface.setblocking(False)
    return DescriptorWire(instrument, interface.fileno(), resource, is_socket=True)


def _set_port(instrument: Any, port: SerialPort, baud_rate: int | None) -> None:
    instrument.baud_rate = baud_rate or port.baud_rate
    instrument.data_bits = port.data_bits
    instrument.parity = _PARITY[port.parity]
    instrument.stop_bits = _STOP_BITS[port.stop_bits]
    instrument.flow_control = _FLOW[port.flow_control]


def _text(message: bytes) -> str:
    return message.decode("latin-1").strip()


def _ms_since(started: float) -> float:
    return (time.monotonic() - started) * 1e3


def _body(frame: Frame, got: bytes, size: int) -> bytes:
    """The body of a complete reply of `size` bytes. Raises ReplyError when more than the reply came."""
    if size < len(got):
        raise ReplyError("", got[:80].decode("latin-1"), f"{size} bytes, {len(got) - size} more came")
    return frame.body(got)


def _garbled(resource: str, error: ReplyError, asked: bytes, started: float) -> ReplyGarbled:
    what = f"got {error.got!r}, expected {error.expected}"
    return ReplyGarbled(resource, what, _text(asked), _ms_since(started))


def _too_long(got: bytes, frame: Frame) -> ReplyError:
    return ReplyError("", got[:80].decode("latin-1"), f"a complete reply within {frame.longest} bytes")


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
                raise LinkLost(self._resource, "takes no more bytes", _text(data), _ms_since(started))

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
                        raise ReplyLate(self._resource, what, _text(asked), _ms_since(started))
                    size = frame.complete(got, True)
                    if size is not None:
                        self.silence_ns = int(idle_ms * 1e6)
                        return _body(frame, got, size)
                    idle_ms = 0.0  # it was said once, and said nothing
                else:
                    got += self._piece(asked, started)
                    size = frame.complete(got)
                    if size is not None:
                        return _body(frame, got, size)
                    if len(got) > frame.longest:
                        raise _too_long(got, frame)
                    idle_ms = frame.idle_ms if got else 0.0
                wait_ms = (started + timeout_s - time.monotonic()) * 1e3
        except ReplyError as error:
            raise _garbled(self._resource, error, asked, started) from error

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
        return LinkLost(self._resource, what, _text(asked), _ms_since(started))


class VisaWire:
    """A session of any PyVISA backend, by its ordinary calls. The backend's own timeout is the bound."""

    fresh_is_clean = False

    def __init__(self, instrument: Any, resource: str, profile: LinkProfile) -> None:
        self.silence_ns = 0
        self._instrument = instrument
        self._resource = resource
        # Sockets and ports of other backends: nothing but the bytes tells where a reply ends.
        self._is_stream = resource.upper().startswith("ASRL") or resource.upper().endswith("::SOCKET")
        # Between writing and reading some instruments lose a read request that comes too early. Reading a socket
        # or port asks nothing of the instrument, so only this wire waits.
        self._reply_gap_s = profile.reply_gap_ms / 1e3
        self._line_end = profile.read_end or None
        self._stops_at: str | None = None
        instrument.read_termination = None

    def send(self, data: bytes, timeout_s: float) -> None:
        self._call("the message was not taken", data, timeout_s, lambda: self._instrument.write_raw(data), LinkLost)

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
            raise _garbled(self._resource, error, asked, started) from error

    def _receive_messages(self, ends: float, asked: bytes, frame: Frame) -> bytes:
        got = b""
        while True:
            left_s = ends - time.monotonic()
            if left_s <= 0 and got:
                raise ReplyLate(self._resource, f"only {got[:80]!r} came, without its end", _text(asked))
            got += self._call("no reply", asked, left_s, self._instrument.read_raw, ReplyLate)
            size = frame.complete(got, quiet=not self._is_stream)
            if size is not None:
                return _body(frame, got, size)
            if len(got) > frame.longest:
                raise _too_long(got, frame)

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
                self.silence_ns = int(idle_s * 1e9)
                idle_s = 0.0
            else:
                size = frame.complete(got)
                idle_s = frame.idle_ms / 1e3
            if size is not None:
                return _body(frame, got, size)
            if len(got) > frame.longest:
                raise _too_long(got, frame)

    def unread(self, harmless: bytes = b"") -> bool:
        return False  # message-based buses number their messages; the backends offer no look

    def drain(self, quiet_s: float, limit_s: float) -> None:
        try:
            self._call("device clear failed", b"", limit_s, self._instrument.clear, LinkLost)
        except (LinkLost, NotImplementedError):  # not every backend and bus has a device clear: read it empty instead
            ends = time.monotonic() + limit_s
            with contextlib.suppress(ReplyLate):
                while time.monotonic() < ends:
                    self._call("unread", b"", quiet_s, self._instrument.read_raw, ReplyLate)

    def close(self) -> None:
        with contextlib.suppress(OSError, pyvisa.Error):
            self._instrument.close()

    def _call(self, what: str, asked: bytes, timeout_s: float, action: Any, when_late: type[LinkError]) -> Any:
        started = time.monotonic()
        wanted_ms = max(1, int(timeout_s * 1e3))
        try:
            if self._instrument.timeout != wanted_ms:
                self._instrument.timeout = wanted_ms
            return action()
        except (OSError, ValueError, pyvisa.Error) as error:
            late = isinstance(error, pyvisa.VisaIOError) and error.error_code == visa.StatusCode.error_timeout
            kind = when_late if late else LinkLost
            raise kind(self._resource, f"{what}: {error}", _text(asked), _ms_since(started)) from error
