"""What requests about settings files may carry."""

from __future__ import annotations

import math
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

MOST_TEXT = 256 * 1024
"""Characters of a file. Our choice: a hundred times what a long one has."""
MOST_NESTED = 6
"""A settings file is tables in lists of tables; nothing is deeper than an output of a supply."""


def _writable(text: str) -> str:
    """Text that a UTF-8 file can hold and a person can see."""
    for c in text:
        code = ord(c)
        if (code < 32 and c not in "\r\n\t") or 0x7F <= code < 0xA0 or 0xD800 <= code < 0xE000:
            raise ValueError(f"the character U+{code:04X} is not allowed")
    return text


def _values(value: Any, depth: int = 0) -> Any:
    if depth > MOST_NESTED:
        raise ValueError(f"tables inside tables: allowed are {MOST_NESTED}, one in another")
    if value is None:
        raise ValueError("null: leave a key out instead")
    if isinstance(value, str):
        return _writable(value)
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{value} is not a number that can be set")
    if isinstance(value, int) and not -(2**63) <= value < 2**63:
        raise ValueError("a whole number of more than 64 bits cannot be set")
    for part in [*value, *value.values()] if isinstance(value, dict) else value if isinstance(value, list) else ():
        _values(part, depth + 1)
    return value


Seen = Annotated[
    str, Field(max_length=64, description="The `version` that was read; left out: whatever stands there now.")
]


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class TextBody(_Body):
    """A file as a whole."""

    text: Annotated[str, Field(max_length=MOST_TEXT), AfterValidator(_writable)]
    seen: Seen | None = None


class FormBody(_Body):
    """What benchd.toml is to say: all its values, those without a field as they were read."""

    values: Annotated[dict[str, Any], AfterValidator(_values)]
    seen: Seen | None = None


class CheckQuery(BaseModel):
    """Whether to write."""

    model_config = ConfigDict(extra="forbid")

    check: bool = Field(False, description="true: say what is wrong, and write nothing.")


class SeenQuery(BaseModel):
    """Which one is meant."""

    model_config = ConfigDict(extra="forbid")

    seen: Seen | None = None


class ChangesQuery(BaseModel):
    """Which changes."""

    model_config = ConfigDict(extra="forbid")

    limit: Annotated[int, Field(ge=1, le=500)] = 100
    name: Annotated[str, Field(max_length=64)] | None = Field(None, description="Only of files of this name.")
    file: Annotated[str, Field(pattern="^(supplies|plan|card|checklist|steps)$")] | None = Field(
        None, description="Only of this kind."
    )
