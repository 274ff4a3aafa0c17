"""One channel of the bench: a source, its protections, the leads and a board, stepped in time.

Time is an argument in seconds on any clock that does not go back. Nothing happens between calls; `advance` catches
up, with exact steps from one change to the next, so a settled hour costs no more than a settled millisecond.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from math import floor, inf

from benchd.sim.board import KINDS, Board, Kind
from benchd.sim.circuit import Motion, Network
from benchd.sim.source import OPEN_S, Mode, Source

FIRST_STEP_S = 1e-6
"""Step after something switched; doubled from there on, so that no short excursion over a limit is stepped over."""

EDGE_S = 1e-9
"""How exactly the instant of a change of mode is found."""

LARGEST_CHANGE = 0.02
"""A constant-power load is linear only for small changes of its voltage: largest change per step, as a fraction."""

CATCH_UP_S = 1.0
"""Gaps longer than this are stepped with coarse load texture but for the last such stretch."""


class Bits:
    """Of a channel's questionable status (channel summary): 0 and 1 as many supplies have them, 9 and 10 free."""

    LIMITING = 1
    REGULATING = 2
    OVER_VOLTAGE = 1 << 9
    OVER_CURRENT = 1 << 10


@dataclass
class Protection:
    """A protective trip built into the supply. `delay_s`: how long the cause must last. Latched until cleared.

    `in_limit`: of an over-current protection, that running in current limit is a cause whatever the level.
    """

    level: float
    enabled: bool
    delay_s: float
    tripped: bool = False
    since_s: float = inf
    in_limit: bool = True

    def deadline_s(self) -> float:
        return self.since_s + self.delay_s if self.enabled else inf


@dataclass(frozen=True)
class Reading:
    """A noise-free average over one reading interval, ended at `t_s`."""

    t_s: float
    voltage_v: float
    current_a: float


@dataclass
class Readout:
    """How a channel's readings are made. Intervals in s, resolutions and noise (rms) in V and A."""

    interval_s: float = 0.001
    resolution_v: float = 0.001
    resolution_a: float = 0.0001
    noise_v: float = 0.0003
    noise_a: float = 0.00005
    gain_v: float = 1.0
    offset_v: float = 0.0
    gain_a: float = 1.0
    offset_a: float = 0.0
    """What its meters show of a value: gain times it, and the offset. A supply within its accuracy has some."""


@dataclass(frozen=True)
class Truth:
    """The model's own state, without noise or rounding."""

    output: bool
    terminal_v: float
    current_a: float
    board_v: float


@dataclass
class Channel:
    """Everything between the programmed setting and the board."""

    source: Source = field(default_factory=Source)
    readout: Readout = field(default_factory=Readout)
    lead_ohm: float = 0.05
    clip_ohm: float = 0.0002
    """Of both clips together, behind the point where the sense leads sit, in Ω."""
    seed: int = 1
    over_voltage: Protection = field(default_factory=lambda: Protection(35.2, True, 0.0))
    over_current: Protection = field(default_factory=lambda: Protection(6.6, False, 0.05))

    def __post_init__(self) -> None:
        self.now_s = 0.0
        self.terminal_v = 0.0
        self.board_v = 0.0
        self.events = {"summary": 0, "selected": 0}
        self._condition = 0
        self._random = random.Random(self.seed)
        self._boards = 0
        self._step_s = FIRST_STEP_S
        self._networks: dict[tuple[Mode, float, bool], Network] = {}
        self._window = 0
        self._window_start_s = 0.0
        self._area_vs = 0.0
        self._charge_as = 0.0
        self._reading = Reading(0.0, 0.0, 0.0)
        self._noisy: tuple[float, float] | None = None
        self.board = Board(KINDS["none"], self.seed)
        self.connected = False
        self.other: Channel | None = None
        """The output that feeds the other side of a board with two."""
        self.senses = False
        """It holds and measures the voltage at the far end of its sense leads."""
        self.sense_leads = 2
        """So many of its two sense leads are clipped on and whole."""

    # What a person does at the bench.

    def attach(self, kind: Kind, now_s: float) -> None:
        """Clip a fresh, discharged board of this kind on the leads (for `none`: leave them free)."""
        self.advance(now_s)
        self._boards += 1
        self.board = Board(kind, self.seed * 1009 + self._boards)
        self.board.other_v = self._other_v
        self.board_v = 0.0
        self.connected = kind.name != "none"
        self._networks.clear()
        self._disturbed()

    def _other_v(self) -> float:
        return self.other.board_v if self.other is not None and self.other.connected else 0.0

    def bridge(self, ohm: float, now_s: float) -> None:
        """The clip sits at another point of a shorted rail, which has this resistance from there, in Ω."""
        self.advance(now_s)
        self.board.bridge(ohm)
        self._networks.clear()
        self._disturbed()

    def err(self, now_s: float, gain_v: float, offset_v: float, gain_a: float, offset_a: float) -> None:
        """What the meters show of a value from now on; V and A."""
        self.advance(now_s)
        how = self.readout
        how.gain_v, how.offset_v, how.gain_a, how.offset_a = gain_v, offset_v, gain_a, offset_a
        self._noisy = None

    def connect(self, connected: bool, now_s: float) -> None:
        """Take the clip off or put it back; the board keeps its charge and its state."""
        self.advance(now_s)
        self.connected = connected and self.board.kind.name != "none"
        self._disturbed()

    def press(self, now_s: float) -> bool:
        """Press the board's button; says whether the board reacted."""
        self.advance(now_s)
        reacted = self.board.press(now_s)
        self._disturbed()
        return reacted

    def clip_sense(self, leads: int, now_s: float) -> None:
        """So many of the two sense leads, 0 to 2, are on the clips from now on."""
        self.advance(now_s)
        self.sense_leads = leads
        self._networks.clear()
        self._disturbed()

    # What the instrument does.

    def sense(self, remote: bool, now_s: float) -> None:
        """Hold and measure the voltage at the sense leads from now on, or at its own terminals."""
        self.advance(now_s)
        self.senses = remote
        self._networks.clear()
        self._disturbed()

    @property
    def unseen_ohm(self) -> float:
        """Between where the voltage is held and measured, and the board, in Ω.

        A sense lead that is off is replaced by a resistor inside the supply, from its terminal on that side (common
        practice, no source), so that this side is held there.
        """
        if not self.senses:
            return self.lead_ohm
        return (self.sense_leads * self.clip_ohm + (2 - self.sense_leads) * self.lead_ohm) / 2

    def set(self, now_s: float, *, voltage_v: float | None = None, limit_a: float | None = None) -> None:
        self.advance(now_s)
        if voltage_v is not None:
            self.source.voltage_v = voltage_v
        if limit_a is not None:
            self.source.limit_a = limit_a
        self._disturbed()

    def switch(self, on: bool, now_s: float) -> None:
        self.advance(now_s)
        self.source.on = on
        self._disturbed()

    def protect(self, which: Protection, now_s: float, **settings: float | bool) -> None:
        """Change fields of one of the two protections."""
        self.advance(now_s)
        for name, value in settings.items():
            setattr(which, name, value)
        self._disturbed()

    def refresh_every(self, interval_s: float, now_s: float) -> None:
        """Change the reading interval."""
        self.advance(now_s)
        self.readout.interval_s = interval_s
        self._window = floor(now_s / interval_s)
        self._begin_window()

    def take_events(self, register: str) -> int:
        """Bits of `condition` that came up since this register (`summary` or `selected`) was last read."""
        events, self.events[register] = self.events[register], 0
        return events

    def condition(self) -> int:
        """Channel summary bits of the questionable status at the time last advanced to."""
        bits = Bits.OVER_VOLTAGE if self.over_voltage.tripped else 0
        bits |= Bits.OVER_CURRENT if self.over_current.tripped else 0
        if self.source.mode is Mode.CC:
            return bits | Bits.LIMITING
        return bits | (Bits.REGULATING if self.source.on else 0)

    def truth(self, now_s: float) -> Truth:
        self.advance(now_s)
        return Truth(self.source.on, self.terminal_v, self.source.current_a(self.terminal_v), self.board_v)

    def average(self, now_s: float) -> Reading:
        """The last finished reading interval, noise-free and not rounded."""
        self.advance(now_s)
        return self._reading

    def read(self, now_s: float) -> tuple[float, float]:
        """Voltage in V and current in A as the instrument shows them: averaged, noisy, rounded to its resolution."""
        reading = self.average(now_s)
        if self._noisy is None:
            how = self.readout
            voltage_v = how.gain_v * reading.voltage_v + how.offset_v + self._random.gauss(0.0, how.noise_v)
            current_a = how.gain_a * reading.current_a + how.offset_a + self._random.gauss(0.0, how.noise_a)
            self._noisy = (
                round(voltage_v / how.resolution_v) * how.resolution_v,
                round(current_a / how.resolution_a) * how.resolution_a,
            )
        return self._noisy

    def advance(self, to_s: float) -> None:
        """Catch up to `to_s`; earlier times do nothing."""
        interval_s = self.readout.interval_s
        window = floor(to_s / interval_s)
        if window > self._window:
            start_s = (window - 1) * interval_s
            if self.now_s < start_s:
                self._run(start_s)
                self._begin_window()
            self._run(window * interval_s)
            length_s = self.now_s - self._window_start_s
            if length_s > 0:
                self._reading = Reading(self.now_s, self._area_vs / length_s, self._charge_as / length_s)
                self._noisy = None
            self._begin_window()
            self._window = window
        self._run(to_s)

    def _begin_window(self) -> None:
        self._window_start_s = self.now_s
        self._area_vs = self._charge_as = 0.0

    def _run(self, to_s: float) -> None:
        if to_s - self.now_s > 2 * CATCH_UP_S:
            self.board.coarse = True
            self._step_until(to_s - CATCH_UP_S)
            self.board.coarse = False
        self._step_until(to_s)

    def _step_until(self, to_s: float) -> None:
        while self.now_s < to_s:
            until_s = min(to_s, self.board.next_event_s, self.over_voltage.deadline_s(), self.over_current.deadline_s())
            motion = self._motion()
            step_s = min(until_s - self.now_s, self._step_s)
            if step_s > 0:
                self._move(motion, step_s)
            if self.now_s + 1e-12 >= until_s:
                # Land on the instant itself, or rounding could leave a rest that is too short to step over.
                self.now_s = max(self.now_s, until_s)
                self._take_due()

    def _motion(self) -> Motion:
        source = self.source
        # What follows the voltage is part of the network, or a steep part would make the model swing.
        slope_s = self.board.slope_s(self.board_v)
        board_s = self.board.conductance_s() + slope_s + OPEN_S
        key = (source.mode, board_s, self.connected)
        network = self._networks.get(key)
        if network is None:
            leads_s = 1 / self.unseen_ohm if self.connected else 0.0
            network = self._networks[key] = Network.of(
                source.conductance_s(), source.capacitance_f, leads_s, board_s, self.board.kind.bulk_f
            )
        return network.motion(
            self.terminal_v,
            self.board_v,
            source.feed_a(),
            self.board.own_a() - self.board.draw_a(self.board_v) + slope_s * self.board_v,
        )

    def _move(self, motion: Motion, step_s: float) -> None:
        terminal_v, board_v = motion.after(step_s)
        if self.board.draw_a(self.board_v):
            while abs(board_v - self.board_v) > LARGEST_CHANGE * self.board_v and step_s > FIRST_STEP_S:
                step_s /= 2
                terminal_v, board_v = motion.after(step_s)
        switched = self._would_switch(terminal_v, board_v)
        if switched:
            low_s = 0.0
            while step_s - low_s > EDGE_S:
                middle_s = (low_s + step_s) / 2
                if self._would_switch(*motion.after(middle_s)):
                    step_s = middle_s
                else:
                    low_s = middle_s
            terminal_v, board_v = motion.after(step_s)
        area_vs = motion.terminal_area(step_s)
        self._area_vs += area_vs
        source = self.source
        if source.mode is Mode.CV:
            self._charge_as += (source.voltage_v * step_s - area_vs) / source.resistance_ohm
        elif source.mode is Mode.CC:
            self._charge_as += source.limit_a * step_s
        self.now_s += step_s
        self.terminal_v, self.board_v = terminal_v, board_v
        if switched:
            self._disturbed()
        else:
            self._step_s *= 2

    def _would_switch(self, terminal_v: float, board_v: float) -> bool:
        mode = self.source.mode_at(terminal_v)
        return (
            mode is not self.source.mode
            or self.board.would_change(board_v)
            or self._too_high(terminal_v) is (self.over_voltage.since_s == inf)
            or self._too_much(terminal_v, mode) is (self.over_current.since_s == inf)
        )

    def _too_high(self, terminal_v: float) -> bool:
        return self.source.on and terminal_v > self.over_voltage.level

    def _too_much(self, terminal_v: float, mode: Mode) -> bool:
        if mode is Mode.CC:
            return self.over_current.in_limit or self.source.limit_a > self.over_current.level
        return mode is Mode.CV and self.source.current_a(terminal_v) > self.over_current.level

    def _take_due(self) -> None:
        if self.now_s >= self.board.next_event_s:
            self.board.see_time(self.now_s)
            if self.board.rail_shorted:
                self._disturbed()
        for protection in (self.over_voltage, self.over_current):
            if self.now_s >= protection.deadline_s():
                protection.tripped = True
                protection.since_s = inf
                self.source.on = False
                self._disturbed()

    def _disturbed(self) -> None:
        """Something switched: take over the new modes and go on in small steps."""
        self._step_s = FIRST_STEP_S
        self.board.see_voltage(self.board_v, self.now_s)
        self.source.mode = mode = self.source.mode_at(self.terminal_v)
        for protection, cause in (
            (self.over_voltage, self._too_high(self.terminal_v)),
            (self.over_current, self._too_much(self.terminal_v, mode)),
        ):
            if not cause:
                protection.since_s = inf
            elif protection.since_s == inf:
                protection.since_s = self.now_s
        condition = self.condition()
        for register in self.events:
            self.events[register] |= condition & ~self._condition
        self._condition = condition
