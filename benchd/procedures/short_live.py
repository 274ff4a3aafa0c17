"""`short`: the resistance of a shorted rail as the probe moves along it, for eye and ear.

The nearer the probe is to the short, the lower the resistance. What is told of it beside the leads carries the meters'
offsets and gains; the difference of two points, which is what finds the short, carries noise and steps alone, since
both were measured by the same meters within minutes.
"""

from __future__ import annotations

import collections
import math
from typing import NamedTuple

import numpy as np

from benchd.procedures.averaging import Labelled, mean_of
from benchd.procedures.coverage import Parts
from benchd.procedures.record import Column, Curve, Happened, Result, Value
from benchd.procedures.resistance import Resistance, by_itself, from_one
from benchd.procedures.taken import Analysed, Measured, Taken, Told
from benchd.traces.samples import Samples
from benchd.traces.trip_words import quantity

AVERAGED_S = 0.5
"""A hand that holds still for half a second gets a steady number. Our choice."""
SETTLE_S = 0.08
"""After the current comes back, in pulse mode. Our choice, above the time constants of leads and supplies."""
HEARD_S = 120.0
"""The tone's range goes by what was read in the last two minutes. Our choice."""
LEAST_RANGE = 1.5
"""From highest to lowest tone the resistance changes by this factor at least, or noise would sing. Our choice."""
OPEN_SHARE = 0.02
"""Less than this share of the limit is no current through a short. Our choice."""
ALIKE = 1 + 1e-6
"""One step exactly is no difference, however the computer rounds it."""
LOW_SHARE, LEAST_LOW_A = 0.05, 0.01
"""Between pulses the limit is this share of the full one: the heat, I²R, is a four hundredth."""


class Point(NamedTuple):
    """A place where the probe was held."""

    text: str
    found: Resistance
    own: Parts
    """What it is uncertain by that other points do not share."""
    energy_j: float


class ShortLive:
    """Implements `taken.Live`. Parameters: `energy_j`; `pulse_on_s` and `pulse_off_s`, both or none."""

    def __init__(self, taken: Taken) -> None:
        self._taken = taken
        self._side = next(iter(taken.accuracy))
        self._conditions = taken.accuracy[self._side]
        self._leads = taken.leads.get(self._side)
        self._recent: collections.deque[Samples] = collections.deque()
        self._heard: collections.deque[tuple[int, float]] = collections.deque()
        self._points: list[Point] = []
        self._energy_j = 0.0
        self._last: tuple[int, float] | None = None
        """Time and power of the newest reading."""
        self._pulsed = "pulse_on_s" in taken.parameters and "pulse_off_s" in taken.parameters
        self._resting = False
        self._phase_ns: int | None = None
        self._full_a: float | None = None

    # ---- readings ------------------------------------------------------------------------------------------------

    def feed(self, side: str, samples: Samples) -> None:
        """See `Live`."""
        samples = samples.where(np.isfinite(samples.voltage_v) & np.isfinite(samples.current_a))
        if not len(samples):
            return
        self._count_energy(samples)
        if self._phase_ns is None:
            self._phase_ns = int(samples.t_ns[0])
        if self._resting:
            return
        from_ns = self._phase_ns + round(SETTLE_S * 1e9) if self._pulsed else 0
        samples = samples.between(from_ns, 1 << 62)
        if len(samples):
            self._recent.append(samples)
            newest_ns = int(samples.t_ns[-1])
            while len(self._recent) > 1 and newest_ns - int(self._recent[0].t_ns[-1]) > AVERAGED_S * 1e9:
                self._recent.popleft()

    def _count_energy(self, samples: Samples) -> None:
        """∫ V·I dt by the trapezoidal rule (textbook), also across parts."""
        power_w = samples.voltage_v * samples.current_a
        t_s = samples.t_ns / 1e9
        if self._last is not None:
            gap_s = (int(samples.t_ns[0]) - self._last[0]) / 1e9
            self._energy_j += gap_s * (self._last[1] + float(power_w[0])) / 2
        self._energy_j += float(np.trapezoid(power_w, t_s - t_s[0]))
        self._last = int(samples.t_ns[-1]), float(power_w[-1])

    def _now(self) -> tuple[Measured, Resistance, Parts] | None:
        """Mean of the last readings, the resistance without the leads, its own parts; None: no current to speak of."""
        samples = Samples.concat(self._recent)
        if not len(samples):
            return None
        measured = mean_of(samples, Labelled("now", self._side, {}, 0.0, 0.0), self._conditions)
        amps = measured.current_a.value
        if amps <= max(measured.current_a.none_within, OPEN_SHARE * self._limit_a()):
            return None
        found = from_one(measured, self._conditions, self._leads)
        return measured, found, by_itself(measured, self._conditions)

    def _limit_a(self) -> float:
        limit_a = self._taken.parameters.get("limit_a")
        return float(limit_a) if isinstance(limit_a, int | float) else self._taken.plan.limit_a

    # ---- what is told --------------------------------------------------------------------------------------------

    def told(self, now_ns: int) -> Told:
        """See `Live`."""
        values: dict[str, Value] = {"energy_j": self._energy_j, "points": float(len(self._points))}
        if self._energy_j >= self._most_j():
            return Told(values, f"{self._energy_j:.3g} J went in, as much as was allowed: it ends here", wanted="end")
        if (change := self._pulse(now_ns)) is not None:
            return Told(values, self._words(None), None, "change", change_limit_a=change)
        found = self._now()
        if found is None:
            return Told(values, self._words(found))
        measured, resistance, own = found
        values |= {
            "resistance_ohm": resistance.ohm, "u_ohm": resistance.u_ohm, "noise_ohm": own.half_width(),
            "current_a": measured.current_a.value, "voltage_v": measured.voltage_v.value,
            "power_w": measured.voltage_v.value * measured.current_a.value,
        }  # fmt: skip
        return Told(values, self._words(found), self._tone(now_ns, measured.voltage_v.value / measured.current_a.value))

    def _words(self, found: tuple[Measured, Resistance, Parts] | None) -> str:
        if found is None:
            return "rests between two pulses" if self._resting else "no current: the probe does not touch the rail"
        leads = "" if self._leads is not None else ", with the leads: measure those first (lead-resistance)"
        return f"{quantity(found[1].ohm, 'Ω', found[1].u_ohm)}{leads}"

    def _tone(self, now_ns: int, ohm: float) -> float | None:
        """1 for the lowest resistance of late, 0 for the highest; by its logarithm, as ears hear pitch."""
        if ohm <= 0:
            return None
        self._heard.append((now_ns, math.log(ohm)))
        while now_ns - self._heard[0][0] > HEARD_S * 1e9:
            self._heard.popleft()
        low, high = (pick(value for _, value in self._heard) for pick in (min, max))
        span = max(high - low, math.log(LEAST_RANGE))
        return min(max(1 - (math.log(ohm) - low) / span, 0.0), 1.0)

    def _pulse(self, now_ns: int) -> float | None:
        """The limit to be set now, A; None: it stays."""
        if not self._pulsed or self._phase_ns is None:
            return None
        key = "pulse_off_s" if self._resting else "pulse_on_s"
        length_s = self._taken.parameters[key]
        assert isinstance(length_s, int | float)
        if (now_ns - self._phase_ns) / 1e9 < length_s:
            return None
        self._resting = not self._resting
        self._phase_ns = now_ns
        full_a = self._limit_a()
        return max(LOW_SHARE * full_a, min(LEAST_LOW_A, full_a)) if self._resting else full_a

    def _most_j(self) -> float:
        energy_j = self._taken.parameters.get("energy_j")
        return float(energy_j) if isinstance(energy_j, int | float) else math.inf

    # ---- points --------------------------------------------------------------------------------------------------

    def point(self, text: str, now_ns: int) -> Happened:
        """See `Live`. Between two pulses it is what the last pulse read: that was heard when the point was named."""
        found = self._now()
        if found is None:
            return Happened(now_ns, "point", text, {"resistance_ohm": None})
        _, resistance, own = found
        self._points.append(Point(text, resistance, own, self._energy_j))
        values: dict[str, Value] = {
            "resistance_ohm": resistance.ohm, "u_ohm": resistance.u_ohm, "noise_ohm": own.half_width(),
            "energy_j": self._energy_j,
        }  # fmt: skip
        return Happened(now_ns, "point", text, values)

    def analysed(self) -> Analysed:
        """See `Live`: the points, the lowest first, and whether it stands apart from the next."""
        energy = Result("energy", "Energy into the rail", self._energy_j, "J")
        if not self._points:
            return Analysed("done", "No point was kept.", (energy,))
        ranked = sorted(self._points, key=lambda each: each.found.ohm)
        results = [
            Result(f"point_{n}", each.text, each.found.ohm, "Ω", each.found.u_ohm) for n, each in enumerate(ranked, 1)
        ]
        return Analysed("done", self._nearest(ranked), (*results, energy), (_curve(ranked),))

    def _nearest(self, ranked: list[Point]) -> str:
        best = ranked[0]
        told = f"The lowest resistance is at {best.text}: {quantity(best.found.ohm, 'Ω', best.found.u_ohm)}"
        if self._leads is None:
            told += " (with the leads)"
        alike = [
            each.text
            for each in ranked[1:]
            if each.found.ohm - best.found.ohm <= ALIKE * best.own.and_(each.own).reach()
        ]
        if alike:
            return f"{told}; it cannot be told apart from {', '.join(alike)}."
        if len(ranked) > 1:
            apart = ranked[1].found.ohm - best.found.ohm
            return f"{told}, {quantity(apart, 'Ω')} less than at {ranked[1].text}: the short is nearest there."
        return f"{told}. Keep more points: where it is lowest, the short is nearest."

    # ---- a restart -----------------------------------------------------------------------------------------------

    def state(self) -> dict[str, object]:
        """See `Live`: a short is looked for with a hand on the probe, so nothing goes on by itself."""
        return {}

    def restore(self, state: dict[str, object], gap_from_ns: int, gap_to_ns: int) -> None:
        """See `Live`."""


def _curve(ranked: list[Point]) -> Curve:
    numbers = Column("rank", "Point", "", tuple(float(n) for n in range(1, len(ranked) + 1)))
    ohms = Column(
        "resistance_ohm", "Resistance", "Ω",
        tuple(each.found.ohm for each in ranked), tuple(each.own.half_width() for each in ranked),
    )  # fmt: skip
    return Curve("points", "Resistance at each point", (numbers, ohms))
