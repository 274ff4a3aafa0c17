"""Capture over a grid of boards and instruments: which marks it finds, how exactly, and which it makes up.

python -m tests.traces.capture_grid [N]     N cases a rate (default 150), and the table

A story is a current over time with what happened in it and when: clip on, button, boot over, clip off. An instrument
reads it at its own rate, step, noise and spacing, with gaps, or repeats itself. Whether a mark could be seen is worked
out from the instrument, not from the recogniser: it is well above noise and step, for several measurements.
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from benchd.traces.capture import Capture, CaptureConfig, CaptureEvent, State, StateChanged, TraceClosed
from benchd.traces.samples import Samples
from benchd.traces.trace import Mark, MarkKind
from tests.traces.boards import GRID_S, busy, flat

S = 1_000_000_000
RATES = (5.0, 10.0, 20.0, 50.0, 200.0, 1000.0)
STEPS_A = (0.0001, 0.001, 0.005, 0.01)
NOISES_A = (0.0001, 0.0005, 0.001, 0.003)
SPACINGS = ("even", "uneven", "pairs")
KINDS = ("clean", "at once", "leak", "stall", "kick", "loop", "two boards", "bare")
FREED_S = 9.0
"""It waits for the next board not later than this after the last came off: 5 s of readings, and the gaps in them."""
MARKS: tuple[MarkKind, ...] = ("connected", "button", "boot-end", "removed")


@dataclasses.dataclass(frozen=True, slots=True)
class Meter:
    """An instrument. Rates per s, A, and whether it averages between measurements or looks at one moment."""

    rate: float
    step_a: float
    noise_a: float
    spacing: str = "even"
    gaps: bool = False
    repeats: int = 1
    """It measures this much more seldom than it is asked, and gives the last value again."""
    averages: bool = True
    offset_a: float = 0.0
    told: bool = True
    """Capture is told the step."""

    @property
    def clear_a(self) -> float:
        """A step in the current that anybody would see in its readings."""
        return max(0.006, 10 * self.noise_a, 3 * self.step_a) + abs(self.offset_a)


@dataclasses.dataclass(frozen=True, slots=True)
class True_:
    """What happened, s; `rise_a`: by how much the current changed there, for `lasts_s` at least."""

    kind: MarkKind
    t_s: float
    rise_a: float
    lasts_s: float
    may_from_s: float
    may_to_s: float
    """A mark between these is no false one."""
    flat: bool = False
    """Nothing rises after it."""


@dataclasses.dataclass(slots=True)
class Story:
    """Parts of current are added to it; `now_s` is where it has come to."""

    rng: np.random.Generator
    parts: list[NDArray[np.float64]] = dataclasses.field(default_factory=list)
    happened: list[True_] = dataclasses.field(default_factory=list)
    now_s: float = 0.0

    def goes_on(self, part: NDArray[np.float64]) -> None:
        self.parts.append(part)
        self.now_s += len(part) * GRID_S

    def happens(
        self, kind: MarkKind, rise_a: float, lasts_s: float, back_s: float = 0.0, on_s: float = 0.0, flat: bool = False
    ) -> None:
        self.happened.append(True_(kind, self.now_s, rise_a, lasts_s, self.now_s - back_s, self.now_s + on_s, flat))

    def clip_on(self, level_a: float, wait_s: float) -> None:
        """A discharged board: its capacitors charge, then it draws `level_a`. It may be marked up to the button."""
        self.happens("connected", level_a, wait_s, on_s=wait_s)
        part = flat(wait_s, level_a)
        tail = np.exp(-np.arange(min(20, len(part))) * GRID_S / self.rng.uniform(0.001, 0.004))
        part[: len(tail)] += self.rng.uniform(0.2, 1.5) * tail
        self.goes_on(part)

    def clip_off(self, level_a: float, drawn_s: float, free_s: float) -> None:
        self.happens("removed", level_a, min(drawn_s, 5.0))
        self.goes_on(flat(free_s, 0.0))

    def boots(self, leak_a: float, scale: float, idle_s: float) -> None:
        """Staircase, work, idle."""
        u = self.rng.uniform
        first_a = scale * u(0.06, 0.12)
        self.happens("button", first_a, 0.5)
        self.goes_on(leak_a + flat(u(0.2, 0.9), first_a))
        for seconds, level, swing in ((u(0.6, 1.8), 0.28, 0.04), (u(2, 5), 0.5, 0.15), (u(3, 9), 0.75, 0.3)):
            self.goes_on(leak_a + busy(self.rng, seconds, scale * level * u(0.9, 1.1), scale * swing))
        idle_a = scale * u(0.18, 0.3)
        self.happens("boot-end", idle_a, idle_s, back_s=1.0)
        self.goes_on(leak_a + busy(self.rng, idle_s, idle_a, 0.1 * idle_a, 0.3))


def story(kind: str, rng: np.random.Generator) -> Story:
    """One of `KINDS`, with its figures by chance."""
    s, u = Story(rng), rng.uniform
    scale = u(0.6, 2.0)
    standby_a = float(rng.choice([0.0, 0.0, 0.0005, 0.0012]))
    if kind == "bare":
        s.goes_on(flat(60.0, 0.0))
        return s
    if kind != "at once":
        s.goes_on(flat(u(3, 8), 0.0))
    leak_a = u(0.03, 0.2) if kind == "leak" else standby_a
    s.clip_on(leak_a, u(2.5, 8))
    if kind in ("clean", "at once", "leak", "two boards"):
        s.boots(leak_a, scale, 24.0)
        s.clip_off(0.2, 10, 9.0)
    if kind == "two boards":
        s.clip_on(standby_a, u(2.5, 8))
        s.boots(standby_a, scale, 24.0)
        s.clip_off(0.2, 10, 9.0)
    elif kind == "stall":
        level_a = u(0.045, 0.45)
        s.happens("button", level_a, 1.0, flat=True)
        s.happens("boot-end", level_a, 24.0, back_s=2.0, flat=True)
        s.goes_on(flat(24.0, level_a))
        s.clip_off(level_a, 10, 9.0)
    elif kind == "kick":
        lasts_s, kick_a = u(0.4, 1.0), u(0.03, 0.15)
        s.happens("button", kick_a, lasts_s, flat=True)
        s.goes_on(flat(lasts_s, kick_a))
        # Off again by itself or taken off: from the current nobody can tell the two apart.
        s.clip_off(kick_a, lasts_s, 12.0)
    elif kind == "loop":
        s.happens("button", 0.1, 0.5)
        for _ in range(int(rng.integers(4, 8))):
            s.goes_on(flat(u(0.2, 0.4), 0.12))
            s.goes_on(busy(rng, u(0.8, 3.0), 0.4 * scale, 0.15 * scale))
            s.goes_on(flat(u(0.3, 3.0), standby_a))
        s.goes_on(busy(rng, 2.0, 0.4 * scale, 0.15 * scale))
        s.clip_off(0.3, 2.0, 9.0)
    return s


def read(told: Story, meter: Meter, rng: np.random.Generator) -> tuple[Samples, NDArray[np.float64]]:
    """The readings, and the moments of the measurements behind them, s."""
    demand = np.concatenate(told.parts)
    every_s = 1 / meter.rate
    n = int(told.now_s * meter.rate)
    spread = {"even": 0.02, "uneven": 0.45, "pairs": 0.05}[meter.spacing]
    t = (np.arange(n) + 1 + rng.uniform(-spread, spread, n)) * every_s
    if meter.spacing == "pairs":
        t[1::2] -= 0.8 * every_s
    if meter.gaps:
        keep = np.ones(n, bool)
        for at in rng.uniform(0, told.now_s, max(int(told.now_s / 8), 1)):
            keep &= (t < at) | (t > at + rng.uniform(0.3, 2.0))
        t = t[keep]
    t = np.unique(np.clip(t, GRID_S, told.now_s))
    fresh_s = meter.repeats * every_s
    # A measurement is done in the instrument's own time, whoever asks.
    at = np.maximum(np.floor(t / fresh_s) * fresh_s, GRID_S) if meter.repeats > 1 else t
    done, which = np.unique(at, return_inverse=True)
    sums = np.concatenate([[0.0], np.cumsum(demand)])
    b = np.clip((done / GRID_S).astype(int), 1, len(demand))
    a = np.clip(b - max(int((fresh_s if meter.averages else GRID_S) / GRID_S), 1), 0, b - 1)
    amps = (sums[b] - sums[a]) / (b - a) + meter.offset_a + rng.normal(0, meter.noise_a, len(done))
    amps = np.round(np.rint(amps / meter.step_a) * meter.step_a, 7)[which]
    zero = np.zeros(len(t), np.uint8)
    return Samples(np.rint(t * 1e9).astype(np.int64), np.full(len(t), 4.0), amps, zero, zero), done


def caught(samples: Samples, meter: Meter, end_s: float) -> list[CaptureEvent]:
    """What capture makes of it: on at 0, fed in blocks of 20 ms, off at the end."""
    capture = Capture(CaptureConfig(resolution_a=meter.step_a if meter.told else None))
    events = list(capture.output_on(0, 4.0, 3.0))
    block = max(int(meter.rate / 50), 1)
    for k in range(0, len(samples), block):
        events += capture.feed(samples[k : k + block])
    events += capture.output_off(round(end_s * S))
    return events


@dataclasses.dataclass(slots=True)
class Score:
    """Of one case: by kind, time errors of the marks found (s); marks that should have been, and made-up ones."""

    found: dict[str, list[float]]
    missed: list[True_]
    false: list[Mark]
    freed: int = 0
    """Removals without a mark after which it waited for the next board."""


def judge(told: Story, meter: Meter, events: list[CaptureEvent], done_s: NDArray[np.float64]) -> Score:
    """Compare marks with what happened. A mark may be late by three measurements and 0.15 s, early by one.

    A board that is taken off after its trace has ended leaves no mark; capture waits again. Without a connection that
    was seen, a step that stays is one: whoever sees only the current cannot tell it from a button.
    """
    marks = [m for c in events if isinstance(c, TraceClosed) for m in c.marks if m.kind in MARKS]
    waits_s = [e.t_ns / S for e in events if isinstance(e, StateChanged) and e.state is State.WAITING]
    untold = False
    score = Score({k: [] for k in MARKS}, [], [])
    taken: set[int] = set()
    for happened in told.happened:
        earlier = done_s[: np.searchsorted(done_s, happened.t_s)]
        to_s, may_to_s = _third_after(done_s, happened.t_s) + 0.15, _third_after(done_s, happened.may_to_s) + 0.15
        from_s = (float(earlier[-1]) if len(earlier) else happened.t_s) - 0.05 - 1 / meter.rate
        if happened.kind == "boot-end":
            from_s, to_s = from_s - 2.5, to_s + 2.5
        if happened.kind == "removed":
            from_s -= 1 / meter.rate * meter.repeats
        near = [k for k, m in enumerate(marks) if m.kind == happened.kind and k not in taken]
        hit = [k for k in near if from_s <= marks[k].t_ns / S <= to_s]
        may_from_s = from_s - happened.t_s + happened.may_from_s
        allowed = [k for k in near if may_from_s <= marks[k].t_ns / S <= max(to_s, may_to_s)]
        if hit:
            score.found[happened.kind].append(marks[hit[0]].t_ns / S - happened.t_s)
        elif happened.kind == "removed" and any(happened.t_s < t <= to_s + FREED_S for t in waits_s):
            score.freed += 1
        elif allowed and happened.kind == "connected":
            untold = True
        elif untold and happened.flat:
            continue
        elif seen(happened, meter, done_s):
            score.missed.append(happened)
        taken |= set(hit[:1] or allowed[:1])
    score.false += [m for k, m in enumerate(marks) if k not in taken]
    return score


def _third_after(done_s: NDArray[np.float64], t_s: float) -> float:
    """When the third measurement after a moment was made, s."""
    later = done_s[np.searchsorted(done_s, t_s) :]
    return float(later[min(2, len(later) - 1)]) if len(later) else t_s


def seen(happened: True_, meter: Meter, done_s: NDArray[np.float64]) -> bool:
    """Whether the readings show it: a clear step with three measurements in it."""
    inside = (done_s > happened.t_s) & (done_s < happened.t_s + happened.lasts_s)
    if happened.kind == "removed":
        inside = (done_s < happened.t_s) & (done_s > happened.t_s - happened.lasts_s)
    return happened.rise_a >= meter.clear_a and int(inside.sum()) >= 4 + meter.averages


def cases(rate: float, count: int, seed: int = 1) -> Iterator[tuple[str, Meter, np.random.Generator]]:
    """`count` cases at one rate, by chance but always the same."""
    for number in range(count):
        rng = np.random.default_rng([seed, round(rate), number])
        meter = Meter(
            rate,
            float(rng.choice(STEPS_A)),
            float(rng.choice(NOISES_A)),
            str(rng.choice(SPACINGS)),
            bool(rng.random() < 0.4),
            int(rng.choice([1, 1, 3])) if rate >= 10 else 1,
            bool(rng.random() < 0.6),
            float(rng.choice([0.0, 0.0, -0.004, 0.0015])),
            bool(rng.random() < 0.5),
        )
        yield KINDS[number % len(KINDS)], meter, rng


def play(kind: str, meter: Meter, rng: np.random.Generator) -> Score:
    """One case."""
    told = story(kind, rng)
    samples, done_s = read(told, meter, rng)
    return judge(told, meter, caught(samples, meter, told.now_s), done_s)


@dataclasses.dataclass(frozen=True, slots=True)
class Sum:
    """What became of one kind of mark in many cases."""

    found: int
    missed: int
    false: int
    cases: int
    error_s: float
    """Median of mark minus truth."""
    within_s: float
    """95 % of the marks are not further off."""

    @classmethod
    def of(cls, scores: list[Score], kind: str) -> Sum:
        errors = np.array([e for s in scores for e in s.found[kind]] or [0.0])
        return cls(
            sum(len(s.found[kind]) + (s.freed if kind == "removed" else 0) for s in scores),
            sum(m.kind == kind for s in scores for m in s.missed),
            sum(m.kind == kind for s in scores for m in s.false),
            len(scores),
            float(np.median(errors)),
            float(np.percentile(abs(errors), 95)),
        )

    def __str__(self) -> str:
        share = self.found / max(self.found + self.missed, 1)
        return (
            f"{share:7.1%} of {self.found + self.missed:4}, error {self.error_s:+.3f} s, "
            f"95 % within {self.within_s:.3f} s; {self.false} made up in {self.cases}"
        )


def main() -> None:
    """The table; with a second word also what went wrong, case by case."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 150
    for rate in RATES:
        scores = []
        for number, (kind, meter, rng) in enumerate(cases(rate, count)):
            scores.append(play(kind, meter, rng))
            if len(sys.argv) > 2 and (scores[-1].missed or scores[-1].false):
                print(number, kind, meter)
                print("    missed", [(m.kind, round(m.t_s, 2), round(m.rise_a, 4)) for m in scores[-1].missed])
                print("    false", [(m.kind, round(m.t_ns / S, 2)) for m in scores[-1].false])
        for kind in MARKS:
            print(f"{rate:6g}/s {kind:10} {Sum.of(scores, kind)}")


if __name__ == "__main__":
    main()
