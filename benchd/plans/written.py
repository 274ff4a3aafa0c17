"""A plan as the text of its file: comments and order of the text before it stay where they can."""

from __future__ import annotations

from collections.abc import Mapping, MutableMapping
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError


def plan_text(values: Mapping[str, Any], before: str = "") -> str:
    """TOML that says `values` and nothing else. A text before it that is no TOML is not kept."""
    try:
        document = tomlkit.parse(before)
        _make_say(document, values)
        text = tomlkit.dumps(document)
        if tomlkit.parse(text).unwrap() == values:
            return text
    except (TOMLKitError, ValueError, RecursionError):
        pass
    document = tomlkit.document()
    _make_say(document, values)
    return tomlkit.dumps(document)


def _make_say(table: MutableMapping[str, Any], values: Mapping[str, Any]) -> None:
    for key in [key for key in table if key not in values]:
        del table[key]
    for key, value in sorted(values.items(), key=lambda item: isinstance(item[1], Mapping)):  # tables come last
        there = table.get(key)
        if isinstance(value, Mapping):
            if not isinstance(there, MutableMapping):
                table[key] = tomlkit.table()
            _make_say(table[key], value)
        elif there is None or there != value or isinstance(there, bool) != isinstance(value, bool):
            table[key] = tomlkit.string(f"\n{value}", multiline=True) if "\n" in str(value) else value
