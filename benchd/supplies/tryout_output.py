"""What `tryout` checks with the output on, at a low voltage into open terminals."""

from __future__ import annotations

import functools
import time
from collections.abc import Callable

from benchd.reading import Mode, OutputState, Reading
from benchd.supplies.supply_output import Output
from benchd.supplies.tryout import Fails, Tryout

SETTLE_S = 3.0
"""Soft starts, relays and slow readings."""
FALL_S = 5.0
"""Without a load only the supply's own bleeder empties its output capacitor."""
PAUSE_S = 0.02
"""Between two looks, so that an exchange can still be read."""
UNSTATED = 0.1
"""Share of the voltage that a reading may be off where the profile states no accuracy."""
CHECKS = ("prepare", "output-on", "voltage-on", "current-on", "mode-on", "output-off-again", "voltage-falls")


def output_on_checks(tryout: Tryout, consent: Callable[[], str]) -> None:
    """On, and off again. `consent` says why not, or nothing when the operator agrees."""
    if tryout.failed:
        tryout.skip(CHECKS, "a check before this failed, so the output is not switched on")
        return
    if refusal := consent():
        tryout.skip(CHECKS, refusal)
        return
    check = functools.partial(tryout.check, needed=True)
    seen: list[float] = []
    check("prepare", functools.partial(_prepare, tryout))
    check("output-on", functools.partial(_on, tryout))
    check("voltage-on", functools.partial(_voltage, tryout, seen))
    check("current-on", functools.partial(_current, tryout))
    check("mode-on", functools.partial(_mode, tryout))
    check("output-off-again", functools.partial(_off, tryout))
    check("voltage-falls", functools.partial(_falls, tryout, seen))


def _prepare(tryout: Tryout) -> str:
    supply = tryout.supply
    if supply.profile.channels.switch == "all":
        for number in supply.profile.channel_numbers:
            tryout.save_settings(supply.ours(number) or Output(supply.profile, supply.link, number))
    supply.prepare(tryout.unit.channel, tryout.voltage_v, tryout.limit_a)
    return f"{tryout.voltage_v:g} V, {tryout.limit_a:g} A, each read back"


def _on(tryout: Tryout) -> str:
    tryout.power_goes_on()
    tryout.supply.output_on(tryout.unit.channel)
    return "says on"


def _read(tryout: Tryout, wanted: Callable[[Reading], bool], limit_s: float) -> Reading:
    """The first reading as it is wanted, or the last one within the time."""
    ends = time.monotonic() + limit_s
    while not wanted(reading := tryout.supply.read(tryout.unit.channel)) and time.monotonic() < ends:
        time.sleep(PAUSE_S)
    return reading


def _voltage(tryout: Tryout, seen: list[float]) -> str:
    span, asked_v = tryout.output.range, tryout.voltage_v
    stated = bool(span.accuracy_fraction_v or span.accuracy_offset_v)
    allowed_v = span.voltage_tolerance_v(asked_v)
    if not stated:
        allowed_v = max(allowed_v, UNSTATED * asked_v)
    reading = _read(tryout, lambda reading: abs(reading.voltage_v - asked_v) <= allowed_v, SETTLE_S)
    seen.append(reading.voltage_v)
    how = f"{asked_v:g} V asked, {reading.voltage_v:g} V read, {allowed_v * 1e3:.3g} mV allowed"
    if not abs(reading.voltage_v - asked_v) <= allowed_v:
        raise Fails(f"{how}; is anything connected, or is remote sensing on without its wires?")
    return how if stated else f"{how} (the profile states no accuracy)"


def _current(tryout: Tryout) -> str:
    most_a = tryout.output.range.no_current_a
    reading = _read(tryout, lambda reading: abs(reading.current_a) <= most_a, SETTLE_S)
    how = f"{reading.current_a * 1e3:.3g} mA read, at most {most_a * 1e3:.3g} mA allowed with open terminals"
    if not abs(reading.current_a) <= most_a:
        raise Fails(f"{how}; is anything connected?")
    return how


def _mode(tryout: Tryout) -> str:
    reading = _read(tryout, lambda reading: reading.mode is Mode.CV, SETTLE_S)
    if reading.mode is not Mode.CV:
        raise Fails(f"it says {reading.mode.name.lower()} with open terminals, cv (constant voltage) was expected")
    return "cv (constant voltage)"


def _off(tryout: Tryout) -> str:
    outcome = tryout.off()
    if outcome.state is not OutputState.OFF:
        raise Fails(outcome.text)
    return outcome.text


def _falls(tryout: Tryout, seen: list[float]) -> str:
    on_v = seen[0]
    low_v = on_v / 2
    reading = _read(tryout, lambda reading: reading.voltage_v < low_v, FALL_S)
    how = f"from {on_v:g} V to {reading.voltage_v:g} V"
    if not reading.voltage_v < on_v - 3 * tryout.output.range.read_resolution_v:
        raise Fails(f"{how} within {FALL_S:g} s of switching off; is something charged connected?")
    return how
