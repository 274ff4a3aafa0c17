"""benchd.toml as it is edited on the page: what is wrong with a text, key by key, with its lines."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple, get_args

from pydantic import BaseModel, ValidationError

from benchd.checked import Fault, faults
from benchd.settings import Channel, Settings, Supply, anchored
from benchd.settings_fit import missing_folders, plan_warnings, unfit, unread_secrets
from benchd.toml_edit import Lines

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
        return Read(None, with_lines([Fault("", f"not valid TOML: {error}")], text), [])
    try:
        settings = Settings.model_validate(anchored(raw, path))
    except ValidationError as error:
        found = [_of_supply(fault, raw) for fault in faults(error, Settings)]
        return Read(None, with_lines(found, text), [])
    wrong = [_of_supply(Fault("", told), raw) for told in unfit(settings) + unread_secrets(settings)]
    warnings = plan_warnings(settings, settings.shelf) + missing_folders(settings)
    return Read(None if wrong else settings, with_lines(wrong, text), warnings)


def defaults() -> dict[str, dict[str, Any]]:
    """What holds where a key is left out, by table; keys that have to be given are left out. Empty name: no table."""
    tables: dict[str, type[BaseModel]] = {"": Settings, "supply": Supply, "channel": Channel}
    for name, field in Settings.model_fields.items():
        kinds = (field.annotation, *get_args(field.annotation))
        found = next((kind for kind in kinds if isinstance(kind, type) and issubclass(kind, BaseModel)), None)
        if found is not None and name != "supply":
            tables[name] = found
    plain = (str, int, float, bool, type(None))
    return {
        name: {key: f.default for key, f in table.model_fields.items() if isinstance(f.default, plain)}
        for name, table in tables.items()
    }


def new_places(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[str]:
    """Keys of `after` that name another file of this machine than before, to load code or a secret from."""
    known = set(_places(before))
    return [key for key, value in _places(after) if (key, value) not in known]


def _places(value: Any) -> Iterator[tuple[str, str]]:
    for key, each in value.items() if isinstance(value, Mapping) else ():
        if isinstance(each, str) and each and (key.endswith("_file") or (key == "visa_library" and "/" in each)):
            yield key, each
        for inner in each if isinstance(each, list) else [each]:
            yield from _places(inner)


def with_lines(found: Sequence[Fault], text: str) -> list[Placed]:
    """The same, each with the line of its key, or of the table in which the key is missing, or that it tells."""
    lines = Lines(text) if any(each.key for each in found) else None
    return [Placed(each.key, each.text, _line(each, text, lines)) for each in found]


def _line(fault: Fault, text: str, lines: Lines | None) -> int | None:
    if fault.key and lines is not None:
        return lines.line_of(_path(fault.key))
    if fault.text.startswith("not valid TOML") and "(at end of document)" in fault.text:
        return max(1, len(text.splitlines()))
    told = _AT_LINE.search(fault.text)
    return int(told[1]) if told else None


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
