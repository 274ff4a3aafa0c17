"""`siglent-spd3303x` and `siglent-spd1000x`: a small set of commands, and no time for a message that comes too soon.

Sources: PM, SCH and LG for the commands; LXI for what the firmware's command table does not have: `*RST`, `*CLS`,
`*OPC?`, `*ESR?`, a query of the output, any protection; iss: pyvisa/pyvisa#362 and #397 for the 10 to 20 ms it needs
after a message (10 ms here: what comes earlier is lost); man: Scientific PSD7303, a rebrand, for `0 No Error`.

From memory: five fields of identity, the tracking bits and what tracking does, the timer bits (always 0 here), error
texts other than `No Error`, ratings. Taken the safer way: several commands in one message are refused, as no source
has seen them work. The third output of the SPD3303X is switched and nothing else, and nothing tells its state (SCH).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from benchd.sim.bench import Bits
from benchd.sim.dialects.base import Output
from benchd.sim.dialects.phrasing import add_levels, add_output, add_readings, one
from benchd.sim.dialects.scpi import ERRORS, IDENTITY, Aim, ScpiDialect, memory
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Language
from benchd.sim.values import name, whole

BUSY_S = 0.01
INDEPENDENT, SERIES, PARALLEL = range(3)
TRACKING_BITS = {INDEPENDENT: 0b01, SERIES: 0b11, PARALLEL: 0b10}
"""In bits 2 and 3 of the status (from memory)."""

FIXED_V = 3.3
"""Of the third output; a switch on the front chooses 2.5, 3.3 or 5 V."""


_COARSE = Output(32.0, 3.2, set_step_v=0.01, set_step_a=0.01, read_step_v=0.01, read_step_a=0.01)


def _entry(error: ScpiError) -> str:
    return "0 No Error" if error.number == 0 else f"{-error.number} {error.text}"


def at_prefix(supply: ScpiDialect, call: Call) -> Aim:
    """`CHn:` before the keyword, else the selected output; only outputs that can be set."""
    number = call.suffixes[0] if call.suffixes else supply.selected + 1
    return Aim((_settable(supply, number),), call.parameters)


def at_argument(supply: ScpiDialect, call: Call) -> Aim:
    if call.parameters and call.parameters[0][:2].upper() == "CH":
        return Aim((_settable(supply, supply.named(call.parameters[0]) + 1),), call.parameters[1:])
    return Aim((supply.selected,), call.parameters)


def _settable(supply: ScpiDialect, number: int) -> int:
    place = supply.place_of(number)
    if place == 2:
        raise ScpiError(-222, f"CH{number}")
    return place


def at_switch(supply: ScpiDialect, call: Call) -> Aim:
    """The output's name comes first and must be there; in tracking the first two are one."""
    place = supply.named(call.parameters[0])
    together = isinstance(supply, SiglentSpd3303x) and supply.tracking != INDEPENDENT and place < 2
    return Aim((0, 1) if together else (place,), call.parameters[1:])


class SiglentSpd1000x(ScpiDialect):
    name = "siglent-spd1000x"
    identity = "Siglent Technologies,{model},{serial},2.1.1.9,V1.0"
    usual_serial = "SPD13XXX0000001"
    entry = _entry
    compounds = False
    loses_early = True
    models: ClassVar[Mapping[str, Sequence[Output]]] = {
        "SPD1305X": (Output(30.0, 5.0),),
        "SPD1168X": (Output(16.0, 8.0),),
    }
    words = Language(IDENTITY, ERRORS, memory(5))

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.four_wire = False
        self.channels[0].sense(False, now_s)

    def busy_s(self, message: bytes) -> float:
        return BUSY_S

    def status(self, now_s: float) -> int:
        """Bit 0 CC, 4 output, 5 four wires (PM)."""
        bits = 1 if self.regulation(0, now_s) == Bits.LIMITING else 0
        bits |= 1 << 4 if self.channels[0].source.on else 0
        return bits | (1 << 5 if self.four_wire else 0)


class SiglentSpd3303x(SiglentSpd1000x):
    name = "siglent-spd3303x"
    identity = "Siglent Technologies,{model},{serial},1.01.01.02.07,V3.0"
    usual_serial = "SPD3XXXX0000001"
    models: ClassVar[Mapping[str, Sequence[Output]]] = {
        "SPD3303X-E": (_COARSE, _COARSE, Output(FIXED_V, 3.2)),
        "SPD3303X": (Output(32.0, 3.2), Output(32.0, 3.2), Output(FIXED_V, 3.2)),
        "SPD3303C": (_COARSE, _COARSE, Output(FIXED_V, 3.2)),
    }
    words = Language(IDENTITY, ERRORS, memory(5))

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.tracking = INDEPENDENT
        self.channels[2].set(now_s, voltage_v=FIXED_V)

    def set_levels(self, place: int, now_s: float, voltage_v: float | None, limit_a: float | None) -> None:
        if self.tracking == INDEPENDENT or place == 2:
            super().set_levels(place, now_s, voltage_v, limit_a)
        elif place == 1:
            raise ScpiError(-221, "the second output follows the first")
        else:
            for each in (0, 1):
                super().set_levels(each, now_s, voltage_v, limit_a)

    def status(self, now_s: float) -> int:
        """Bit 0 CH1 in CC, 1 CH2 in CC, 2-3 tracking, 4 CH1 on, 5 CH2 on (SCH, LG, PM)."""
        bits = TRACKING_BITS[self.tracking] << 2
        for place in (0, 1):
            bits |= 1 << place if self.regulation(place, now_s) == Bits.LIMITING else 0
            bits |= 1 << (4 + place) if self.channels[place].source.on else 0
        return bits


def _declare(words: Language[Any]) -> None:
    add_levels(words, at_prefix, "[CH#:]")
    add_output(words, "OUTPut", at_switch, None)
    add_readings(words, at_argument, power="POWEr")

    @words.query("SYSTem:STATus")
    def status(supply: SiglentSpd1000x, call: Call) -> str:
        return f"0x{supply.status(call.now_s):04x}"

    @words.order("INSTrument", 1)
    def select(supply: SiglentSpd1000x, call: Call) -> None:
        supply.selected = _settable(supply, supply.named(call.parameters[0]) + 1)

    @words.query("INSTrument")
    def selected(supply: SiglentSpd1000x, _call: Call) -> str:
        return f"CH{supply.selected + 1}"

    @words.order("*LOCK")
    def lock(_supply: SiglentSpd1000x, _call: Call) -> None:
        """There is no panel here that could be locked."""

    @words.order("*UNLOCK")
    def unlock(_supply: SiglentSpd1000x, _call: Call) -> None:
        """As above."""


_declare(SiglentSpd1000x.words)
_declare(SiglentSpd3303x.words)


@SiglentSpd3303x.words.order("OUTPut:TRACK", 1)
def _track(supply: SiglentSpd3303x, call: Call) -> None:
    supply.tracking = whole(one(call.parameters), INDEPENDENT, PARALLEL)


@SiglentSpd1000x.words.order("MODE:SET", 1)
def _set_wires(supply: SiglentSpd1000x, call: Call) -> None:
    wires = call.parameters[0].upper()
    if wires not in ("2W", "4W"):
        raise ScpiError(-224, name(wires) if wires[:1].isalpha() else wires)
    supply.four_wire = wires == "4W"
    supply.channels[0].sense(supply.four_wire, call.now_s)
