"""What requests about settings files may carry."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, Field

from benchd.web.bodies import RequestBody, RequestQuery, plain_text, plain_values
from benchd.web.files_port import FileKind

MOST_TEXT = 256 * 1024
"""Characters of a file. Our choice: a hundred times what a long one has."""
MOST_NESTED = 6
"""A settings file is tables in lists of tables; nothing is deeper than an output of a supply."""


BREAKS = "\r\n\t"
"""Files keep the line ends that they have."""


def _writable(text: str) -> str:
    return plain_text(text, BREAKS)


def _values(value: dict[str, Any]) -> dict[str, Any]:
    plain_values(value, MOST_NESTED, BREAKS)
    _no_null(value)
    return value


def _no_null(value: Any) -> None:
    if value is None:
        raise ValueError("null: leave a key out instead")
    for part in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        _no_null(part)


Seen = Annotated[
    str, Field(max_length=64, description="The `version` that was read; left out: whatever stands there now.")
]


class TextBody(RequestBody):
    """A file as a whole."""

    text: Annotated[str, Field(max_length=MOST_TEXT), AfterValidator(_writable)]
    seen: Seen | None = None


class FormBody(RequestBody):
    """What benchd.toml is to say: all its values, those without a field as they were read."""

    values: Annotated[dict[str, Any], AfterValidator(_values)]
    seen: Seen | None = None


class CheckQuery(RequestQuery):
    """Whether to write."""

    check: bool = Field(False, description="true: say what is wrong, and write nothing.")


class SeenQuery(RequestQuery):
    """Which one is meant."""

    seen: Seen | None = None


class ChangesQuery(RequestQuery):
    """Which changes."""

    limit: Annotated[int, Field(ge=1, le=500)] = 100
    name: Annotated[str, Field(max_length=64)] | None = Field(None, description="Only of files of this name.")
    file: FileKind | None = Field(None, description="Only of this kind.")
