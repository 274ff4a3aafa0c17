"""`gwinstek-gpp`: SCPI-like, with the output's number in the keyword; the commands of the GPD series beside that.

Almost nothing is published about it. GPPY, a public program, for `MODE<n>?` as IND. man: GPP p.128 for `OUTP<n>:OVP`,
its state, and that the trip query is spelled `TRIGer?`. From memory: the identity, `SOUR<n>`, `OUTP<n>:STAT`,
`MEAS<n>:ALL?` as `V,I,P`, the GPD commands, the ratings, and that over-current protection goes as over-voltage
protection does. Without a source, the plainest form: replies `1`/`0`, `MEAS<n>:VOLT?` and the like, three decimals,
errors in a queue. How CC is told from CV and how a trip is cleared are not known and left out: the output of a
tripped one goes on again when it is ordered to. The load mode is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from benchd.sim.dialects.base import Output
from benchd.sim.dialects.phrases import NUMBER, Phrases, Refused, Said, within
from benchd.sim.dialects.phrasing import (
    add_levels,
    add_output,
    add_protection_level,
    add_protection_state,
    add_trip_query,
    over_current,
    over_voltage,
)
from benchd.sim.dialects.scpi import ERRORS, STANDARD, Aim, ScpiDialect
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Language
from benchd.sim.values import nr2

WORDS: Language[GwinstekGpp] = Language(STANDARD, ERRORS)
PHRASES: Phrases[GwinstekGpp] = Phrases()


def at_suffix(supply: ScpiDialect, call: Call) -> Aim:
    """Raises -114 for a number that no output has."""
    supply.channel_of(call.suffixes[0])
    return Aim((call.suffixes[0] - 1,), call.parameters)


class GwinstekGpp(ScpiDialect):
    name = "gwinstek-gpp"
    words = WORDS
    trips_in_limit = False
    identity = "GW INSTEK,{model},SN:{serial},V1.17"
    models: ClassVar = {
        "GPP-4323": (Output(32, 3), Output(32, 3), Output(5, 1), Output(15, 1)),
        "GPP-1326": (Output(32, 6),),
        "GPP-2323": (Output(32, 3), Output(32, 3)),
        "GPP-3323": (Output(32, 3), Output(32, 3)),
    }

    def answer(self, message: bytes, now_s: float) -> list[bytes]:
        found = PHRASES.find(message.decode("latin-1").strip(), now_s)
        if found is None:
            return super().answer(message, now_s)
        try:
            reply = found[0](self, found[1])
        except (Refused, IndexError):
            self.report(ScpiError(-222))
            return []
        return [reply.encode("latin-1") + self.ending] if isinstance(reply, str) else []

    def order_outputs(self, places: Sequence[int], on: bool, now_s: float) -> None:
        if on:
            for place in places:
                for protection in (self.channels[place].over_voltage, self.channels[place].over_current):
                    self.channels[place].protect(protection, now_s, tripped=False)
        super().order_outputs(places, on, now_s)


add_levels(WORDS, at_suffix, "SOURce#:")
add_output(WORDS, "OUTPut#[:STATe]", at_suffix)
for _word, _of, _unit in (("OVP", over_voltage, "V"), ("OCP", over_current, "A")):
    add_protection_level(WORDS, f"OUTPut#:{_word}", _of, _unit, at_suffix)
    add_protection_state(WORDS, f"OUTPut#:{_word}:STATe", _of, at_suffix)
    add_trip_query(WORDS, f"OUTPut#:{_word}:TRIGer", _of, at_suffix)


@PHRASES.says(r"MODE([12])\?")
def _coupled(_supply: GwinstekGpp, _said: Said) -> str:
    """Outputs 1 and 2 stay independent here: coupling and load mode are left out."""
    return "IND"


@WORDS.query("MEASure#:ALL")
def _all(supply: GwinstekGpp, call: Call) -> str:
    return ",".join(f"{value:.3f}" for value in _measured(supply, call).values())


@WORDS.query("MEASure#:VOLTage")
def _measured_voltage(supply: GwinstekGpp, call: Call) -> str:
    return f"{_measured(supply, call)['V']:.3f}"


@WORDS.query("MEASure#:CURRent")
def _measured_current(supply: GwinstekGpp, call: Call) -> str:
    return f"{_measured(supply, call)['A']:.3f}"


def _measured(supply: GwinstekGpp, call: Call) -> dict[str, float]:
    (place,) = at_suffix(supply, call).places
    return supply.measured(place, call.now_s)


@PHRASES.says(rf"VSET([1-4]):{NUMBER}")
def _set_voltage(supply: GwinstekGpp, said: Said) -> None:
    output = supply.outputs[said.place]
    supply.set_levels(said.place, said.now_s, within(said.words[1], 0.0, output.voltage_v, output.set_step_v), None)


@PHRASES.says(rf"ISET([1-4]):{NUMBER}")
def _set_limit(supply: GwinstekGpp, said: Said) -> None:
    output = supply.outputs[said.place]
    supply.set_levels(said.place, said.now_s, None, within(said.words[1], 0.0, output.current_a, output.set_step_a))


@PHRASES.says(r"VSET([1-4])\?")
def _voltage(supply: GwinstekGpp, said: Said) -> str:
    return nr2(supply.channels[said.place].source.voltage_v, 0.001)


@PHRASES.says(r"ISET([1-4])\?")
def _limit(supply: GwinstekGpp, said: Said) -> str:
    return nr2(supply.channels[said.place].source.limit_a, 0.001)


@PHRASES.says(r"VOUT([1-4])\?")
def _voltage_out(supply: GwinstekGpp, said: Said) -> str:
    return nr2(supply.shown(said.place, said.now_s)[0], 0.001)


@PHRASES.says(r"IOUT([1-4])\?")
def _current_out(supply: GwinstekGpp, said: Said) -> str:
    return nr2(supply.shown(said.place, said.now_s)[1], 0.001)


@PHRASES.says(r"OUT([01])")
def _switch_all(supply: GwinstekGpp, said: Said) -> None:
    supply.order_outputs(list(supply.places), said.words[0] == "1", said.now_s)
