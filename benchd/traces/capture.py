"""Capture without hands: from readings to the beginning and end of each power-up.

Theory of operation. One `Capture` follows one channel. It holds no readings: the caller keeps them in a ring and cuts a
trace out of it when told start and end. All time comes from readings and arguments. States:

    off ──output on──▶ waiting ──current seen──▶ connected ──sustained rise──▶ booting ──stable──▶ settled
     ▲                    ▲                          │                             │    └─too long─▶ filed
     └──output off, trip──┴──nothing drawn for long──┴─────────────────────────────┴──────────────────┘

A trace is open from `connected` (with a pre-roll) until it is closed; in `settled` and `filed` it is closed and the
output still on, and only removal, an output cycle or a mark by hand can begin the next one. In `connected` a trace may
also be closed because nothing more came for long: then the rise opens a new one, so that no start is ever missed.
"""

from __future__ import annotations

from collections import deque

from benchd.reading import Mode
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


class _Watch:
    """What is known of the board that is, or may be, on the leads. Times in ns, currents in A."""

    __slots__ = (
        "active_ns",
        "connected_ns",
        "drawn_long",
        "drawn_ns",
        "leak_a",
        "leak_n",
        "rise_n",
        "rise_ns",
        "run",
        "run_ns",
        "second_n",
        "second_ns",
        "second_sum",
        "seconds",
        "since_ns",
    )

    def __init__(self, t_ns: int) -> None:
        self.run = 0
        """Readings in a row above the least step, the first of them at `run_ns`."""
        self.run_ns = 0
        self.active_ns = t_ns
        """Last time that anything was drawn."""
        self.drawn_ns = 0
        """First time; 0: never."""
        self.drawn_long = False
        """Not only for an inrush."""
        self.connected_ns = t_ns
        self.since_ns = t_ns
        """Beginning of the present state."""
        self.leak_a = 0.0
        self.leak_n = 0
        self.rise_n = 0
        """Readings in a row above the leak, the first of them at `rise_ns`."""
        self.rise_ns = 0
        self.seconds: deque[tuple[int, float]] = deque()
        """Means over 1 s and their ends; the running one has `second_n` readings and ends at `second_ns`."""
        self.second_ns = t_ns + 1_000_000_000
        self.second_n = 0
        self.second_sum = 0.0


class Capture:
    """Follows one channel, see the module's text. Every call returns what happened, oldest first."""

    def __init__(self, config: CaptureConfig | None = None) -> None:
        self.config = config or CaptureConfig()
        c = self.config
        self._pre_roll, self._removal, self._longest = _ns(c.pre_roll_s), _ns(c.removal_s), _ns(c.longest_s)
        self._noise = NoiseFloor(c.resolution_a)
        self._state = State.OFF
        self._events: list[CaptureEvent] = []
        self._on_ns = 0
        self._filed_since_on = False
        self._start_ns: int | None = None
        self._marks: list[Mark] = []
        self._last_ns = 0
        self._end_ns = -1
        self._zero_a = 0.0
        self._limit_a: float | None = None
        self._step_a = self._least_step()
        self._watch = _Watch(0)

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
        self._limit_a = limit_a if limit_a is not None and limit_a > 0 else None
        if self._state is State.OFF:
            self._on_ns = t_ns
            self._filed_since_on = False
            self._zero_a = 0.0
            self._watch = _Watch(t_ns)
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
            self._watch = _Watch(t_ns)
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
        above_a = current_a - self._zero_a
        noise = self._noise
        noise.see(current_a)
        step_a = self._step_a
        pinned = mode == Mode.CC or (self._limit_a is not None and current_a >= 0.98 * self._limit_a)
        big = above_a > max(self.config.inrush_a, 10 * step_a) or pinned
        if above_a > step_a or pinned:
            if not self._watch.run:
                self._watch.run_ns = t_ns
            self._watch.run += 1
        else:
            self._watch.run = 0
        if big or self._watch.run >= 2:
            self._watch.active_ns = t_ns
            if not self._watch.drawn_ns:
                self._watch.drawn_ns = self._watch.run_ns
            if t_ns - self._watch.run_ns > _ns(self.config.leak_settle_s):
                self._watch.drawn_long = True
        state = self._state
        if state is State.WAITING:
            self._while_waiting(t_ns, current_a, big)
            return
        if t_ns - self._watch.active_ns > self._removal and self._gone(t_ns):
            return
        if state is State.CONNECTED:
            self._while_connected(t_ns, current_a)
        if self._start_ns is not None:
            self._follow(t_ns, current_a)

    def _while_waiting(self, t_ns: int, current_a: float, big: bool) -> None:
        noise = self._noise
        level = None if noise.ready else noise.warm_up(current_a)
        if noise.ready and level is None and self._watch.run == 0:
            deviation = current_a - self._zero_a
            noise.add(deviation)
            self._step_a = self._least_step()
            # The instrument's own zero moves slowly and is small; a real leak must not be learnt away.
            slow = min(max(deviation, -self._step_a), self._step_a) * min((t_ns - self._last_ns) / 2e9, 0.1)
            self._zero_a = min(max(self._zero_a + slow, -0.01), 0.003)
        if level is not None:
            self._step_a = self._least_step()
            if level > self._step_a:
                self._connect(self._watch.drawn_ns or t_ns, t_ns)
                return
            self._watch.run, self._watch.drawn_ns = 0, 0
        if big or (noise.ready and self._watch.run >= 2):
            self._connect(self._watch.run_ns or t_ns, t_ns)

    def _while_connected(self, t_ns: int, current_a: float) -> None:
        """Follow the leak, look for the rise that is the button."""
        c = self.config
        if t_ns - self._watch.connected_ns < _ns(c.leak_settle_s) or self._watch.leak_n < 2:
            # Capacitors still charge. Of the readings so far the least is nearest to the leak.
            self._watch.leak_n += 1
            self._watch.leak_a = current_a if self._watch.leak_n == 1 else min(self._watch.leak_a, current_a)
            return
        rise_a = max(
            5 * self._noise.sigma_a,
            2.5 * self._noise.resolution_a,
            c.least_rise_a,
            c.rise_fraction * self._watch.leak_a,
        )
        deviation = current_a - self._watch.leak_a
        if deviation <= rise_a:
            self._watch.rise_n = 0
            self._noise.add(deviation)
            share = min((t_ns - self._last_ns) / 5e8, 0.5)
            self._watch.leak_a += min(max(deviation, -rise_a), rise_a) * share
            return
        if not self._watch.rise_n:
            self._watch.rise_ns = t_ns
        self._watch.rise_n += 1
        if self._watch.rise_n >= 2 and t_ns - self._watch.rise_ns >= _ns(c.sustained_s):
            at_ns = self._watch.rise_ns
            if self._start_ns is None:
                self._watch = _Watch(at_ns)
                self._watch.active_ns = self._watch.drawn_ns = t_ns
                self._open(self._start_before(at_ns))
            elif at_ns - self._watch.connected_ns < _ns(c.too_soon_s):
                at_ns = self._watch.connected_ns
            self._mark(Mark("button", at_ns))
            self._begin_boot(t_ns)

    def _follow(self, t_ns: int, current_a: float) -> None:
        """Close the trace when it has been stable, or open, for long enough."""
        assert self._start_ns is not None
        if t_ns - self._start_ns >= self._longest:
            booting = self._state is State.BOOTING
            self._close(t_ns, "time")
            if booting:
                self._enter(State.FILED, t_ns)
            return
        self._watch.second_n += 1
        self._watch.second_sum += current_a
        if t_ns < self._watch.second_ns:
            return
        self._watch.seconds.append((t_ns, self._watch.second_sum / self._watch.second_n))
        self._watch.second_ns, self._watch.second_n, self._watch.second_sum = t_ns + 1_000_000_000, 0, 0.0
        booting = self._state is State.BOOTING
        long_ns = _ns(self.config.settle_s if booting else self.config.patience_s)
        while self._watch.seconds and self._watch.seconds[0][0] < t_ns - long_ns:
            self._watch.seconds.popleft()
        if t_ns - self._watch.since_ns >= long_ns and self._stable() and not self._only_by_hand():
            if booting:
                self._mark(Mark("boot-end", max(self._watch.since_ns, t_ns - long_ns)))
            self._close(t_ns, "settled")
            if booting:
                self._enter(State.SETTLED, t_ns)

    def _stable(self) -> bool:
        means = [mean for _, mean in self._watch.seconds]
        if len(means) < 3:
            return False
        level = abs(sorted(means)[len(means) // 2])
        allowed = max(self.config.stable_fraction * level, self.config.stable_a, 2 * self._noise.resolution_a)
        return max(means) - min(means) <= allowed

    def _gone(self, t_ns: int) -> bool:
        """Nothing has been drawn for `removal_s`. True when that means that the board is gone."""
        if self._start_ns is not None:
            inrush_only = self._state is State.CONNECTED and not self._watch.drawn_long
            if (inrush_only or not self._watch.drawn_ns) and t_ns - self._watch.since_ns < _ns(self.config.patience_s):
                return False
            if self._watch.drawn_ns:
                self._mark(Mark("removed", self._watch.active_ns))
                self._close(min(t_ns, self._watch.active_ns + self._removal), "removed")
            else:
                self._close(t_ns, "nothing-drawn")
        self._wait(t_ns)
        return True

    # ---- small steps -------------------------------------------------------------------------------------------

    def _connect(self, at_ns: int, t_ns: int) -> None:
        self._watch.connected_ns = self._watch.active_ns = at_ns
        self._watch.drawn_ns = self._watch.drawn_ns or at_ns
        self._watch.active_ns = t_ns
        self._open(self._start_before(at_ns))
        self._mark(Mark("connected", at_ns))
        self._enter(State.CONNECTED, t_ns)

    def _begin_boot(self, t_ns: int) -> None:
        self._watch.seconds.clear()
        self._enter(State.BOOTING, t_ns)

    def _wait(self, t_ns: int) -> None:
        self._watch = _Watch(t_ns)
        self._enter(State.WAITING, t_ns)

    def _only_by_hand(self) -> bool:
        """The open trace was begun by a mark and nothing has been drawn in it."""
        return not self._watch.drawn_ns

    def _start_before(self, t_ns: int) -> int:
        return max(self._on_ns, t_ns - self._pre_roll, self._end_ns + 1)

    def _least_step(self) -> float:
        return max(5 * self._noise.sigma_a, 1.5 * self._noise.resolution_a, self.config.least_step_a)

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
