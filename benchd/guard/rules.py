"""The trip rules of one channel: readings go in, a verdict comes out. Constant time and memory, no I/O, no clock.

Time is the reading's own (`t_ns`), so the rules behave the same at 5 and at 1000 readings/s and in a replay.

`over-current`, `over-voltage`
    The first reading above the threshold by more than one step of the reading's resolution decides. No second
    reading is waited for: at 5 readings/s that would cost 0.2 s. What passes in between readings, or above the
    supply's own limit, is the supply's affair; a threshold set below the limit is a wish to trip on an inrush too.

`short`
    A discharged capacitor and a short look alike in one reading: limit pinned, voltage collapsed. They differ in
    what follows. In limit the capacitor's voltage rises at dV/dt = (I_limit − I_load)/C (textbook: i = C·dV/dt).
    `RuleLimits.harmless_bulk_f` states the largest C believed harmless, and LEAST_CHARGING_SHARE the least part of
    the limit that is believed to go into it. So a harmless board must have risen, Δt after the first collapsed
    reading, by at least

        rise_least = LEAST_CHARGING_SHARE · I_limit · Δt / C

    The rule decides at the first reading with Δt > `short_hold_s` at which the voltage is below that by more than
    the noise and resolution of two readings (`Resolution.rise_margin_v`): the first that can tell the two apart.
    The rise is counted from the first collapsed reading, so a rail that rises and then sticks is caught as soon as
    its credit is used up, V_stuck · C / (share · I_limit) after the start.
    A reading out of limit or above `short_voltage_fraction` of the setting ends the episode.

`stale`
    No valid reading for `stale_s`: see `idle`, which the sampler calls when a reading failed.

Let-through (charge ∫i dt, energy ∫v·i dt, ∫i² dt) is summed by the trapezoid rule from the onset, the first
reading that belongs to the fault. Between the last reading before OFF and the moment OFF was sent the last values
are held (`hold_until`), since nothing suggests that they fell.
"""

from __future__ import annotations

from typing import NamedTuple

from benchd.guard.wire import RuleLimits
from benchd.reading import Mode, Reading

LEAST_CHARGING_SHARE = 0.25
"""Share of the limit that charges the bulk capacitance of a harmless board; the rest may be its load. Our choice:
with 0.002 F and 1 A a rise of 125 V/s is asked for, 1.25 V in the default hold of 10 ms."""

IN_LIMIT_SHARE = 0.1
"""A current within this share of the limit counts as in limit where the voltage has collapsed and the supply does not
say so itself. Our choice: programming and reading may each be wrong by some percent, and nothing but its limit holds a
supply that is on at a fraction of its voltage."""

NS = 1_000_000_000


class Resolution(NamedTuple):
    """What one reading of this supply can tell apart."""

    voltage_v: float = 0.001
    """One step of a voltage reading, V."""
    current_a: float = 0.001
    """One step of a current reading, A."""
    noise_v: float = 0.002
    """Noise of a voltage reading, V: largest deviation to be expected, not rms."""
    refresh_s: float = 0.0
    """The instrument renews its readings this often, s; asked faster, it repeats itself. 0: not known."""

    @property
    def rise_margin_v(self) -> float:
        """Largest error of the difference between two voltage readings, V."""
        return 2 * (self.voltage_v + self.noise_v)


class Verdict(NamedTuple):
    """A rule has decided: trip."""

    rule: str
    text: str
    onset_ns: int
    detected_ns: int


class LetThrough:
    """Charge, energy and I²t since the onset of a fault, by the trapezoid rule."""

    __slots__ = ("_current", "_power", "_t_ns", "charge_c", "energy_j", "square_a2s")

    def __init__(self, t_ns: int, voltage_v: float, current_a: float) -> None:
        self._t_ns = t_ns
        self._current = current_a
        self._power = voltage_v * current_a
        self.charge_c = 0.0
        self.energy_j = 0.0
        self.square_a2s = 0.0

    def add(self, t_ns: int, voltage_v: float, current_a: float) -> None:
        """Go on to a later point; one that is not later replaces the last values and adds nothing."""
        power = voltage_v * current_a
        if t_ns > self._t_ns:
            half_s = (t_ns - self._t_ns) / (2 * NS)
            self.charge_c += (self._current + current_a) * half_s
            self.energy_j += (self._power + power) * half_s
            self.square_a2s += (self._current * self._current + current_a * current_a) * half_s
            self._t_ns = t_ns
        self._current = current_a
        self._power = power

    def hold_until(self, t_ns: int) -> None:
        """Hold the last values up to `t_ns`."""
        if t_ns > self._t_ns:
            seconds = (t_ns - self._t_ns) / NS
            self.charge_c += self._current * seconds
            self.energy_j += self._power * seconds
            self.square_a2s += self._current * self._current * seconds
            self._t_ns = t_ns


class Rules:
    """The rules of one output while it is on. Made anew for each power-on.

    `started_ns`: when the output was confirmed on; `stale` counts from there until the first reading.
    """

    __slots__ = (
        "_charge_v_per_ns",
        "_collapse_v",
        "_hold_ns",
        "_in_limit_a",
        "_last_ns",
        "_margin_v",
        "_onset_ns",
        "_onset_v",
        "_over_current_a",
        "_over_voltage_v",
        "_refresh_ns",
        "_stale_ns",
        "let_through",
        "limits",
        "set_voltage_v",
    )

    def __init__(
        self,
        limits: RuleLimits,
        set_voltage_v: float,
        limit_a: float,
        resolution: Resolution | None = None,
        started_ns: int = 0,
    ) -> None:
        """Raises ValueError when a limit is not usable; the message names it."""
        check_limits(limits)
        resolution = resolution or Resolution()
        infinity = float("inf")
        self.limits = limits
        self.set_voltage_v = set_voltage_v
        self.let_through: LetThrough | None = None
        self._over_current_a = (
            infinity if limits.over_current_a is None else limits.over_current_a + resolution.current_a
        )
        self._over_voltage_v = (
            infinity if limits.over_voltage_v is None else limits.over_voltage_v + resolution.voltage_v
        )
        self._collapse_v = limits.short_voltage_fraction * set_voltage_v
        near_limit_a = limit_a * (1 - IN_LIMIT_SHARE) - 2 * resolution.current_a
        self._in_limit_a = max(near_limit_a, limit_a / 2)  # a limit of few steps must not make 0 A 'in limit'
        self._charge_v_per_ns = LEAST_CHARGING_SHARE * limit_a / limits.harmless_bulk_f / NS
        self._margin_v = resolution.rise_margin_v
        self._hold_ns = round(limits.short_hold_s * NS)
        self._refresh_ns = round(resolution.refresh_s * NS)
        self._stale_ns = round(limits.stale_s * NS)
        self._last_ns = started_ns
        self._onset_ns: int | None = None
        self._onset_v = 0.0

    def feed(self, reading: Reading) -> Verdict | None:
        """Judge one reading. A reading that is not a number says nothing: it does not count as valid either."""
        t_ns, voltage, current, mode, _flags, _half = reading
        if voltage != voltage or current != current:  # NaN
            return None
        self._last_ns = t_ns
        if current > self._over_current_a:
            return self._over("over-current", reading, f"{current:.4g} A", f"{self.limits.over_current_a:.4g} A")
        if voltage > self._over_voltage_v:
            return self._over("over-voltage", reading, f"{voltage:.4g} V", f"{self.limits.over_voltage_v:.4g} V")
        if voltage < self._collapse_v and (mode is Mode.CC or current >= self._in_limit_a):
            return self._collapsed(t_ns, voltage, current)
        self._onset_ns = None
        self.let_through = None
        return None

    def idle(self, now_ns: int) -> Verdict | None:
        """Judge the absence of readings. `now_ns` is on the clock of the readings."""
        silent_ns = now_ns - self._last_ns
        if silent_ns < self._stale_ns:
            return None
        text = (
            f"no valid reading for {silent_ns / NS:.3f} s while the output was on (threshold "
            f"{self.limits.stale_s:.3g} s); nothing was guarding the board"
        )
        return Verdict("stale", text, self._last_ns, now_ns)

    def _over(self, rule: str, reading: Reading, found: str, threshold: str) -> Verdict:
        self._begin_let_through(reading.t_ns, reading.voltage_v, reading.current_a)
        onset_ns = reading.t_ns if self._onset_ns is None else self._onset_ns
        text = f"{found} read, above the threshold of {threshold}"
        return Verdict(rule, text, onset_ns, reading.t_ns)

    def _begin_let_through(self, t_ns: int, voltage: float, current: float) -> None:
        if self.let_through is None:
            self.let_through = LetThrough(t_ns, voltage, current)
        else:
            self.let_through.add(t_ns, voltage, current)

    def _collapsed(self, t_ns: int, voltage: float, current: float) -> Verdict | None:
        self._begin_let_through(t_ns, voltage, current)
        onset_ns = self._onset_ns
        if onset_ns is None:
            self._onset_ns = t_ns
            self._onset_v = voltage
            return None
        # A repeated reading may be as old as the instrument's refresh: only the time beyond that is certain.
        certain_ns = t_ns - onset_ns - self._refresh_ns
        if certain_ns <= self._hold_ns:
            return None
        risen_v = voltage - self._onset_v
        least_v = self._charge_v_per_ns * certain_ns
        if risen_v + self._margin_v >= least_v:
            return None
        text = (
            f"in limit at {current:.4g} A with {voltage:.4g} V of {self.set_voltage_v:.4g} V for "
            f"{(t_ns - onset_ns) / 1e6:.4g} ms; risen by {risen_v:.3g} V, a capacitance of "
            f"{self.limits.harmless_bulk_f * 1e6:.4g} µF would have risen by {least_v:.3g} V or more"
        )
        return Verdict("short", text, onset_ns, t_ns)


def check_limits(limits: RuleLimits) -> None:
    """Raises ValueError naming the first limit that no rule can work with, its unit, and what is allowed."""
    for name, value, unit in (
        ("over_current_a", limits.over_current_a, "A"),
        ("over_voltage_v", limits.over_voltage_v, "V"),
    ):
        if value is not None and not 0 < value < float("inf"):
            raise ValueError(f"{name} = {value} {unit}: it must be above 0 {unit} and finite, or left out")
    if not 0 < limits.short_voltage_fraction <= 1:
        raise ValueError(f"short_voltage_fraction = {limits.short_voltage_fraction}: it must be above 0 and at most 1")
    if not 0 <= limits.short_hold_s <= 10:
        raise ValueError(f"short_hold_s = {limits.short_hold_s} s: it must be from 0 to 10 s")
    if not 0 < limits.harmless_bulk_f <= 1:
        raise ValueError(f"harmless_bulk_f = {limits.harmless_bulk_f} F: it must be above 0 and at most 1 F")
    if not 0 < limits.stale_s <= 60:
        raise ValueError(f"stale_s = {limits.stale_s} s: it must be above 0 and at most 60 s")
