"""`itech-it6300`, `bk-9130` and `bk-9130b`: one command set in three dresses, slow, most with three outputs.

Sources: SIG and BKX for the 9130 (`INST FIRst|SECOnd|THIrd`, `INST:NSEL`, one `OUTP`, `VOLT:PROT` alone), PM and BKX
for the 9130B (`INST:SEL CHn`, `SOUR:CHAN:OUTP`, `APPL CHn,<v>,<i>`); man: BK 9130 p.30-31 for the bits of the operation
register (1 unregulated, 2 CV, 3 CC), `*ESR?` and `MEAS:POW:ALL?`; man: BK 9120A p.27 for 200 ms a message; man: IT6500
p.31 for the trip query `TRIGgered?`, the delay of 1 to 600 ms, and man: IT6942A p.42 for `TRIPed?`; both manuals for a
clear that restores the output.

From memory: the ITECH identity with its blanks, settings refused before `SYST:REM` (ITECH only, here), `APPL:VOLT` for
three outputs at once, `MEAS:VOLT:ALL?` and `MEAS:CURR:ALL?`, the header of the operation sub-register, `OUTP` of the
9130B for all outputs, ratings. Without a source, the plainest form: three decimals, commas without blanks, the maker's
full name and blanks in the B&K identity; that `OUTP` of the IT6300 and of the 9130 is one switch for all outputs (the
safer reading). Nothing is known of the trip query of the IT6300, so it has none; nor has the 9130.
"""

from __future__ import annotations

from typing import Any, ClassVar

from benchd.sim.bench import Bits
from benchd.sim.dialects.base import Output
from benchd.sim.dialects.phrasing import (
    add_apply,
    add_clear,
    add_common_switch,
    add_levels,
    add_named_selection,
    add_output,
    add_protection_delay,
    add_protection_level,
    add_protection_state,
    add_readings,
    add_trip_query,
    over_voltage,
)
from benchd.sim.dialects.scpi import ERRORS, PANEL, SELECTION, STANDARD, Aim, ScpiDialect
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Command, Language
from benchd.sim.parser import short_form
from benchd.sim.values import name

MESSAGE_S = 0.2
CV_BIT, CC_BIT = 4, 8
ORDINALS = ("FIRst", "SECOnd", "THIrd")
OVP = "[SOURce:]VOLTage:PROTection"


class Kin(ScpiDialect):
    """What the three have in common."""

    usual_serial = "602071010707110004"

    def busy_s(self, message: bytes) -> float:
        return MESSAGE_S

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        for channel in self.channels:
            channel.protect(channel.over_voltage, now_s, enabled=True)


KIN: Language[Kin] = Language(STANDARD, ERRORS, PANEL, SELECTION)
add_levels(KIN)
add_readings(KIN, power="POWer")


def _add_all(quantity: str, unit: str) -> None:
    @KIN.query(f"MEASure[:SCALar]:{quantity}:ALL[:DC]")
    def all_of(supply: Kin, call: Call) -> str:
        values = (supply.measured(place, call.now_s)[unit] for place in supply.places)
        return ",".join(f"{value:.3f}" for value in values)


for _quantity, _unit in (("VOLTage", "V"), ("CURRent", "A"), ("POWer", "W")):
    _add_all(_quantity, _unit)


@KIN.query("STATus:OPERation:INSTrument:ISUMmary#:CONDition")
def _operation(supply: Kin, call: Call) -> str:
    supply.channel_of(call.suffixes[0])
    place = call.suffixes[0] - 1
    condition = supply.regulation(place, call.now_s)
    if condition & Bits.LIMITING:
        return str(CC_BIT)
    return str(CV_BIT if condition & Bits.REGULATING else 0)


@KIN.order("APPLy:VOLTage", 3)
def _apply_voltages(supply: Kin, call: Call) -> None:
    if len(supply.places) != len(call.parameters):
        raise ScpiError(-113)
    values = [supply.to_voltage(text, place) for place, text in enumerate(call.parameters)]
    for place, value in enumerate(values):
        supply.set_levels(place, call.now_s, value, None)


BY_ORDINAL: Language[Kin] = Language(KIN)


@BY_ORDINAL.order("INSTrument[:SELect]", 1)
def _select(supply: Kin, call: Call) -> None:
    given = name(call.parameters[0])
    for place, word in enumerate(ORDINALS[: len(supply.places)]):
        if given in (short_form(word), word.upper()):
            supply.selected = place
            return
    raise ScpiError(-224, call.parameters[0])


ITECH: Language[ItechIt6300] = Language(BY_ORDINAL)


class ItechIt6300(Kin):
    name = "itech-it6300"
    words = ITECH
    identity = "ITECH Ltd., {model}, {serial}, 1.11-1.08"
    needs_remote = True
    one_switch = True
    models: ClassVar = {
        "IT6322A": (Output(30, 3), Output(30, 3), Output(5, 3)),
        "IT6512A": (Output(80, 60),),
        "IT6942A": (Output(60, 15),),
    }

    def permit(self, command: Command[Any]) -> None:
        lacks = command in _only_on(self.model[:4])
        if lacks:
            raise ScpiError(-113)
        super().permit(command)


add_output(ITECH, "OUTPut[:STATe]")
add_protection_level(ITECH, f"{OVP}[:LEVel]", over_voltage, "V")
add_protection_state(ITECH, f"{OVP}:STATe", over_voltage)
add_protection_delay(ITECH, f"{OVP}:DELay", over_voltage, 0.6, 0.001)
add_trip_query(ITECH, f"{OVP}:TRIGgered", over_voltage)
add_trip_query(ITECH, f"{OVP}:TRIPed", over_voltage)
add_clear(ITECH, f"{OVP}:CLEar", (over_voltage,), back_on=True)


def _only_on(series: str) -> list[Command[Any]]:
    """Commands that this series lacks."""
    found = {
        word: [ITECH.tree.find(f"VOLTAGE:PROTECTION:{word}", asked)[0] for asked in ways]
        for word, ways in (
            ("DELAY", (False, True)),
            ("TRIGGERED", (True,)),
            ("TRIPED", (True,)),
            ("CLEAR", (False,)),
        )
    }
    has = {"IT65": ("DELAY", "TRIGGERED", "CLEAR"), "IT69": ("TRIPED", "CLEAR")}.get(series, ())
    return [command for word, commands in found.items() if word not in has for command in commands]


BK9130: Language[Bk9130] = Language(BY_ORDINAL)


class Bk9130(Kin):
    name = "bk-9130"
    words = BK9130
    identity = "BK PRECISION, {model}, {serial}, 1.11-1.08"
    one_switch = True
    models: ClassVar = {"9130": (Output(30, 3), Output(30, 3), Output(5, 3))}


add_output(BK9130, "OUTPut[:STATe]")
add_protection_level(BK9130, f"{OVP}[:LEVel]", over_voltage, "V")

BK9130B: Language[Bk9130b] = Language(KIN)


class Bk9130b(Kin):
    name = "bk-9130b"
    words = BK9130B
    identity = "BK PRECISION, {model}, {serial}, 1.11-1.08"
    models: ClassVar = {"9130B": (Output(30, 3), Output(30, 3), Output(5, 3))}


def at_channel(supply: ScpiDialect, call: Call) -> Aim:
    """`CHn` in front of the other parameters, else the selected output."""
    if call.parameters and call.parameters[0][:2].upper() == "CH":
        return Aim((supply.named(call.parameters[0]),), call.parameters[1:])
    return Aim((supply.selected,), call.parameters)


add_apply(BK9130B, at_channel)
add_output(BK9130B, "[SOURce:]CHANnel:OUTPut[:STATe]")
add_protection_level(BK9130B, f"{OVP}[:LEVel]", over_voltage, "V")
add_named_selection(BK9130B)
add_common_switch(BK9130B, "OUTPut[:STATe]")
