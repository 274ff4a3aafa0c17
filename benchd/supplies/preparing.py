"""What must be true before an output may be switched on, in the order in which it is made sure of.

1. the request is within the profile's range; nothing is sent otherwise
2. the output is off, confirmed by asking
3. outputs are not coupled (series, parallel)
4. the instrument's own protections have not tripped; a trip is cleared where that can be done with the output off
5. old errors are set aside
6. limit, voltage and over-voltage level are written, read back and compared
7. where one switch switches all outputs, the others are set to their minimum, read back and compared; where others are
   armed behind a master switch, they are disarmed if they are ours, else it is refused
8. limit and voltage are read once more, since what was written after them may have changed them
9. the instrument reports no error
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchd.supplies.errors import LinkError, SupplyError
from benchd.supplies.profile_base import Bits
from benchd.supplies.supply_output import Output, ProtectionMessages

if TYPE_CHECKING:
    from benchd.supplies.supply import Supply


ROUNDING = 0.1
"""A setting may be changed by no more than this share of it to fit the digits that the supply takes."""

Check = tuple[str, float, float, float, str]
"""What is asked for, its value, the lowest and the highest allowed, and the unit."""


def prepare(supply: Supply, output: Output, voltage_v: float, limit_a: float, over_voltage_v: float | None) -> None:
    """Make an output ready. Raises LinkError, or SupplyError with what was asked, what came back and what to do."""
    _check_range(supply, output, voltage_v, limit_a, over_voltage_v)
    output.forget_settings()
    try:
        _sure_off(supply, output, "nothing was set")
    except LinkError:
        refuse_coupled(supply, output)  # while they are coupled, some do not answer for one output
        raise
    refuse_coupled(supply, output)
    for protection in output.protections:
        _clear_trip(supply, output, protection)
    supply.complaints.set_aside()
    write_setting(supply, output, "limit", limit_a)
    if over_voltage_v is None:
        write_setting(supply, output, "voltage", voltage_v)
    elif over_voltage_v >= read_setting(supply, output, "voltage"):
        # A level below the voltage that is set is a conflict on many supplies, so whichever rises goes first.
        _protect(supply, output, over_voltage_v)
        write_setting(supply, output, "voltage", voltage_v)
    else:
        write_setting(supply, output, "voltage", voltage_v)
        _protect(supply, output, over_voltage_v)
    if supply.profile.channels.switch == "all":
        _minimise_others(supply, output)
    if supply.profile.channels.armed is not None:
        _disarm_others(supply, output)
    for what, value in (("limit", limit_a), ("voltage", voltage_v)):
        _compare_setting(supply, output, what, value)
    complaints = supply.complaints.drain()
    if complaints:
        told = "; ".join(f'{number} "{text}"' for number, text in complaints)
        raise SupplyError(
            f"{supply.place(output.channel)}: asked {voltage_v} V, {limit_a} A; the instrument reports {told}. "
            "The output stays off; look the numbers up in its manual"
        )
    output.remember_settings(voltage_v, limit_a)


def _check_range(
    supply: Supply, output: Output, voltage_v: float, limit_a: float, over_voltage_v: float | None
) -> None:
    span, place = output.range, supply.place(output.channel)
    checks: list[Check] = [
        ("voltage", voltage_v, span.min_voltage_v, span.max_voltage_v, "V"),
        ("current limit", limit_a, span.min_limit_a, span.max_limit_a, "A"),
    ]
    if over_voltage_v is not None:
        if output.over_voltage is None or output.over_voltage.get_level is None:
            raise SupplyError(
                f"{place}: asked for over-voltage protection at {over_voltage_v} V, but profile "
                f"{supply.profile.name} knows none; leave it out"
            )
        checks.append(("over-voltage level", over_voltage_v, voltage_v, math.inf, "V"))
    for what, value, low, high, unit in checks:
        if not (low <= value <= high and math.isfinite(value)):
            raise SupplyError(
                f"{place}: asked for a {what} of {value} {unit}; allowed {low} to {high} {unit}. Nothing was sent"
            )
    for what, value, low, high, unit, text in _as_written(output, checks):
        sent = abs(float(text))
        # A rounded 0.4 mA is 0, and a rounded 0.6 mA nearly twice as much; the tenth is our choice.
        if not (abs(sent - value) <= ROUNDING * value and low <= sent <= high):
            raise SupplyError(
                f"{place}: asked for a {what} of {value} {unit}, which would be written as {text} {unit}: the supply "
                f"takes no finer steps. Allowed {low} to {high} {unit} in such steps. Nothing was sent"
            )


def _as_written(output: Output, checks: list[Check]) -> Iterator[tuple[str, float, float, float, str, str]]:
    for what, value, low, high, unit in checks:
        if what == "over-voltage level":
            assert output.over_voltage is not None
            text = output.written_level(output.over_voltage, value)
        else:
            text = output.written("voltage" if what == "voltage" else "limit", value)
        yield what, value, low, high, unit, text


def _sure_off(supply: Supply, output: Output, so_far: str) -> None:
    supply.send_off(output.channel)
    if supply.output_state(output.channel):
        raise SupplyError(
            f"{supply.place(output.channel)}: asked it to switch off, but the output still says on; {so_far}. "
            "Switch it off at its panel"
        )


def refuse_coupled(supply: Supply, output: Output) -> None:
    """Raises SupplyError where the output is coupled with another one."""
    tracking = supply.profile.tracking
    if tracking is None:
        return
    for question in output.tracking:
        raw = supply.ask(output, question)
        with supply.making_sense(output):
            if isinstance(tracking.independent, Bits):
                bits = question.one_register(raw)
                answer, independent = f"{bits:#x}", tracking.independent.match(bits, question.place)
            else:
                answer = question.word(raw)
                independent = answer in (word.upper() for word in tracking.independent)
        if not independent:
            raise SupplyError(
                f"{supply.place(output.channel)}: asked {question.asked}, came back {answer!r}: the outputs are "
                "coupled (series, parallel or tracking), so that settings and readings would not mean what they say. "
                "Nothing was set; make the outputs independent at the supply"
            )


def _clear_trip(supply: Supply, output: Output, protection: ProtectionMessages) -> None:
    question = protection.tripped
    if question is None or not supply.truth(output, question):
        return
    place = supply.place(output.channel)
    if protection.clear is None:
        raise SupplyError(
            f"{place}: {question.asked} says that its own protection has tripped, and profile {supply.profile.name} "
            "knows no way to clear it; clear it at the supply"
        )
    if protection.about.clear_switches_on:
        for what, value in (("voltage", output.range.min_voltage_v), ("limit", output.range.min_limit_a)):
            write_setting(supply, output, what, value)
    supply.order(output, protection.clear)
    # Clearing may switch the output on again by itself, whatever the manual says.
    _sure_off(supply, output, "its own protection had tripped and was cleared")
    if supply.truth(output, question):
        raise SupplyError(
            f"{place}: {question.asked} still says that its own protection has tripped, after clearing it; remove the "
            "cause and clear it at the supply"
        )


def write_setting(supply: Supply, output: Output, what: str, value: float) -> None:
    """Write `voltage` (V) or `limit` (A), read it back, compare. Raises SupplyError where it came back different."""
    supply.order(output, output.setter(what, value))
    _compare_setting(supply, output, what, value)
    supply.between()


def _compare_setting(supply: Supply, output: Output, what: str, value: float) -> None:
    step, unit = output.step(what)
    _compare(supply, output, what, (value, read_setting(supply, output, what), step, unit))


def read_setting(supply: Supply, output: Output, what: str) -> float:
    """What `voltage` (V) or `limit` (A) is set to; NaN where the instrument says no number."""
    value = supply.number(output, output.getters[what])
    if value is None:
        return math.nan
    return -value if what == "voltage" and output.range.negative else value


def _compare(supply: Supply, output: Output, what: str, figures: tuple[float, float | None, float, str]) -> None:
    asked, came_back, step, unit = figures
    # Within a step, and not nothing in place of something: at one step those two are the same.
    near = came_back is not None and abs(asked - came_back) <= step * (1 + 1e-6)
    if near and (came_back or not asked):
        return
    told = "no number" if came_back is None else f"{came_back:g} {unit}"
    raise SupplyError(
        f"{supply.place(output.channel)}: asked for a {what} of {asked:g} {unit}, came back {told} "
        f"(they may differ by {step:g} {unit}). The output stays off; check the supply's own limits and ranges"
    )


def _protect(supply: Supply, output: Output, level_v: float) -> None:
    protection = output.over_voltage
    assert protection is not None
    assert protection.get_level is not None
    supply.order(output, output.set_level(protection, level_v))
    if protection.enable is not None and protection.enabled is None:
        supply.order(output, protection.enable)  # a level that is off may read as a word
    came_back = supply.number(output, protection.get_level)
    if came_back is not None and output.range.negative:
        came_back = -came_back
    step = protection.about.level_resolution or output.step("voltage")[0]
    _compare(supply, output, "over-voltage level", (level_v, came_back, step, "V"))
    if protection.enabled is None:
        return
    if protection.enable is not None:
        supply.order(output, protection.enable)
    if not supply.truth(output, protection.enabled):
        asked = (
            " ".join(data.decode("ascii").strip() for data in protection.enable.messages) if protection.enable else ""
        )
        raise SupplyError(
            f"{supply.place(output.channel)}: asked {asked or 'for over-voltage protection'}, but "
            f"{protection.enabled.asked} says that the protection is off. The output stays off; switch it on"
        )


def _minimise_others(supply: Supply, output: Output) -> None:
    """One switch for all: what else comes on with it must be harmless."""
    for number in supply.profile.channel_numbers:
        if number != output.channel:
            other = Output(supply.profile, supply.link, number)
            for what, value in (("limit", other.range.min_limit_a), ("voltage", other.range.min_voltage_v)):
                write_setting(supply, other, what, value)


def _disarm_others(supply: Supply, output: Output) -> None:
    """A master switch brings on whatever is armed; an output of ours that is on already is on for a reason."""
    for number in supply.profile.channel_numbers:
        if number == output.channel:
            continue
        ours = supply.ours(number)
        other = ours or Output(supply.profile, supply.link, number)
        if (ours is not None and ours.is_on) or other.armed is None or not supply.truth(other, other.armed):
            continue
        if ours is not None:
            supply.send_off(number)
        if ours is None or supply.truth(other, other.armed):
            raise SupplyError(
                f"{supply.place(output.channel)}: {other.armed.asked} says that output {number} is armed: switching on "
                f"would power output {number} too. Nothing was switched on; disarm output {number} at the supply"
            )
        supply.between()
