"""The fixed walk through what a profile can do, for its dialogue and for the simulated supply of its family."""

from __future__ import annotations

from collections.abc import Callable

from benchd.supplies.link import Link
from benchd.supplies.profile_tables import OutputRange, Profile
from benchd.supplies.supply import Supply, identification
from benchd.supplies.wire import Opener

VOLTAGE_V, LIMIT_A, OVER_VOLTAGE_V = 1.0, 0.1, 2.0


def walk(
    profile: Profile,
    channel: int,
    resource: str,
    opener: Opener,
    step: Callable[[str], None],
    timeout_s: float = 2.0,
) -> Supply:
    """Connect, identify, prepare, on, read, off, clear errors, close; `step` is told what begins.

    Prepares 1.000 V, 0.100 A, over-voltage at 2 V where a level can be set and read, each moved into the range.
    """
    step("connect")
    link = Link.open(resource, profile.link, timeout_s, None, "@py", identification(profile), opener)
    try:
        supply = Supply("walk", profile, link, [channel])
        step("identify")
        supply.identify()
        step("prepare")
        supply.prepare(channel, *settings(supply.profile, channel))
        step("on")
        supply.output_on(channel)
        step("read")
        supply.read(channel)
        step("off")
        supply.send_off(channel)
        assert supply.output_state(channel) is False
        supply.read(channel)
        step("clear-errors")
        supply.errors()
        step("close")
    finally:
        link.close()
    return supply


def settings(profile: Profile, channel: int) -> tuple[float, float, float | None]:
    """Voltage in V, limit in A, over-voltage level in V."""
    span = profile.output(channel)
    protection = profile.over_voltage
    has_level = protection is not None and protection.set_level is not None and protection.get_level is not None
    return (*_moved(span), OVER_VOLTAGE_V if has_level else None)


def _moved(span: OutputRange) -> tuple[float, float]:
    voltage_v = min(max(VOLTAGE_V, span.min_voltage_v), span.max_voltage_v)
    return voltage_v, min(max(LIMIT_A, span.min_limit_a), span.max_limit_a)
