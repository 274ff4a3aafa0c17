"""`hp-e3631a`, `agilent-e364xa` (with E3632A to E3634A), `agilent-e364xa-dual`, on their serial port: remote first.

Sources: PM, IK, IVI for the commands; man: E3631A User's Guide (`APPL?` answers a quoted string); man: E3632A p.88,
p.91, p.118 and man: E364xA p.86, p.88, p.120 (outputs by name, protections, that clearing one restores the output,
tracking, regulation bits); man: E3631A p.93, p.95 (which output is selected, `MEAS` with an output's name);
IK for the rest after `SYST:REM` (0.1 s) and after another output was selected (0.5 s): the supply is busy that long.

From memory: the identity, error 550 for a command in local and that queries are answered there, one switch for all
outputs of the E3631A, no protections on it, reply forms, ratings; that the output reads
as off while tripped, and a tripped one does not go on before it is cleared.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar, NamedTuple

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
    digit,
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
    at_selected,
    memory,
    signed_entry,
)
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Language
from benchd.sim.values import boolean, name

REMOTE_S = 0.1
SELECTING_S = 0.5
_SELECTS = re.compile(rb"[\s:]*INST[A-Z:]*\s+\S")


class _Legacy(ScpiDialect):
    """What both families share: remote first, exponents, a rest after selecting."""

    numbers = "+.8E"
    entry = signed_entry
    needs_remote = True
    one_switch = True
    trips_in_limit = False
    usual_serial = "0"

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.tracking = False

    def busy_s(self, message: bytes) -> float:
        text = message.upper()
        if text.startswith(b"SYST") and b":REM" in text:
            return REMOTE_S
        return SELECTING_S if len(self.places) > 1 and _SELECTS.match(text) else 0.0


_TRACKING: Language[Any] = Language()


@_TRACKING.order("OUTPut:TRACk[:STATe]", 1)
def _track(supply: _Legacy, call: Call) -> None:
    supply.tracking = boolean(call.parameters[0])


@_TRACKING.query("OUTPut:TRACk[:STATe]")
def _tracking(supply: _Legacy, _call: Call) -> str:
    return digit(supply.tracking)


NAMES = ("P6V", "P25V", "N25V")


class HpE3631a(_Legacy):
    name = "hp-e3631a"
    identity = "HEWLETT-PACKARD,{model},{serial},2.1-5.0-1.0"
    models: ClassVar[Mapping[str, Sequence[Output]]] = {
        "E3631A": (Output(6.18, 5.15), Output(25.75, 1.03), Output(25.75, 1.03, negative=True)),
    }
    words = Language(STANDARD, ERRORS, PANEL, SELECTION, SUMMARIES, memory(3), _TRACKING)

    def by_name(self, text: str) -> int:
        """Raises -224."""
        if name(text) not in NAMES:
            raise ScpiError(-224, f"{text} is none of {' '.join(NAMES)}")
        return NAMES.index(name(text))

    def set_levels(self, place: int, now_s: float, voltage_v: float | None, limit_a: float | None) -> None:
        """In tracking the two 25 V outputs have the same magnitude (from memory), their limits stay apart."""
        super().set_levels(place, now_s, voltage_v, limit_a)
        if self.tracking and place in (1, 2) and voltage_v is not None:
            super().set_levels(3 - place, now_s, voltage_v, None)


def at_name(supply: HpE3631a, call: Call) -> Aim:
    """An output's name first, else the selected output."""
    if call.parameters and call.parameters[0].upper() in NAMES:
        return Aim((supply.by_name(call.parameters[0]),), call.parameters[1:])
    return at_selected(supply, call)


add_levels(HpE3631a.words)
add_apply(HpE3631a.words, at_name)
add_output(HpE3631a.words, "OUTPut[:STATe]")
add_readings(HpE3631a.words, at_name)


@HpE3631a.words.query("APPLy", 0, 1)
def _applied(supply: HpE3631a, call: Call) -> str:
    (place,) = at_name(supply, call).places
    source = supply.channels[place].source
    return f'"{supply.sign_of(place) * source.voltage_v + 0.0:.2f},{source.limit_a:.2f}"'


@HpE3631a.words.order("INSTrument[:SELect]", 1)
def _select(supply: HpE3631a, call: Call) -> None:
    supply.selected = supply.by_name(one(call.parameters))


@HpE3631a.words.query("INSTrument[:SELect]")
def _selected(supply: HpE3631a, _call: Call) -> str:
    return NAMES[supply.selected]


class Span(NamedTuple):
    """One of the two ranges of an output: largest voltage in V and limit in A."""

    name: str
    voltage_v: float
    current_a: float


_SPANS = {
    "E3644A": (Span("P8V", 8.24, 8.24), Span("P20V", 20.6, 4.12)),
    "E3640A": (Span("P8V", 8.24, 3.09), Span("P20V", 20.6, 1.545)),
    "E3642A": (Span("P8V", 8.24, 5.15), Span("P20V", 20.6, 2.575)),
    "E3645A": (Span("P35V", 36.05, 2.266), Span("P60V", 61.8, 1.339)),
    "E3632A": (Span("P15V", 15.45, 7.21), Span("P30V", 30.9, 4.12)),
    "E3633A": (Span("P8V", 8.24, 20.6), Span("P20V", 20.6, 10.3)),
    "E3634A": (Span("P25V", 25.75, 7.21), Span("P50V", 51.5, 4.12)),
    "E3646A": (Span("P8V", 8.24, 3.09), Span("P20V", 20.6, 1.545)),
    "E3648A": (Span("P8V", 8.24, 5.15), Span("P20V", 20.6, 2.575)),
    "E3649A": (Span("P35V", 36.05, 1.442), Span("P60V", 61.8, 0.824)),
}
DUAL = {"E3646A", "E3648A", "E3649A"}
WITH_OVER_CURRENT = {"E3632A", "E3633A", "E3634A"}


def _widest(spans: Sequence[Span]) -> Output:
    return Output(max(span.voltage_v for span in spans), max(span.current_a for span in spans))


class AgilentE364xa(_Legacy):
    """One output with two ranges, the low one after power-on."""

    name = "agilent-e364xa"
    identity = "Agilent Technologies,{model},{serial},1.7-5.0-1.0"
    models: ClassVar[Mapping[str, Sequence[Output]]] = {
        model: (_widest(spans),) for model, spans in _SPANS.items() if model not in DUAL
    }
    words = Language(STANDARD, ERRORS, PANEL, memory(5))

    def reset(self, now_s: float) -> None:
        self.spans = [_SPANS[self.model][0] for _ in self.outputs]
        super().reset(now_s)
        for place, channel in enumerate(self.channels):
            channel.set(now_s, limit_a=self.spans[place].current_a)
            channel.protect(channel.over_voltage, now_s, enabled=True)

    def range_of(self, place: int) -> tuple[float, float]:
        return self.spans[place].voltage_v, self.spans[place].current_a

    def to_current(self, text: str, place: int) -> float:
        if text.upper() in ("DEF", "DEFAULT"):
            return self.spans[place].current_a
        return super().to_current(text, place)

    @property
    def vocabulary(self) -> Language[Any]:
        return _OVER_CURRENT_WORDS if self.model in WITH_OVER_CURRENT else _SINGLE_WORDS


class AgilentE364xaDual(AgilentE364xa):
    name = "agilent-e364xa-dual"
    models: ClassVar[Mapping[str, Sequence[Output]]] = {model: (_widest(_SPANS[model]),) * 2 for model in sorted(DUAL)}

    @property
    def vocabulary(self) -> Language[Any]:
        return _DUAL_WORDS

    def set_levels(self, place: int, now_s: float, voltage_v: float | None, limit_a: float | None) -> None:
        """In tracking both outputs have the same voltage (man: E3649A p.88), their limits stay apart."""
        super().set_levels(place, now_s, voltage_v, limit_a)
        if self.tracking and voltage_v is not None:
            super().set_levels(1 - place, now_s, voltage_v, None)


_COMMON = AgilentE364xa.words
add_levels(_COMMON)
add_output(_COMMON, "OUTPut[:STATe]")
add_readings(_COMMON)
add_apply(_COMMON, at_selected)
add_protection_level(_COMMON, "[SOURce:]VOLTage:PROTection[:LEVel]", over_voltage, "V")
add_protection_state(_COMMON, "[SOURce:]VOLTage:PROTection:STATe", over_voltage)
add_trip_query(_COMMON, "[SOURce:]VOLTage:PROTection:TRIPped", over_voltage)
add_clear(_COMMON, "[SOURce:]VOLTage:PROTection:CLEar", (over_voltage,), True)

_SINGLE_WORDS: Language[Any] = Language(_COMMON, REGULATION)
_DUAL_WORDS: Language[Any] = Language(_COMMON, SELECTION, SUMMARIES, _TRACKING)
_OVER_CURRENT_WORDS: Language[Any] = Language(_SINGLE_WORDS)
add_protection_level(_OVER_CURRENT_WORDS, "[SOURce:]CURRent:PROTection[:LEVel]", over_current, "A")
add_protection_state(_OVER_CURRENT_WORDS, "[SOURce:]CURRent:PROTection:STATe", over_current)
add_trip_query(_OVER_CURRENT_WORDS, "[SOURce:]CURRent:PROTection:TRIPped", over_current)
add_clear(_OVER_CURRENT_WORDS, "[SOURce:]CURRent:PROTection:CLEar", (over_current,), True)


@_DUAL_WORDS.order("INSTrument[:SELect]", 1)
def _select_word(supply: AgilentE364xaDual, call: Call) -> None:
    words = {
        word: place for place in supply.places for word in (f"OUTP{place + 1}", f"OUTPUT{place + 1}", f"OUT{place + 1}")
    }
    if (given := name(call.parameters[0])) not in words:
        raise ScpiError(-224, f"{given} is none of {' '.join(words)}")
    supply.selected = words[given]


@_DUAL_WORDS.query("INSTrument[:SELect]")
def _selected_word(supply: AgilentE364xaDual, _call: Call) -> str:
    return f"OUTP{supply.selected + 1}"


@_COMMON.query("APPLy")
def _applied_selected(supply: AgilentE364xa, _call: Call) -> str:
    source = supply.channel.source
    return f'"{source.voltage_v:.2f},{source.limit_a:.2f}"'


@_COMMON.order("[SOURce:]VOLTage:RANGe", 1)
def _set_range(supply: AgilentE364xa, call: Call) -> None:
    """By name, LOW or HIGH; settings beyond the new range are clipped to it (PM)."""
    low, high = _SPANS[supply.model]
    spans = {low.name: low, "LOW": low, high.name: high, "HIGH": high}
    if (given := name(call.parameters[0])) not in spans:
        raise ScpiError(-224, f"{given} is none of {' '.join(spans)}")
    place, span = supply.selected, spans[given]
    supply.spans[place] = span
    source = supply.channels[place].source
    voltage_v, limit_a = min(source.voltage_v, span.voltage_v), min(source.limit_a, span.current_a)
    supply.channels[place].set(call.now_s, voltage_v=voltage_v, limit_a=limit_a)


@_COMMON.query("[SOURce:]VOLTage:RANGe")
def _range(supply: AgilentE364xa, _call: Call) -> str:
    return supply.spans[supply.selected].name
