"""`keithley-2230` (2220, 2230, 2231A with Tektronix kin) and `keithley-2200` (single output).

Sources: TMD for the identities (blanks after the commas, a maker in mixed case), `SYST:ERR?`, `*OPC?` and `*ESR?`; PM
and its tests, TEK for `INST:SEL CHn;<command>` in one message without a colon, `SOUR:OUTP:ENAB`, `OUTP` for all,
`VOLT:LIM`, `INST:COM`, `SYST:REM` that the 2231A needs first; man: Series 2200 multichannel p.21 for
`STAT:QUES:INST:ISUM`.

From memory: the bits in it, `MEAS:VOLT? CHn|ALL` and `FETC`, the questionable register of the single-output models,
ratings. Without a source, the plainest form: fixed point with the steps' decimals; `CHn` as the reply to `INST:SEL?`;
the word that `INST:COM?` is answered with; that output 2 takes the settings of output 1 while they are combined, and
none of its own; that nothing switches off when they are. A header behind `INST:SEL CHn;` starts at the root, as TEK and
PM have it.
"""

from __future__ import annotations

import re
from typing import Any, ClassVar

from benchd.sim.dialects.base import Output
from benchd.sim.dialects.phrasing import (
    add_common_switch,
    add_levels,
    add_named_selection,
    add_output,
    add_readings,
    digit,
)
from benchd.sim.dialects.scpi import (
    ERRORS,
    PANEL,
    REGULATION,
    SELECTION,
    STANDARD,
    SUMMARIES,
    Aim,
    ScpiDialect,
)
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Command, Language
from benchd.sim.values import boolean, nr2, setting

_SELECTION = re.compile(r"(INST[A-Z]*(?::N?SEL[A-Z]*)? +\w+ *);(?=\s*[A-Za-z])", re.IGNORECASE)


class Capped(ScpiDialect):
    """With a ceiling for the voltage that can be set."""

    def reset(self, now_s: float) -> None:
        self.caps = [(output.voltage_v, False) for output in self.outputs]
        super().reset(now_s)

    def range_of(self, place: int) -> tuple[float, float]:
        level, enabled = self.caps[place]
        output = self.outputs[place]
        return min(level, output.voltage_v) if enabled else output.voltage_v, output.current_a


CAPS: Language[Capped] = Language()


@CAPS.order("[SOURce:]VOLTage:LIMit[:LEVel]", 1)
def _set_cap(supply: Capped, call: Call) -> None:
    most = supply.outputs[supply.selected].voltage_v
    level = setting(call.parameters[0], "V", 0.0, most, most, 0.001)
    supply.caps[supply.selected] = (level, supply.caps[supply.selected][1])


@CAPS.query("[SOURce:]VOLTage:LIMit[:LEVel]")
def _cap(supply: Capped, _call: Call) -> str:
    return nr2(supply.caps[supply.selected][0], 0.001)


@CAPS.order("[SOURce:]VOLTage:LIMit:STATe", 1)
def _set_cap_state(supply: Capped, call: Call) -> None:
    supply.caps[supply.selected] = (supply.caps[supply.selected][0], boolean(call.parameters[0]))


@CAPS.query("[SOURce:]VOLTage:LIMit:STATe")
def _cap_state(supply: Capped, _call: Call) -> str:
    return digit(supply.caps[supply.selected][1])


RESET = STANDARD.tree.find("*RST", False)[0]

MULTI: Language[Keithley2230] = Language(STANDARD, ERRORS, PANEL, SELECTION, SUMMARIES, CAPS)


class Keithley2230(Capped):
    name = "keithley-2230"
    words = MULTI
    identity = "Keithley instruments, {model}, {serial}, 1.04-1.06"
    usual_serial = "0123456789AF"
    models: ClassVar = {
        "2230G-30-6": (Output(30, 6), Output(30, 6), Output(6, 5)),
        "2230-30-1": (Output(30, 1.5), Output(30, 1.5), Output(6, 5)),
        "2220G-30-6": (Output(30, 6), Output(30, 6)),
        "2220-30-1": (Output(30, 1.5), Output(30, 1.5)),
        "2231A-30-3": (Output(30, 3), Output(30, 3), Output(5, 3)),
    }

    @property
    def needs_remote(self) -> bool:  # type: ignore[override]
        return self.model.startswith("2231A")

    def permit(self, command: Command[Any]) -> None:
        # TEK sends *RST before SYST:REM.
        if command is not RESET:
            super().permit(command)

    def reset(self, now_s: float) -> None:
        self.combination = "OFF"
        super().reset(now_s)

    def answer(self, message: bytes, now_s: float) -> list[bytes]:
        text = _SELECTION.sub(r"\1;:", message.decode("latin-1"))
        return super().answer(text.encode("latin-1"), now_s)

    def set_levels(self, place: int, now_s: float, voltage_v: float | None, limit_a: float | None) -> None:
        if self.combination != "OFF" and place == 1:
            raise ScpiError(-221)
        for follower in (0, 1) if self.combination != "OFF" and place == 0 else (place,):
            super().set_levels(follower, now_s, voltage_v, limit_a)


def at_measured(supply: ScpiDialect, call: Call) -> Aim:
    """`CHn`, `ALL`, else the selected output."""
    if not call.parameters:
        return Aim((supply.selected,), ())
    if call.parameters[0].upper() == "ALL":
        return Aim(supply.places, call.parameters[1:])
    return Aim((supply.named(call.parameters[0]),), call.parameters[1:])


add_levels(MULTI)
add_readings(MULTI, at_measured, verbs=("FETCh",))
add_output(MULTI, "[SOURce:]OUTPut:ENABle")
add_named_selection(MULTI)
add_common_switch(MULTI, "[SOURce:]OUTPut[:STATe]")


@MULTI.order("INSTrument:COMbine:SERies")
def _in_series(supply: Keithley2230, call: Call) -> None:
    _combine(supply, "SER", call.now_s)


@MULTI.order("INSTrument:COMbine:PARallel")
def _in_parallel(supply: Keithley2230, call: Call) -> None:
    _combine(supply, "PAR", call.now_s)


@MULTI.order("INSTrument:COMbine:OFF")
def _apart(supply: Keithley2230, call: Call) -> None:
    _combine(supply, "OFF", call.now_s)


@MULTI.query("INSTrument:COMbine")
def _combined(supply: Keithley2230, _call: Call) -> str:
    return supply.combination


def _combine(supply: Keithley2230, how: str, now_s: float) -> None:
    source = supply.channels[0].source
    supply.combination = "OFF"
    if how != "OFF":
        supply.set_levels(1, now_s, source.voltage_v, source.limit_a)
    supply.combination = how


SINGLE: Language[Keithley2200] = Language(STANDARD, ERRORS, PANEL, REGULATION, CAPS)


class Keithley2200(Capped):
    name = "keithley-2200"
    words = SINGLE
    identity = "Keithley Instruments, {model}, {serial}, 1.24-1.04"
    usual_serial = "0123456789AF"
    models: ClassVar = {
        "2200-72-1": (Output(72, 1.2),),
        "2200-20-5": (Output(20, 5),),
        "2200-30-5": (Output(30, 5),),
        "2200-60-2": (Output(60, 2.5),),
    }


add_levels(SINGLE)
add_output(SINGLE, "[SOURce:]OUTPut[:STATe]")
add_readings(SINGLE, power="POWer", verbs=("FETCh",))
