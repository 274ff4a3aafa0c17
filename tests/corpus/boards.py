"""Boards at random: families with their voltages and currents, starts of every kind, and loads that a real one adds.

Levels are common practice of the trade, no source, spread widely on purpose.
"""

from __future__ import annotations

import dataclasses
import math
from math import inf

import numpy as np

from benchd.sim.board import Board, Kind, Life, Phase


@dataclasses.dataclass(frozen=True)
class Family:
    """What boards of one sort have in common. Pairs are (least, most); levels in A, V, F."""

    name: str
    volts: tuple[float, float]
    scale: tuple[float, float]
    """Of the busy phase of a start, A."""
    limit: tuple[float, float]
    bulk_f: tuple[float, float]
    standby_a: tuple[float, float]
    normal_leak_a: float
    odd_leak_a: float


FAMILIES = (
    Family("phone", (3.7, 4.35), (0.5, 1.3), (1.0, 3.0), (20e-6, 470e-6), (0.0, 0.003), 0.005, 0.030),
    Family("phone", (3.7, 4.35), (0.4, 1.1), (1.0, 3.0), (20e-6, 470e-6), (0.0, 0.003), 0.005, 0.030),
    Family("tablet", (3.75, 4.2), (0.7, 1.8), (2.0, 4.0), (100e-6, 1000e-6), (0.0, 0.004), 0.005, 0.030),
    Family("wearable", (3.7, 4.2), (0.2, 0.45), (0.5, 1.0), (10e-6, 100e-6), (0.0, 0.001), 0.005, 0.030),
    Family("controller", (12.0, 12.0), (0.2, 0.8), (0.8, 1.5), (100e-6, 1000e-6), (0.0, 0.012), 0.030, 0.050),
    Family("laptop", (18.5, 20.0), (0.5, 1.3), (1.5, 3.5), (60e-6, 800e-6), (0.004, 0.022), 0.030, 0.050),
    Family("pack", (11.1, 12.6), (0.5, 1.4), (1.5, 3.5), (60e-6, 800e-6), (0.002, 0.020), 0.030, 0.050),
)


def between(rng: np.random.Generator, low: float, high: float) -> float:
    """Evenly by the logarithm."""
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


class Load(Board):
    """A board as the simulator has it, with what real ones do besides.

    `sway`: phases are so much longer or shorter each time. `texture`: how bursts are spread. `throttle_v`: below this
    at its input it works less (makers' firmware does, so as not to fall out). `held`: another source (its own battery)
    keeps it at work while its input is open.
    """

    def __init__(
        self,
        kind: Kind,
        seed: int,
        sway: float = 0.0,
        texture: str = "rare",
        throttle_v: float = 0.0,
        held: bool = False,
    ) -> None:
        super().__init__(kind, seed)
        self.sway, self.texture, self.throttle_v, self.held = sway, texture, throttle_v, held
        self.starts = 0
        """How often it has begun its first phase."""
        self._seen_v = kind.nominal_v

    def draw_a(self, board_v: float) -> float:
        """As the simulator's; nothing while another source feeds it."""
        self._seen_v = board_v
        if self.held and board_v < self.kind.brownout_v:
            return 0.0
        return super().draw_a(board_v)

    def would_change(self, board_v: float) -> bool:
        """As the simulator's; held up, it does not stop."""
        if self.held and self.life is not Life.UNPOWERED and not self.rail_shorted:
            return False
        return super().would_change(board_v)

    def see_voltage(self, board_v: float, now_s: float) -> None:
        """Take the change, if it is one."""
        if self.would_change(board_v):
            super().see_voltage(board_v, now_s)

    def _enter(self, index: int, now_s: float) -> None:
        super()._enter(index, now_s)
        self.starts += index == 0
        seconds = self.kind.phases[index].seconds * self._random.uniform(1 - self.sway, 1 + self.sway)
        self._phase_end_s = now_s + seconds
        self.next_event_s = min(self._slot_end_s, self._phase_end_s)

    def _new_slot(self, now_s: float) -> None:
        super()._new_slot(now_s)
        phase = self.kind.phases[self._phase]
        if phase.burst_a and self.texture != "rare":
            share = self._random.random()
            share = share if self.texture == "even" else float(share > 0.6)
            self._power_w = (phase.level_a + phase.burst_a * share) * self.kind.nominal_v
        if self._seen_v < self.throttle_v:
            self._power_w *= 0.6


def slot(rng: np.random.Generator) -> float:
    """Mean length of a burst, s."""
    return between(rng, 0.01, 0.25)


def rungs(rng: np.random.Generator, scale: float) -> list[Phase]:
    """The first steps of a start."""
    levels = np.sort(rng.uniform(0.04, 0.42, int(rng.integers(1, 4)))) * scale
    return [
        Phase(f"rung {k}", between(rng, 0.12, 1.6), float(a), float(a * rng.uniform(0.05, 0.6)), slot(rng))
        for k, a in enumerate(levels)
    ]


def boot(rng: np.random.Generator, scale: float, seconds: float | None = None) -> tuple[Phase, ...]:
    """A staircase, work, and then less. `seconds`: of the work."""
    seconds = seconds or between(rng, 2.5, 14.0)
    n = int(rng.integers(1, 5))
    shares = rng.dirichlet(np.full(n, 3.0))
    work = [
        Phase(
            f"work {k}",
            float(max(seconds * share, 0.2)),
            float(scale * rng.uniform(0.45, 0.85)),
            float(scale * rng.uniform(0.15, 0.75)),
            slot(rng),
        )
        for k, share in enumerate(shares)
    ]
    idle_a = scale * rng.uniform(0.08, 0.34)
    idle = Phase("idle", inf, idle_a, idle_a * rng.uniform(0.05, 0.6), slot(rng))
    if rng.random() < 0.12:
        asleep_a = max(rng.uniform(0.012, 0.04), 0.02 * scale)
        return (*rungs(rng, scale), *work, dataclasses.replace(idle, seconds=rng.uniform(3, 5)),
                Phase("asleep", inf, asleep_a, asleep_a * 0.2, 0.4))  # fmt: skip
    return (*rungs(rng, scale), *work, idle)


def work_s(phases: tuple[Phase, ...]) -> float:
    """From the button to the first phase that does not end."""
    return sum(p.seconds for p in phases if p.seconds < inf)


def kind(
    rng: np.random.Generator, family: Family, volts: float, phases: tuple[Phase, ...] = (), **more: object
) -> Kind:
    """A board of this family that starts like this."""
    standby_a = rng.uniform(*family.standby_a)
    settings: dict[str, object] = {
        "bulk_f": between(rng, *family.bulk_f),
        "standby_ohm": volts / standby_a if standby_a > 1e-5 else inf,
        "nominal_v": volts,
        "brownout_v": volts * rng.uniform(0.65, 0.75),
        "restart_v": volts * rng.uniform(0.78, 0.86),
        "phases": phases,
        **more,
    }
    return Kind(family.name, "", **settings)  # type: ignore[arg-type]
