"""`keysight-e36300` (with E36200), with outputs as a list `(@n)` at the end or selected; and `keysight-e36100`.

Sources: PM, QCC and SIG for the commands; man: E36300 Programming Guide, contents; SIG `api.c`, IVI and man: E364xA
guide for the regulation bits; public programs for the E36312A for the delay of the over-current protection. From
memory: reply forms, that a trip of that protection means being in limit, the longest delay, `VOLT:PROT:STAT`, pairing
two outputs by `OUTP:PAIR`, which models there are, ratings, and all of the E36100, which has nothing but plain commands
for its one output here. Taken the safer way: clearing a trip brings the output back as it was last ordered, and before
that it does not go on; while the delay begins with a change of settings (`SCH`, as after power-on, not `CCTR`), being
in limit trips at once. Left out: data logging, sequences, couplings, remote sense (from memory only, and switching it
is no matter for a driver).
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
    add_protection_level,
    add_protection_state,
    add_readings,
    add_trip_query,
    one,
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
from benchd.sim.values import name, setting

LONGEST_DELAY_S = 3600.0


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
        self.delays_s = [0.0 for _ in self.outputs]
        self.delay_starts = ["SCH" for _ in self.outputs]
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


STARTS = {"SCH": "SCH", "SCHANGE": "SCH", "CCTR": "CCTR", "CCTRANS": "CCTR"}


def _delay_words(words: Language[Any], pattern: str) -> None:
    """How long the limit must last, and from when that counts."""

    def take_over(supply: KeysightE36300, place: int, now_s: float) -> None:
        delay_s = supply.delays_s[place] if supply.delay_starts[place] == "CCTR" else 0.0
        supply.channels[place].protect(supply.channels[place].over_current, now_s, delay_s=delay_s)

    @words.order(pattern, 1, 9)
    def set_delay(supply: KeysightE36300, call: Call) -> None:
        aim = at_list(supply, call)
        delay_s = setting(one(aim.parameters), "S", 0.0, LONGEST_DELAY_S, 0.0, 0.001)
        for place in aim.places:
            supply.delays_s[place] = delay_s
            take_over(supply, place, call.now_s)

    @words.query(pattern, 0, 9)
    def get_delay(supply: KeysightE36300, call: Call) -> str:
        return ",".join(format(supply.delays_s[place], supply.numbers) for place in at_list(supply, call).places)

    @words.order(f"{pattern}:STARt", 1, 9)
    def set_start(supply: KeysightE36300, call: Call) -> None:
        aim = at_list(supply, call)
        given = name(one(aim.parameters))
        if given not in STARTS:
            raise ScpiError(-224, given)
        for place in aim.places:
            supply.delay_starts[place] = STARTS[given]
            take_over(supply, place, call.now_s)

    @words.query(f"{pattern}:STARt", 0, 9)
    def get_start(supply: KeysightE36300, call: Call) -> str:
        return ",".join(supply.delay_starts[place] for place in at_list(supply, call).places)


def _declare(words: Language[Any]) -> None:
    add_levels(words, at_list, extra=8)
    add_apply(words, at_name)
    add_output(words, "OUTPut[:STATe]", at_list)
    add_readings(words, at_list)
    add_protection_level(words, "[SOURce:]VOLTage:PROTection[:LEVel]", over_voltage, "V", at_list)
    add_protection_state(words, "[SOURce:]VOLTage:PROTection:STATe", over_voltage, at_list)
    add_protection_state(words, "[SOURce:]CURRent:PROTection:STATe", over_current, at_list)
    _delay_words(words, "[SOURce:]CURRent:PROTection:DELay")
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
