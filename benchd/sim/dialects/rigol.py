"""`rigol-dp800` (with DP700) and `rigol-dp900` (with DP2000): an output as argument, as suffix of SOURce, or selected.

Sources: SIG, QC, SCH, IVI, IB for the commands, PM for `OUTP:PAIR` of the DP900; man: DP800 Programming Guide 2-35
(output state as a word) and 2-63 (remote sense), man: DP832A p.2-57 (the synonym ALARm), man: DP2000 4.8.1, 4.8.2,
4.8.5 (mode, trips, and that `CURR:PROT:CLE` switches the output on again while `OUTP:OCP:CLE` does not), man: DP900 and
DP2000, OUTPut (output state as a digit).

From memory: the form of `MEAS:ALL?` and of the numbers, `SYST:ERR?`, `*OPC?`, ratings and steps, the identity of the
DP700, tracking (`OUTP:TRAC`, of the two like outputs of the DP831 and DP832). Taken the safer way, since no source
says: `VOLT:PROT:CLE` switches on again too, and on the DP800 as well; a tripped output does not go on before it is
cleared. Left out, since not known well enough: `APPL?`, ranges, recorder, delay lists.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from benchd.sim.bench import Bits
from benchd.sim.dialects.base import Output
from benchd.sim.dialects.phrasing import (
    Of,
    Say,
    add_apply,
    add_clear,
    add_levels,
    add_output,
    add_protection_level,
    add_protection_state,
    add_readings,
    add_trip_query,
    digit,
    on_off,
    over_current,
    over_voltage,
    yes_no,
)
from benchd.sim.dialects.scpi import ERRORS, PANEL, SELECTION, STANDARD, Aim, ScpiDialect, memory
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Language
from benchd.sim.values import boolean, name

SENSED = {("DP811", 0), ("DP821", 1)}
"""Model and place of the outputs that have a switch for remote sense (man: DP800 2-63)."""


def at_argument(supply: ScpiDialect, call: Call) -> Aim:
    """`CHn` in front of the other parameters, else the selected output."""
    if call.parameters and call.parameters[0][:2].upper() == "CH":
        return Aim((supply.named(call.parameters[0]),), call.parameters[1:])
    return Aim((supply.selected,), call.parameters)


def at_source(supply: ScpiDialect, call: Call) -> Aim:
    """The suffix of SOURce, else the selected output."""
    number = call.suffixes[0] if call.suffixes else 0
    return Aim((supply.place_of(number) if number else supply.selected,), call.parameters)


class RigolDp800(ScpiDialect):
    name = "rigol-dp800"
    identity = "RIGOL TECHNOLOGIES,{model},{serial},00.01.14"
    usual_serial = "DP8C000000001"
    trips_in_limit = False
    models: ClassVar[Mapping[str, Sequence[Output]]] = {
        "DP832": (Output(32.0, 3.2), Output(32.0, 3.2), Output(5.3, 3.2)),
        "DP832A": (Output(32.0, 3.2), Output(32.0, 3.2), Output(5.3, 3.2)),
        "DP831": (Output(8.4, 5.3), Output(32.0, 2.1), Output(32.0, 2.1, negative=True)),
        "DP821": (Output(64.0, 1.05), Output(8.4, 10.5)),
        "DP811": (Output(42.0, 5.3),),
        "DP711": (Output(32.0, 5.3),),
        "DP712": (Output(53.0, 3.2),),
    }
    words = Language(STANDARD, ERRORS, PANEL, SELECTION, memory(10))

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.over_temperature = True
        self.tracking = False
        self.sensed = False
        for channel in self.channels:
            channel.sense(False, now_s)

    @property
    def pair(self) -> tuple[int, ...]:
        """The outputs that can track each other."""
        return {"DP831": (1, 2), "DP832": (0, 1), "DP832A": (0, 1)}.get(self.model, ())

    def set_levels(self, place: int, now_s: float, voltage_v: float | None, limit_a: float | None) -> None:
        """In tracking both outputs of the pair have the same voltage, their limits stay apart."""
        super().set_levels(place, now_s, voltage_v, limit_a)
        if self.tracking and place in self.pair and voltage_v is not None:
            (other,) = set(self.pair) - {place}
            super().set_levels(other, now_s, voltage_v, None)

    def say_voltage(self, value: float, place: int) -> str:
        return f"{value:.3f}"

    def say_current(self, value: float, place: int) -> str:
        return f"{value:.4f}"

    def say_measured(self, value: float, place: int, unit: str) -> str:
        return f"{value:.3f}" if unit == "W" else f"{value:.4f}"


class RigolDp900(RigolDp800):
    name = "rigol-dp900"
    usual_serial = "DP9C000000001"
    models: ClassVar[Mapping[str, Sequence[Output]]] = {
        "DP932A": (Output(32.0, 3.2), Output(32.0, 3.2), Output(6.3, 3.2)),
        "DP2031": (Output(32.0, 3.2), Output(32.0, 3.2), Output(6.3, 10.5)),
    }
    words = Language(STANDARD, ERRORS, PANEL, SELECTION, memory(10))
    pairing = "OFF"
    """Of the first two outputs; `*RST` leaves it as it is."""

    def set_levels(self, place: int, now_s: float, voltage_v: float | None, limit_a: float | None) -> None:
        """Paired, the second output is as the first."""
        super().set_levels(place, now_s, voltage_v, limit_a)
        if self.pairing != "OFF" and place == 0:
            super().set_levels(1, now_s, voltage_v, limit_a)


def _declare(words: Language[Any], state: Say, trip: Say) -> None:
    add_levels(words, at_source, "[SOURce%:]")
    add_apply(words, at_argument)
    add_output(words, "OUTPut[:STATe]", at_argument, state)
    add_readings(words, at_argument, power="POWEr")
    _declare_protection(words, "OUTPut:OVP", "VOLTage", over_voltage, state, trip)
    _declare_protection(words, "OUTPut:OCP", "CURRent", over_current, state, trip)

    @words.order("INSTrument[:SELect]", 1)
    def select(supply: RigolDp800, call: Call) -> None:
        supply.selected = supply.named(call.parameters[0])

    @words.query("MEASure:ALL[:DC]", 0, 1)
    def measure_all(supply: RigolDp800, call: Call) -> str:
        (place,) = at_argument(supply, call).places
        values = supply.measured(place, call.now_s)
        return ",".join(supply.say_measured(values[unit], place, unit) for unit in "VAW")

    @words.query("OUTPut:MODE", 0, 1)
    @words.query("OUTPut:CVCC", 0, 1)
    def mode(supply: RigolDp800, call: Call) -> str:
        (place,) = at_argument(supply, call).places
        return {Bits.LIMITING: "CC", Bits.REGULATING: "CV"}.get(supply.regulation(place, call.now_s), "UR")


def _declare_protection(words: Language[Any], output: str, quantity: str, of: Of, state: Say, trip: Say) -> None:
    unit = "V" if of is over_voltage else "A"
    add_protection_state(words, f"{output}[:STATe]", of, at_argument, state)
    add_protection_level(words, f"{output}:VALue", of, unit, at_argument)
    add_trip_query(words, f"{output}:QUEStion", of, at_argument, trip)
    add_trip_query(words, f"{output}:ALARm", of, at_argument, trip)
    add_clear(words, f"{output}:CLEar", (of,), False, at_argument)
    source = f"[SOURce%:]{quantity}:PROTection"
    add_protection_level(words, f"{source}[:LEVel]", of, unit, at_source)
    add_protection_state(words, f"{source}:STATe", of, at_source, state)
    add_trip_query(words, f"{source}:TRIPped", of, at_source, trip)
    add_clear(words, f"{source}:CLEar", (of,), True, at_source)


_declare(RigolDp800.words, on_off, yes_no)
_declare(RigolDp900.words, digit, digit)


@RigolDp800.words.query("*OPT")
def _options(_supply: RigolDp800, _call: Call) -> str:
    return "0"


@RigolDp800.words.order("SYSTem:OTP", 1)
def _set_over_temperature(supply: RigolDp800, call: Call) -> None:
    supply.over_temperature = boolean(call.parameters[0])


@RigolDp800.words.query("SYSTem:OTP")
def _over_temperature(supply: RigolDp800, _call: Call) -> str:
    return on_off(supply.over_temperature)


@RigolDp800.words.order("OUTPut:SENSe", 1, 2)
def _set_sense(supply: RigolDp800, call: Call) -> None:
    aim = at_argument(supply, call)
    if (supply.model, aim.places[0]) in SENSED:
        supply.sensed = boolean(aim.parameters[0])
        supply.channels[aim.places[0]].sense(supply.sensed, call.now_s)


@RigolDp800.words.query("OUTPut:SENSe", 0, 1)
def _sense(supply: RigolDp800, call: Call) -> str:
    (place,) = at_argument(supply, call).places
    return on_off(supply.sensed) if (supply.model, place) in SENSED else "NONE"


@RigolDp800.words.order("OUTPut:TRACk", 1, 2)
def _track(supply: RigolDp800, call: Call) -> None:
    supply.tracking = boolean(_of_pair(supply, call).parameters[0])


@RigolDp800.words.query("OUTPut:TRACk", 0, 1)
def _tracking(supply: RigolDp800, call: Call) -> str:
    _of_pair(supply, call)
    return on_off(supply.tracking)


def _of_pair(supply: RigolDp800, call: Call) -> Aim:
    aim = at_argument(supply, call)
    if aim.places[0] not in supply.pair:
        raise ScpiError(-224, "not an output that tracks")
    return aim


PAIRINGS = {"OFF": "OFF", "PAR": "PAR", "PARALLEL": "PAR", "SER": "SER", "SERIES": "SER"}


@RigolDp900.words.order("OUTPut:PAIR", 1)
def _pair(supply: RigolDp900, call: Call) -> None:
    given = name(call.parameters[0])
    if given not in PAIRINGS:
        raise ScpiError(-224, f"{given} is none of {' '.join(PAIRINGS)}")
    supply.pairing = PAIRINGS[given]


@RigolDp900.words.query("OUTPut:PAIR")
def _pairing(supply: RigolDp900, _call: Call) -> str:
    return supply.pairing
