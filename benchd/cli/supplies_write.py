"""Adds found supplies to a settings file: the person's own lines stay as they are, and nothing is overwritten."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd.cli.supplies_patience import bearable
from benchd.plans.shelf import shipped, values_of
from benchd.supplies.discovery import Found
from benchd.supplies.discovery_abilities import TRUST
from benchd.supplies.discovery_places import named_place
from benchd.supplies.profile import load_profile, profile_of_unit
from benchd.supplies.profile_tables import OutputRange, Profile, ProfileError
from benchd.whole_file import replace_file

if TYPE_CHECKING:
    from tomlkit import TOMLDocument
    from tomlkit.items import Table

LONGEST_NAME = 32
SHIPPED = ("phone-cell", "usb-5v")
"""The plans for a file that has none: the envelope of a new supply goes no further than these."""


class WriteError(Exception):
    """Nothing was written; says what stands in the way and what to do."""


def write_supplies(
    path: Path, found: Sequence[Found], wanted: Sequence[str] = (), name: str = "", profile: str = ""
) -> tuple[list[str], list[str]]:
    """Add a block for each of the `wanted` resources, or for all that have a profile made for them.

    Returns the names of the supplies added, and a sentence for each that was passed over since it was not asked for by
    name. Raises WriteError, and then the file is as it was: one that cannot be read, a name or a place that stands in
    it already, a profile that does not fit, no plan that the supply could power.
    """
    text, before, document = _document(path)
    chosen, passed_over = _chosen(found, wanted)
    if name and len(chosen) != 1:
        raise WriteError(f"--name {name}: it is for one supply, but {len(chosen)} would be written; name its resource")
    added = []
    for item in chosen:
        present = _present(item, document)
        if present and wanted:
            raise WriteError(f"{path}: {present}; edit that block, or take it out first")
        if present:
            passed_over.append(present)
        else:
            block, slower = _add(document, path, item, name, profile)
            added.append(str(block["name"]))
            for key, table in (("plan", slower), ("supply", block)):
                text = text if table is None else _with(text, path, document, key, table)
    if added:
        _check(text, before, len(added), path)
        _replace(path, text)
    return added, passed_over


def check_file(path: Path) -> None:
    """Raises WriteError when supplies cannot be added to this file, before anything is looked for."""
    _document(path)


# ---- the file ------------------------------------------------------------------------------------------------


def _document(path: Path) -> tuple[str, dict[str, Any], TOMLDocument]:
    """What stands in the file, as text, as data, and as a document that is added to; the example if it is new."""
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    from benchd.cli.config import example_text

    try:
        # newline="": a file with CR LF keeps them.
        with path.open(encoding="utf-8", newline="") as file:
            text = file.read()
    except FileNotFoundError:
        # The commented example without the supply that it invents.
        text = re.sub(r"(?ms)^# A supply and its outputs\..*?(?=^# Readings)", "", example_text())
    except (OSError, UnicodeDecodeError) as error:
        raise WriteError(f"{path}: cannot be read, so nothing is added: {error}") from error
    try:
        before, document = tomllib.loads(text), tomlkit.parse(text)
    except (ValueError, RecursionError, TOMLKitError) as error:
        raise WriteError(f"{path}: not valid TOML, so nothing is added: {error}") from error
    for key in ("plan", "supply"):
        if not isinstance(document.get(key, tomlkit.aot()), tomlkit.items.AoT):
            raise WriteError(f"{path}: {key} is not written as [[{key}]] tables; write it so, then try again")
    if before.get("supply"):
        _in_order(before, path)
    return text, before, document


def _with(text: str, path: Path, document: TOMLDocument, key: str, table: Table) -> str:
    """The text with the table behind those of its list, and the document likewise.

    As text: a library that keeps comments has those above the next table at the end of the one before it.
    """
    import tomlkit

    from benchd.toml_edit import EditError, with_block

    alone, tables = tomlkit.document(), tomlkit.aot()
    tables.append(table)
    alone[key] = tables
    block = tomlkit.dumps(alone).strip("\r\n")
    if key not in document:
        document[key] = tomlkit.aot()
    try:
        text = with_block(text, (key, len(document[key])), block)
    except EditError as error:
        raise WriteError(f"{path}: {error}, so nothing is added") from error
    document[key].append(table)
    return text


def _check(text: str, before: dict[str, Any], count: int, path: Path) -> None:
    """The new text must say all that the old one said, and be in order as `benchd config check` has it."""
    after = tomllib.loads(text)
    kept = {**after, "supply": after["supply"][:-count]}
    if not before.get("supply"):
        del kept["supply"]
    plans = kept.pop("plan", [])[: len(before.get("plan", []))]  # a plan for a slow supply may come behind
    kept |= {"plan": plans} if plans else {}
    if kept != {key: value for key, value in before.items() if value != []}:
        raise WriteError(f"{path}: the new block would change what stands there; add it by hand")
    _in_order(after, path)


def _in_order(data: dict[str, Any], path: Path) -> None:
    from benchd.settings import SettingsError, anchored, from_dict

    try:
        settings = from_dict(anchored(data, path), str(path))
        for supply in settings.supply:
            load_profile(supply.profile).check_channels([channel.number for channel in supply.channel])
    except (SettingsError, ProfileError) as error:
        raise WriteError(f"nothing is added, since the settings are not in order, or would not be: {error}") from error


def _replace(path: Path, text: str) -> None:
    try:
        replace_file(path, text)
    except OSError as error:
        raise WriteError(f"{path}: cannot be written, so it is as it was: {error}") from error


# ---- which -----------------------------------------------------------------------------------------------------


def _chosen(found: Sequence[Found], wanted: Sequence[str]) -> tuple[list[Found], list[str]]:
    """What is to be added, and why others that answered are not."""
    if wanted:
        names = {name for resource in wanted for name in named_place(resource).names}
        chosen = [item for item in found if item.place.names & names]
        for item in chosen:
            if not item.identity:
                raise WriteError(f"{item.resource}: it did not say who it is ({item.text}), so nothing is added")
        return chosen, []
    answered = [item for item in found if item.identity]
    generic = [item for item in answered if load_profile(item.profiles[0]).takes_any]
    return [item for item in answered if item not in generic], [
        f"{item.resource} ({item.identity}): no profile is made for it; to write it all the same, name it"
        for item in generic
    ]


def _present(found: Found, document: TOMLDocument) -> str:
    """Why this place, or this unit, is in the settings already; empty if it is not."""
    for supply in document.get("supply", []):
        name, resource, serial = (str(supply.get(key, "")) for key in ("name", "resource", "serial"))
        if resource and named_place(resource).names & found.place.names:
            return f"{found.resource} stands there as supply {name} already"
        if found.serial and serial.upper() == found.serial.upper() and _is_of(str(supply.get("profile", "")), found):
            return f"the unit with serial number {serial} stands there as supply {name} already, at {resource}"
    return ""


def _is_of(profile: str, found: Found) -> bool:
    try:
        return load_profile(profile).identity_fits(found.identity)
    except ProfileError:
        return False


# ---- one block -------------------------------------------------------------------------------------------------


def _add(document: TOMLDocument, path: Path, found: Found, name: str, profile_name: str) -> tuple[Table, Table | None]:
    """The block, and the plan that comes with it for a slow supply."""
    profile = _profile(found, profile_name)
    taken = {str(supply.get("name", "")) for supply in document.get("supply", [])}
    if name in taken:
        raise WriteError(f"{path}: a supply {name} stands there already; choose another --name")
    return _block(found, profile, name or _name(found, taken), document, profile_name)


def _profile(found: Found, given: str) -> Profile:
    try:
        profile = profile_of_unit(given or found.profiles[0], found.identity)
    except ProfileError as error:
        raise WriteError(f"{found.resource}: {error}") from error
    if not profile.identity_fits(found.identity):
        raise WriteError(
            f"{found.resource}: says {found.identity!r}, which profile {given} is not for; "
            f"fitting are: {', '.join(found.profiles)}"
        )
    return profile


def _name(found: Found, taken: set[str]) -> str:
    """Model and the end of the serial number, as far as a name allows."""
    words = f"{found.model or found.maker or 'supply'}-{found.serial[-4:]}".lower()
    stem = re.sub(r"[^a-z0-9]+", "-", words).strip("-")[: LONGEST_NAME - 3].strip("-") or "supply"
    names = [stem, *(f"{stem}-{number}" for number in range(2, 100))]
    return next(name for name in names if name not in taken)


def _block(found: Found, profile: Profile, name: str, document: TOMLDocument, given: str) -> tuple[Table, Table | None]:
    import tomlkit

    place = found.place
    block = tomlkit.table()
    block.add(tomlkit.comment(f"{found.identity}; added by benchd supplies --write"))
    if profile.takes_any:
        block.add(tomlkit.comment("No profile is made for it: compare the ranges with the supply's own rating plate."))
    elif profile.trust == "unverified":
        block.add(tomlkit.comment(f"Its profile is {TRUST['unverified']}."))
    block.add("name", name)
    block.add("resource", place.stable or place.resource)
    if place.stable_text:
        block["resource"].comment(place.stable_text)
    # A file is named from here, but read from beside the settings.
    block.add("profile", str(Path(given).absolute()) if "/" in given or given.endswith(".toml") else profile.name)
    if found.serial:
        block.add("serial", found.serial)
    if found.baud_rate and found.baud_rate != profile.link.serial.baud_rate:
        block.add("baud_rate", found.baud_rate)
    all_plans = document.get("plan") or [values_of(shipped()[name].plan) for name in SHIPPED]
    within = {n: [plan for plan in all_plans if _within(plan, profile.output(n))] for n in _usable(profile)}
    within = {number: plans for number, plans in within.items() if plans}
    if not within:
        raise WriteError(
            f"{found.resource}: no plan in the settings is within what profile {profile.name} can do: add one"
        )
    serial = str(block["resource"]).upper().startswith("ASRL")
    use = bearable(within, profile, serial, [str(plan.get("name", "")) for plan in all_plans])
    if use.told:
        block.add(tomlkit.comment(use.told))
    channels = tomlkit.aot()
    for number, plan in use.plans.items():
        channels.append(_channel(number, profile.output(number), within[number], plan))
    block.add("channel", channels)
    return block, None if use.slower is None else _plan(use.slower)


def _plan(values: dict[str, Any]) -> Table:
    import tomlkit

    table = tomlkit.table()
    for key, value in sorted(values.items(), key=lambda item: isinstance(item[1], dict)):  # tables come last
        table.add(key, value)
    return table


def _usable(profile: Profile) -> list[int]:
    """One switch for all outputs: only one may be used."""
    numbers = profile.channel_numbers
    return numbers[:1] if profile.channels.switch == "all" else numbers


def _channel(number: int, output: OutputRange, plans: Sequence[Any], plan: str) -> Table:
    """The envelope reaches just as far as those plans that the output can do, so never above its range."""
    import tomlkit

    from benchd.plans.plan import ES1_MAX_V

    voltage_v = max(min(float(p.get("over_voltage_v", p["voltage_v"])), output.max_voltage_v) for p in plans)
    limit_a = max(float(p["limit_a"]) for p in plans)
    channel = tomlkit.table()
    channel.add("number", number)
    channel.add("max_voltage_v", min(voltage_v, ES1_MAX_V))
    channel["max_voltage_v"].comment(
        f"as far as the plans go; the supply can do {output.max_voltage_v:g} V. Lower it to what your boards bear"
    )
    channel.add("max_limit_a", limit_a)
    channel["max_limit_a"].comment(f"the supply can do {output.max_limit_a:g} A. Lower it likewise")
    channel.add("plan", plan)
    return channel


def _within(plan: Any, output: OutputRange) -> bool:
    try:
        voltage_v, limit_a = float(plan["voltage_v"]), float(plan["limit_a"])
    except (KeyError, TypeError, ValueError):
        return False  # a faulty plan is told by the check of the whole file, where there are supplies
    return (
        output.min_voltage_v <= voltage_v <= output.max_voltage_v
        and output.min_limit_a <= limit_a <= output.max_limit_a
    )
