"""Whether a power-on lies within what its output may be asked for, now and later.

No I/O. What the supply itself can have is found out when it is prepared, or asked of its profile.
"""

from __future__ import annotations

import math

from benchd.guard.wire import ChannelConfig, PowerOn

LONGEST_STAGE_S = 3600.0
ROUNDING = 1e-9
"""A product of two decimal numbers may come out above what it is by this share."""


def ceilings(command: PowerOn) -> tuple[float, float]:
    """The highest voltage in V and limit in A that an output may be adjusted to."""
    most_v, most_a = command.most_voltage_v, command.most_limit_a
    return command.voltage_v if most_v is None else most_v, command.limit_a if most_a is None else most_a


def check_envelope(config: ChannelConfig, command: PowerOn) -> str:
    """Why a power-on lies outside the envelope of its channel, with units and what is allowed; empty when it fits."""
    place = f"{command.supply} channel {command.channel}"
    most_v, most_a, whose = config.max_voltage_v, config.max_limit_a, "its settings say"
    for what, voltage_v, limit_a in (
        ("", command.voltage_v, command.limit_a),
        *((f" for the stage {stage.name}", stage.voltage_v, stage.limit_a) for stage in command.before),
    ):
        if not 0 < voltage_v <= most_v:
            return f"{place}: {voltage_v:g} V was asked for{what}; allowed is above 0 V up to {most_v:g} V, as {whose}"
        if not 0 < limit_a <= most_a:
            return (
                f"{place}: a limit of {limit_a:g} A was asked for{what}; allowed is above 0 A up to {most_a:g} A, as "
                f"{whose}"
            )
        most_v, most_a, whose = command.voltage_v, command.limit_a, "the boot has"
    for stage in command.before:
        if stage.by_hand and stage.name == "probe":
            return f"{place}: stage probe cannot wait for a hand: it ends by itself"
        if not 0 < stage.seconds <= LONGEST_STAGE_S or not (stage.least_ohm is None or 0 < stage.least_ohm < math.inf):
            return (
                f"{place}: stage {stage.name} with {stage.seconds:g} s and a least of {stage.least_ohm} Ω; allowed are "
                f"above 0 to {LONGEST_STAGE_S:g} s, and above 0 Ω or none"
            )
    if problem := _check_ceilings(config, command) or _check_collapse(command):
        return f"{place}: {problem}"
    if command.most_before_v is not None and not 0 < command.most_before_v < math.inf:
        return f"{place}: most_before_v = {command.most_before_v} V; it must be above 0 V and finite, or left out"
    delay_s = command.over_current_delay_s
    if delay_s is not None and not 0 < delay_s <= LONGEST_STAGE_S:
        return f"{place}: over_current_delay_s = {delay_s} s; allowed is above 0 to {LONGEST_STAGE_S:g} s, or none"
    return ""


def _check_ceilings(config: ChannelConfig, command: PowerOn) -> str:
    most_v, most_a = ceilings(command)
    for what, least, value, allowed, unit in (
        ("most_voltage_v", command.voltage_v, most_v, config.max_voltage_v, "V"),
        ("most_limit_a", command.limit_a, most_a, config.max_limit_a, "A"),
    ):
        if not least <= value <= allowed:
            return (
                f"{what} = {value:g} {unit} was asked for as the ceiling of later settings; allowed is from the "
                f"{least:g} {unit} that it begins with up to {allowed:g} {unit}, as its settings say"
            )
    trips_v = command.rules.over_voltage_v
    if command.most_voltage_v is not None and trips_v is not None and not most_v < trips_v:
        return f"most_voltage_v = {most_v:g} V was asked for, but over_voltage_v trips above {trips_v:g} V: raise that"
    return ""


def _check_collapse(command: PowerOn) -> str:
    """A supply that holds its voltage or its limit can never give more than the two highest together."""
    rules, (most_v, most_a) = command.rules, ceilings(command)
    if not rules.collapse_allowed:
        return ""
    if rules.power_w is None or not most_v * most_a <= rules.power_w * (1 + ROUNDING):
        return (
            f"collapse_allowed with up to {most_v:g} V at up to {most_a:g} A was asked for, which is "
            f"{most_v * most_a:.4g} W; allowed is power_w = {rules.power_w} W: ask for less voltage or limit"
        )
    if command.before or command.over_current_delay_s is not None:
        return (
            "collapse_allowed was asked for with stages before it or with over_current_delay_s: a stage asks "
            "whether the rail is shorted, and in limit the supply would switch off; leave both out"
        )
    return ""
