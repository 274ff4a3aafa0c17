"""What the R&S families share: a selection, outputs in two stages, a fuse in place of over-current protection.

An output is on when its own stage and the master are (PM, QCC, SCH, RSX, RSN). The fuse blows in current limit, so its
level is the limit (from memory); `FUSE:LINK` is left out. A fuse is whole again when its output is ordered on where the
family has no command to clear it (from memory: no other way is published); an over-voltage trip stays until cleared.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar

from benchd.sim.dialects.phrasing import (
    add_clear,
    add_levels,
    add_protection_delay,
    add_protection_level,
    add_protection_state,
    add_readings,
    add_trip_query,
    digit,
    is_on,
    one,
    over_current,
    over_voltage,
)
from benchd.sim.dialects.scpi import ERRORS, PANEL, SELECTION, STANDARD, Aim, ScpiDialect
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Language
from benchd.sim.values import boolean

ON_S = 0.5
"""After switching on, the maker's own examples wait this long (RSX)."""


class Staged(ScpiDialect):
    """A supply whose outputs have a stage each and one master."""

    has_master: ClassVar[bool] = True
    fuse_heals: ClassVar[bool] = True
    """Ordering an output on makes its fuse whole again."""

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.master = False
        self.armed = [False for _ in self.outputs]
        for channel in self.channels:
            channel.protect(channel.over_voltage, now_s, enabled=True)

    def note_trips(self, now_s: float) -> None:
        """A trip disarms its output, so the master does not bring it back."""
        for place in self.places:
            if self.tripped(place, now_s):
                self.armed[place] = False

    def arm(self, places: Sequence[int], on: bool, now_s: float) -> None:
        """The stage of these outputs. Raises -221 for one that has tripped."""
        self.note_trips(now_s)
        for place in places:
            if on and self.fuse_heals:
                self.clear_trip(place, self.channels[place].over_current, now_s, False)
            if on and self.tripped(place, now_s):
                raise ScpiError(-221, "protection tripped, clear it first")
        if on or self.switch(places, False, now_s):
            for place in places:
                self.armed[place] = on
        if on and (self.master or not self.has_master):
            self.switch(places, True, now_s)

    def turn_master(self, on: bool, now_s: float) -> None:
        """The master stage: outputs that are not armed stay off."""
        self.note_trips(now_s)
        armed = [place for place in self.places if self.armed[place]]
        if self.switch(armed if on else self.places, on, now_s):
            self.master = on


def at_output(supply: ScpiDialect, call: Call) -> Aim:
    """`OUTn` as the last parameter (RSN), else the selected output."""
    if call.parameters and call.parameters[-1][:3].upper() == "OUT":
        return Aim((supply.named(call.parameters[-1], "OUT"),), call.parameters[:-1])
    return Aim((supply.selected,), call.parameters)


def stage_words(words: Language[Any], stage: str, master: str) -> None:
    """The commands of both stages, and of both at once (from memory: on sets both, off only the output's own)."""

    @words.order(stage, 1)
    def arm(supply: Staged, call: Call) -> None:
        supply.arm((supply.selected,), boolean(one(call.parameters)), call.now_s)

    @words.query(stage)
    def armed(supply: Staged, call: Call) -> str:
        supply.note_trips(call.now_s)
        return digit(supply.armed[supply.selected])

    @words.order("OUTPut[:STATe]", 1)
    def switch(supply: Staged, call: Call) -> None:
        on = boolean(one(call.parameters))
        supply.arm((supply.selected,), on, call.now_s)
        if on and supply.has_master:
            supply.turn_master(True, call.now_s)

    @words.query("OUTPut[:STATe]")
    def state(supply: Staged, call: Call) -> str:
        return digit(is_on(supply, supply.selected, call.now_s))

    if not master:
        return

    @words.order(master, 1)
    def turn_master(supply: Staged, call: Call) -> None:
        supply.turn_master(boolean(one(call.parameters)), call.now_s)

    @words.query(master)
    def master_state(supply: Staged, _call: Call) -> str:
        return digit(supply.master)


def over_voltage_words(words: Language[Any]) -> None:
    path = "[SOURce:]VOLTage:PROTection"
    add_protection_level(words, f"{path}[:LEVel]", over_voltage, "V")
    add_trip_query(words, f"{path}:TRIPped", over_voltage)
    add_clear(words, f"{path}:CLEar", (over_voltage,), False)


def fuse_words(words: Language[Any], least_s: float, most_s: float) -> None:
    add_protection_state(words, "FUSE[:STATe]", over_current)
    add_protection_delay(words, "FUSE:DELay", over_current, most_s, least_s)
    add_trip_query(words, "FUSE:TRIPped", over_current)


def add_over_voltage_state(words: Language[Any]) -> None:
    add_protection_state(words, "[SOURce:]VOLTage:PROTection:STATe", over_voltage)


SELECTED: Language[Any] = Language(SELECTION)
"""By number or as `OUTn`."""


@SELECTED.order("INSTrument[:SELect]", 1)
def _select(supply: ScpiDialect, call: Call) -> None:
    text = one(call.parameters).upper()
    supply.selected = supply.named(text, "OUTP" if text.startswith("OUTP") else "OUT")


BASE: Language[Any] = Language(STANDARD, ERRORS, PANEL)
add_levels(BASE)
over_voltage_words(BASE)
WITH_POWER: Language[Any] = Language(BASE)
add_readings(WITH_POWER, power="POWer")
add_readings(BASE)
