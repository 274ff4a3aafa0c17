"""What all cases have in common: the case itself, and a bench, a bench's habits and an instrument drawn at random."""

from __future__ import annotations

import dataclasses
from math import inf

import numpy as np

from benchd.sim.board import Kind, Phase
from benchd.traces.trace import Trace
from tests.corpus.bench import Scene, Shot, shoot
from tests.corpus.boards import FAMILIES, Family, Load, kind
from tests.corpus.meter import Meter, draw


@dataclasses.dataclass(frozen=True)
class Case:
    """A trace and what it is. `accept`: every signature that an honest reading may give, `truth` included.

    `reason` says in words what was done, and why more than one answer is right where it is.
    """

    truth: str
    accept: frozenset[str]
    reason: str
    trace: Trace
    rate: float
    references: tuple[Trace, ...] = ()


@dataclasses.dataclass
class Bench:
    """A bench with a kind of board on it, before anything is done. A, V, s."""

    rng: np.random.Generator
    family: Family
    meter: Meter
    volts: float
    limit_a: float
    scale: float

    @property
    def seen_a(self) -> float:
        """See `Meter.seen_a`."""
        return self.meter.seen_a

    @property
    def covers_s(self) -> float:
        """Two readings in a row that lie wholly in an event of this length: it is seen for what it is."""
        m = self.meter
        return 2 * max(1 / m.rate, m.refresh_s) * (1 + m.jitter) + m.aperture_s

    def kind(self, phases: tuple[Phase, ...] = (), **more: object) -> Kind:
        """A board of the family that starts like this."""
        return kind(self.rng, self.family, self.volts, phases, **more)

    def load(self, phases: tuple[Phase, ...] = (), **more: object) -> Load:
        """The same, alive."""
        texture = str(self.rng.choice(["rare", "even", "two"]))
        return Load(self.kind(phases, **more), int(self.rng.integers(1 << 30)), texture=texture)


def bench(rng: np.random.Generator, rate: float | None = None, family: Family | None = None) -> Bench:
    """A family, an instrument and settings that suit both."""
    family = family or FAMILIES[int(rng.integers(len(FAMILIES)))]
    scale = float(np.exp(rng.uniform(*np.log(family.scale))))
    limit_a = max(rng.uniform(*family.limit), 2.0 * scale)
    volts = round(rng.uniform(*family.volts), 2)
    return Bench(rng, family, draw(rng, rate), volts, round(limit_a, 2), scale)


def scene(b: Bench, after_s: float, *, window_s: float | None = None, press: bool = True, **more: object) -> Scene:
    """A usual course: the clip or the output, a pause, the button, `after_s` of what follows, an end."""
    rng = b.rng
    how = rng.choice(["clip", "switched", "running"], p=[0.45, 0.35, 0.2])
    connect_s = -1.0 if how == "running" else rng.uniform(0.2, 2.2) if how == "clip" else rng.choice([0.0, 0.5, 2.0])
    window_s = window_s if window_s is not None else rng.uniform(1.2, 5.0)
    button_s = max(connect_s, 0.0) + window_s
    marked = press and rng.random() < 0.45
    # A finger on the page comes before or after the finger on the board.
    slip_s = float(np.clip(rng.normal(0.05, 0.15), -0.3, 0.5))
    settings: dict[str, object] = {
        "connect_s": float(connect_s),
        "switched": how == "switched",
        "button_s": button_s if press else None,
        "marked_s": button_s + slip_s if marked else None,
        "end_s": button_s + after_s,
        "ending": str(rng.choice(["time", "removed", "off", "outside"], p=[0.55, 0.17, 0.17, 0.11])),
        "hold_limit_a": round(b.limit_a * 0.3, 2) if press and marked and rng.random() < 0.5 else None,
        "guarded": bool(rng.random() < 0.7),
        "lead_ohm": float(np.exp(rng.uniform(np.log(0.01), np.log(0.25)))),
        "board": str(rng.choice(["", "M-100"])),
        "says_connected": bool(rng.random() < 0.6),
        "tail_s": rng.uniform(0.0, 1.2),
        **more,
    }
    return Scene(b.meter, b.volts, b.limit_a, **settings)  # type: ignore[arg-type]


def take(b: Bench, s: Scene, load: Load) -> Shot:
    """The power-up, with readings lost for a while in one trace of twelve."""
    shot = shoot(s, load, b.rng)
    if b.rng.random() < 1 / 12 and len(shot.trace.samples) > 40:
        shot.trace = _with_gap(b.rng, shot.trace, s.button_s)
    return shot


def _with_gap(rng: np.random.Generator, trace: Trace, button_s: float | None) -> Trace:
    """No readings for 0.3 to 1.2 s, not around the button."""
    t_s = (trace.samples.t_ns - trace.start_ns) / 1e9
    from_s = rng.uniform(t_s[0], t_s[-1])
    if button_s is not None and from_s < button_s + 2.5:
        from_s = button_s + 3.0
    kept = (t_s < from_s) | (t_s > from_s + rng.uniform(0.3, 1.2))
    s = trace.samples
    columns = (column[kept] for column in (s.t_ns, s.voltage_v, s.current_a, s.mode, s.flags))
    return dataclasses.replace(trace, samples=type(s)(*columns))


def case(b: Bench, shot: Shot, truth: str, reason: str, *also: str) -> Case:
    """The case. `also`: what else would be honest."""
    return Case(truth, frozenset((truth, *(a for a in also if a))), reason, shot.trace, b.meter.rate)


def flat(name: str, level_a: float, ripple: float = 0.02, seconds: float = inf) -> Phase:
    """A phase without work in it."""
    return Phase(name, seconds, level_a, level_a * ripple, 0.05)
