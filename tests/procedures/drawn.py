"""A supply whose meters are wrong as drawn, within the accuracy that it states: gains, offsets, noise, steps."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchd.procedures.averaging import mean_a, mean_v
from benchd.procedures.coverage import NORMAL, half_width
from benchd.procedures.record import LeadSet
from benchd.procedures.taken import Measured
from benchd.traces.trace import Conditions
from benchd.traces.uncertainty import Known

Floats = NDArray[np.float64]


class Drawn:
    """One supply. Its settings are wrong too, by as much as its meters may be; what it reads is rounded last."""

    def __init__(
        self,
        rng: np.random.Generator,
        *,
        noise: tuple[float, float] = (3e-4, 5e-5),
        step: tuple[float, float] = (1e-3, 1e-4),
        gain: tuple[float, float] = (5e-4, 1e-3),
        offset: tuple[float, float] = (5e-3, 2e-3),
    ) -> None:
        """Each for volts and amperes: V and A, gains as a share."""
        self.rng, self.noise, self.step = rng, noise, step
        self.gain = 1 + np.array(gain) * rng.uniform(-1, 1, 2)
        self.offset = np.array(offset) * rng.uniform(-1, 1, 2)
        self._set = 1 + gain[0] * rng.uniform(-1, 1), offset[0] * rng.uniform(-1, 1)
        self.conditions = Conditions(
            resolution_v=step[0], accuracy_fraction_v=gain[0], accuracy_offset_v=offset[0],
            resolution_a=step[1], accuracy_fraction_a=gain[1], accuracy_offset_a=offset[1],
        )  # fmt: skip

    def gives(self, set_v: Floats) -> Floats:
        """The voltage at its terminals: what is set is rounded to a step, too."""
        return self._set[0] * np.round(set_v / self.step[0]) * self.step[0] + self._set[1]

    def shows(self, which: int, true: Floats) -> Floats:
        """Readings of volts (0) or amperes (1)."""
        shown = self.gain[which] * true + self.offset[which] + self.rng.normal(0, self.noise[which], true.shape)
        return np.round(shown / self.step[which]) * self.step[which]

    def measured(
        self, name: str, set_v: Sequence[float], volts: Floats, amps: Floats, n: int, limit_a: float = 1.0
    ) -> list[Measured]:
        """One measurement of n readings for each voltage and current at the terminals."""
        shown = [self.shows(which, np.repeat(true[:, None], n, 1)) for which, true in ((0, volts), (1, amps))]
        means, sigmas = [each.mean(1) for each in shown], [each.std(1, ddof=1) for each in shown]
        made = []
        for k, level in enumerate(set_v):
            (v, a), (sv, sa) = ((float(each[k]) for each in both) for both in (means, sigmas))
            volt, amp = mean_v(v, sv, n, self.conditions), mean_a(a, sa, n, self.conditions)
            limited = bool(amps[k] >= limit_a)
            made.append(Measured(name, "main", {}, k, n, volt, amp, limited, level, limit_a))
        return made

    def leads(self, ohm: float, u_ohm: float, *, ours: bool = True) -> LeadSet:
        """Leads of so many ohms, known within u_ohm (95 %) beside the gains: measured by these meters, whose gains are
        in it, or else typed in."""
        known, found = Known.of(self.conditions), ohm + u_ohm / NORMAL * self.rng.normal()
        if not ours:
            return LeadSet("psu", 1, "", found, u_ohm, 1.0, None, 0)
        gains = half_width([ohm * known.fraction_v, ohm * known.fraction_a])
        found *= float(self.gain[0] / self.gain[1])
        return LeadSet("psu", 1, "", found, float(np.hypot(u_ohm, gains)), 1.0, None, 0, run="P1")
