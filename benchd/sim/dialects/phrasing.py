"""Declares commands that many families share but for the way they name the output: settings, readings, protections.

Each function adds to a family's language; `address` tells which outputs a command is for. A query for several outputs
is answered with one value each, joined by commas.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from benchd.sim.bench import Channel, Protection
from benchd.sim.dialects.scpi import Address, Aim, ScpiDialect, at_selected
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Language
from benchd.sim.values import boolean, name, nr2, setting

LEVEL = "[:LEVel][:IMMediate][:AMPLitude]"

Words = Language[Any]
Say = Callable[[bool], str]


def digit(value: bool) -> str:
    return "1" if value else "0"


def on_off(value: bool) -> str:
    return "ON" if value else "OFF"


def yes_no(value: bool) -> str:
    return "YES" if value else "NO"


def one(parameters: tuple[str, ...]) -> str:
    """The only parameter. Raises -109 or -108."""
    if not parameters:
        raise ScpiError(-109)
    if len(parameters) > 1:
        raise ScpiError(-108, parameters[1])
    return parameters[0]


def bound(parameters: tuple[str, ...]) -> str | None:
    """What a query asks for in place of the setting: MINimum, MAXimum, DEFault or nothing."""
    return name(one(parameters)) if parameters else None


def add_levels(words: Words, address: Address = at_selected, source: str = "[SOURce:]", extra: int = 0) -> None:
    """Voltage and limit. `extra`: how many parameters the address itself may take."""

    @words.order(f"{source}VOLTage{LEVEL}", 1, 1 + extra)
    def set_voltage(supply: ScpiDialect, call: Call) -> None:
        aim = address(supply, call)
        values = [supply.to_voltage(one(aim.parameters), place) for place in aim.places]
        for place, value in zip(aim.places, values, strict=True):
            supply.set_levels(place, call.now_s, value, None)

    @words.query(f"{source}VOLTage{LEVEL}", 0, 1 + extra)
    def get_voltage(supply: ScpiDialect, call: Call) -> str:
        aim = address(supply, call)
        asked = bound(aim.parameters)
        return ",".join(_voltage(supply, place, asked) for place in aim.places)

    @words.order(f"{source}CURRent{LEVEL}", 1, 1 + extra)
    def set_limit(supply: ScpiDialect, call: Call) -> None:
        aim = address(supply, call)
        values = [supply.to_current(one(aim.parameters), place) for place in aim.places]
        for place, value in zip(aim.places, values, strict=True):
            supply.set_levels(place, call.now_s, None, value)

    @words.query(f"{source}CURRent{LEVEL}", 0, 1 + extra)
    def get_limit(supply: ScpiDialect, call: Call) -> str:
        aim = address(supply, call)
        asked = bound(aim.parameters)
        return ",".join(_limit(supply, place, asked) for place in aim.places)


def _voltage(supply: ScpiDialect, place: int, asked: str | None) -> str:
    value = supply.channels[place].source.voltage_v if asked is None else supply.to_voltage(asked, place)
    return supply.say_voltage(supply.sign_of(place) * value + 0.0, place)


def _limit(supply: ScpiDialect, place: int, asked: str | None) -> str:
    value = supply.channels[place].source.limit_a if asked is None else supply.to_current(asked, place)
    return supply.say_current(value, place)


def add_apply(words: Words, address: Address) -> None:
    """`APPLy`: voltage, then the limit if given."""

    @words.order("APPLy", 1, 3)
    def apply(supply: ScpiDialect, call: Call) -> None:
        aim = address(supply, call)
        if not aim.parameters:
            raise ScpiError(-109)
        if len(aim.parameters) > 2:
            raise ScpiError(-108, aim.parameters[2])
        (place,) = aim.places
        voltage_v = supply.to_voltage(aim.parameters[0], place)
        limit_a = supply.to_current(aim.parameters[1], place) if aim.parameters[1:] else None
        supply.set_levels(place, call.now_s, voltage_v, limit_a)


def add_output(words: Words, pattern: str, address: Address = at_selected, say: Say | None = digit) -> None:
    """The output switch; `say` None: it has no query."""

    @words.order(pattern, 1, 9)
    def switch(supply: ScpiDialect, call: Call) -> None:
        aim = address(supply, call)
        supply.order_outputs(aim.places, boolean(one(aim.parameters)), call.now_s)

    if say is None:
        return
    words_of = say

    @words.query(pattern, 0, 9)
    def state(supply: ScpiDialect, call: Call) -> str:
        aim = _only(address(supply, call))
        return ",".join(words_of(is_on(supply, place, call.now_s)) for place in aim.places)


def add_named_selection(words: Words) -> None:
    """`INSTrument[:SELect]` by the outputs' names, answered with `CHn`."""

    @words.order("INSTrument[:SELect]", 1)
    def select(supply: ScpiDialect, call: Call) -> None:
        supply.selected = supply.named(call.parameters[0])

    @words.query("INSTrument[:SELect]")
    def selected(supply: ScpiDialect, _call: Call) -> str:
        return f"CH{supply.selected + 1}"


def add_common_switch(words: Words, pattern: str) -> None:
    """One command for all outputs; its query says whether any is on."""

    @words.order(pattern, 1)
    def switch_all(supply: ScpiDialect, call: Call) -> None:
        supply.order_outputs(supply.places, boolean(call.parameters[0]), call.now_s)

    @words.query(pattern)
    def any_on(supply: ScpiDialect, call: Call) -> str:
        return digit(any(is_on(supply, place, call.now_s) for place in supply.places))


def is_on(supply: ScpiDialect, place: int, now_s: float) -> bool:
    supply.channels[place].advance(now_s)
    return supply.channels[place].source.on


def _only(aim: Aim) -> Aim:
    if aim.parameters:
        raise ScpiError(-108, aim.parameters[0])
    return aim


def add_readings(words: Words, address: Address = at_selected, power: str = "", verbs: tuple[str, ...] = ()) -> None:
    """`MEASure` and the `verbs` beside it; `power`: the keyword for power, empty where there is none."""
    quantities = {"VOLTage": "V", "CURRent": "A", **({power: "W"} if power else {})}
    for quantity, unit in quantities.items():
        for verb in ("MEASure", *verbs):
            _add_reading(words, f"{verb}[:SCALar]:{quantity}[:DC]", unit, address)


def _add_reading(words: Words, pattern: str, unit: str, address: Address) -> None:
    @words.query(pattern, 0, 9)
    def show(supply: ScpiDialect, call: Call) -> str:
        aim = _only(address(supply, call))
        return ",".join(
            supply.say_measured(supply.measured(place, call.now_s)[unit], place, unit) for place in aim.places
        )


Of = Callable[[Channel], Protection]


def over_voltage(channel: Channel) -> Protection:
    return channel.over_voltage


def over_current(channel: Channel) -> Protection:
    return channel.over_current


def add_protection_level(words: Words, pattern: str, of: Of, unit: str, address: Address = at_selected) -> None:
    """The level of a protection, to 1.1 times the rating (common practice; families differ by a few percent)."""

    def level(supply: ScpiDialect, text: str, place: int) -> float:
        output = supply.outputs[place]
        rating = output.voltage_v if unit == "V" else output.current_a
        sign = supply.sign_of(place) if unit == "V" else 1
        most = rating * 1.1
        if sign < 0 and text.upper() not in ("MIN", "MINIMUM", "MAX", "MAXIMUM", "DEF", "DEFAULT"):
            return -setting(text, unit, -most, 0.0, 0.0, 0.001)
        return setting(text, unit, 0.0, most, most, 0.001)

    @words.order(pattern, 1, 9)
    def set_level(supply: ScpiDialect, call: Call) -> None:
        aim = address(supply, call)
        values = [level(supply, one(aim.parameters), place) for place in aim.places]
        for place, value in zip(aim.places, values, strict=True):
            supply.channels[place].protect(of(supply.channels[place]), call.now_s, level=value)

    @words.query(pattern, 0, 9)
    def get_level(supply: ScpiDialect, call: Call) -> str:
        aim = address(supply, call)
        asked = bound(aim.parameters)
        found = []
        for place in aim.places:
            value = of(supply.channels[place]).level if asked is None else level(supply, asked, place)
            if unit == "V":
                found.append(supply.say_voltage(supply.sign_of(place) * value, place))
            else:
                found.append(supply.say_current(value, place))
        return ",".join(found)


def add_protection_state(words: Words, pattern: str, of: Of, address: Address = at_selected, say: Say = digit) -> None:
    """Whether a protection is enabled."""

    @words.order(pattern, 1, 9)
    def set_state(supply: ScpiDialect, call: Call) -> None:
        aim = address(supply, call)
        enabled = boolean(one(aim.parameters))
        for place in aim.places:
            supply.channels[place].protect(of(supply.channels[place]), call.now_s, enabled=enabled)

    @words.query(pattern, 0, 9)
    def get_state(supply: ScpiDialect, call: Call) -> str:
        aim = _only(address(supply, call))
        return ",".join(say(of(supply.channels[place]).enabled) for place in aim.places)


def add_protection_delay(
    words: Words, pattern: str, of: Of, most_s: float, least_s: float = 0.0, address: Address = at_selected
) -> None:
    """How long the cause must last, in s."""

    @words.order(pattern, 1, 9)
    def set_delay(supply: ScpiDialect, call: Call) -> None:
        aim = address(supply, call)
        delay_s = setting(one(aim.parameters), "S", least_s, most_s, least_s, 0.001)
        for place in aim.places:
            supply.channels[place].protect(of(supply.channels[place]), call.now_s, delay_s=delay_s)

    @words.query(pattern, 0, 9)
    def get_delay(supply: ScpiDialect, call: Call) -> str:
        aim = _only(address(supply, call))
        return ",".join(nr2(of(supply.channels[place]).delay_s, 0.001) for place in aim.places)


def add_trip_query(words: Words, pattern: str, of: Of, address: Address = at_selected, say: Say = digit) -> None:
    """Whether a protection has tripped; stays until cleared."""

    @words.query(pattern, 0, 9)
    def tripped(supply: ScpiDialect, call: Call) -> str:
        aim = _only(address(supply, call))
        for place in aim.places:
            supply.channels[place].advance(call.now_s)
        return ",".join(say(of(supply.channels[place]).tripped) for place in aim.places)


def add_clear(words: Words, pattern: str, of: tuple[Of, ...], back_on: bool, address: Address = at_selected) -> None:
    """Clears the trips `of` these protections; `back_on`: the output then is as it was last ordered."""

    @words.order(pattern, 0, 9)
    def clear(supply: ScpiDialect, call: Call) -> None:
        aim = _only(address(supply, call))
        for place in aim.places:
            for each in of:
                supply.clear_trip(place, each(supply.channels[place]), call.now_s, back_on)
