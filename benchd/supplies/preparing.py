"""What must be true before an output may be switched on, in the order in which it is made sure of.

1. the request is within the profile's range; nothing is sent otherwise
2. the output is off, confirmed by asking
3. outputs are not coupled (series, parallel)
4. the instrument's own protections have not tripped; a trip is cleared where that can be done with the output off
5. old errors are set aside
6. sensing, then limit, voltage and over-voltage level are written, read back and compared
7. over-current protection and the watch over the link likewise, where they are asked for and the profile has them
8. where one switch switches all outputs, the others are set to their minimum, read back and compared; where others are
   armed behind a master switch, they are disarmed if they are ours, else it is refused
9. limit and voltage are read once more, since what was written after them may have changed them
10. the instrument reports no error
"""

from __future__ import annotations

import math
import sys
from typing import TYPE_CHECKING, NamedTuple

from benchd.reading import SenseAt
from benchd.supplies.errors import LinkError, SupplyError
from benchd.supplies.profile_base import Bits
from benchd.supplies.protecting import (
    arm_watchdog,
    clear_trip,
    protect_over_current,
    protect_over_voltage,
    sure_off,
)
from benchd.supplies.sensing import set_sense
from benchd.supplies.setting import Check, check_range, compare_setting, read_setting, write_setting
from benchd.supplies.supply_output import Output

if TYPE_CHECKING:
    from benchd.supplies.supply import Supply


class Wanted(NamedTuple):
    """How an output is to be made ready: V, A and s. None: left as it is."""

    voltage_v: float
    limit_a: float
    over_voltage_v: float | None = None
    over_current_delay_s: float | None = None
    watchdog_s: float | None = None
    sense: SenseAt = ""


def prepare(supply: Supply, output: Output, wanted: Wanted) -> tuple[str, ...]:
    """Make an output ready; what the supply now does by itself, in words.

    Raises LinkError, or SupplyError with what was asked, what came back and what to do.
    """
    voltage_v, limit_a = wanted.voltage_v, wanted.limit_a
    _check(supply, output, wanted)
    output.forget_settings()
    output.level_v = None
    try:
        sure_off(supply, output, "nothing was set")
    except LinkError:
        refuse_coupled(supply, output)  # while they are coupled, some do not answer for one output
        raise
    refuse_coupled(supply, output)
    for protection in output.all_that_trip:
        clear_trip(supply, output, protection)
    supply.complaints.set_aside()
    set_sense(supply, output, wanted.sense)
    second_layer = [
        _write(supply, output, wanted),
        protect_over_current(supply, output, limit_a, wanted.over_current_delay_s),
        arm_watchdog(supply, output, wanted.watchdog_s) if wanted.watchdog_s is not None else "",
    ]
    if supply.profile.channels.switch == "all":
        _minimise_others(supply, output)
    if supply.profile.channels.armed is not None:
        _disarm_others(supply, output)
    for what, value in (("limit", limit_a), ("voltage", voltage_v)):
        compare_setting(supply, output, what, value)
    complaints = supply.complaints.drain()
    if complaints:
        told = "; ".join(f'{number} "{text}"' for number, text in complaints)
        raise SupplyError(
            f"{supply.place(output.channel)}: asked {voltage_v} V, {limit_a} A; the instrument reports {told}. "
            "The output stays off; look the numbers up in its manual"
        )
    output.remember_settings(voltage_v, limit_a)
    return tuple(filter(None, second_layer))


def _write(supply: Supply, output: Output, wanted: Wanted) -> str:
    """Limit, voltage and over-voltage level; what the last one does, in words."""
    write_setting(supply, output, "limit", wanted.limit_a)
    level_v = wanted.over_voltage_v
    if level_v is None:
        write_setting(supply, output, "voltage", wanted.voltage_v)
        return ""
    # A level below the voltage that is set is a conflict on many supplies, so whichever rises goes first.
    if level_v >= read_setting(supply, output, "voltage"):
        told = protect_over_voltage(supply, output, level_v)
        write_setting(supply, output, "voltage", wanted.voltage_v)
        return told
    write_setting(supply, output, "voltage", wanted.voltage_v)
    return protect_over_voltage(supply, output, level_v)


def _check(supply: Supply, output: Output, wanted: Wanted) -> None:
    span = output.range
    checks: list[Check] = [
        ("voltage", wanted.voltage_v, span.min_voltage_v, span.max_voltage_v, "V"),
        ("current limit", wanted.limit_a, span.min_limit_a, span.max_limit_a, "A"),
    ]
    if wanted.over_voltage_v is not None:
        if output.over_voltage is None or output.over_voltage.get_level is None:
            raise SupplyError(
                f"{supply.place(output.channel)}: asked for over-voltage protection at {wanted.over_voltage_v} V, but "
                f"profile {supply.profile.name} knows none; leave it out"
            )
        checks.append(("over-voltage level", wanted.over_voltage_v, wanted.voltage_v, math.inf, "V"))
    for what, value in (
        ("over-current delay", wanted.over_current_delay_s),
        ("time without a message", wanted.watchdog_s),
    ):
        if value is not None:
            checks.append((what, value, 0.0, sys.float_info.max, "s"))
    check_range(supply, output, checks)


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
