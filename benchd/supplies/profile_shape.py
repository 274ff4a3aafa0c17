"""A file whose shape is not that of a profile: what msgspec found, told with the place in TOML's words."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal, get_args, get_origin

import msgspec

from benchd.supplies.profile_base import Table, listed

KINDS = {
    "int": "a whole number",
    "float": "a number",
    "str": "a text",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
}
"""msgspec's names of types, in words."""
Fault = tuple[str, object, str]
"""The place, what was given, what is allowed."""
UNITS = {"_s": "s", "_ms": "ms", "_v": "V", "_a": "A", "baud_rate": "baud"}


def explained(found: str, data: dict[str, Any], top: type) -> str:
    """msgspec's complaint about `data` as a place in TOML's words. `top`: the type that was asked for."""
    reason, _, where = found.partition(" - at `$")
    table: type | None = top
    kind: Any = None
    value: Any = data
    names: list[str] = []
    for key, index in re.findall(r"\.(\w+)|\[(\d+|\.\.\.)\]", where):
        if index == "...":  # somewhere in a dictionary of free keys
            break
        value = value[key] if key else value[int(index)]
        if key:
            names.append(key)
            kind = _kind_of(table, key)
            table = _table_in(kind)
    unknown = re.match(r"Object contains unknown field `(.*)`", reason)
    missing = re.match(r"Object missing required field `(.*)`", reason)
    if unknown:
        known = listed(field.name for field in msgspec.structs.fields(table)) if table else "none"
        return f"{place_of(names, unknown[1])}: unknown, given {value[unknown[1]]!r}, allowed keys: {known}"
    if missing:
        return f"{place_of(names, missing[1])}: given nothing, required"
    words = _words_in(kind) if reason.startswith("Invalid enum value") else []
    allowed = listed(repr(word) for word in words) if words else _bounds_of(kind, names[-1]) or _in_toml(reason)
    return f"{place_of(names[:-1], names[-1] if names else '?')}: given {value!r}, allowed: {allowed}"


def place_of(tables: list[str], key: str) -> str:
    """A key, as error texts name it."""
    return f"table [{'.'.join(tables)}], key {key}" if tables else f"key {key}"


def _kind_of(table: type | None, key: str) -> Any:
    return next((f.type for f in msgspec.structs.fields(table) if f.name == key), None) if table else None


def _bounds_of(kind: Any, key: str) -> str:
    """The bounds of a number, in words; empty where there are none."""
    unit = next((f" {name}" for end, name in UNITS.items() if key.endswith(end)), "")
    for meta in get_args(kind)[1:] if get_origin(kind) is Annotated else ():
        lowest = meta.ge if meta.ge is not None else meta.gt
        if isinstance(meta, msgspec.Meta) and lowest is not None and meta.le is not None:
            return f"{'above ' if meta.ge is None else ''}{lowest:g} to {meta.le:g}{unit}"
    return next((found for inner in _inner(kind) if (found := _bounds_of(inner, key))), "")


def _in_toml(reason: str) -> str:
    """`Expected `int | array`, got `str`` → `a whole number or a list, not a text`."""
    found = re.fullmatch(r"Expected `(.*)`, got `(.*)`", reason)
    if found is None:
        return reason
    wanted, given = ([KINDS.get(kind, kind) for kind in names.split(" | ")] for names in found.groups())
    return f"{' or '.join(wanted)}, not {given[0]}"


def _inner(kind: Any) -> tuple[Any, ...]:
    """What a type is made of; of an annotated one, the type itself."""
    inner = get_args(kind)
    return inner[:1] if get_origin(kind) is Annotated else inner


def _table_in(kind: Any) -> type | None:
    """The table class that a key's type is or holds."""
    if isinstance(kind, type) and issubclass(kind, Table):
        return kind
    return next((found for inner in _inner(kind) if (found := _table_in(inner)) is not None), None)


def _words_in(kind: Any) -> list[object]:
    """The words or numbers that a key's type is limited to."""
    if get_origin(kind) is Literal:
        return list(get_args(kind))
    return [word for inner in _inner(kind) for word in _words_in(inner)]
