"""Whether the settings fit the driver profiles that they name, and the plans that lie beside them."""

from __future__ import annotations

import math
from pathlib import Path

from benchd.plans.shelf import Shelf
from benchd.settings import Settings, SettingsError, Supply, check_plan, secret
from benchd.supplies.pace import REPLY_S, round_s
from benchd.supplies.profile import ProfileError, load_profile, may_sense
from benchd.supplies.profile_tables import Profile, as_queries

CHARACTERS = 60
"""Of a question and its reply together, at most (common practice, no source: twice 15 digits, and the question)."""
BITS = 10
"""On a serial line for each character: one to start, eight of data, one to stop."""
LEAST_ROUNDS = 3
"""So many rounds of readings fit into the time of a link watchdog: one reply that is late does not switch off."""


def unfit(settings: Settings) -> list[str]:
    """One sentence for each fault, with supply, key, what was given and what to do; empty where all fits."""
    faults: list[str] = []
    for supply in settings.supply:
        try:
            profile = load_profile(supply.profile)
            profile.check_channels([channel.number for channel in supply.channel])
        except ProfileError as error:
            faults.append(f"supply {supply.name}: {error}")
            continue
        faults += _beyond_range(supply, profile)
        faults += _impatient(supply, profile)
        faults += _unwatched(settings, supply, profile)
        faults += _senseless(supply, profile)
    return faults


def plan_warnings(settings: Settings, shelf: Shelf) -> list[str]:
    """What is wrong with plans of one's own, which need not keep a bench from starting: power-on refuses them."""
    told = shelf.faults()
    for supply in settings.supply:
        for channel in supply.channel:
            try:
                check_plan(settings, supply.name, channel, shelf=shelf)
            except ValueError as error:
                told.append(f"{error}; it will not be powered with it")
    return told


def unread_secrets(settings: Settings) -> list[str]:
    """One sentence for each file with a token or a password that cannot be read: a daemon does not start without."""
    influx, mqtt = settings.influxdb, settings.mqtt
    told: list[str] = []
    for file, key in (
        (influx.token_file if influx else "", "influxdb.token_file"),
        (mqtt.password_file if mqtt else "", "mqtt.password_file"),
    ):
        try:
            secret("", file, key)
        except SettingsError as error:
            told.append(str(error))
    return told


def missing_folders(settings: Settings) -> list[str]:
    """What need not keep a bench from starting: a disk for copies may be away for a while."""
    wish = settings.log.backup_dir
    if not wish or Path(wish).expanduser().is_dir():
        return []
    return [f"log.backup_dir = {wish!r}: there is no such folder now: make it, or mount its disk; until then no copies"]


def _unwatched(settings: Settings, supply: Supply, profile: Profile) -> list[str]:
    """A link watchdog that the supply does not have, or that would end every power-on."""
    asked_s, watchdog = supply.link_watchdog_s, profile.watchdog
    if asked_s is None:
        return []
    said = f"supply {supply.name}: link_watchdog_s = {asked_s:g} s, but"
    if watchdog is None:
        return [
            f"{said} profile {profile.name} knows no link watchdog of this family: leave the key out; limit and "
            "protections that are set in the supply hold without it"
        ]
    if not watchdog.min_delay_s <= asked_s <= watchdog.max_delay_s:
        return [f"{said} profile {profile.name} allows {watchdog.min_delay_s:g} to {watchdog.max_delay_s:g} s"]
    serial = supply.resource.upper().startswith("ASRL")
    pace_s = round_s(profile, len(supply.channel), serial)
    rounds_s = LEAST_ROUNDS * max(pace_s, settings.interval_ms(supply) / 1e3)
    if not rounds_s <= asked_s:
        return [
            f"{said} {LEAST_ROUNDS} rounds of readings take {rounds_s:.2g} s, so that it would switch off in good "
            f"order: set link_watchdog_s = {math.ceil(rounds_s)} or more, or leave it out"
        ]
    return []


def _senseless(supply: Supply, profile: Profile) -> list[str]:
    """Sense leads that cannot be switched in, or out, from here."""
    return [
        f"supply {supply.name} channel {channel.number}: sense = {channel.sense!r}, but profile {profile.name} knows "
        "no command for that of this output: leave the key out, and wire or set sensing at the supply"
        for channel in supply.channel
        if channel.sense and not may_sense(profile, channel.number)
    ]


def _beyond_range(supply: Supply, profile: Profile) -> list[str]:
    """The envelope of a channel promises nothing that no unit of the family can do."""
    faults = []
    for channel in supply.channel:
        for key, unit in (("max_voltage_v", "V"), ("max_limit_a", "A")):
            given, most = getattr(channel, key), _most(profile, channel.number, key)
            if not given <= most:
                faults.append(
                    f"supply {supply.name} channel {channel.number}: {key} = {given:g} {unit}, but profile "
                    f"{profile.name} goes up to {most:g} {unit} there: set {key} = {most:g} or less"
                )
    return faults


def _most(profile: Profile, channel: int, key: str) -> float:
    """The largest value of any unit of the family: which one it is shows only when it answers."""
    found = [float(getattr(profile.output(channel), key))]
    for variant in profile.variants:
        for output in variant.use.get("outputs", ()):
            if channel in output.get("numbers", ()) and key in output:
                found.append(float(output[key]))
    return max(found)


def _impatient(supply: Supply, profile: Profile) -> list[str]:
    slowest_ms = 1e3 * slowest_reply_s(supply, profile)
    if slowest_ms <= supply.timeout_ms:
        return []
    least = -(-slowest_ms // 10) * 10
    return [
        f"supply {supply.name}: timeout_ms = {supply.timeout_ms:g} ms, but by profile {profile.name} a reply takes up "
        f"to {slowest_ms:.0f} ms in good order: set timeout_ms = {least:.0f} or more"
    ]


def slowest_reply_s(supply: Supply, profile: Profile) -> float:
    """How long a reply may take in good order, s, from the sending of its question.

    The rests of the profile are kept before that and are no part of it; a silence that ends a reply is.
    """
    line_s = 0.0
    if supply.resource.upper().startswith("ASRL"):
        line_s = CHARACTERS * BITS / (supply.baud_rate or profile.link.serial.baud_rate)
    commands = profile.commands
    asked = [commands.get_voltage, commands.get_limit, commands.output_state, profile.read.query]
    asked += [profile.mode.query] if profile.mode.query is not None else []
    by_length = any(query.length for each in asked for query in as_queries(each))
    silent_s = profile.link.idle_ms / 1e3 if by_length or profile.link.frame == "gap" else 0.0
    return REPLY_S + line_s + silent_s
