"""Whether something else feeds an output that is on: a battery, a charger, the board's other side. Constant time.

Two signs. Current flows back into the supply, for one whose readings can be negative: a charged capacitor does that
too, when the setting falls or it is clipped on, but only until its charge is used up. So the charge is summed up, and
the harmless capacitance at the highest voltage that was set or read is let pass: Q = C·V (textbook). And the voltage
stays above all that was ever set since the output went on, for a supply that takes no current back: what a board's
capacitors hold after the setting fell is not above that. A capacitor that comes charged higher bleeds off within
ABOVE_S, or counts as a source.
"""

from __future__ import annotations

from collections.abc import Iterable

from benchd.guard.let_through import NS
from benchd.guard.resolution import Resolution
from benchd.guard.wire import RuleLimits
from benchd.reading import Reading

BACK_A = 0.02
"""Less than this counts as an offset of the reading also where the accuracy states less, A. Our choice."""
BACK_S = 0.1
"""Shorter than this is the recovery of a regulator whose load falls away, s. Our choice."""
ABOVE_SHARE = 1.05
ABOVE_V = 0.1
"""A voltage above what was set by this share and this much, V, is neither an error of setting and reading nor noise.
Our choice, wider than the accuracies of the shipped profiles."""
ABOVE_S = 2.0
"""For so long, s. Our choice: a voltage that was raised at the panel is found out by asking, often before that."""
FALLS_LEAST_S, FALLS_MOST_S = 0.1, 1.0
"""What an output that is off shows is compared with what it showed so long before, s. Our choice."""


class BackFeed:
    """Of one output since it went on. A reading that is not above `above_v`, with no current back, may be left out
    unless something has `begun`.
    """

    __slots__ = (
        "_above_ns", "_back_a", "_back_as", "_back_ns", "_bulk_f", "_high_v", "_last", "_refresh_ns",
        "above_v", "begun",
    )  # fmt: skip

    def __init__(self, limits: RuleLimits, resolution: Resolution) -> None:
        self._bulk_f = limits.harmless_bulk_f
        self._back_a = max(BACK_A, resolution.zero_a + 2 * resolution.current_a)
        self._refresh_ns = round(resolution.oldest_s * NS)
        self.above_v = self._high_v = 0.0
        self.begun = False
        self._above_ns: int | None = None
        self._back_ns: int | None = None
        self._back_as = 0.0
        self._last = (0, 0.0)

    def set_to(self, voltage_v: float) -> None:
        """This voltage is set from now on, V."""
        if voltage_v > self._high_v:
            self._high_v = voltage_v
            self.above_v = ABOVE_SHARE * voltage_v + ABOVE_V

    def feed(self, t_ns: int, voltage_v: float, current_a: float) -> tuple[str, int] | None:
        """Take a reading; the sentence, and since when, where something else feeds the output."""
        self.begun = voltage_v > self.above_v or current_a < -self._back_a
        if voltage_v <= self.above_v:
            self._above_ns = None
        elif self._above_ns is None:
            self._above_ns = t_ns
        elif t_ns - self._above_ns - self._refresh_ns > ABOVE_S * NS:
            return (
                f"{voltage_v:.4g} V read for {(t_ns - self._above_ns) / NS:.3g} s, though no more than "
                f"{self._high_v:.4g} V was set: a battery or another source is connected, or it was raised at the "
                "panel; disconnect it",
                self._above_ns,
            )
        if current_a >= -self._back_a:
            self._back_ns = None
            return None
        if self._back_ns is None:
            self._back_ns, self._back_as, self._last = t_ns, 0.0, (t_ns, current_a)
            return None
        last_ns, last_a = self._last
        self._back_as -= (last_a + current_a) * (t_ns - last_ns) / (2 * NS)
        self._last = (t_ns, current_a)
        held_as = self._bulk_f * max(self._high_v, voltage_v)
        if self._back_as <= held_as or t_ns - self._back_ns - self._refresh_ns <= BACK_S * NS:
            return None
        return (
            f"{current_a:.4g} A at {voltage_v:.4g} V, backwards for {(t_ns - self._back_ns) / NS:.3g} s: "
            f"{self._back_as:.3g} C flowed back, and a capacitance of {self._bulk_f * 1e6:.4g} µF holds no more than "
            f"{held_as:.3g} C: a battery or another source is connected; disconnect it",
            self._back_ns,
        )


def voltage_before(now: Reading, earlier: Iterable[Reading], most_v: float, margin_v: float) -> str:
    """Why an output that is off should not go on: more than `most_v` at its terminals, V; empty where it may.

    `margin_v`: the difference of two readings may be wrong by this. What falls is a capacitor that empties.
    """
    voltage = now.voltage_v
    if abs(voltage) <= most_v:
        return ""
    if voltage != voltage:  # NaN
        return "the supply has no number for what is at its terminals while it is off: ask again"
    found = f"{voltage:.4g} V is at its terminals though it is off (at most {most_v:g} V was asked for)"
    for reading in earlier:
        ago_s = (now.t_ns - reading.t_ns) / NS
        if FALLS_LEAST_S <= ago_s <= FALLS_MOST_S and abs(reading.voltage_v) - abs(voltage) > margin_v:
            return (
                f"{found}. It falls, from {reading.voltage_v:.4g} V {ago_s:.1f} s ago: charged capacitors; wait until "
                "they are empty"
            )
    return f"{found}: a battery or another source is connected; disconnect it"
