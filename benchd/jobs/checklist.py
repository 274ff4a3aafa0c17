"""Checklists: what is to be looked at before power, before a storage chip comes off, and before a device goes home.

A checklist is a TOML file, edited by whoever works with it. Which of them a job has is told by the kind of its board
and by what was said of the device.
"""

from __future__ import annotations

import fnmatch
import re
from typing import Annotated, Any, Literal, get_args

from pydantic import Field, ValidationError, model_validator

from benchd.checked import Fault, Table, faults
from benchd.toml_file import FileFault, placed, tables_of

FORMAT = 1
NAME = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,38}[a-z0-9])?")
"""Of lists, items and kinds of steps."""
NAME_WORDS = "allowed are 1 to 40 of a-z, 0-9 and '-', starting and ending with a letter or digit"
MOST_ITEMS = 60
"""In one list. Our choice: nobody works through more."""

Moment = Literal["before-power", "before-chip", "after-repair"]
MOMENTS: tuple[Moment, ...] = get_args(Moment)
"""In the order of a repair."""

Id = Annotated[str, Field(pattern=f"^(?:{NAME.pattern})$")]


class Item(Table):
    """One thing to look at or to do."""

    id: Annotated[
        Id, Field(description="Name of the item, once in the list. Ticks go by it: keep it when the words change.")
    ]
    label: Annotated[str, Field(min_length=1, max_length=160, description="What is to be so, in one line.")]
    why: Annotated[str, Field(max_length=400, description="What can go wrong without it.")] = ""


class Checklist(Table):
    """A checklist's file. Its name is that of the file."""

    name: Annotated[Id, Field(description="As the file's name without .toml; may be left out.")]
    title: Annotated[str, Field(min_length=1, max_length=120, description="Shown above the list.")]
    moment: Annotated[
        Moment,
        Field(
            description="When it is worked through. before-power: open items are told when power goes on; before-chip: "
            "they hold up steps that lift a storage chip; after-repair: they stand in the report as not done."
        ),
    ]
    for_boards: list[Annotated[str, Field(min_length=1, max_length=120)]] = Field(
        default_factory=list,
        max_length=50,
        description="Kinds of boards or devices that it is for, * for any letters, capitals or not: one of them fits "
        "the job's board or its device. Left out: for all.",
    )
    off: Annotated[bool, Field(description="true: this list is not used, nor the shipped one of its name.")] = False
    source: Annotated[str, Field(max_length=4000, description="Where it comes from.")] = ""
    item: Annotated[list[Item], Field(min_length=1, max_length=MOST_ITEMS, description="The items, in order.")]

    @model_validator(mode="after")
    def _items_once(self) -> Checklist:
        seen: set[str] = set()
        for number, item in enumerate(self.item):
            if item.id in seen:
                raise ValueError(f"item[{number}].id = {item.id!r}: stands in this list already; each needs its own")
            seen.add(item.id)
        return self

    def applies_to(self, board: str, device: str = "") -> bool:
        """Whether a job has the list: by its kind of board, or by what was said of the device, since kinds of boards
        are often numbers that do not say what they are of."""
        patterns = [pattern.casefold() for pattern in self.for_boards]
        words = [board.strip().casefold(), device.strip().casefold()]
        fits = any(fnmatch.fnmatchcase(word, pattern) for word in words for pattern in patterns)
        return not self.off and (fits or not patterns)


def checklist_of(text: str, name: str, where: str = "") -> Checklist:
    """The checklist that a text describes; `where`: what to call it in faults. Raises FileFault."""
    where = where or f"{name}.toml"
    said = tables_of(text, where, FORMAT)
    if not NAME.fullmatch(name):
        raise FileFault(where, [Fault("name", f"name = {name!r}: {NAME_WORDS}")])
    if (own := said.setdefault("name", name)) != name:
        told = f"name = {own!r}: the checklist is called {name}, by its file; change one of the two"
        raise FileFault(where, [Fault("name", told)])
    try:
        return Checklist.model_validate(said)
    except ValidationError as error:
        raise FileFault(where, [placed(fault) for fault in faults(error, Checklist)]) from None


def checklist_schema() -> dict[str, Any]:
    """The JSON Schema of a checklist's file, for editors."""
    return with_format(Checklist.model_json_schema(), FORMAT)


def with_format(schema: dict[str, Any], form: int) -> dict[str, Any]:
    """The schema of a file: with the key `format`, and without having to say `name`."""
    told = {"const": form, "description": "The format of the file."}
    schema["properties"] = {"format": told, **schema["properties"]}
    schema["required"] = ["format", *(key for key in schema.get("required", ()) if key != "name")]
    return schema
