"""Tables of a file that a person writes, checked by pydantic; and what is wrong with one, in words.

Each fault names the key, what was given and what is allowed, with the unit.
"""

from __future__ import annotations

import typing
from typing import Any, NamedTuple

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo

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
    loc, table = _followed(err["loc"], root, err["type"] in ("extra_forbidden", "missing"))
    return Fault(_key(loc), _words({**err, "loc": loc}, _key(loc) or "(whole file)", root, table))


def _followed(
    loc: tuple[Any, ...], root: type[BaseModel], ends_in_key: bool
) -> tuple[tuple[Any, ...], type[BaseModel]]:
    """The place as a person reads it, without the words by which pydantic says which of several tables it took; and the
    innermost table. `ends_in_key`: its last part is a key, known or not."""
    found: list[Any] = []
    table, may_be, keyed = root, [root], False
    for number, part in enumerate(loc):
        field = _field(table, part) if len(may_be) == 1 else None
        if isinstance(part, int) or (ends_in_key and number == len(loc) - 1) or keyed:
            found.append(part)
            keyed = False
        elif field is not None:
            found.append(part)
            may_be = _tables_in(field.annotation) or [table]
            table = may_be[0]
            keyed = typing.get_origin(field.annotation) is dict
        else:  # which one of several it is
            may_be = [each for each in may_be if _says(each, part)] or may_be[:1]
            table = may_be[0]
    return tuple(found), table


def _field(table: type[BaseModel], part: Any) -> FieldInfo | None:
    by_alias = (field for field in table.model_fields.values() if field.alias == part)
    return table.model_fields.get(part) or next(by_alias, None)


def _says(table: type[BaseModel], word: Any) -> bool:
    """Whether one of its keys has this word as its only value, as tables of one list have that differ in kind."""
    return any(typing.get_args(field.annotation) == (word,) for field in table.model_fields.values())


def _key(loc: tuple[Any, ...]) -> str:
    out = ""
    for part in loc:
        out += f"[{part}]" if isinstance(part, int) else f".{part}" if out else str(part)
    return out


def _words(err: dict[str, Any], key: str, root: type[BaseModel], table: type[BaseModel]) -> str:
    loc, kind, ctx = err["loc"], err["type"], err.get("ctx", {})
    given = err.get("input")
    named = next((part for part in reversed(loc) if isinstance(part, str)), "")
    shown = "(not shown)" if named in SECRET_KEYS else _short(given)
    if kind == "extra_forbidden":
        near = [field.alias or name for name, field in table.model_fields.items()]
        hint = _unit_hint(str(loc[-1]), near) or _header_hint(str(loc[-1]), root)
        return f"{key}: unknown key; allowed here: {', '.join(near)}" + hint
    if kind == "missing":
        return f"{key}: missing; it has to be given"
    if kind == "union_tag_invalid":  # one of several tables, told apart by a key
        told_by = str(ctx["discriminator"]).strip("'")
        return f"{key}.{told_by} = {_short(ctx['tag'])}: allowed: {ctx['expected_tags']}"
    if kind == "union_tag_not_found":
        return f"{key}.{str(ctx['discriminator']).strip(chr(39))}: missing; it has to be given"
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


def _header_hint(name: str, root: type[BaseModel]) -> str:
    """A key that another table knows: its header is missing above, or still commented out."""
    there = [
        table
        for table, field in root.model_fields.items()
        if any(name in model.model_fields for model in _tables_in(field.annotation))
    ]
    return f" (is [{there[0]}] missing above it, or commented out?)" if len(there) == 1 else ""


def _tables_in(annotation: Any) -> list[type[BaseModel]]:
    """The tables in `Table`, `Table | None`, `list[Table]`, `list[One | Other]`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [table for each in typing.get_args(annotation) for table in _tables_in(each)]
