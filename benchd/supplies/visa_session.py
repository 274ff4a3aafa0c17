"""One session of a VISA backend, with every wait bounded by us and with what PyVISA-py 0.8.1 does not do by itself.

Its traps, each shown by a test: a VXI-11 instrument that hangs holds a read for a second longer than its time-out and
a close for five; a dropped VXI-11 connection is spun on until then; HiSLIP connects its second channel without any
time-out, and spins for ever when the connection drops inside a message to be skipped; device clear on HiSLIP fails
when a late reply is under way; USB-TMC has no device clear, and waits five seconds for an instrument that does not
end an aborted transfer.
"""

from __future__ import annotations

import contextlib
import math
import select
import socket
import threading
from collections.abc import Callable
from typing import Any, TypeVar

import pyvisa

from benchd.supplies.bounded import Bounded, HungUp, Overdue, close_hard
from benchd.supplies.usbtmc import UsbTmc

__all__ = ["HungUp", "Overdue", "VisaSession"]

T = TypeVar("T")

OPEN_S = 1.0
"""Opening may take this long, s, or the time allowed for a reply if that is longer: port mapper, link, capabilities."""
MARGIN_S = 0.15
"""The library may come back so much later than it was told to, s."""
CLOSE_S = 0.3
"""A proper good-bye may take this long, s; it tells the instrument that its link is free."""

VXI11, HISLIP, USBTMC = "TCPIPInstrVxi11", "TCPIPInstrHiSLIP", "USBInstrSession"

_opening: dict[str, threading.Event] = {}
_opening_lock = threading.Lock()


class VisaSession:
    """Used by one thread. After Overdue or HungUp every call raises the same again, until it is closed.

    `fresh_is_clean`: a new session brings no replies that an earlier one asked for. On HiSLIP replies belong to the
    session; on all else to the instrument (IEEE 488.2 §6.1: one output queue).
    """

    def __init__(self, instrument: Any, bounded: Bounded) -> None:
        self.instrument = instrument
        self._bounded = bounded
        self._broken: Overdue | HungUp | None = None
        self._sockets: list[socket.socket] = []
        self._sync: int | None = None
        self._usb: UsbTmc | None = None
        session: Any = getattr(instrument.visalib, "sessions", {}).get(instrument.session)
        kind = type(session).__name__ if type(session).__module__.startswith("pyvisa_py.") else ""
        self.fresh_is_clean = kind == HISLIP
        if kind in (VXI11, HISLIP):
            self._sockets = [each for each in vars(session.interface).values() if isinstance(each, socket.socket)]
        elif kind == USBTMC:
            self._usb = UsbTmc(session.interface)
        if kind == HISLIP:
            self._sync = session.interface._sync.fileno()
        self._timeout_ms = 0
        self._hang_ups = select.poll()
        for each in self._sockets:
            self._hang_ups.register(each, select.POLLRDHUP)
        bounded.watch(each.fileno() for each in self._sockets)

    @classmethod
    def open(cls, manager: Any, resource: str, timeout_s: float) -> VisaSession:
        """Raises whatever the backend raises, or Overdue."""
        with _opening_lock:
            earlier = _opening.get(resource)
            if earlier is not None and not earlier.is_set():
                raise Overdue("an earlier attempt to open it still hangs in the VISA library")
            _opening[resource] = finished = threading.Event()
        bounded = Bounded(f"visa {resource}")
        opened: list[Any] = []

        def attempt() -> VisaSession:
            try:
                # PyVISA-py takes the open timeout as its connect timeout; 0 would mean a default of its own.
                opened.append(manager.open_resource(resource, open_timeout=max(1, int(timeout_s * 1e3))))
                return cls(opened[0], bounded)
            finally:
                finished.set()

        try:
            return bounded.call(attempt, max(timeout_s, OPEN_S))
        except Overdue:
            bounded.cut("pyvisa_py.")
            bounded.end(lambda: _close_all(opened))
            raise
        except BaseException:
            bounded.end(lambda: _close_all(opened))
            raise

    def run(self, action: Callable[[], T], timeout_s: float) -> T:
        """`action` with the session's time-out set; what it returns or raises, Overdue or HungUp."""
        return self._bounded_call(lambda: self._timed(action, timeout_s), max(timeout_s, 0.0) + MARGIN_S)

    def clear(self, limit_s: float) -> None:
        """Device clear."""
        usb = self._usb
        self.run(self.instrument.clear if usb is None else lambda: usb.clear(limit_s), limit_s)

    def unread(self) -> bool:
        """Whether a message waits that nobody asked for, where that can be seen. Raises HungUp."""
        if self._sockets and self._hang_ups.poll(0):
            self._broken = HungUp("the other side closed the connection")
            raise self._broken
        return self._sync is not None and bool(select.select([self._sync], [], [], 0)[0])

    def close(self) -> None:
        """Never raises, and waits at most CLOSE_S."""
        if self._broken is None:
            with contextlib.suppress(Exception):
                self._bounded_call(lambda: _close(self.instrument), CLOSE_S)
        if self._broken is not None:
            # Whatever the library is stuck in must end: it would go on to spin, or hold the instrument.
            for each in self._sockets:
                close_hard(each)
        self._bounded.end(lambda: _close(self.instrument))

    def _bounded_call(self, action: Callable[[], T], limit_s: float) -> T:
        if self._broken is not None:
            raise self._broken
        try:
            return self._bounded.call(action, limit_s)
        except (Overdue, HungUp) as error:
            self._broken = error
            raise

    def _timed(self, action: Callable[[], T], timeout_s: float) -> T:
        wanted_ms = max(1, math.ceil(timeout_s * 1e3))
        if wanted_ms != self._timeout_ms:
            self.instrument.timeout = wanted_ms
            if self._usb is not None:
                self._usb.set_timeout(wanted_ms)
            self._timeout_ms = wanted_ms
        return action()


def _close_all(instruments: list[Any]) -> None:
    for each in instruments:
        _close(each)


def _close(instrument: Any) -> None:
    with contextlib.suppress(pyvisa.errors.InvalidSession):
        number = instrument.session
        with contextlib.suppress(Exception):
            instrument.close()
        # Neither library forgets a session that failed to close; it would be closed again when it is collected.
        instrument.session = None
        getattr(instrument.visalib, "sessions", {}).pop(number, None)
