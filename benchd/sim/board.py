"""Boards to put on the leads: what each kind draws, when, and what is broken on it.

A board is a bulk capacitor, resistive parts (standby, leak, short) and a load that takes constant power, because the
converters on a real board do. The load follows the phases of its kind once the button is pressed; below the brown-out
voltage it drops out. Levels are in amperes at the nominal voltage. They are common practice of the trade, no source.
To add a kind, add a line to `KINDS`.
"""

from __future__ import annotations

import enum
import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf

from benchd.sim.nonlinear import (
    Breakdown,
    ChargerInput,
    ChargerOutput,
    Curve,
    Diode,
    Leaking,
    rounded_slope_s,
)

COARSE_SLOT_S = 0.25
"""Length of a texture slot while a long gap is caught up with: nobody looks, so detail would only cost time."""

RAIL_RELEASE_V = 0.01
"""A shorted rail stays connected until its board is as good as discharged, in V."""


@dataclass(frozen=True)
class Phase:
    """A part of a start-up. `level_a`: base current; `burst_a`: largest burst above it; `slot_s`: mean burst length."""

    name: str
    seconds: float
    level_a: float
    burst_a: float = 0.0
    slot_s: float = 0.005


@dataclass(frozen=True)
class Kind:
    """What is known about one kind of board.

    `phases` run from the button (with `by_itself` from the moment it has its voltage); after the last one the board is
    in standby again, or with `again` goes on at phase `again_from`.
    `short_ohm`, `leak_ohm`: resistive faults that are always there. `rail_short_ohm`: a short on a rail that
    is switched on when the phase named `rail_phase` begins. `own_v`: a cell across the input, below 0 V where it is the
    wrong way round, behind `own_ohm`.
    """

    name: str
    tells: str
    phases: tuple[Phase, ...] = ()
    again: bool = False
    again_from: int = 0
    by_itself: bool = False
    bulk_f: float = 220e-6
    standby_ohm: float = inf
    leak_ohm: float = inf
    short_ohm: float = inf
    rail_phase: str = ""
    rail_short_ohm: float = inf
    own_v: float = 0.0
    own_ohm: float = inf
    curve: Curve | None = None
    """A part that is no resistor."""
    nominal_v: float = 4.0
    brownout_v: float = 2.9
    restart_v: float = 3.2


STANDBY_OHM = 4.0 / 0.0012

_START = (
    Phase("button", 0.25, 0.045, 0.02, 0.012),
    Phase("power manager", 0.45, 0.11, 0.06, 0.006),
    Phase("loader", 1.1, 0.27, 0.16, 0.006),
)
_BOOT = (
    *_START,
    Phase("kernel", 2.2, 0.52, 0.62, 0.004),
    Phase("services", 1.6, 0.43, 0.50, 0.005),
    Phase("first screen", 1.2, 0.33, 0.25, 0.006),
    Phase("idle", inf, 0.235, 0.05, 0.015),
)
_CLEAN = Kind("clean", "starts, works hard, settles", _BOOT, standby_ohm=STANDBY_OHM)

KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("none", "nothing on the leads", bulk_f=1e-9),
        _CLEAN,
        Kind("open", "the power path is open", bulk_f=100e-9),
        Kind("dead-short", "the main rail is shorted", short_ohm=0.15),
        Kind("reversed", "a charged cell, clipped on the wrong way round", own_v=-3.8, own_ohm=0.15),
        replace(_CLEAN, name="leak", tells="45 mA before the button, starts all the same", leak_ohm=4.0 / 0.045),
        Kind("leak-only", "45 mA before the button, which does nothing", leak_ohm=4.0 / 0.045),
        replace(
            _CLEAN,
            name="late-short",
            tells="starts, then a rail that comes up late is shorted",
            phases=(*_START[:2], Phase("loader", 0.5, 0.27, 0.16, 0.006), Phase("short rail", inf, 0.0)),
            rail_phase="short rail",
            rail_short_ohm=0.2,
        ),
        replace(
            _CLEAN,
            name="low-stall",
            tells="flat at about 0.06 A after the button",
            phases=(Phase("button", 0.2, 0.03, 0.01, 0.01), Phase("stalled", inf, 0.0578, 0.0012, 0.03)),
        ),
        replace(
            _CLEAN,
            name="mid-stall",
            tells="reaches a few hundred mA, then stays flat",
            phases=(*_START, Phase("stalled", inf, 0.26, 0.004, 0.03)),
        ),
        replace(
            _CLEAN,
            name="brief-kick",
            tells="a kick at the button, then nothing",
            phases=(Phase("button", 0.12, 0.03, 0.01, 0.01), Phase("kick", 0.4, 0.055, 0.03, 0.01)),
        ),
        replace(
            _CLEAN,
            name="loop",
            tells="starts, falls back, starts again",
            phases=(
                Phase("power manager", 0.3, 0.10, 0.06, 0.006),
                Phase("loader", 0.7, 0.25, 0.16, 0.006),
                Phase("kernel", 0.8, 0.45, 0.45, 0.004),
                Phase("reset", 0.7, 0.012, 0.004, 0.02),
            ),
            again=True,
        ),
        replace(
            _CLEAN,
            name="over-draw",
            tells="starts, but takes nearly half as much again",
            phases=tuple(replace(phase, level_a=phase.level_a * 1.45) for phase in _BOOT),
        ),
        Kind("leads", "the two clips on each other", bulk_f=1e-9, short_ohm=1e-4),
        Kind("diode-leak", "a part that conducts from about half a volt", curve=Diode(2e-9, 1.6), bulk_f=10e-6),
        Kind("breakdown-leak", "nothing, and from 2.4 V on more and more", curve=Breakdown(2.4, 12.0), bulk_f=10e-6),
        Kind("slow-charge", "a large capacitor and nothing else", bulk_f=0.02, leak_ohm=20e3),
        replace(
            _CLEAN,
            name="sleeper",
            tells="starts by itself, sleeps at 1.8 mA and wakes every 6 s",
            phases=(
                Phase("start", 0.8, 0.2, 0.1, 0.006),
                Phase("asleep", 5.6, 0.0006),
                Phase("awake", 0.4, 0.085, 0.02, 0.02),
            ),
            again=True,
            again_from=1,
            by_itself=True,
        ),
        replace(_CLEAN, name="self-start", tells="starts without a button", by_itself=True),
        replace(
            _CLEAN,
            name="charging",
            tells="charges at 0.4 A while its other side has 5 V (there: charger-input)",
            curve=ChargerOutput(0.4),
            by_itself=True,
        ),
        Kind("charger-input", "the 5 V side of `charging`: takes 0.46 A", bulk_f=4.7e-6, curve=ChargerInput(0.46)),
        Kind("back-feed", "what the other side has comes through", bulk_f=4.7e-6, curve=Leaking(8.0), nominal_v=5.0),
    )
}


class Life(enum.Enum):
    UNPOWERED = "unpowered"
    STANDBY = "standby"
    RUNNING = "running"


class Board:
    """One board of a kind, with its history. Times are in s on the bench's clock, voltages are its own input in V."""

    def __init__(self, kind: Kind, seed: int) -> None:
        self.kind = kind
        self.life = Life.UNPOWERED
        self.rail_shorted = False
        self.coarse = False
        self.next_event_s = inf
        self._random = random.Random(seed)
        self._phase = 0
        self._phase_end_s = inf
        self._slot_end_s = inf
        self._power_w = 0.0
        self.other_v: Callable[[], float] = lambda: 0.0
        """Voltage at the board's other side, V: that of the other output."""
        self._fixed_s = 1 / kind.standby_ohm + 1 / kind.leak_ohm + 1 / kind.short_ohm + 1 / kind.own_ohm

    def short(self, ohm: float) -> None:
        """A short of this resistance falls across the input, in Ω, and stays."""
        self._fixed_s += 1 / ohm

    def conductance_s(self) -> float:
        """Of all resistive parts together, in S."""
        return self._fixed_s + (1 / self.kind.rail_short_ohm if self.rail_shorted else 0.0)

    def bridge(self, ohm: float) -> None:
        """The main rail's short, or the leads', has this resistance from now on, in Ω: the clip sits elsewhere."""
        kind = self.kind
        self._fixed_s = 1 / kind.standby_ohm + 1 / kind.leak_ohm + 1 / ohm + 1 / kind.own_ohm

    def draw_a(self, board_v: float) -> float:
        """What the running load and parts that are no resistors take on top of the resistive parts, in A."""
        load_a = self._power_w / max(board_v, self.kind.brownout_v / 2) if self._power_w else 0.0
        curve = self.kind.curve
        return load_a if curve is None else load_a + curve.current_a(board_v, self.other_v())

    def slope_s(self, board_v: float) -> float:
        """How much of `draw_a` follows the voltage, in S, on a grid."""
        curve = self.kind.curve
        return 0.0 if curve is None else rounded_slope_s(curve.slope_s(board_v, self.other_v()))

    def own_a(self) -> float:
        """What its own cell feeds in beside the conductance (Norton form), in A."""
        return self.kind.own_v / self.kind.own_ohm

    def would_change(self, board_v: float) -> bool:
        """Whether this input voltage starts, stops or releases something."""
        if self.rail_shorted:
            return board_v < RAIL_RELEASE_V
        if self.life is Life.UNPOWERED:
            return board_v >= self.kind.restart_v
        return board_v < self.kind.brownout_v

    def see_voltage(self, board_v: float, now_s: float) -> None:
        """Take the change that `would_change` announced."""
        if self.rail_shorted and board_v < RAIL_RELEASE_V:
            self.rail_shorted = False
            self._stop(Life.UNPOWERED)
        elif self.rail_shorted:
            return
        elif self.life is Life.UNPOWERED and board_v >= self.kind.restart_v:
            self.life = Life.STANDBY
            if self.kind.by_itself:
                self.press(now_s)
        elif self.life is not Life.UNPOWERED and board_v < self.kind.brownout_v:
            self._stop(Life.UNPOWERED)

    def press(self, now_s: float) -> bool:
        """The power button. Does something only on a board that is powered and waiting; says whether it did."""
        if self.life is not Life.STANDBY or not self.kind.phases:
            return False
        self.life = Life.RUNNING
        self._enter(0, now_s)
        return True

    def see_time(self, now_s: float) -> None:
        """Take whatever was due at `next_event_s`."""
        if now_s >= self._phase_end_s:
            self._leave_phase(now_s)
        elif now_s >= self._slot_end_s:
            self._new_slot(now_s)

    def _leave_phase(self, now_s: float) -> None:
        following = self._phase + 1
        if following < len(self.kind.phases):
            self._enter(following, now_s)
        elif self.kind.again:
            self._enter(self.kind.again_from, now_s)
        else:
            self._stop(Life.STANDBY)

    def _enter(self, index: int, now_s: float) -> None:
        phase = self.kind.phases[index]
        self._phase = index
        self._phase_end_s = now_s + phase.seconds
        if phase.name == self.kind.rail_phase:
            self.rail_shorted = True
        self._new_slot(now_s)

    def _new_slot(self, now_s: float) -> None:
        phase = self.kind.phases[self._phase]
        # Cubed: most of the time little above the base, now and then the full burst.
        burst_a = phase.burst_a * self._random.random() ** 3
        self._power_w = (phase.level_a + burst_a) * self.kind.nominal_v
        length_s = max(phase.slot_s, COARSE_SLOT_S) if self.coarse else phase.slot_s
        self._slot_end_s = now_s + length_s * self._random.uniform(0.3, 1.7) if phase.burst_a else inf
        self.next_event_s = min(self._slot_end_s, self._phase_end_s)

    def _stop(self, life: Life) -> None:
        self.life = life
        self._power_w = 0.0
        self._phase_end_s = self._slot_end_s = self.next_event_s = inf
