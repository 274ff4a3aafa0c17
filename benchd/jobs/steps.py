"""Kinds of steps of a repair: cleaned, reflowed, swapped ... Those shipped, and one's own `steps.toml` beside the log.

One's own file adds kinds, changes shipped ones (by the same id), hides some and puts some first:

    format = 1
    first = ["reflowed", "my-step"]
    hide = ["reballed"]

    [[step]]
    id = "my-step"
    label = "Baked"
    ask = "How long, at how many °C?"
"""

from __future__ import annotations

import functools
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import Field, ValidationError

from benchd.checked import Fault, Table, faults
from benchd.jobs.checklist import Id, with_format
from benchd.toml_file import FileFault, placed, tables_of, text_of, write
from benchd.whole_file import sync_folder

FORMAT = 1
MOST_STEPS = 100
"""In one file. Our choice: more cannot be chosen from with two taps."""

Origin = Literal["own", "shipped"]
Ids = list[Id]


def _several(text: str, most: int = MOST_STEPS) -> Any:
    return Field(default_factory=list, max_length=most, description=text)


class Step(Table):
    """A kind of step."""

    id: Annotated[Id, Field(description="Its name in the journal: keep it when the words change.")]
    label: Annotated[str, Field(min_length=1, max_length=40, description="On the button: a word or two, in the past.")]
    ask: Annotated[str, Field(max_length=80, description="The question for the detail. Empty: there is none.")] = ""
    details: list[Annotated[str, Field(min_length=1, max_length=60)]] = _several(
        "Answers to choose from; others may be typed.", 12
    )
    plain: Annotated[
        str, Field(max_length=200, description="The step as a sentence for the owner, in the report. Empty: the label.")
    ] = ""
    checks_first: Annotated[
        Literal["", "before-chip"],
        Field(description="before-chip: held up while checks of that moment are open, unless told to go on anyway."),
    ] = ""


class StepFile(Table):
    """The file of kinds of steps."""

    first: Ids = _several("Ids to be offered first, in this order.")
    hide: Ids = _several("Ids of kinds that are not offered.")
    step: list[Step] = _several("Kinds of one's own, and shipped ones as one wants them.")


class Known(NamedTuple):
    """A kind of step, and where it stands."""

    step: Step
    origin: Origin


class Kinds(NamedTuple):
    """The kinds of steps of a bench at one moment."""

    offered: Sequence[Known]
    """In the order to be offered."""
    faults: Sequence[str]
    """What is wrong with one's own file; the shipped kinds alone are used then."""

    def find(self, id: str) -> Step | None:
        """The kind of that id; None where none is offered."""
        return next((each.step for each in self.offered if each.step.id == id), None)


class StepsFile:
    """The kinds of steps of a bench. Any thread may ask; writing is one at a time. Read anew at every question."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._writing = threading.Lock()

    def read(self) -> Kinds:
        """The kinds as the file is now."""
        try:
            own = step_file_of(text_of(self.path), str(self.path)) if self.path.exists() else StepFile()
        except FileFault as error:
            told = [f"{line}; the shipped kinds of steps are used" for line in str(error).splitlines()]
            return Kinds(_offered(StepFile()), told)
        return Kinds(_offered(own), [])

    def text(self) -> str:
        """The text of one's own file, usable or not; empty where there is none. Raises FileFault."""
        return text_of(self.path) if self.path.exists() else ""

    def check(self, text: str) -> StepFile:
        """What a text would make. Raises FileFault, one sentence a fault; nothing is written."""
        return step_file_of(text, str(self.path))

    def save(self, text: str) -> None:
        """Make or change the file of one's own. Raises FileFault, and then it is as it was."""
        self.check(text)
        with self._writing:
            write(self.path, text)

    def delete(self) -> None:
        """Delete the file of one's own: the shipped kinds alone are used again. Raises FileFault."""
        with self._writing:
            try:
                self.path.unlink()
            except FileNotFoundError:
                raise FileFault(str(self.path), [Fault("", "there is none; the shipped kinds are used")]) from None
            except OSError as error:
                told = f"cannot be deleted, so it is as it was: {error}"
                raise FileFault(str(self.path), [Fault("", told)]) from error
            sync_folder(self.path.parent)


def step_file_of(text: str, where: str) -> StepFile:
    """The file that a text makes; `where`: what to call it in faults. Raises FileFault."""
    said = tables_of(text, where, FORMAT)
    try:
        made = StepFile.model_validate(said)
    except ValidationError as error:
        raise FileFault(where, [placed(fault) for fault in faults(error, StepFile)]) from None
    if wrong := list(_unfit(made)):
        raise FileFault(where, wrong)
    return made


def _unfit(made: StepFile) -> list[Fault]:
    """Ids that stand twice, or that name nothing."""
    own = [step.id for step in made.step]
    there = set(own) | shipped_steps().keys()
    told = [
        Fault(f"step[{n}].id", f"step[{n}].id = {id!r}: stands in this file already; each needs its own")
        for n, id in enumerate(own)
        if id in own[:n]
    ]
    for key, ids in (("first", made.first), ("hide", made.hide)):
        told += [
            Fault(f"{key}[{n}]", f"{key}[{n}] = {id!r}: no such kind of step; there are: {', '.join(sorted(there))}")
            for n, id in enumerate(ids)
            if id not in there
        ]
    return told


def _offered(own: StepFile) -> list[Known]:
    """Shipped and own together: those named first, then the shipped ones, then one's own."""
    known = {id: Known(step, "shipped") for id, step in shipped_steps().items()}
    known |= {step.id: Known(step, "own") for step in own.step}
    order = list(dict.fromkeys([*own.first, *known]))
    return [known[id] for id in order if id not in own.hide]


@functools.cache
def shipped_steps() -> dict[str, Step]:
    """The kinds of steps that come with benchd, by id, in the order to be offered."""
    path = Path(__file__).with_name("steps.toml")
    try:
        made = StepFile.model_validate(tables_of(text_of(path), str(path), FORMAT))
    except ValidationError as error:
        raise FileFault(str(path), faults(error, StepFile)) from None
    return {step.id: step for step in made.step}


def steps_schema() -> dict[str, Any]:
    """The JSON Schema of the file, for editors."""
    return with_format(StepFile.model_json_schema(), FORMAT)
