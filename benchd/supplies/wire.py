"""The bytes: one open connection, through PyVISA, with every wait bounded.

    Wire
    ├── DescriptorWire   raw TCP sockets and serial ports of the pure-Python backend
    └── VisaWire         everything else: VXI-11, HiSLIP, USB-TMC, GPIB, other backends

PyVISA opens, sets up and closes every connection. For sockets and serial ports of the pure-Python backend the bytes
are then moved on the descriptor it opened, for reasons of safety, not only of speed (PyVISA-py 0.8.1): its read of
a socket that the instrument closed spins until the timeout, its write waits without any bound, bytes that came
before a timeout are thrown away, and nothing tells whether an unread reply is waiting.
"""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from typing import Any, Protocol

import pyvisa
from pyvisa import constants as visa

from benchd.scpi.framing import Frame
from benchd.supplies.descriptor_wire import DescriptorWire
from benchd.supplies.errors import LinkLost
from benchd.supplies.profile_link import LinkProfile, SerialPort
from benchd.supplies.received import ms_since
from benchd.supplies.visa_session import VisaSession
from benchd.supplies.visa_wire import VisaWire, is_stream, reason

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


class Opener(Protocol):
    """Opens connections, as `open_wire` does: a recorder puts itself in between, a replay opens none."""

    def __call__(
        self, resource: str, profile: LinkProfile, timeout_s: float, baud_rate: int | None, library: str, /
    ) -> Wire: ...


def open_wire(resource: str, profile: LinkProfile, timeout_s: float, baud_rate: int | None, library: str) -> Wire:
    """Open a connection. Raises LinkLost, within about `timeout_s` (a host name's look-up is not bounded by it).

    What goes through a VISA session may take `visa_session.OPEN_S`, if that is longer.
    """
    started = time.monotonic()
    try:
        with _first_use:  # PyVISA's registry of backends is not made for two threads at once
            manager = pyvisa.ResourceManager(library)
        if library != "@py" or not is_stream(resource):
            session = VisaSession.open(manager, resource, timeout_s)
        else:
            # The pure-Python backend takes the open timeout as its connect timeout; 0 would mean ten seconds.
            session = None
            instrument: Any = manager.open_resource(resource, open_timeout=max(1, int(timeout_s * 1000)))
    except Exception as error:  # PyVISA-py raises bare Exception when it cannot connect
        what = f"cannot be opened: {reason(error)}"
        raise LinkLost(resource, what, waited_ms=ms_since(started)) from error
    try:
        if session is not None:
            return _visa_wire(session, resource, profile, baud_rate, timeout_s)
        if isinstance(instrument, pyvisa.resources.SerialInstrument):
            _set_port(instrument, profile.serial, baud_rate)
        interface = _interface(instrument)
        if isinstance(interface, socket.socket):
            return _socket_wire(instrument, interface, resource)
        if interface is not None and interface.__class__.__module__.startswith("serial."):
            return DescriptorWire(instrument, interface.fileno(), resource, is_socket=False)
        raise ValueError("the backend shows neither a socket nor a port")
    except (OSError, ValueError, pyvisa.Error) as error:
        with contextlib.suppress(OSError, pyvisa.Error):
            instrument.close()
        raise LinkLost(resource, f"cannot be set up: {error}", waited_ms=ms_since(started)) from error


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


def _visa_wire(
    session: VisaSession, resource: str, profile: LinkProfile, baud_rate: int | None, timeout_s: float
) -> VisaWire:
    try:
        if isinstance(session.instrument, pyvisa.resources.SerialInstrument):
            session.run(lambda: _set_port(session.instrument, profile.serial, baud_rate), timeout_s)
        return VisaWire(session, resource, profile)
    except BaseException:
        session.close()
        raise


def _set_port(instrument: Any, port: SerialPort, baud_rate: int | None) -> None:
    instrument.baud_rate = baud_rate or port.baud_rate
    instrument.data_bits = port.data_bits
    instrument.parity = _PARITY[port.parity]
    instrument.stop_bits = _STOP_BITS[port.stop_bits]
    instrument.flow_control = _FLOW[port.flow_control]
