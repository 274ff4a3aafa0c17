"""Hands for tests: a supply with errors, a board as a function of its voltage, a clock of their own. No sleeping."""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Callable
from typing import TypeVar

import numpy as np

from benchd.procedures.hands import Bounds, Cut, Progress, Question
from benchd.procedures.record import Happened, LeadSet, Run, Value
from benchd.procedures.taken import TraceSeen
from benchd.reading import Mode
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions

T = TypeVar("T")
T0 = 1_790_000_000_000_000_000
SUPPLY = Conditions(resolution_a=1e-4, accuracy_fraction_a=0.001, accuracy_offset_a=0.002, resolution_v=0.001,
                    accuracy_fraction_v=0.0005, accuracy_offset_v=0.005)  # fmt: skip

Board = Callable[[float, float, float], tuple[float, float]]
"""Set voltage V, limit A, seconds since it was set -> voltage V and current A at the terminals."""


def resistor(ohm: float) -> Board:
    def board(set_v: float, limit_a: float, _: float) -> tuple[float, float]:
        amps = set_v / ohm
        return (set_v, amps) if amps <= limit_a else (limit_a * ohm, limit_a)

    return board


class FakeHands:
    """Each `readings` gives parts of 20 ms at `rate` readings/s. `script`: called with the hands at each part, so that
    a test can cut, speak or unclip at a moment. `log`: what was asked of the output, in order."""

    def __init__(self, boards: dict[str, Board], *, rate: float = 200.0, seed: int = 1, exact: bool = False) -> None:
        self.boards = boards
        self.rng = np.random.default_rng(seed)
        rect = (lambda: 0.0) if exact else (lambda: float(self.rng.uniform(-1, 1)))
        self.errors = {
            side: (1 + 0.0005 * rect(), 0.005 * rect(), 1 + 0.001 * rect(), 0.002 * rect()) for side in boards
        }
        self.noise_v, self.noise_a = (0.0, 0.0) if exact else (3e-4, 5e-5)
        self.rate = rate
        self.t_ns = T0
        self.log: list[tuple[object, ...]] = []
        self.now: dict[str, tuple[float, float, int]] = {}
        self.bounds: dict[str, Bounds] = {}
        self.answers: dict[str, Value] = {}
        self.said: list[tuple[str, str]] = []
        self.told: list[Progress] = []
        self.moments: list[Happened] = []
        self.kept: list[tuple[Run, dict[str, object] | None]] = []
        self.seen: list[TraceSeen] = []
        self.lead: LeadSet | None = None
        self.cut: Cut | None = None
        self.cut_at_s = math.inf
        self.unsure: set[str] = set()
        """Sides whose off cannot be confirmed."""
        self.script: Callable[[FakeHands], None] = lambda hands: None

    @property
    def at_s(self) -> float:
        return (self.t_ns - T0) / 1e9

    def check(self) -> None:
        if self.cut is None and self.at_s >= self.cut_at_s:
            self.cut = Cut("tripped", "short: it was cut")
        if self.cut is not None:
            raise self.cut

    def now_ns(self) -> int:
        return self.t_ns

    def conditions(self, side: str) -> Conditions:
        return SUPPLY

    def leads(self, side: str) -> LeadSet | None:
        return self.lead

    async def on(self, side: str, voltage_v: float, limit_a: float, bounds: Bounds) -> None:
        self.log.append(("on", side, voltage_v, limit_a))
        self.now[side], self.bounds[side] = (voltage_v, limit_a, self.t_ns), bounds
        self.check()

    async def change(self, side: str, voltage_v: float, limit_a: float) -> None:
        self.check()
        bounds = self.bounds[side]
        assert 0 < voltage_v <= bounds.voltage_v * (1 + 1e-9), "beyond the bounds"
        assert 0 < limit_a <= bounds.limit_a * (1 + 1e-9), "beyond the bounds"
        assert side in self.now, "a change of an output that is off"
        self.log.append(("change", side, voltage_v, limit_a))
        self.t_ns += 10_000_000
        self.now[side] = (voltage_v, limit_a, self.t_ns)

    async def off(self, side: str) -> None:
        self.log.append(("off", side))
        if side in self.unsure:
            raise Cut("interrupted", "off was asked for but could not be confirmed")
        self.now.pop(side, None)

    async def readings(self, side: str) -> AsyncIterator[Samples]:
        while True:
            self.check()
            self.script(self)
            yield self._part(side)

    def _part(self, side: str) -> Samples:
        n = max(1, round(0.02 * self.rate))
        step_ns = round(1e9 / self.rate)
        set_v, limit_a, since_ns = self.now.get(side, (0.0, 0.0, self.t_ns))
        gain_v, offset_v, gain_a, offset_a = self.errors[side]
        times = self.t_ns + step_ns * np.arange(1, n + 1)
        pairs = [self.boards[side](set_v, limit_a, (t - since_ns) / 1e9) for t in times.tolist()]
        volts, amps = (np.array(each) for each in zip(*pairs, strict=True))
        shown_v = gain_v * volts + offset_v + self.rng.normal(0, 1, n) * self.noise_v
        shown_a = gain_a * amps + offset_a + self.rng.normal(0, 1, n) * self.noise_a
        mode = np.where(amps >= limit_a * 0.999, Mode.CC, Mode.CV).astype(np.uint8)
        self.t_ns = int(times[-1])
        return Samples(times, np.round(shown_v, 3), np.round(shown_a, 4), mode, np.zeros(n, np.uint8))

    async def sleep(self, seconds: float) -> None:
        self.check()
        self.t_ns += round(seconds * 1e9)
        self.script(self)
        self.check()

    async def ask(self, question: Question) -> Value:
        self.check()
        self.log.append(("ask", question.name))
        if question.name in self.answers:
            return self.answers[question.name]
        self.t_ns = max(self.t_ns, question.until_ns)
        raise Cut("timed-out", f"nobody has answered: {question.text}")

    async def work(self, ask: Callable[[], T]) -> T:
        return ask()

    def tell(self, progress: Progress) -> None:
        self.told.append(progress)

    def happened(self, moment: Happened) -> None:
        self.moments.append(moment)

    async def keep(self, run: Run, state: dict[str, object] | None = None) -> None:
        self.kept.append((run, state))

    def traces(self) -> list[TraceSeen]:
        return self.seen

    def commands(self) -> list[tuple[str, str]]:
        said, self.said = self.said, []
        return said
