"""The trip rules of one output: readings go in, a verdict comes out. Constant time and memory, no I/O, no clock.

Time is the reading's own (`t_ns`), so the rules behave the same at 5 and at 1000 readings/s and in a replay.

`over-current`, `over-voltage`
    The first reading above the threshold by more than one step of the reading's resolution decides. No second
    reading is waited for: at 5 readings/s that would cost 0.2 s. What passes in between readings, or above the
    supply's own limit, is the supply's affair; a threshold set below the limit is a wish to trip on an inrush too.
    A current that stays above the limit itself by more than OVER_LIMIT_SHARE for OVER_LIMIT_S says that the limit is
    no longer the one that was set: `over-current` too.

`short`
    A discharged capacitor and a short look alike in one reading: limit pinned, voltage collapsed. They differ in
    what follows. In limit the capacitor's voltage rises at dV/dt = (I_limit − I_load)/C (textbook: i = C·dV/dt).
    `RuleLimits.harmless_bulk_f` states the largest C believed harmless, and LEAST_CHARGING_SHARE the least part of
    the limit that is believed to go into it. So a harmless board rises, from each collapsed reading on, along a line
    of at least

        dV/dt = LEAST_CHARGING_SHARE · I_limit / C

    All these lines have one slope, so the highest stands for all of them. The rule decides at the first reading later
    than `short_hold_s` after the onset at which the voltage is below that line by more than the noise and resolution of
    two readings (`Resolution.rise_margin_v`): the first that can tell the two apart. A rail that rises and then sticks
    falls behind the line of its highest reading. Until the hold is over nothing is known but that the voltage is not
    below zero: the first collapsed reading may be a mean over the moment in which the board was clipped on, and a clip
    bounces. So the first line begins at 0 V at the onset, and readings within the hold raise none.
    A reading out of limit or above `short_voltage_fraction` of the setting ends the episode.

    Pinned, but not collapsed: the voltage below PINNED_SHARE of the setting, in limit or at least with SOME_SHARE of
    it (a meter that averages over a bouncing short shows less than the limit). The current that charges may come close
    to nothing there, so no slope is asked for; but a start that completes is through after the time in which the
    harmless capacitance charges from zero at the least share. Longer than that and than `limit_hold_s`: `short`.

    Bouncing: a short that lets go again and again, see `bounces.py`.

`reverse`
    In limit at a voltage below zero by more than a reading can be wrong: the polarity is reversed, or another source
    is on the leads. At the first reading, since no capacitor that charges shows this. And what `short` would
    decide with not a single step of voltage, where even LEAST_SHORT_OHM would show some. And another source that feeds
    the output: see `back_feed.py`.

`budget`
    Energy or I²t since the output went on, or energy into one collapsed stretch, above what the plan allows; power in
    one reading above it by more than the reading may be wrong.

`stale`
    No valid reading for `stale_s`: see `idle`, which the sampler calls when a reading failed.

Other settings while it is on (`change`, `settled`): from before they are written until they are read back each rule
goes by the one of the two that decides later. What has begun goes on: somebody who turns the voltage up and down all
the time must not keep a short from being found. So what charging may take is counted as limit times time, which adds
up whatever the limit was. Only a start anew, to more than the voltage before could be told from a collapse, begins
anew to count bounces. Where the voltage falls, the board's capacitors hold the old one: more than is set, which no
rule takes for anything.

A rail that is known to be shorted (`RuleLimits.collapse_allowed`) gets power for a while: a low voltage decides
nothing.

Let-through is summed from the onset, the first reading that belongs to the fault; see `let_through.py`.
"""

from __future__ import annotations

from typing import NamedTuple

from benchd.guard.back_feed import BackFeed
from benchd.guard.bounces import Bounces
from benchd.guard.let_through import NS, LetThrough
from benchd.guard.limits import LEAST_CHARGING_SHARE, charging_s, check_limits
from benchd.guard.resolution import UNKNOWN_REFRESH_S, Resolution
from benchd.guard.thresholds import OVER_LIMIT_SHARE, PINNED_SHARE, InForce, thresholds
from benchd.guard.wire import RuleLimits
from benchd.reading import Mode, Reading

__all__ = [
    "LEAST_CHARGING_SHARE", "NS", "OVER_LIMIT_SHARE", "PINNED_SHARE", "UNKNOWN_REFRESH_S", "LetThrough", "Resolution",
    "Rules", "Verdict", "charging_s", "check_limits",
]  # fmt: skip

OVER_LIMIT_S = 0.05
"""Above the limit for longer than this: the limit is not the one that was set. Our choice, longer than the overshoot of
a limiting loop."""

_NEVER = 1 << 63
"""ns"""


class Verdict(NamedTuple):
    """A rule has decided: trip."""

    rule: str
    text: str
    onset_ns: int
    detected_ns: int


class Rules:
    """The rules of one output while it is on. Made anew for each power-on; `restage` for each stage of it.

    `started_ns`: when the output was confirmed on; `stale`, `budget` and the time on count from there. `probing`: the
    stage is there to measure a rail that may be shorted, so that a collapsed voltage decides nothing by itself.
    """

    __slots__ = (
        "_above_ns", "_back", "_bounces", "_charge_v_per_ns", "_collapse_decides", "_collapse_v", "_energy_j",
        "_fault_j", "_given_ans", "_gives_a", "_hold_ns", "_in_limit_a", "_last_ns", "_line_ns", "_line_v",
        "_lower_a", "_lower_ns", "_margin_v", "_onset_ns", "_over_current_a", "_over_limit_a", "_over_voltage_v",
        "_pinned_from_ns", "_pinned_hold_ns", "_pinned_ns", "_pinned_v", "_power_w", "_refresh_ns", "_repeats_ns",
        "_resolution", "_reversed_v", "_same", "_same_ns", "_seen_ns", "_some_a", "_square_a2s", "_stale_ns",
        "_start_ans", "_steepest_v_per_ns", "_zero_v", "in_limit", "let_through", "limit_a", "limits",
        "set_voltage_v", "since_on", "started_ns", "until_ns", "was_in_limit",
    )  # fmt: skip

    def __init__(
        self,
        limits: RuleLimits,
        set_voltage_v: float,
        limit_a: float,
        resolution: Resolution | None = None,
        started_ns: int = 0,
        probing: bool = False,
    ) -> None:
        """Raises ValueError when a limit is not usable; the message names it."""
        check_limits(limits)
        self._resolution = resolution or Resolution()
        infinity = float("inf")
        self.limits = limits
        self.let_through: LetThrough | None = None
        """Since the onset of what may be a fault."""
        self.since_on: LetThrough | None = None
        """Since the output went on; None until the first reading."""
        self.in_limit = self.was_in_limit = False
        """Whether the last reading was in limit, and whether one was since the last look that found the output on."""
        self.started_ns = started_ns
        self.until_ns = infinity if limits.longest_on_s is None else started_ns + limits.longest_on_s * NS
        """The output may be on until then, ns; the sampler looks."""
        self._over_current_a = infinity if limits.over_current_a is None else limits.over_current_a
        self._over_current_a += self._resolution.current_a
        self._over_voltage_v = infinity if limits.over_voltage_v is None else limits.over_voltage_v
        self._over_voltage_v += self._resolution.voltage_v
        self._energy_j = infinity if limits.energy_j is None else limits.energy_j
        self._square_a2s = infinity if limits.square_a2s is None else limits.square_a2s
        self._fault_j = infinity if limits.fault_j is None else limits.fault_j
        self._power_w = limits.power_w
        self._margin_v = self._resolution.rise_margin_v
        self._hold_ns = round(limits.short_hold_s * NS)
        unknown = self._resolution.refresh_s is None
        self._repeats_ns = round(UNKNOWN_REFRESH_S * NS) if unknown else 0
        self._refresh_ns = round((self._resolution.refresh_s or 0.0) * NS)
        """How old the reading that is judged may be, ns."""
        self._same_ns, self._same = started_ns, (0.0, 0.0)
        """Since when readings have been the same, and which."""
        self._stale_ns = round(limits.stale_s * NS)
        self._last_ns = started_ns
        self._pinned_hold_ns = round((limits.limit_hold_s or 0.0) * NS)
        self._over_limit_a = infinity
        self._back = BackFeed(limits, self._resolution)
        self.restage(set_voltage_v, limit_a, probing)

    def restage(self, set_voltage_v: float, limit_a: float, probing: bool = False, rising: bool = False) -> None:
        """A stage with these settings begins: what had begun is forgotten, what was summed up since on is not.

        `rising`: they are still to be written; until `settled` a voltage that is merely pulled down says nothing.
        """
        self._collapse_decides = not (probing or self.limits.collapse_allowed)
        self.set_voltage_v, self.limit_a = set_voltage_v, limit_a
        self._take(InForce(set_voltage_v, set_voltage_v, limit_a, limit_a))
        if rising:
            self._pinned_v = -float("inf")
        self._onset_ns: int | None = None
        self._line_ns, self._line_v, self._steepest_v_per_ns = 0, 0.0, 0.0
        self._pinned_ns: int | None = None
        self._pinned_from_ns, self._given_ans = 0, 0.0
        self._above_ns: int | None = None
        self._bounces = Bounces()
        self._seen_ns: int | None = None
        self.let_through = None

    def change(self, set_voltage_v: float, limit_a: float, now_ns: int) -> None:
        """Other settings are about to be written, and `settled` follows: until then what decides later counts."""
        was_v, was_a = self.set_voltage_v, self.limit_a
        self._count_up_to(now_ns)
        higher_a = self._over_limit_a
        self._take(
            InForce(
                min(was_v, set_voltage_v), max(was_v, set_voltage_v), min(was_a, limit_a), max(was_a, limit_a)
            )
        )  # fmt: skip
        self._over_limit_a = max(self._over_limit_a, higher_a)
        self.set_voltage_v, self.limit_a = set_voltage_v, limit_a
        if was_v < self.limits.short_voltage_fraction * set_voltage_v:
            self._bounces.forget()

    def settled(self, now_ns: int) -> None:
        """What `change`, or `restage` with `rising`, announced is written and read back."""
        self._count_up_to(now_ns)
        higher_a = self._over_limit_a
        self._take(InForce(self.set_voltage_v, self.set_voltage_v, self.limit_a, self.limit_a))
        if higher_a > self._over_limit_a:
            # A reading may be a mean over the time before, shown until it is renewed.
            self._lower_a, self._lower_ns = self._over_limit_a, now_ns + round(2 * self._resolution.oldest_s * NS)
            self._over_limit_a = higher_a

    def _count_up_to(self, now_ns: int) -> None:
        """What has begun is counted up to now by the settings so far."""
        if self._onset_ns is not None and now_ns > self._line_ns:
            self._line_v += self._charge_v_per_ns * (now_ns - self._line_ns)
            self._line_ns = now_ns
            self._steepest_v_per_ns = max(self._steepest_v_per_ns, self._charge_v_per_ns)
        if self._pinned_ns is not None and now_ns > self._pinned_from_ns:
            self._given_ans += self._gives_a * (now_ns - self._pinned_from_ns)
            self._pinned_from_ns = now_ns

    def _take(self, now: InForce) -> None:
        (
            self._collapse_v, self._pinned_v, self._in_limit_a, self._over_limit_a, self._some_a, self._gives_a,
            self._start_ans, self._charge_v_per_ns, self._reversed_v, self._zero_v,
        ) = thresholds(self.limits, self._resolution, now, self._collapse_decides)  # fmt: skip
        self._lower_a, self._lower_ns = self._over_limit_a, _NEVER
        self._back.set_to(now.high_v)

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
        if self._power_w is not None and (verdict := self._over_power(reading, self._power_w)) is not None:
            return verdict
        if self._repeats_ns:
            self._look_for_repeats(t_ns, voltage, current)
        verdict = self._sum_up(t_ns, voltage, current)
        self.in_limit = in_limit = mode is Mode.CC or current >= self._in_limit_a
        self.was_in_limit = self.was_in_limit or in_limit
        collapsed = in_limit and voltage < self._collapse_v
        draws = in_limit or current > self._some_a
        pinned = draws and voltage < self._pinned_v
        if collapsed or pinned:
            verdict = self._into_fault(t_ns, voltage, current) or verdict
        else:
            self.let_through = None
        if collapsed:
            verdict = self._collapsed(t_ns, voltage, current) or verdict
        else:
            self._onset_ns = None
        if pinned:
            verdict = verdict or self._pinned(t_ns, voltage, current)
        else:
            self._pinned_ns = None
        if t_ns >= self._lower_ns:
            self._over_limit_a, self._lower_ns = self._lower_a, _NEVER
        if current > self._over_limit_a:
            verdict = verdict or self._above_limit(t_ns, current)
        else:
            self._above_ns = None
        down = draws and voltage < self._collapse_v
        if down or self._bounces.count:
            verdict = verdict or self._bounced(t_ns, down)
        self._seen_ns = t_ns
        if in_limit and voltage < self._reversed_v:
            return self._reversed(t_ns, voltage, current)
        back = self._back
        if current < 0 or voltage > back.above_v or back.begun:
            fed = back.feed(t_ns, voltage, current)
            if fed is not None:
                return verdict or Verdict("reverse", fed[0], fed[1], t_ns)
        return verdict

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

    def _look_for_repeats(self, t_ns: int, voltage: float, current: float) -> None:
        if (voltage, current) != self._same:
            self._same_ns, self._same = t_ns, (voltage, current)
        self._refresh_ns = min(t_ns - self._same_ns, self._repeats_ns)

    # ---- what went in -----------------------------------------------------------------------------------------

    def _sum_up(self, t_ns: int, voltage: float, current: float) -> Verdict | None:
        since = self.since_on
        if since is None:
            # What flowed before the first reading is not known; the first reading is the best guess there is.
            since = self.since_on = LetThrough(self.started_ns or t_ns, voltage, current)
        since.add(t_ns, voltage, current)
        if since.energy_j > self._energy_j:
            found, most = f"{since.energy_j:.4g} J", f"{self._energy_j:.4g} J"
        elif since.square_a2s > self._square_a2s:
            found, most = f"{since.square_a2s:.4g} A²s", f"{self._square_a2s:.4g} A²s"
        else:
            return None
        on_s = (t_ns - (self.started_ns or t_ns)) / NS
        text = f"{found} went in since it was switched on {on_s:.3g} s ago, more than the {most} that the plan allows"
        return Verdict("budget", text, t_ns, t_ns)

    def _into_fault(self, t_ns: int, voltage: float, current: float) -> Verdict | None:
        through = self.let_through
        if through is None:
            self.let_through = LetThrough(t_ns, voltage, current)
            return None
        through.add(t_ns, voltage, current)
        if through.energy_j <= self._fault_j:
            return None
        text = (
            f"{through.energy_j:.4g} J went in while in limit with the voltage pulled down, now {current:.4g} A at "
            f"{voltage:.4g} V; the plan allows {self._fault_j:.4g} J"
        )
        onset_ns = self._onset_ns or self._pinned_ns or t_ns
        return Verdict("budget", text, onset_ns, t_ns)

    # ---- what it means ----------------------------------------------------------------------------------------

    def _over(self, rule: str, reading: Reading, found: str, threshold: str) -> Verdict:
        t_ns, voltage, current = reading.t_ns, reading.voltage_v, reading.current_a
        self._sum_up(t_ns, voltage, current)
        if self.let_through is None:
            self.let_through = LetThrough(t_ns, voltage, current)
        else:
            self.let_through.add(t_ns, voltage, current)
        onset_ns = t_ns if self._onset_ns is None else self._onset_ns
        return Verdict(rule, f"{found} read, above the threshold of {threshold}", onset_ns, t_ns)

    def _over_power(self, reading: Reading, most_w: float) -> Verdict | None:
        voltage, current, may = reading.voltage_v, reading.current_a, self._resolution
        # Setting and reading may each be wrong by the share.
        wrong_w = abs(voltage) * (may.zero_a + may.current_a) + abs(current) * (
            may.zero_v + may.voltage_v + may.noise_v
        )
        power_w = voltage * current
        if power_w <= most_w * (1 + 2 * may.share) + wrong_w:
            return None
        return self._over("budget", reading, f"{power_w:.4g} W ({voltage:.4g} V, {current:.4g} A)", f"{most_w:.4g} W")

    def _above_limit(self, t_ns: int, current: float) -> Verdict | None:
        above_ns = self._above_ns
        if above_ns is None:
            self._above_ns = t_ns
            return None
        if t_ns - above_ns - self._refresh_ns <= OVER_LIMIT_S * NS:
            return None
        text = (
            f"{current:.4g} A read for {(t_ns - above_ns) / 1e6:.4g} ms, above the limit of {self.limit_a:.4g} A that "
            "was set: somebody has raised it at the supply, or it does not limit"
        )
        return Verdict("over-current", text, above_ns, t_ns)

    def _reversed(self, t_ns: int, voltage: float, current: float) -> Verdict:
        text = (
            f"{voltage:.4g} V at {current:.4g} A in limit: the polarity is reversed, or another source is on the leads"
        )
        return Verdict("reverse", text, self._onset_ns or t_ns, t_ns)

    def _pinned(self, t_ns: int, voltage: float, current: float) -> Verdict | None:
        pinned_ns = self._pinned_ns
        if pinned_ns is None:
            self._pinned_ns = self._pinned_from_ns = t_ns
            self._given_ans = 0.0
            return None
        certain_ns = t_ns - self._refresh_ns
        given_ans = self._given_ans + self._gives_a * (certain_ns - self._pinned_from_ns)
        if (
            certain_ns - pinned_ns <= self._pinned_hold_ns
            or given_ans <= self._start_ans + self._gives_a * self._hold_ns
        ):
            return None
        text = (
            f"in limit at {current:.4g} A with {voltage:.4g} V of {self.set_voltage_v:.4g} V for "
            f"{(t_ns - pinned_ns) / NS:.3g} s: longer than a board with {self.limits.harmless_bulk_f * 1e6:.4g} µF "
            "takes to charge; it draws more than the limit gives"
        )
        return Verdict("short", text, pinned_ns, t_ns)

    def _collapsed(self, t_ns: int, voltage: float, current: float) -> Verdict | None:
        onset_ns = self._onset_ns
        if onset_ns is None:
            self._onset_ns = self._line_ns = t_ns
            self._line_v = self._steepest_v_per_ns = 0.0
            return None
        # A repeated reading may be as old as the instrument's refresh: only the time beyond that is certain.
        if t_ns - onset_ns - self._refresh_ns <= self._hold_ns:
            return None  # nor is it a base for the line: a clip bounces, and what it shows meanwhile may fall again
        line_v = self._line_v + self._charge_v_per_ns * (t_ns - self._line_ns)
        if voltage >= line_v:
            self._line_ns, self._line_v = t_ns, voltage
        least_v = line_v - max(self._charge_v_per_ns, self._steepest_v_per_ns) * self._refresh_ns
        if voltage + self._margin_v >= least_v:
            return None
        text = (
            f"in limit at {current:.4g} A with {voltage:.4g} V of {self.set_voltage_v:.4g} V for "
            f"{(t_ns - onset_ns) / 1e6:.4g} ms; a capacitance of "
            f"{self.limits.harmless_bulk_f * 1e6:.4g} µF would show {min(least_v, self.set_voltage_v):.3g} V by now"
        )
        if voltage < self._zero_v:
            return Verdict("reverse", f"{text}; no voltage at all: reversed polarity, or a bare short", onset_ns, t_ns)
        return Verdict("short", text, onset_ns, t_ns)

    def _bounced(self, t_ns: int, down: bool) -> Verdict | None:
        most_ans = self._start_ans + self._gives_a * self._hold_ns
        since_ns = 0 if self._seen_ns is None else t_ns - self._seen_ns
        found = self._bounces.feed(since_ns, down, self._gives_a, most_ans, self._refresh_ns)
        if found is None:
            return None
        to_ms = 1 / self._gives_a / 1e6
        text = (
            f"the voltage collapsed {found[0]} times, together for {found[1] * to_ms:.4g} ms; "
            f"charging {self.limits.harmless_bulk_f * 1e6:.4g} µF takes {most_ans * to_ms:.4g} ms at most"
        )
        return Verdict("short", text, self._onset_ns or t_ns, t_ns)
