"""The second layer: what the supply does by itself when nobody looks any more.

Over-voltage protection with a level, over-current protection with a delay, and the watch over the link. Each is
written and read back before the output goes on. What the profile does not know is left out; the caller is told what is
there.
"""

from __future__ import annotations

import contextlib
import math
from typing import TYPE_CHECKING

from benchd.supplies.errors import LinkError, SupplyError
from benchd.supplies.setting import STAYS_OFF, CameBack, compare, write_setting
from benchd.supplies.supply_output import Output, ProtectionMessages, TripMessages, WatchdogMessages

if TYPE_CHECKING:
    from benchd.supplies.supply import Supply


def protect_over_voltage(supply: Supply, output: Output, level_v: float) -> str:
    """Set the level, V, and switch the protection on. Says what it does. Raises LinkError, SupplyError."""
    protection = output.over_voltage
    assert protection is not None
    supply.order(output, output.set_level(protection, level_v))
    if protection.enable is not None and protection.enabled is None:
        supply.order(output, protection.enable)  # a level that is off may read as a word
    _compare_level(supply, output, protection, level_v, STAYS_OFF)
    if protection.enabled is not None:
        _switch_on(supply, output, protection, "over-voltage protection")
    output.level_v = level_v
    return f"over-voltage above {level_v:g} V"


def protect_over_current(supply: Supply, output: Output, limit_a: float, delay_s: float | None) -> str:
    """Have the supply switch off after so long in limit, s. Says what it does; empty where it cannot.

    None: over-current protection that this program switched on for an earlier power-on is switched off again, since
    it would end one that may stay in limit; any other is left as it is.
    """
    protection = output.over_current
    if protection is None or not protection.has_delay:
        return ""
    level_a = over_current_level_a(output, limit_a)
    if delay_s is None or (level_a is not None and level_a <= 0):
        _release(supply, output, protection)
        return ""
    delay_s = _write_delay(supply, output, protection, delay_s, "over-current delay")
    if level_a is not None:
        write_level(supply, output, protection, level_a)
    _switch_on(supply, output, protection, "over-current protection")
    protection.ours = True
    above = "" if level_a is None else f" above {level_a:g} A"
    return f"over-current{above} after {delay_s:g} s in limit"


def over_current_level_a(output: Output, limit_a: float) -> float | None:
    """The highest level below the limit, A, so that it is passed in limit. None where the limit is the level."""
    protection = output.over_current
    if protection is None or protection.about.level == "limit" or protection.about.set_level is None:
        return None
    step_a = protection.about.level_resolution or output.step("limit")[0]
    return (math.ceil(limit_a / step_a - 1e-6) - 1) * step_a


def arm_watchdog(supply: Supply, output: Output, after_s: float) -> str:
    """Have the supply switch off when no message came for so long, s. Says what it does; empty where it cannot.

    It may run for other outputs already, so nothing is written that is right as it is.
    """
    watchdog = output.watchdog
    if watchdog is None:
        return ""
    after_s = watchdog.nearest_delay_s(after_s)
    assert watchdog.enabled is not None
    if not (supply.truth(output, watchdog.enabled) and _has_delay(supply, output, watchdog, after_s)):
        _write_delay(supply, output, watchdog, after_s, "time without a message")
        _switch_on(supply, output, watchdog, "the watch over the link")
    watchdog.ours = True
    return f"no message for {after_s:g} s"


def disarm_watchdog(supply: Supply) -> None:
    """End the watch that this program began, if the link is in order and every output says off. Never raises.

    With an output that is on, or may be, it goes on: nobody will look after that output from here.
    """
    ours = [output for output in supply.used if output.watchdog is not None and output.watchdog.ours]
    if not ours or not supply.link.in_order:
        return
    with contextlib.suppress(LinkError, SupplyError):
        if any(supply.output_state(output.channel) for output in supply.used):
            return
        for output in ours:
            watchdog = output.watchdog
            assert watchdog is not None
            assert watchdog.enabled is not None
            assert watchdog.disable is not None
            if supply.truth(output, watchdog.enabled):
                supply.order(output, watchdog.disable)
                # Asked again, since what was not read by then may be lost with the connection.
                watchdog.ours = supply.truth(output, watchdog.enabled)


def clear_trip(supply: Supply, output: Output, protection: TripMessages) -> None:
    """Clear a trip of the supply's own with the output off, before and after. Raises LinkError, SupplyError."""
    question = protection.tripped
    if question is None or not supply.truth(output, question):
        return
    place = supply.place(output.channel)
    if protection.clear is None:
        raise SupplyError(
            f"{place}: {question.asked} says that its own protection has tripped, and profile {supply.profile.name} "
            "knows no way to clear it; clear it at the supply"
        )
    shared = isinstance(protection, WatchdogMessages) and protection.about.scope == "supply"
    concerned = supply.used if shared else (output,)
    for each in concerned:
        if each is not output and each.is_on:
            # Clearing it now would take away the only word for why that output is off.
            raise SupplyError(
                f"{place}: {question.asked} says that the watch over the link has tripped, and output {each.channel} "
                "was on until then. The output stays off; ask again when that is dealt with"
            )
    for each in concerned:
        if each is not output:
            sure_off(supply, each, "the watch over the link has switched all outputs off")
        if protection.clear_switches_on:
            for what, value in (("voltage", each.range.min_voltage_v), ("limit", each.range.min_limit_a)):
                write_setting(supply, each, what, value)
    supply.order(output, protection.clear)
    # Clearing may switch the output on again by itself, whatever the manual says.
    for each in concerned:
        sure_off(supply, each, "its own protection had tripped and was cleared")
    if supply.truth(output, question):
        raise SupplyError(
            f"{place}: {question.asked} still says that its own protection has tripped, after clearing it; remove the "
            "cause and clear it at the supply"
        )


def sure_off(supply: Supply, output: Output, so_far: str) -> None:
    """OFF, and the word of the supply for it. Raises LinkError, and SupplyError where it says on."""
    supply.send_off(output.channel)
    if supply.output_state(output.channel):
        raise SupplyError(
            f"{supply.place(output.channel)}: asked it to switch off, but the output still says on; {so_far}. "
            "Switch it off at its panel"
        )


def write_level(
    supply: Supply, output: Output, protection: ProtectionMessages, level: float, state: str = STAYS_OFF
) -> None:
    """Write the level of a protection, V or A, read it back, compare. Raises LinkError, SupplyError."""
    supply.order(output, output.set_level(protection, level))
    _compare_level(supply, output, protection, level, state)


def _compare_level(supply: Supply, output: Output, protection: ProtectionMessages, level: float, state: str) -> None:
    assert protection.get_level is not None
    of_voltage = protection is output.over_voltage
    came_back = supply.number(output, protection.get_level)
    if came_back is not None and of_voltage and output.range.negative:
        came_back = -came_back
    usual_step, unit = output.step("voltage" if of_voltage else "limit")
    name = "over-voltage level" if of_voltage else "over-current level"
    step = protection.about.level_resolution or usual_step
    compare(supply, output, name, CameBack(level, came_back, step, unit), state)
    supply.between()


def _write_delay(supply: Supply, output: Output, messages: TripMessages, delay_s: float, name: str) -> float:
    assert messages.get_delay is not None
    delay_s = messages.nearest_delay_s(delay_s)
    supply.order(output, messages.set_delay(delay_s))
    came_back = messages.delay_s(supply.number(output, messages.get_delay))
    compare(supply, output, name, CameBack(delay_s, came_back, messages.delay_step_s, "s"))
    supply.between()
    return delay_s


def _has_delay(supply: Supply, output: Output, messages: TripMessages, delay_s: float) -> bool:
    assert messages.get_delay is not None
    found_s = messages.delay_s(supply.number(output, messages.get_delay))
    return found_s is not None and abs(found_s - delay_s) <= messages.delay_step_s * 1e-3


def _switch_on(supply: Supply, output: Output, messages: TripMessages, name: str) -> None:
    """Where there is a switch; else it is always on. Proved where it can be asked for."""
    if messages.enable is not None:
        supply.order(output, messages.enable)
    if messages.enabled is not None and not supply.truth(output, messages.enabled):
        asked = messages.enable.told if messages.enable is not None else f"for {name}"
        raise SupplyError(
            f"{supply.place(output.channel)}: asked {asked}, but {messages.enabled.asked} says that the protection is "
            "off. The output stays off; switch it on"
        )
    supply.between()


def _release(supply: Supply, output: Output, protection: ProtectionMessages) -> None:
    if not protection.ours or protection.disable is None:
        return
    supply.order(output, protection.disable)
    if protection.enabled is not None and supply.truth(output, protection.enabled):
        raise SupplyError(
            f"{supply.place(output.channel)}: asked {protection.disable.told}, but {protection.enabled.asked} says "
            "that over-current protection is still on. The output stays off; switch it off at the supply"
        )
    protection.ours = False
