"""`keysight-e36300` (with E36200), with outputs as a list `(@n)` at the end or selected; and `keysight-e36100`.

Sources: PM, QCC and SIG for the commands; man: E36300 Programming Guide, contents; SIG `api.c`, IVI and man: E364xA
guide for the regulation bits. From memory: reply forms, that a trip of the over-current protection means being in
limit, its delay, `VOLT:PROT:STAT`, pairing two outputs by `OUTP:PAIR`, which models there are, ratings, and all of the
E36100, which has nothing but plain commands for its one output here. Taken the safer way: clearing a trip brings the
output back as it was last ordered, and before that it does not go on. Left out: data logging, sequences, couplings,
remote sense (from memory only, and switching it is no matter for a driver).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from benchd.sim.dialects.base import Output
from benchd.sim.dialects.phrasing import (
    add_apply,
    add_clear,
    add_levels,
    add_output,
    add_protection_delay,
    add_protection_level,
    add_protection_state,
    add_readings,
    add_trip_query,
    over_current,
    over_voltage,
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
    memory,
    signed_entry,
)
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Language
from benchd.sim.values import name


def at_list(supply: ScpiDialect, call: Call) -> Aim:
    """A channel list such as `(@1)`, `(@1,3)` or `(@1:3)` as the last parameter, else the selected output."""
    starts = [number for number, text in enumerate(call.parameters) if text.startswith("(@")]
    if not starts:
        return Aim((supply.selected,), call.parameters)
    text = ",".join(call.parameters[starts[0] :])
    if not text.endswith(")"):
        raise ScpiError(-103, text)
    places: list[int] = []
    for part in text[2:-1].split(","):
        first, _, last = part.partition(":")
        if not (first.strip().isdigit() and (last or first).strip().isdigit()):
            raise ScpiError(-103, text)
        places += [supply.place_of(number) for number in range(int(first), min(int(last or first), 99) + 1)]
    return Aim(places, call.parameters[: starts[0]])


def at_name(supply: ScpiDialect, call: Call) -> Aim:
    if call.parameters[0][:2].upper() == "CH":
        return Aim((supply.named(call.parameters[0]),), call.parameters[1:])
    return Aim((supply.selected,), call.parameters)


class KeysightE36300(ScpiDialect):
    name = "keysight-e36300"
    numbers = "+.8E"
    identity = "Keysight Technologies,{model},{serial},2.1.0-1.0.4-1.12"
    usual_serial = "MY00000001"
    entry = signed_entry
    models: ClassVar[Mapping[str, Sequence[Output]]] = {
        "E36312A": (Output(6.18, 5.15), Output(25.75, 1.03), Output(25.75, 1.03)),
        "E36311A": (Output(6.18, 5.15), Output(25.75, 1.03), Output(25.75, 1.03, negative=True)),
        "E36313A": (Output(6.18, 10.3), Output(25.75, 2.06), Output(25.75, 2.06)),
        "E36233A": (Output(30.9, 20.6), Output(30.9, 20.6)),
        "E36231A": (Output(30.9, 20.6),),
    }
    words = Language(STANDARD, ERRORS, PANEL, SELECTION, SUMMARIES, memory(10))

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.pairing = "OFF"
        for channel in self.channels:
            channel.protect(channel.over_voltage, now_s, enabled=True)

    def set_levels(self, place: int, now_s: float, voltage_v: float | None, limit_a: float | None) -> None:
        """Paired, the third output is as the second."""
        super().set_levels(place, now_s, voltage_v, limit_a)
        if self.pairing != "OFF" and place == 1:
            super().set_levels(2, now_s, voltage_v, limit_a)


class KeysightE36100(KeysightE36300):
    name = "keysight-e36100"
    models: ClassVar[Mapping[str, Sequence[Output]]] = {
        "E36103A": (Output(20.6, 2.06),),
        "E36102A": (Output(6.18, 5.15),),
    }
    words = Language(STANDARD, ERRORS, PANEL, REGULATION)


def _declare(words: Language[Any]) -> None:
    add_levels(words, at_list, extra=8)
    add_apply(words, at_name)
    add_output(words, "OUTPut[:STATe]", at_list)
    add_readings(words, at_list)
    add_protection_level(words, "[SOURce:]VOLTage:PROTection[:LEVel]", over_voltage, "V", at_list)
    add_protection_state(words, "[SOURce:]VOLTage:PROTection:STATe", over_voltage, at_list)
    add_protection_state(words, "[SOURce:]CURRent:PROTection:STATe", over_current, at_list)
    add_protection_delay(words, "[SOURce:]CURRent:PROTection:DELay", over_current, 3600.0, 0.0, at_list)
    for quantity, of in (("VOLTage", over_voltage), ("CURRent", over_current)):
        add_trip_query(words, f"[SOURce:]{quantity}:PROTection:TRIPped", of, at_list)
        add_clear(words, f"[SOURce:]{quantity}:PROTection:CLEar", (of,), True, at_list)
    add_clear(words, "OUTPut:PROTection:CLEar", (over_voltage, over_current), True, at_list)


_declare(KeysightE36300.words)
add_levels(KeysightE36100.words)
add_output(KeysightE36100.words, "OUTPut[:STATe]")
add_readings(KeysightE36100.words)

PAIRINGS = {"OFF": "OFF", "PAR": "PAR", "PARALLEL": "PAR", "SER": "SER", "SERIES": "SER"}


@KeysightE36300.words.order("OUTPut:PAIR", 1)
def _pair(supply: KeysightE36300, call: Call) -> None:
    given = name(call.parameters[0])
    if given not in PAIRINGS or len(supply.places) < 3:
        raise ScpiError(-224, given)
    supply.pairing = PAIRINGS[given]


@KeysightE36300.words.query("OUTPut:PAIR")
def _pairing(supply: KeysightE36300, _call: Call) -> str:
    return supply.pairing
