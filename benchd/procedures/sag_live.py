"""`sag`: the supply plays a battery with a resistance of its own: the voltage follows the current down.

V = V₀ - R·I (Ohm's law), as often as the supply lets itself be set. How often that was is told: sags that are shorter
are not played, and a board that fails on those is not caught by this.
"""

from __future__ import annotations

import math

import numpy as np

from benchd.procedures.bins import Bins, course_of
from benchd.procedures.record import Happened, Result, Value
from benchd.procedures.taken import Analysed, Taken, Told
from benchd.traces.samples import Samples
from benchd.traces.trip_words import quantity

LEAST_CHANGE_V = 0.005
"""A smaller change is not worth an exchange with the supply. Our choice."""
GIVEN_UP_S = 2.0
"""So long without current after it ran: it has given up. Our choice."""


class SagLive:
    """Implements `taken.Live`. Parameters: `source_mohm`, `lowest_v`, `off_a`."""

    def __init__(self, taken: Taken) -> None:
        self._taken = taken
        self._side = next(iter(taken.accuracy))
        self._open_v = taken.plan.voltage_v
        self._set_v = taken.plan.voltage_v
        self._recent: Samples = Samples.empty()
        self._changes: list[int] = []
        self._lowest_v = math.inf
        self._lowest_set_v = taken.plan.voltage_v
        self._most_a = 0.0
        self._ran = False
        self._off_since_ns: int | None = None
        self._gave_up_v: float | None = None
        self._bins = Bins()
        self._began_ns: int | None = None
        self._last_ns = 0

    def _number(self, name: str, default: float) -> float:
        value = self._taken.parameters.get(name)
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else default

    def feed(self, side: str, samples: Samples) -> None:
        """See `Live`."""
        kept = samples.where(np.isfinite(samples.current_a) & np.isfinite(samples.voltage_v))
        if not len(kept):
            return
        self._recent = kept
        self._began_ns = self._began_ns or int(kept.t_ns[0])
        self._last_ns = int(kept.t_ns[-1])
        for t_ns, amps in zip(kept.t_ns.tolist(), kept.current_a.tolist(), strict=True):
            self._bins.add(t_ns, amps)
        self._most_a = max(self._most_a, float(kept.current_a.max()))
        self._lowest_v = min(self._lowest_v, float(kept.voltage_v.min()))
        running = float(np.mean(kept.current_a)) > self._number("off_a", 0.01)
        self._ran = self._ran or running
        if running or not self._ran:
            self._off_since_ns = None
        elif self._off_since_ns is None:
            self._off_since_ns = self._last_ns
            self._gave_up_v = self._set_v

    def told(self, now_ns: int) -> Told:
        """See `Live`."""
        if not len(self._recent):
            return Told({}, "no reading yet")
        amps = float(np.mean(self._recent.current_a))
        values: dict[str, Value] = {
            "current_a": amps, "voltage_v": float(np.mean(self._recent.voltage_v)), "set_v": self._set_v,
        }  # fmt: skip
        if self._off_since_ns is not None and (self._last_ns - self._off_since_ns) / 1e9 >= GIVEN_UP_S:
            return Told(values, "it has given up", wanted="end")
        wanted_v = self._open_v - self._number("source_mohm", 0.0) / 1e3 * max(amps, 0.0)
        wanted_v = min(max(wanted_v, self._number("lowest_v", 0.1)), self._open_v)
        words = f"{quantity(wanted_v, 'V')} at {quantity(amps, 'A')}, {self._pace():.2g} changes a second"
        if abs(wanted_v - self._set_v) < LEAST_CHANGE_V:
            return Told(values, words)
        self._set_v = wanted_v
        self._lowest_set_v = min(self._lowest_set_v, wanted_v)
        self._changes.append(now_ns)
        return Told(values, words, None, "change", change_voltage_v=wanted_v)

    def _pace(self) -> float:
        """Changes a second while it changed at all: the median of the times between two of them."""
        if len(self._changes) < 2:
            return 0.0
        between_s = float(np.median(np.diff(self._changes))) / 1e9
        return 1 / between_s if between_s > 0 else 0.0

    def point(self, text: str, now_ns: int) -> Happened:
        """See `Live`: a remark, at its time."""
        return Happened(now_ns, "point", text, {"set_v": self._set_v})

    def analysed(self) -> Analysed:
        """See `Live`."""
        if not self._ran:
            return Analysed("unclear", "The board drew nothing: there was nothing to sag.", ())
        source = self._number("source_mohm", 0.0)
        gave_up = self._gave_up_v if self._off_since_ns is not None else None
        told = f"With {source:g} mΩ in line the voltage went down to {quantity(self._lowest_set_v, 'V')}"
        told += f", and it gave up at {quantity(gave_up, 'V')}." if gave_up is not None else ", and it went on."
        pace = self._pace()
        slow = (
            f"The voltage followed {pace:.2g} times a second at the most: sags shorter than some "
            f"{quantity(2 / pace, 's')} were not played."
            if pace > 0
            else "The current never changed enough for the voltage to follow."
        )
        rows = (
            Result("held", "It held", "no" if gave_up is not None else "yes", text=told,
                   verdict="bad" if gave_up is not None else "good"),
            Result("lowest_set", "Lowest voltage that was set", self._lowest_set_v, "V"),
            Result("lowest", "Lowest voltage that was read", self._lowest_v, "V"),
            Result("peak", "Highest current", self._most_a, "A"),
            Result("pace", "Changes a second", pace, "1/s", text=slow),
        )  # fmt: skip
        outcome = "failed" if gave_up is not None else "passed"
        return Analysed(outcome, f"{told} {slow}", rows, (course_of(self._bins.all(), self._bins.gaps),))  # type: ignore[arg-type]

    def state(self) -> dict[str, object]:
        """See `Live`: a start is watched, so nothing goes on by itself."""
        return {}

    def restore(self, state: dict[str, object], gap_from_ns: int, gap_to_ns: int) -> None:
        """See `Live`."""
