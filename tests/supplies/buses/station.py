"""The instrument behind a bus: one function answers messages; steps as in `tests.supplies.lines`, and two more.

A step is bytes to reply, a number of seconds to think, CLOSE (the connection drops), or HANG (the bus interface of the
instrument answers nothing more until it is woken). Messages are carried out one after another, as an instrument does;
replies wait in an output queue until they are read (IEEE 488.2 §6.1).
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any, Self

CLOSE = "close"
HANG = "hang"
Step = bytes | float | str

MAV = 0x10
"""IEEE 488.2 §11.2.1.2: bit 4 of the status byte, message available."""


class Station:
    """`lines` is what came in, in order.

    `interrupts`: a new message throws away a reply that was not read, as IEEE 488.2 §6.3.2.3 wants it; without it the
    old reply comes first. `keeps_late`: a device clear does not reach the reply that is being made.
    """

    def __init__(self, answer: Callable[[str], list[Step]], keeps_late: bool = False, interrupts: bool = False) -> None:
        self._answer = answer
        self._keeps_late = keeps_late
        self._interrupts = interrupts
        self.lines: list[str] = []
        self.clears = 0
        self.on_close: Callable[[], None] = lambda: None
        self._input: deque[tuple[str, int, Any]] = deque()
        self._output: deque[tuple[bytes, Any]] = deque()
        self._epoch = 0
        self._ending = False
        self._awake = True
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._work)
        self._thread.start()

    # ---- for the bus -----------------------------------------------------------------------------------------

    def put(self, message: bytes, asker: Any = None) -> None:
        """A whole program message; `asker` comes back with its reply."""
        with self._changed:
            if self._interrupts:
                self._output.clear()
            for line in message.decode("latin-1").splitlines():
                self.lines.append(line)
                self._input.append((line, self._epoch, asker))
            self._changed.notify_all()

    def take(self, limit_s: float, gone: Callable[[], bool] = lambda: False) -> bytes | None:
        """The oldest reply with its end, or None when none came in time (or the reader is gone)."""
        found = self.take_for(limit_s, gone)
        return None if found is None else found[0]

    def take_for(self, limit_s: float, gone: Callable[[], bool] = lambda: False) -> tuple[bytes, Any] | None:
        """Likewise, with the one who asked."""
        ends = time.monotonic() + limit_s
        with self._changed:
            while not self._output:
                left_s = ends - time.monotonic()
                if left_s <= 0 or self._ending or gone():
                    return None
                self._changed.wait(min(left_s, 0.02))
            return self._output.popleft()

    def put_back(self, rest: bytes) -> None:
        """What a short read left over."""
        with self._changed:
            self._output.appendleft((rest, None))

    def status(self) -> int:
        """The status byte."""
        with self._changed:
            return MAV if self._output else 0

    def clear(self) -> None:
        """Device clear: both queues are emptied, and a reply that is being made is dropped."""
        with self._changed:
            self.clears += 1
            self._input.clear()
            self._output.clear()
            if not self._keeps_late:
                self._epoch += 1
            self._changed.notify_all()

    def hangs(self) -> bool:
        """Whether the bus interface answers nothing."""
        return not self._awake

    def wait_awake(self, gone: Callable[[], bool]) -> None:
        """Returns when the interface is woken, or its peer is gone."""
        with self._changed:
            while not (self._awake or self._ending or gone()):
                self._changed.wait(0.02)

    def wake(self) -> None:
        """End a HANG."""
        with self._changed:
            self._awake = True
            self._changed.notify_all()

    def hang(self) -> None:
        """Begin one."""
        with self._changed:
            self._awake = False

    # ---- the instrument --------------------------------------------------------------------------------------

    def _work(self) -> None:
        while True:
            with self._changed:
                while not self._input and not self._ending:
                    self._changed.wait()
                if self._ending:
                    return
                line, epoch, asker = self._input.popleft()
            for step in self._answer(line):
                self._take_step(step, epoch, asker)

    def _take_step(self, step: Step, epoch: int, asker: Any) -> None:
        if step == CLOSE:
            self.on_close()
        elif step == HANG:
            self.hang()
        elif isinstance(step, bytes):
            with self._changed:
                if epoch == self._epoch:
                    self._output.append((step, asker))
                    self._changed.notify_all()
        else:
            ends = time.monotonic() + float(step)
            with self._changed:
                while not self._ending and (left_s := ends - time.monotonic()) > 0:
                    self._changed.wait(left_s)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with self._changed:
            self._ending = True
            self._changed.notify_all()
        self._thread.join(5)
        assert not self._thread.is_alive()


class SmallSupply:
    """One output of 20 V, 2 A with 100 ohm on it, in the words of SCPI-99. `answer` is for a Station."""

    IDENTITY = b"Example Works,EX-4,0,1.0\n"

    def __init__(self) -> None:
        self.set_v = 0.0
        self.limit_a = 0.1
        self.on = False
        self.deaf = False
        """Answers nothing."""

    def answer(self, line: str) -> list[Step]:
        replies = [reply for part in line.split(";") if (reply := self._part(part.strip().lstrip(":").upper()))]
        return [b";".join(replies) + b"\n"] if replies and not self.deaf else []

    def _part(self, part: str) -> bytes | None:
        words = part.split()
        header, value = words[0], words[1] if len(words) > 1 else ""
        voltage_v = self.set_v if self.on else 0.0
        if header == "*IDN?":
            return self.IDENTITY[:-1]
        if header in ("VOLT?", "CURR?"):
            return b"%.3f" % (self.set_v if header == "VOLT?" else self.limit_a)
        if header == "OUTP?":
            return b"%d" % self.on
        if header == "MEAS:VOLT?":
            return b"%.4f" % voltage_v
        if header == "MEAS:CURR?":
            return b"%.5f" % (voltage_v / 100.0)
        if header == "SYST:ERR?":
            return b'0,"No error"'
        if header == "VOLT":
            self.set_v = float(value)
        elif header == "CURR":
            self.limit_a = float(value)
        elif header == "OUTP":
            self.on = value in ("1", "ON")
        return None
