"""What `tryout` checks with the output off: settings, protections, questions, readings, abilities, the link."""

from __future__ import annotations

import functools
import math
import statistics
import time

from benchd.reading import Mode, SenseAt
from benchd.scpi import reply
from benchd.scpi.reply import ReplyError
from benchd.supplies.errors import LinkLost, ReplyLate
from benchd.supplies.preparing import refuse_coupled
from benchd.supplies.sensing import set_sense
from benchd.supplies.setting import read_setting, write_setting
from benchd.supplies.supply_output import ProtectionMessages, TripMessages
from benchd.supplies.tryout import Fails, Skipped, Tryout
from benchd.supplies.visa_wire import is_stream

READINGS = 10
TOO_SHORT_S = 0.002
"""Allowed for a reply that is to come late, where sending takes its share of it. On a stream of bytes it is nothing."""
REOPEN_S = 3.0
"""A supply with one session needs a moment to notice that the last one ended."""


def output_off_checks(tryout: Tryout) -> None:
    """All of them, in an order in which each can rely on those before."""
    check = tryout.check
    check("output-state", functools.partial(_state, tryout))
    check("errors-before", functools.partial(_errors_before, tryout))
    check("coupling", functools.partial(_coupling, tryout))
    check("settings-now", functools.partial(_settings_now, tryout), needed=True)
    check("limit-setting", functools.partial(_setting, tryout, "limit"))
    check("voltage-setting", functools.partial(_setting, tryout, "voltage"))
    for name in ("over-voltage", "over-current"):
        protection = _protection(tryout, name)
        for part, what in (("level", _level), ("enabled", _enabled), ("tripped", _tripped), ("delay", _delay)):
            check(f"{name}-{part}", functools.partial(what, tryout, protection))
    check("link-watchdog", functools.partial(_watchdog, tryout))
    check("remote-sense", functools.partial(_sense, tryout))
    check("mode", functools.partial(_mode, tryout))
    check("readings", functools.partial(_readings, tryout))
    for flag, query in (("opc", "*OPC?"), ("esr", "*ESR?"), ("stb", "*STB?")):
        check(f"ability-{flag}", functools.partial(_ability, tryout, flag, query))
    check("late-reply", functools.partial(_late_reply, tryout))
    check("reconnect", functools.partial(_reconnect, tryout))
    check("errors-after", functools.partial(_errors_after, tryout))


def _state(tryout: Tryout) -> str:
    if tryout.supply.output_state(tryout.unit.channel):
        raise Fails("it says on, though it was confirmed off a moment ago; is somebody at its panel?")
    return "says off; a question that says off for ever looks the same: that it says on while on, --output shows"


def _errors_before(tryout: Tryout) -> str:
    if not tryout.supply.complaints.exist:
        raise Skipped("the profile names no error queue, or this unit has none")
    found = tryout.supply.errors()
    if tryout.supply.errors():
        raise Fails(f"entries come back after the queue was drained ({len(found)} of them)")
    return f"{len(found)} from before: {_listed(found)}" if found else "empty"


def _errors_after(tryout: Tryout) -> str:
    if not tryout.supply.complaints.exist:
        raise Skipped("the profile names no error queue, or this unit has none")
    found = tryout.supply.errors()
    if found:
        raise Fails(f"the checks caused {_listed(found)}; look for a command that this unit does not know")
    return "empty: every command was understood"


def _listed(entries: list[tuple[int, str]]) -> str:
    return "; ".join(f'{number} "{text}"' for number, text in entries)


def _coupling(tryout: Tryout) -> str:
    if tryout.supply.profile.tracking is None:
        several = len(tryout.supply.profile.channel_numbers) > 1
        raise Skipped("the profile knows no way to ask" if several else "one output only")
    refuse_coupled(tryout.supply, tryout.output)
    return "outputs are independent"


def _settings_now(tryout: Tryout) -> str:
    tryout.save_settings(tryout.output)
    voltage_v, limit_a = tryout.saved("voltage"), tryout.saved("limit")
    if math.isnan(voltage_v) or math.isnan(limit_a):
        raise Fails(f"set to {voltage_v:g} V, {limit_a:g} A: no number came back, so nothing was changed")
    return f"set to {voltage_v:g} V, {limit_a:g} A; set again at the end"


def _setting(tryout: Tryout, what: str) -> str:
    """Two values, so that one of them is not the one that was there."""
    output = tryout.output
    step, unit = output.step(what)
    value, most = (
        (tryout.limit_a, min(output.range.max_limit_a, tryout.unit.most_a))
        if what == "limit"
        else (tryout.voltage_v, min(output.range.max_voltage_v, tryout.unit.most_v))
    )
    other = min(value + 10 * step, most)
    for each in (other, value):
        write_setting(tryout.supply, output, what, each)
    return f"set to {other:g} {unit}, then {value:g} {unit}; both came back within {step:g} {unit}"


def _protection(tryout: Tryout, name: str) -> ProtectionMessages | None:
    profile = tryout.supply.profile
    about = profile.over_voltage if name == "over-voltage" else profile.over_current
    return next((each for each in tryout.output.protections if each.about is about), None) if about else None


def _level(tryout: Tryout, protection: ProtectionMessages | None) -> str:
    if protection is None or protection.get_level is None:
        raise Skipped("the profile knows no question for it")
    level = tryout.supply.number(tryout.output, protection.get_level)
    unit = "V" if protection is tryout.output.over_voltage else "A"
    return "off" if level is None else f"{level:g} {unit} (left as it is)"


def _enabled(tryout: Tryout, protection: ProtectionMessages | None) -> str:
    if protection is None or protection.enabled is None:
        raise Skipped("the profile knows no question for it")
    return "yes" if tryout.supply.truth(tryout.output, protection.enabled) else "no (left as it is)"


def _tripped(tryout: Tryout, protection: ProtectionMessages | None) -> str:
    if protection is None or protection.tripped is None:
        raise Skipped("the profile knows no question for it")
    return "yes (left as it is)" if tryout.supply.truth(tryout.output, protection.tripped) else "no"


def _delay(tryout: Tryout, protection: TripMessages | None) -> str:
    if protection is None or protection.get_delay is None:
        raise Skipped("the profile knows no question for it")
    delay_s = protection.delay_s(tryout.supply.number(tryout.output, protection.get_delay))
    if delay_s is None or not 0 <= delay_s <= protection.max_delay_s:
        told = "no number" if delay_s is None else f"{delay_s:g} s"
        raise Fails(
            f"asked {protection.get_delay.asked}, came back {told}, allowed 0 to {protection.max_delay_s:g} s; look "
            "its range up in the manual"
        )
    return f"{delay_s:g} s (left as it is)"


def _watchdog(tryout: Tryout) -> str:
    watchdog = tryout.output.watchdog
    if watchdog is None:
        raise Skipped("the profile knows none")
    assert watchdog.enabled is not None
    armed = "armed" if tryout.supply.truth(tryout.output, watchdog.enabled) else "not armed"
    return f"{armed}, {_delay(tryout, watchdog)}"


def _sense(tryout: Tryout) -> str:
    """Switched in and out with the output off, and left as it was found."""
    sense, supply, output = tryout.output.sense, tryout.supply, tryout.output
    if sense is None:
        raise Skipped("the profile knows no command for it")
    found: SenseAt = "remote" if supply.truth(output, sense.state) else "local"
    other: SenseAt = "local" if found == "remote" else "remote"
    try:
        set_sense(supply, output, other)
    finally:
        set_sense(supply, output, found)
    return f"set to {other}, then to {found} again, as it was; both came back"


def _mode(tryout: Tryout) -> str:
    if tryout.supply.profile.mode.source == "derived":
        raise Skipped("told from the readings; seen with --output only")
    tryout.output.forget_mode()
    mode = tryout.supply.read(tryout.unit.channel).mode
    if mode is Mode.UNKNOWN:
        raise Fails("what came back is none of the words or bits of the profile")
    return f"says {mode.name.lower()} with the output off"


def _readings(tryout: Tryout) -> str:
    supply, span = tryout.supply, tryout.output.range
    readings = [supply.read(tryout.unit.channel) for _ in range(READINGS)]
    took_s = (readings[-1].t_ns - readings[0].t_ns) / 1e9
    trips_ms = [2 * reading.half_trip_ns / 1e6 for reading in readings]
    noise_v = statistics.pstdev(reading.voltage_v for reading in readings)
    noise_a = statistics.pstdev(reading.current_a for reading in readings)
    rate = f"{(READINGS - 1) / took_s:.0f} per second" if took_s > 0 else "at once"
    return (
        f"{READINGS} readings, {rate}; round trip {min(trips_ms):.1f} to {max(trips_ms):.1f} ms; noise (rms) "
        f"{noise_v / span.read_resolution_v:.1f} steps of {span.read_resolution_v * 1e3:g} mV and "
        f"{noise_a / span.read_resolution_a:.1f} steps of {span.read_resolution_a * 1e3:g} mA"
    )


def _ability(tryout: Tryout, flag: str, query: str) -> str:
    if not getattr(tryout.supply.profile.abilities, flag):
        raise Skipped("the profile does not say that this family has it")
    text = tryout.supply.link.query(query)
    most = 1 if flag == "opc" else 255  # IEEE 488.2 §10.21, §10.10, §10.36: a one; a register of eight bits
    try:
        value = reply.integer(text, query)
    except ReplyError as error:
        raise tryout.supply.link.garbled(error) from error
    least = 1 if flag == "opc" else 0
    if not least <= value <= most:
        raise Fails(f"asked {query}, came back {text!r}, allowed {least} to {most}")
    return f"answers {text.strip()}"


def _late_reply(tryout: Tryout) -> str:
    """A reply that comes after its time must not become the answer to the next question."""
    supply, output, link = tryout.supply, tryout.output, tryout.supply.link
    step_v = output.step("voltage")[0]
    if abs(tryout.voltage_v - tryout.limit_a) <= 2 * step_v:
        raise Skipped("voltage and limit are the same number here, so their replies could not be told apart")
    stream = is_stream(tryout.unit.resource) and tryout.unit.library == "@py"
    usual_s, link.timeout_s = link.timeout_s, 0.0 if stream else TOO_SHORT_S
    try:
        supply.number(output, output.getters["limit"])
    except ReplyLate:
        pass
    except LinkLost as error:
        raise Skipped(f"this link drops the connection instead: {error}") from error
    else:
        raise Skipped(f"it answered within {TOO_SHORT_S * 1e3:g} ms, so nothing was late")
    finally:
        link.timeout_s = usual_s
    voltage_v = read_setting(supply, output, "voltage")
    if not abs(voltage_v - tryout.voltage_v) <= step_v * (1 + 1e-6):
        raise Fails(
            f"after a late reply to {output.getters['limit'].asked} the voltage setting came back as {voltage_v:g} V "
            f"instead of {tryout.voltage_v:g} V"
        )
    return "a late reply was thrown away, and the next question got its own answer"


def _reconnect(tryout: Tryout) -> str:
    before = tryout.supply.link.identity
    tryout.supply.close()
    ends = time.monotonic() + REOPEN_S
    while True:
        try:
            after = tryout.supply.reconnect()
            break
        except LinkLost:
            if time.monotonic() > ends:
                raise
            time.sleep(0.05)
    if after != before:
        raise Fails(f"{before!r} before, {after!r} after")
    return "closed and opened again: the same identification"
