"""Capture without hands: from readings to the beginning and end of each power-up.

Theory of operation. One `Capture` follows one channel. It holds no readings: the caller keeps them in a ring and cuts a
trace out of it when told start and end. All time comes from readings and arguments. States:

    off ──output on──▶ waiting ──current seen──▶ connected ──sustained rise──▶ booting ──stable──▶ settled
     ▲                    ▲                          │                             │    └─too long─▶ filed
     └──output off, trip──┴──nothing drawn for long──┴─────────────────────────────┴──────────────────┘

A trace is open from `connected` (with a pre-roll) until it is closed; in `settled` and `filed` it is closed and the
output still on, and only removal, an output cycle or a mark by hand can begin the next one. In `connected` a trace may
also be closed because nothing more came for long: then the rise opens a new one, so that no start is ever missed.

What counts as drawn follows the instrument: its noise and step (`noise`), which of its readings are measurements and
which the last one again (`capture_refresh`). What is known of the board on the leads is in `capture_board`.
"""

from __future__ import annotations

from math import inf

from benchd.reading import Mode
from benchd.traces.capture_board import SECOND_NS, BoardWatch
from benchd.traces.capture_refresh import Refresh
from benchd.traces.events import (
    CaptureConfig,
    CaptureEvent,
    CloseReason,
    Marked,
    State,
    StateChanged,
    TraceClosed,
    TraceOpened,
)
from benchd.traces.noise import NoiseFloor
from benchd.traces.samples import Samples
from benchd.traces.trace import Mark, MarkKind

__all__ = ["Capture", "CaptureConfig", "CaptureEvent", "Marked", "State", "StateChanged", "TraceClosed", "TraceOpened"]

PINNED_SHARE = 0.98
"""A current from this share of the limit on is the limit (common practice, no source)."""
OWN_CHARGE_NS = 200_000_000
"""So long after the output went on its own and the leads' capacitance may charge (common practice, no source)."""
ZERO_LOW_A = 0.01
"""What an instrument may read below 0 with nothing on the leads, A (common practice, no source)."""
ZERO_HIGH_A = 0.003
"""And above 0, where its accuracy does not say more, A: anything higher may be a leak."""


class Capture:
    """Follows one channel, see the module's text. Every call returns what happened, oldest first."""

    def __init__(self, config: CaptureConfig | None = None) -> None:
        self.config = config or CaptureConfig()
        c = self.config
        self._pre_roll, self._removal, self._longest = _ns(c.pre_roll_s), _ns(c.removal_s), _ns(c.longest_s)
        self._tried = _ns(c.tried_s)
        self._leak_settle, self._sustained = _ns(c.leak_settle_s), _ns(c.sustained_s)
        self._noise = NoiseFloor(c.resolution_a)
        self._refresh = Refresh()
        self._state = State.OFF
        self._events: list[CaptureEvent] = []
        self._on_ns = 0
        self._filed_since_on = False
        self._start_ns: int | None = None
        self._marks: list[Mark] = []
        self._last_ns = 0
        self._end_ns = -1
        self._zero_a = 0.0
        self._pinned_a = inf
        self._floor_a = self._step_a = self._big_a = 0.0
        self._renew_step()
        self._watch = BoardWatch(0)

    @property
    def state(self) -> State:
        """What capture is doing now."""
        return self._state

    @property
    def open_trace_start_ns(self) -> int | None:
        """Start of the open trace, pre-roll included; None when none is open."""
        return self._start_ns

    @property
    def noise_a(self) -> float:
        """Standard deviation of the current reading as learnt so far, A."""
        return self._noise.sigma_a

    # ---- what happens to the output ----------------------------------------------------------------------------

    def output_on(
        self, t_ns: int, set_voltage_v: float | None = None, limit_a: float | None = None
    ) -> list[CaptureEvent]:
        """The output is on since `t_ns`. Voltage (V) and limit (A) may change under way: call again.

        With the limit known, a current that reaches it is taken for a board even where the instrument does not say
        that it regulates current.
        """
        del set_voltage_v
        self._pinned_a = PINNED_SHARE * limit_a if limit_a is not None and limit_a > 0 else inf
        if self._state is State.OFF:
            self._on_ns = t_ns
            self._filed_since_on = False
            self._zero_a = 0.0
            self._watch = BoardWatch(t_ns)
            self._enter(State.WAITING, t_ns)
        return self._taken()

    def output_off(self, t_ns: int, reason: str = "") -> list[CaptureEvent]:
        """The output is off, or not known to be on any more, since `t_ns`. `reason` in words goes nowhere but here."""
        del reason
        if self._state is State.OFF:
            return []
        if self._start_ns is not None:
            self._mark(Mark("off", t_ns, "guard"))
            self._close(t_ns, "nothing-drawn" if self._only_by_hand() else "off")
        elif not self._filed_since_on and t_ns - self._on_ns >= 1_000_000_000:
            # On and off again and nothing moved: that is what a board that draws nothing looks like.
            self._open(max(self._on_ns, t_ns - self._longest))
            self._mark(Mark("off", t_ns, "guard"))
            self._close(t_ns, "nothing-drawn")
        self._enter(State.OFF, t_ns)
        return self._taken()

    def tripped(self, t_ns: int, why: str = "") -> list[CaptureEvent]:
        """A protection has switched off, by the rule `why`. Feed the readings that led to it first."""
        if self._state is State.OFF:
            return []
        if self._start_ns is None:
            self._open(self._start_before(t_ns))
        self._mark(Mark("tripped", t_ns, "guard", why))
        self._close(max(t_ns, self._last_ns), "tripped")
        self._enter(State.OFF, t_ns)
        return self._taken()

    def mark(self, kind: MarkKind, t_ns: int) -> list[CaptureEvent]:
        """A person marks a moment. `connected` and `button` begin a trace when none is open, `removed` ends it.

        Nothing happens while the output is off.
        """
        if self._state is State.OFF:
            return []
        if self._start_ns is None:
            if kind not in ("connected", "button"):
                return []
            self._watch = BoardWatch(t_ns)
            self._open(self._start_before(t_ns))
        self._mark(Mark(kind, t_ns, "hand"))
        if kind == "button" and self._state is not State.BOOTING:
            self._begin_boot(t_ns)
        elif kind == "connected" and self._state not in (State.CONNECTED, State.BOOTING):
            self._enter(State.CONNECTED, t_ns)
        elif kind == "removed":
            self._close(t_ns, "removed")
            self._wait(t_ns)
        return self._taken()

    def feed(self, samples: Samples) -> list[CaptureEvent]:
        """Take readings, oldest first. Those not newer than the last one, and those of an output that is off, are
        passed over."""
        if self._state is State.OFF:
            return []
        columns = samples.t_ns.tolist(), samples.current_a.tolist(), samples.mode.tolist()
        for t_ns, current_a, mode in zip(*columns, strict=True):
            if t_ns > self._last_ns and t_ns >= self._on_ns and current_a == current_a:
                self._reading(t_ns, current_a, mode)
                self._last_ns = t_ns
        return self._taken()

    # ---- one reading -------------------------------------------------------------------------------------------

    def _reading(self, t_ns: int, current_a: float, mode: int) -> None:
        self._noise.see(current_a)
        is_new = self._refresh.is_new(t_ns, current_a)
        watch, above_a = self._watch, current_a - self._zero_a
        pinned = mode == Mode.CC or current_a >= self._pinned_a
        big = pinned or above_a > self._big_a
        above = pinned or above_a > self._step_a
        watch.see(t_ns, t_ns - self._last_ns, above, big, is_new, self._leak_settle)
        state = self._state
        if state is State.WAITING:
            self._while_waiting(t_ns, current_a, big, is_new)
            return
        second = watch.seconds.add(t_ns, current_a)
        if second is not None and second[0] - self._zero_a > max(self._floor_a, 4 * second[1]):
            watch.mean_active_ns = t_ns
        if (watch.quiet_ns > self._removal or self._quiet_on_average(t_ns)) and self._gone(t_ns):
            return
        if state is State.CONNECTED:
            self._while_connected(t_ns, current_a, big, is_new)
        if self._start_ns is not None:
            self._follow(t_ns, ended=second is not None)

    def _quiet_on_average(self, t_ns: int) -> bool:
        """A board that was at work from the first reading on has shown no noise to compare with; means have less."""
        return not self._noise.ready and t_ns - self._watch.mean_active_ns > self._removal + SECOND_NS

    def _while_waiting(self, t_ns: int, current_a: float, big: bool, is_new: bool) -> None:
        noise, watch = self._noise, self._watch
        if not noise.ready:
            level_a = noise.warm_up(t_ns, current_a)
            if level_a is not None:
                self._renew_step()
                if level_a > max(self._step_a, self.config.offset_a):
                    self._connect(watch.drawn_ns or t_ns, t_ns, current_a)
                    return
                self._zero_a = self._as_zero(level_a)
                watch.run, watch.drawn_ns = 0, 0
        elif is_new and watch.run < 2:
            deviation_a = current_a - self._zero_a
            noise.add(deviation_a)
            self._renew_step()
            if watch.run == 0:
                # The instrument's own zero moves slowly and is small; a real leak must not be learnt away.
                slow_a = min(max(deviation_a, -self._step_a), self._step_a)
                self._zero_a = self._as_zero(self._zero_a + slow_a * min((t_ns - self._last_ns) / 2e9, 0.1))
        if big or (noise.ready and watch.run >= 2):
            self._connect(watch.run_ns or t_ns, t_ns, current_a)

    def _while_connected(self, t_ns: int, current_a: float, big: bool, is_new: bool) -> None:
        """Follow the leak, look for the rise that is the button."""
        c, watch, noise = self.config, self._watch, self._noise
        if t_ns - watch.connected_ns < self._leak_settle or watch.leak_n < 3:
            if is_new:
                watch.settle_leak(t_ns, current_a)
            return
        if watch.tried(t_ns, 2 * self._sustained, self._tried) and self._start_ns is not None:
            self._mark(Mark("button", watch.connected_ns))
            self._begin_boot(t_ns)
            return
        rise_a = max(5 * noise.sigma_a, 2.5 * noise.resolution_a, c.least_rise_a, c.rise_fraction * watch.leak_a)
        deviation_a = current_a - watch.leak_a
        if deviation_a <= rise_a:
            if watch.rise_n and watch.charged_at_on and not watch.drawn_long:
                self._clipped_on_later(watch.rise_ns)
            watch.rise_n = 0
            if is_new:
                noise.add(deviation_a)
                self._renew_step()
            share = min((t_ns - self._last_ns) / 5e8, 0.5)
            watch.leak_a += min(max(deviation_a, -rise_a), rise_a) * share
            return
        if not watch.rise_n:
            watch.rise_ns = t_ns
            watch.rise_n = 1
        elif is_new:
            watch.rise_n += 1
        if watch.rise_n >= 2 and t_ns - watch.rise_ns >= self._sustained:
            self._pressed(watch.rise_ns, t_ns)

    def _pressed(self, at_ns: int, t_ns: int) -> None:
        """The current has risen to stay: that was the button."""
        c, watch = self.config, self._watch
        if self._start_ns is None:
            watch = self._watch = BoardWatch(at_ns)
            watch.active_ns = watch.drawn_ns = t_ns
            self._open(self._start_before(at_ns))
        else:
            nothing_since = watch.charged and watch.leak_a - self._zero_a <= self._step_a
            too_soon_s = c.too_soon_s if watch.charged else c.untold_s
            if not nothing_since and at_ns - watch.connected_ns < _ns(too_soon_s):
                at_ns = watch.connected_ns
        self._mark(Mark("button", at_ns))
        self._begin_boot(t_ns)

    def _follow(self, t_ns: int, ended: bool) -> None:
        """Close the trace when it has been stable, or open, for long enough. `ended`: a second has ended."""
        assert self._start_ns is not None
        booting = self._state is State.BOOTING
        if t_ns - self._start_ns >= self._longest:
            self._close(t_ns, "time")
            if booting:
                self._enter(State.FILED, t_ns)
            return
        if not ended:
            return
        c, watch = self.config, self._watch
        long_ns = _ns(c.settle_s if booting else c.patience_s)
        watch.seconds.forget_before(t_ns - long_ns)
        if t_ns - watch.since_ns < long_ns or self._only_by_hand():
            return
        since_ns = watch.seconds.stable_since(c.stable_fraction, max(c.stable_a, 2 * self._noise.resolution_a))
        if since_ns is not None:
            if booting:
                self._mark(Mark("boot-end", max(watch.since_ns, since_ns)))
            self._close(t_ns, "settled")
            if booting:
                self._enter(State.SETTLED, t_ns)

    def _gone(self, t_ns: int) -> bool:
        """Nothing has been drawn for `removal_s`. True when that means that the board is gone."""
        watch = self._watch
        if self._start_ns is not None:
            inrush_only = self._state is State.CONNECTED and not watch.drawn_long
            if (inrush_only or not watch.drawn_ns) and t_ns - watch.since_ns < _ns(self.config.patience_s):
                return False
            if watch.drawn_ns and not (inrush_only and watch.charged_at_on):
                at_ns = watch.mean_active_ns if self._quiet_on_average(t_ns) else watch.active_ns
                self._mark(Mark("removed", at_ns))
                self._close(min(t_ns, at_ns + self._removal), "removed")
            else:
                self._close(t_ns, "nothing-drawn")
        self._wait(t_ns)
        return True

    # ---- small steps -------------------------------------------------------------------------------------------

    def _connect(self, at_ns: int, t_ns: int, current_a: float) -> None:
        self._watch.connect(at_ns, t_ns, current_a, at_on=at_ns - self._on_ns < OWN_CHARGE_NS)
        self._open(self._start_before(at_ns))
        self._mark(Mark("connected", at_ns))
        self._enter(State.CONNECTED, t_ns)

    def _clipped_on_later(self, at_ns: int) -> None:
        """A second spike, and nothing drawn before it or after: the one as the output went on was the supply's own
        capacitor, or the leads', and the board comes only now."""
        self._watch.connected_ns = self._watch.since_ns = at_ns
        self._watch.charged_at_on = False
        self._marks = [m for m in self._marks if m.kind != "connected" or m.by == "hand"]
        self._mark(Mark("connected", at_ns))

    def _begin_boot(self, t_ns: int) -> None:
        self._watch.seconds.ended.clear()
        self._watch.mean_active_ns = t_ns
        self._enter(State.BOOTING, t_ns)

    def _wait(self, t_ns: int) -> None:
        self._watch = BoardWatch(t_ns)
        self._enter(State.WAITING, t_ns)

    def _only_by_hand(self) -> bool:
        """The open trace was begun by a mark and nothing has been drawn in it."""
        return not self._watch.drawn_ns

    def _start_before(self, t_ns: int) -> int:
        return max(self._on_ns, t_ns - self._pre_roll, self._end_ns + 1)

    def _renew_step(self) -> None:
        """What counts as drawn, after the noise is known better."""
        noise = self._noise
        self._floor_a = max(1.5 * noise.resolution_a, self.config.least_step_a)
        self._step_a = max(5 * noise.at_most_a, self._floor_a)
        self._big_a = max(self.config.inrush_a, 10 * self._step_a)

    def _as_zero(self, level_a: float) -> float:
        return min(max(level_a, -ZERO_LOW_A), max(ZERO_HIGH_A, self.config.offset_a))

    def _enter(self, state: State, t_ns: int) -> None:
        if state is not self._state:
            self._state = state
            self._watch.since_ns = t_ns
            self._events.append(StateChanged(state, t_ns))

    def _open(self, start_ns: int) -> None:
        self._start_ns = start_ns
        self._marks = []
        self._filed_since_on = True
        self._events.append(TraceOpened(start_ns))

    def _mark(self, mark: Mark) -> None:
        self._marks.append(mark)
        self._events.append(Marked(mark))

    def _close(self, end_ns: int, reason: CloseReason) -> None:
        assert self._start_ns is not None
        marks = tuple(sorted(self._marks, key=lambda m: m.t_ns))
        self._events.append(TraceClosed(self._start_ns, end_ns, marks, reason))
        self._start_ns, self._end_ns = None, end_ns

    def _taken(self) -> list[CaptureEvent]:
        events, self._events = self._events, []
        return events


def _ns(seconds: float) -> int:
    return round(seconds * 1e9)
