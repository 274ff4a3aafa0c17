"""benchd.toml as it is edited on the page: what is wrong with a text, key by key, with its lines."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import ValidationError

from benchd.checked import Fault, faults
from benchd.settings import Settings, anchored
from benchd.settings_fit import missing_folders, plan_warnings, unfit, unread_secrets
from benchd.toml_edit import line_of

_OF_SUPPLY = re.compile(r"supply (?P<supply>[a-z0-9-]+)(?: channel (?P<channel>\d+))?: ")
_KEY = re.compile(r"[a-z][a-z0-9_]*_(?:v|a|s|ms)\b")
_AT_LINE = re.compile(r"\(at line (\d+), column \d+\)")
_PARTS = re.compile(r"([^.\[\]]+)|\[(\d+)\]")


class Placed(NamedTuple):
    """One thing that is wrong with a file."""

    key: str
    """Its place, as `supply[0].channel[1].plan`; empty: the file as a whole."""
    text: str
    """What was given and what is allowed, with the unit."""
    line: int | None = None
    """Where it stands in the text; the first line is 1."""


class Read(NamedTuple):
    """A text of benchd.toml, read and checked."""

    settings: Settings | None
    """None: a daemon cannot start with it."""
    faults: list[Placed]
    warnings: list[str]
    """What need not keep a daemon from starting."""


def read_settings(text: str, path: Path) -> Read:
    """Check a text as `benchd config check` checks the file `path`. Reads profiles, plans and files of secrets."""
    try:
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # beside TOML's own errors: 5000 digits, brackets in brackets
        return Read(None, [not_toml(error)], [])
    try:
        settings = Settings.model_validate(anchored(raw, path))
    except ValidationError as error:
        found = [_of_supply(fault, raw) for fault in faults(error, Settings)]
        return Read(None, with_lines(found, text), [])
    wrong = [_of_supply(Fault("", told), raw) for told in unfit(settings) + unread_secrets(settings)]
    warnings = plan_warnings(settings, settings.shelf) + missing_folders(settings)
    return Read(None if wrong else settings, with_lines(wrong, text), warnings)


def not_toml(error: Exception) -> Placed:
    """A text that cannot be read at all."""
    found = _AT_LINE.search(str(error))
    return Placed("", f"not valid TOML: {error}", int(found[1]) if found else None)


def with_lines(found: Sequence[Fault], text: str) -> list[Placed]:
    """The same, each with the line of its key, or of the table in which the key is missing."""
    return [Placed(each.key, each.text, line_of(text, _path(each.key)) if each.key else None) for each in found]


def _path(key: str) -> tuple[str | int, ...]:
    return tuple(int(number) if number else name for name, number in _PARTS.findall(key))


def _of_supply(fault: Fault, raw: dict[str, Any]) -> Fault:
    """A sentence that names a supply and a channel gets their place as its key, and that of a key that it names."""
    if fault.key:
        return fault
    if (alone := re.match(r"[a-z]+\.[a-z_]+(?= = )", fault.text)) is not None:
        return fault._replace(key=alone[0])
    told = _OF_SUPPLY.match(fault.text)
    supplies = raw.get("supply", [])
    at = next((n for n, each in enumerate(supplies) if told and each.get("name") == told["supply"]), None)
    if told is None or at is None:
        return fault
    key, table = f"supply[{at}]", supplies[at]
    if told["channel"] is not None:
        channels = table.get("channel", [])
        number = next((n for n, each in enumerate(channels) if each.get("number", 1) == int(told["channel"])), None)
        if number is not None:
            key, table = f"{key}.channel[{number}]", channels[number]
    named = [word for word in _KEY.findall(fault.text[told.end() :]) if word in table]
    if named:
        return fault._replace(key=f"{key}.{named[0]}")
    by_word = next(
        (word for word in ("plan", "profile") if f"{word} " in fault.text[told.end() :] and word in table), ""
    )
    return fault._replace(key=f"{key}.{by_word}" if by_word else key)
