"""A plan as the text of its file: comments and order of the text before it stay where they can."""

from __future__ import annotations

import contextlib
import tomllib
from collections.abc import Mapping, MutableMapping
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError


def plan_text(values: Mapping[str, Any], before: str = "") -> str:
    """TOML that says `values` and nothing else. A text before it that is no TOML is not kept."""
    for old in (before, ""):
        with contextlib.suppress(TOMLKitError, ValueError, RecursionError):
            document = tomlkit.parse(old)
            _make_say(document, values, long_lines=False)
            text = tomlkit.dumps(document)
            if tomllib.loads(text) == values:
                return text
    document = tomlkit.document()
    _make_say(document, values, long_lines=True)
    return tomlkit.dumps(document)


def _make_say(table: MutableMapping[str, Any], values: Mapping[str, Any], long_lines: bool) -> None:
    """`long_lines`: a text of several lines is written as one, with its line ends as \\n."""
    for key in [key for key in table if key not in values]:
        del table[key]
    for key, value in sorted(values.items(), key=lambda item: isinstance(item[1], Mapping)):  # tables come last
        there = table.get(key)
        if isinstance(value, Mapping):
            if not isinstance(there, MutableMapping):
                table[key] = tomlkit.table()
            _make_say(table[key], value, long_lines)
        elif there is None or there != value or isinstance(there, bool) != isinstance(value, bool):
            lines = isinstance(value, str) and "\n" in value and not long_lines
            table[key] = tomlkit.string(value, multiline=True) if lines else value
