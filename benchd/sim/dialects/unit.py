"""`unit-udp3305s`: SCPI with the output as first argument, and outputs in series or in parallel as outputs of their
own.

Source: NASE for the channel words (`SER`, `PARA`, `ALL` among them), ratings, `SOUR:MODE`, `OUTP:STAT` and `LOCK`;
`APPL CHn,<v>V` and `APPL CHn,<i>A` for one quantity, `APPL? CHn,VOLT` with the number behind a comma; readings,
`MEAS:ALL?` as `V,I,P`; `OUTP:OVP:VAL` and `OUTP:OVP:STAT`. From memory: `APPL CHn,<v>,<i>`, `OUTP:CVCC?`, output
state as a word, `OUTP:OVP[:QUES|:CLE]`. Without a source, the plainest form: `APPL? CHn` as `V,I`; trips as words;
the maker's name; that unknown commands are ignored and that there is no error queue and nothing of IEEE 488.2 but the
identity; that outputs which are combined have to be addressed together; that clearing a trip leaves the output off.
"""

from __future__ import annotations

from typing import ClassVar

from benchd.sim.bench import Bits
from benchd.sim.dialects.base import Output
from benchd.sim.dialects.phrasing import (
    add_clear,
    add_protection_level,
    add_protection_state,
    add_trip_query,
    is_on,
    on_off,
    over_current,
    over_voltage,
    yes_no,
)
from benchd.sim.dialects.scpi import IDENTITY, Aim, ScpiDialect
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Language
from benchd.sim.values import boolean, name, setting

NORMAL, SERIES, PARALLEL = "NORMAL", "SER", "PARA"
COMBINED = (0, 1)
WORDS: Language[UnitUdp3305s] = Language(IDENTITY)


class UnitUdp3305s(ScpiDialect):
    name = "unit-udp3305s"
    words = WORDS
    trips_in_limit = False
    identity = "UNI-T,{model},{serial},1.00"
    models: ClassVar = {
        "UDP3305S": (Output(33, 5.2), Output(33, 5.2), Output(6.2, 3.2)),
        "UDP3305S-E": (Output(33, 5.2), Output(33, 5.2), Output(6.2, 3.2)),
    }

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.mode = NORMAL

    def set_mode(self, mode: str, now_s: float) -> None:
        self.mode = mode
        if mode != NORMAL:
            self.order_outputs(COMBINED, False, now_s)

    def combined(self, now_s: float) -> dict[str, float]:
        """Readings of outputs 1 and 2 together."""
        first, second = (self.shown(place, now_s) for place in COMBINED)
        voltage_v = first[0] + second[0] if self.mode == SERIES else first[0]
        current_a = first[1] if self.mode == SERIES else first[1] + second[1]
        return {"V": voltage_v, "A": current_a, "W": voltage_v * current_a}


def at_word(supply: UnitUdp3305s, call: Call) -> Aim:
    """`CHn`, or the word of the present combination. Raises -109, -221 or -224."""
    if not call.parameters:
        raise ScpiError(-109)
    word = name(call.parameters[0])
    if word in (SERIES, PARALLEL):
        if word != supply.mode:
            raise ScpiError(-221, word)
        return Aim(COMBINED, call.parameters[1:])
    place = supply.named(word)
    if supply.mode != NORMAL and place in COMBINED:
        raise ScpiError(-221, word)
    return Aim((place,), call.parameters[1:])


@WORDS.order("[SOURce:]MODE", 1)
def _set_mode(supply: UnitUdp3305s, call: Call) -> None:
    mode = name(call.parameters[0])
    if mode not in (NORMAL, SERIES, PARALLEL):
        raise ScpiError(-224, mode)
    supply.set_mode(mode, call.now_s)


@WORDS.query("[SOURce:]MODE")
def _mode(supply: UnitUdp3305s, _call: Call) -> str:
    return supply.mode


@WORDS.order("OUTPut[:STATe]", 2)
def _switch(supply: UnitUdp3305s, call: Call) -> None:
    if call.parameters[0].upper() == "ALL":
        places, on = tuple(supply.places), call.parameters[1]
    else:
        aim = at_word(supply, call)
        places, on = tuple(aim.places), aim.parameters[0]
    supply.order_outputs(places, boolean(on), call.now_s)


@WORDS.query("OUTPut[:STATe]", 1)
def _state(supply: UnitUdp3305s, call: Call) -> str:
    return on_off(all(is_on(supply, place, call.now_s) for place in at_word(supply, call).places))


@WORDS.order("APPLy", 2, 3)
def _apply(supply: UnitUdp3305s, call: Call) -> None:
    aim = at_word(supply, call)
    together = len(aim.places) > 1
    in_volts = 2 if together and supply.mode == SERIES else 1
    in_amperes = 2 if together and supply.mode == PARALLEL else 1
    output = supply.outputs[aim.places[0]]
    voltage, limit = aim.parameters if len(aim.parameters) == 2 else _one_quantity(aim.parameters[0])
    voltage_v = limit_a = None
    if voltage:
        voltage_v = setting(voltage, "V", 0.0, output.voltage_v * in_volts, 0.0, 0.001) / in_volts
    if limit:
        limit_a = setting(limit, "A", 0.0, output.current_a * in_amperes, output.current_a, 0.001) / in_amperes
    for place in aim.places:
        supply.set_levels(place, call.now_s, voltage_v, limit_a)


def _one_quantity(text: str) -> tuple[str, str]:
    """Voltage or limit, told by the unit behind it, and nothing for the other. Raises -131 without a unit."""
    unit = text[-1:].upper()
    if unit not in ("V", "A"):
        raise ScpiError(-131, text)
    return (text, "") if unit == "V" else ("", text)


@WORDS.query("APPLy", 1, 2)
def _applied(supply: UnitUdp3305s, call: Call) -> str:
    aim = at_word(supply, call)
    sources = [supply.channels[place].source for place in aim.places]
    together = len(sources) > 1
    voltage_v = sources[0].voltage_v * (2 if together and supply.mode == SERIES else 1)
    limit_a = sources[0].limit_a * (2 if together and supply.mode == PARALLEL else 1)
    if not aim.parameters:
        return f"{voltage_v:.3f},{limit_a:.3f}"
    quantity = name(aim.parameters[0])
    if quantity not in ("VOLT", "VOLTAGE", "CURR", "CURRENT"):
        raise ScpiError(-224, quantity)
    return f"{name(call.parameters[0])},{voltage_v if quantity.startswith('VOLT') else limit_a:.3f}"


def _measured(supply: UnitUdp3305s, call: Call) -> dict[str, float]:
    places = at_word(supply, call).places
    return supply.combined(call.now_s) if len(places) > 1 else supply.measured(places[0], call.now_s)


@WORDS.query("MEASure:VOLTage", 1)
def _voltage(supply: UnitUdp3305s, call: Call) -> str:
    return f"{_measured(supply, call)['V']:.3f}"


@WORDS.query("MEASure:CURRent", 1)
def _current(supply: UnitUdp3305s, call: Call) -> str:
    return f"{_measured(supply, call)['A']:.3f}"


@WORDS.query("MEASure:ALL", 1)
def _all(supply: UnitUdp3305s, call: Call) -> str:
    return ",".join(f"{value:.3f}" for value in _measured(supply, call).values())


@WORDS.query("OUTPut:CVCC", 1)
def _regulated(supply: UnitUdp3305s, call: Call) -> str:
    conditions = [supply.regulation(place, call.now_s) for place in at_word(supply, call).places]
    return "CC" if any(condition & Bits.LIMITING for condition in conditions) else "CV"


for _word, _of, _unit in (("OVP", over_voltage, "V"), ("OCP", over_current, "A")):
    add_protection_state(WORDS, f"OUTPut:{_word}[:STATe]", _of, at_word, on_off)
    add_protection_level(WORDS, f"OUTPut:{_word}:VALue", _of, _unit, at_word)
    add_trip_query(WORDS, f"OUTPut:{_word}:QUEStionable", _of, at_word, yes_no)
    add_clear(WORDS, f"OUTPut:{_word}:CLEar", (_of,), back_on=False, address=at_word)


@WORDS.order("LOCK", 1)
def _lock(_supply: UnitUdp3305s, call: Call) -> None:
    boolean(call.parameters[0])  # there is no panel here that could be locked
