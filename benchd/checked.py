"""Tables of a file that a person writes, checked by pydantic; and what is wrong with one, in words.

Each fault names the key, what was given and what is allowed, with the unit.
"""

from __future__ import annotations

import typing
from typing import Any, NamedTuple

from pydantic import BaseModel, ConfigDict, ValidationError

SECRET_KEYS = {"token", "password", "hash"}
"""Never shown. A hash is no token, but whoever has it can try tokens against it."""
UNITS = {"_v": "V", "_a": "A", "_s": "s", "_ms": "ms", "_uf": "µF", "_j": "J", "_a2s": "A²s", "_ohm": "Ω",
         "_mohm": "mΩ", "_m": "m"}  # fmt: skip
"""By the end of a key; `ms` and `seconds` by themselves say it too."""


class Table(BaseModel):
    """A table whose keys are all known, and whose values are of the very type."""

    # strict: a string is not a number and 1 is not true; whole numbers are still taken for float fields.
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Fault(NamedTuple):
    """One thing that is wrong."""

    key: str
    """Its place in the file, as `supply[0].channel[1].plan`; empty: several tables do not fit together."""
    text: str
    """The sentence, beginning with the key."""


def faults(error: ValidationError, root: type[BaseModel]) -> list[Fault]:
    """What pydantic found in a file that should have been a `root`."""
    return [_fault(dict(each), root) for each in error.errors()]


def _fault(err: dict[str, Any], root: type[BaseModel]) -> Fault:
    loc = err["loc"]
    return Fault(_key(loc), _words(err, _key(loc) or "(whole file)", root))


def _key(loc: tuple[Any, ...]) -> str:
    out = ""
    for part in loc:
        out += f"[{part}]" if isinstance(part, int) else f".{part}" if out else str(part)
    return out


def _words(err: dict[str, Any], key: str, root: type[BaseModel]) -> str:
    loc, kind, ctx = err["loc"], err["type"], err.get("ctx", {})
    given = err.get("input")
    named = next((part for part in reversed(loc) if isinstance(part, str)), "")
    shown = "(not shown)" if named in SECRET_KEYS else _short(given)
    if kind == "extra_forbidden":
        near = _allowed_keys(loc, root)
        hint = _unit_hint(str(loc[-1]), near) or _header_hint(str(loc[-1]), root)
        return f"{key}: unknown key; allowed here: {', '.join(near)}" + hint
    if kind == "missing":
        return f"{key}: missing; it has to be given"
    if kind == "value_error":
        detail = str(ctx.get("error", err["msg"]))
        if not loc:  # a rule between tables: its words name them
            return detail
        return f"{key}: {detail}" if isinstance(given, dict) else f"{key} = {shown}: {detail}"
    text = {
        "greater_than": "allowed: above {gt}", "greater_than_equal": "allowed: {ge} or more",
        "less_than": "allowed: below {lt}", "less_than_equal": "allowed: {le} or less",
        "literal_error": "allowed: {expected}", "too_short": "allowed: at least {min_length} entry",
        "string_too_short": "allowed: at least {min_length} character",
        "string_too_long": "allowed: at most {max_length} characters",
        "string_pattern_mismatch": "allowed: text of the form {pattern}",
    }.get(kind)  # fmt: skip
    unit = _unit(str(loc[-1])) if loc else ""
    if text:
        return f"{key} = {shown}: {text.format(**ctx)}{unit}"
    types = {"float_type": "a number", "int_type": "a whole number", "string_type": "text in quotes",
             "bool_type": "true or false", "list_type": "a list", "finite_number": "a finite number",
             "model_type": "a table"}  # fmt: skip
    return f"{key} = {shown}: allowed: {types.get(kind, err['msg'])}{unit}"


def _unit(key: str) -> str:
    alone = {"ms": "ms", "seconds": "s"}.get(key)
    unit = alone or next((u for end, u in UNITS.items() if key.endswith(end)), "")
    return f" (unit: {unit})" if unit else ""


def _unit_hint(key: str, near: list[str]) -> str:
    stem = key.rsplit("_", 1)[0]
    same = [k for k in near if k.rsplit("_", 1)[0] == stem]
    return f"; did you mean {same[0]}{_unit(same[0])}?" if same else ""


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _allowed_keys(loc: tuple[Any, ...], root: type[BaseModel]) -> list[str]:
    model = root
    for part in loc[:-1]:
        if part in model.model_fields:
            model = _table_in(model.model_fields[part].annotation) or model
    return list(model.model_fields)


def _header_hint(name: str, root: type[BaseModel]) -> str:
    """A key that another table knows: its header is missing above, or still commented out."""
    there = [
        table
        for table, field in root.model_fields.items()
        if (model := _table_in(field.annotation)) is not None and name in model.model_fields
    ]
    return f" (is [{there[0]}] missing above it, or commented out?)" if len(there) == 1 else ""


def _table_in(annotation: Any) -> type[BaseModel] | None:
    """The table in `Table`, `Table | None`, `list[Table]`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next(filter(None, map(_table_in, typing.get_args(annotation))), None)
