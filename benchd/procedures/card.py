"""A card: one procedure as steps with units, limits and cautions, in a TOML file that anybody may edit.

What a card says is checked when it is read: keys, types, units, names. Whether a run of it would stay inside a plan is
looked at by `procedures.check`, for the plan, outputs and parameters of that run.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, field_validator, model_validator

from benchd.checked import Fault, Table, faults
from benchd.jobs.checklist import NAME, NAME_WORDS, with_format
from benchd.procedures.parameter import Amount, Chosen, Finite, Parameter, Title
from benchd.reading import SenseAt
from benchd.toml_file import FileFault, placed, tables_of

FORMAT = 1
WORD = re.compile(r"[a-z][a-z0-9_]{0,31}")
"""Of parameters, loop variables, measurements, questions and sides."""
WORD_WORDS = "allowed are 1 to 32 of a-z, 0-9 and '_', starting with a letter"
DEEPEST = 3
"""Repeats in repeats. Our choice: nobody reads more."""

Word = Annotated[str, Field(pattern=f"^(?:{WORD.pattern})$")]
Text = Annotated[str, Field(min_length=1, max_length=400)]
Seconds = Annotated[float, Field(gt=0, le=604800, allow_inf_nan=False)]


class CardSide(Table):
    """An output that the procedure uses."""

    title: Title
    text: Annotated[str, Field(max_length=400, description="Where it is connected.")] = ""
    plan: Annotated[str, Field(max_length=64, description="The plan that it wants; empty: the card's.")] = ""


class Step(Table):
    """What all steps may have."""

    title: Annotated[
        str, Field(max_length=120, description="What it does, for whoever watches; made up if left out.")
    ] = ""


class On(Step):
    """Switch an output on, at a voltage and limit, and say what may come while it is on."""

    do: Literal["on"]
    side: Word = "main"
    voltage_v: Amount
    limit_a: Amount
    most_voltage_v: Amount | None = Field(None, description="For later `set` steps; left out: voltage_v.")
    most_limit_a: Amount | None = Field(None, description="For later `set` steps; left out: limit_a.")
    stages: Annotated[bool, Field(description="The plan's probe and hold come first.")] = False
    hold_unless: Annotated[
        str,
        Field(
            max_length=32, description="A parameter of kind bool: true leaves the hold out, for a board that starts."
        ),
    ] = ""
    sense: Annotated[
        SenseAt,
        Field(description="Where the voltage is held and measured; only for outputs whose settings say `sense`."),
    ] = ""
    injection: Annotated[
        bool,
        Field(
            description="The rail is known to be shorted: its collapsed voltage does not trip. Needs power_w, energy_j "
            "and longest_on_s."
        ),
    ] = False
    power_w: Amount | None = None
    energy_j: Amount | None = None
    longest_on_s: Amount | None = None

    @model_validator(mode="after")
    def _bounded(self) -> On:
        if self.injection and (self.power_w is None or self.energy_j is None or self.longest_on_s is None):
            raise ValueError("injection = true needs power_w, energy_j and longest_on_s: what else would end it?")
        if self.injection and self.stages:
            raise ValueError("injection = true and stages = true do not go together: a probe would end it at once")
        return self


class Off(Step):
    """Switch an output off and wait until that is read back."""

    do: Literal["off"]
    side: Word = "main"


class Set(Step):
    """Other settings while it is on, within what `on` said."""

    do: Literal["set"]
    side: Word = "main"
    voltage_v: Amount | None = None
    limit_a: Amount | None = None

    @model_validator(mode="after")
    def _something(self) -> Set:
        if self.voltage_v is None and self.limit_a is None:
            raise ValueError("give voltage_v, limit_a, or both")
        return self


class Wait(Step):
    """Wait for a time, or until readings are above or below something."""

    do: Literal["wait"]
    seconds: Amount | None = None
    side: Word = "main"
    quantity: Literal["voltage_v", "current_a", "power_w"] | None = None
    above: Amount | None = None
    below: Amount | None = None
    for_s: Annotated[float, Field(ge=0, le=3600)] = 0.0
    timeout_s: Amount | None = None
    then: Annotated[Literal["end", "go-on"], Field(description="What a time-out does.")] = "end"

    @model_validator(mode="after")
    def _one_kind(self) -> Wait:
        if self.quantity is None:
            if self.seconds is None or self.above is not None or self.below is not None:
                raise ValueError("give seconds, or quantity with above or below and timeout_s")
        elif (self.above is None) == (self.below is None) or self.timeout_s is None or self.seconds is not None:
            raise ValueError(
                "quantity needs above or below, one of them, and timeout_s; seconds is for a wait without it"
            )
        return self


class Measure(Step):
    """Average readings for a while."""

    do: Literal["measure"]
    name: Word
    side: Word = "main"
    seconds: Amount = 0.5
    settle_s: Annotated[float, Field(ge=0, le=600)] = 0.1
    least_readings: Annotated[int, Field(ge=1, le=10000)] = 3
    off: Annotated[bool, Field(description="The output may be off: what others give at its terminals.")] = False
    connected: Annotated[bool, Field(description="No current to speak of means that the leads are open: refused.")] = (
        False
    )


class Compare(Step):
    """Whether a value is good: with its uncertainty, so that it may be unclear."""

    do: Literal["compare"]
    what: Text = Field(description="MEASUREMENT.voltage_v, .current_a, .power_w or .resistance_ohm.")
    above: Amount | None = None
    below: Amount | None = None
    end_if_bad: bool = False

    @model_validator(mode="after")
    def _something(self) -> Compare:
        if self.above is None and self.below is None:
            raise ValueError("give above, below, or both")
        return self


class Ask(Step):
    """Ask the operator, or tell to do something."""

    do: Literal["ask"]
    name: Word
    text: Text
    kind: Literal["ready", "choice", "number", "text"] = "ready"
    choices: list[Annotated[str, Field(min_length=1, max_length=80)]] = Field(default_factory=list, max_length=20)
    unit: Annotated[str, Field(max_length=12)] = ""
    low: Finite | None = None
    high: Finite | None = None
    timeout_s: Seconds
    powered: Annotated[bool, Field(description="Outputs may stay on meanwhile. Else they are switched off first.")] = (
        False
    )
    end_if: Annotated[str, Field(max_length=80, description="This answer ends the run.")] = ""

    @model_validator(mode="after")
    def _choices(self) -> Ask:
        if (self.kind == "choice") != bool(self.choices):
            raise ValueError("choices go with kind = 'choice', and it needs some")
        return self


class Note(Step):
    """A moment in the record, and a mark in the trace where one is open."""

    do: Literal["mark"]
    text: Text


class Record(Step):
    """Keep every reading for a while, for the analysis."""

    do: Literal["record"]
    side: Word = "main"
    seconds: Amount


class Repeat(Step):
    """The same steps again: so many times, or for each value from one to another."""

    do: Literal["repeat"]
    name: Word = "round"
    times: Amount | None = None
    from_: Annotated[Amount | None, Field(alias="from")] = None
    to: Amount | None = None
    by: Annotated[Amount | None, Field(description="Size of a step, above 0.")] = None
    until: Annotated[str, Field(max_length=80, description="Ends early once this measurement ...")] = ""
    below: Amount | None = None
    above: Amount | None = None
    step: Annotated[list[AnyStep], Field(min_length=1, max_length=60)]

    @model_validator(mode="after")
    def _one_kind(self) -> Repeat:
        ends = (self.from_, self.to, self.by)
        if (self.times is None) == (None in ends) and not (self.times is None and None not in ends):
            raise ValueError("give times, or from, to and by")
        if self.times is not None and any(each is not None for each in ends):
            raise ValueError("give times, or from, to and by; not both")
        if bool(self.until) != (self.below is not None or self.above is not None):
            raise ValueError('until goes with below or above: `until = "late.current_a"`, `below = 0.01`')
        return self


class Watch(Step):
    """A measurement that goes on until the operator says done, or its time is over."""

    do: Literal["watch"]
    live: Annotated[str, Field(min_length=1, max_length=40)]
    sides: list[Word] = Field(default_factory=lambda: ["main"], min_length=1, max_length=4)
    longest_s: Amount


class Analyse(Step):
    """Work out what came of it."""

    do: Literal["analyse"]
    using: Annotated[str, Field(min_length=1, max_length=40, description="Name of the analysis.")]


class End(Step):
    """End here."""

    do: Literal["end"]
    text: Annotated[str, Field(max_length=400)] = ""


AnyStep = Annotated[
    On | Off | Set | Wait | Measure | Compare | Ask | Note | Record | Repeat | Watch | Analyse | End,
    Field(discriminator="do"),
]
Repeat.model_rebuild()


class Card(Table):
    """A card's file. Its name is that of the file."""

    name: Annotated[str, Field(pattern=f"^(?:{NAME.pattern})$", description="As the file's name without .toml.")]
    title: Title
    version: Annotated[int, Field(ge=1, le=10**6)] = 1
    what: Annotated[str, Field(min_length=1, max_length=1000, description="What it is for, and how it goes.")]
    cautions: list[Text] = Field(default_factory=list, max_length=12)
    plan: Annotated[str, Field(max_length=32, description="Name of a plan; left out: that of the output.")] = ""
    traces: Annotated[bool, Field(description="Power-ups during a run are filed as traces.")] = False
    resumes: Annotated[bool, Field(description="May go on after a restart of benchd, when a person says so.")] = False
    source: Annotated[str, Field(max_length=4000, description="Where its figures come from.")] = ""
    sides: Annotated[dict[str, CardSide], Field(min_length=1, max_length=4)]
    parameter: dict[str, Parameter] = Field(default_factory=dict, max_length=40)
    step: Annotated[list[AnyStep], Field(min_length=1, max_length=100)]

    @field_validator("sides", "parameter")
    @classmethod
    def _names(cls, tables: dict[str, Any]) -> dict[str, Any]:
        for name in tables:
            if not WORD.fullmatch(name):
                raise ValueError(f"{name!r}: {WORD_WORDS}")
        return tables

    @model_validator(mode="after")
    def _known(self) -> Card:
        from benchd.procedures.analyses import ANALYSES, LIVES

        for place, depth, step in self.steps():
            if depth > DEEPEST:
                raise ValueError(f"{place}: repeats stand in repeats {DEEPEST} deep at most")
            no_side = isinstance(step, Wait) and step.quantity is None
            sides = (
                step.sides if isinstance(step, Watch) else [step.side] if hasattr(step, "side") and not no_side else []
            )
            for side in sides:
                if side not in self.sides:
                    raise ValueError(
                        f"{place}.side = {side!r}: there is no such side; there are: {', '.join(self.sides)}"
                    )
            if isinstance(step, On) and step.hold_unless and not self._is_bool(step.hold_unless):
                raise ValueError(
                    f"{place}.hold_unless = {step.hold_unless!r}: there is no parameter of kind bool of that name"
                )
            if isinstance(step, Analyse) and step.using not in ANALYSES:
                raise ValueError(f"{place}.using = {step.using!r}: allowed are {', '.join(sorted(ANALYSES))}")
            if isinstance(step, Watch) and step.live not in LIVES:
                raise ValueError(f"{place}.live = {step.live!r}: allowed are {', '.join(sorted(LIVES))}")
        return self

    @model_validator(mode="after")
    def _choices_have_values(self) -> Card:
        before: dict[str, Parameter] = {}
        for name, parameter in self.parameter.items():
            default = parameter.default
            if isinstance(default, Chosen):
                of = before.get(default.choice)
                if of is None or of.kind != "choice":
                    raise ValueError(
                        f"parameter.{name}.default.choice = {default.choice!r}: no parameter of kind choice of that "
                        "name stands before it"
                    )
                if set(default.values) != set(of.choices):
                    raise ValueError(
                        f"parameter.{name}.default.values has {', '.join(default.values)}; wanted is one for each of "
                        f"{', '.join(of.choices)}"
                    )
            before[name] = parameter
        return self

    def _is_bool(self, name: str) -> bool:
        return name in self.parameter and self.parameter[name].kind == "bool"

    def steps(self) -> Iterator[tuple[str, int, AnyStep]]:
        """Every step with its place in the file and how deep it stands, in order."""
        yield from _walk(self.step, "", 0)


def _walk(steps: list[AnyStep], before: str, depth: int) -> Iterator[tuple[str, int, AnyStep]]:
    for number, step in enumerate(steps):
        place = f"{before}step[{number}]"
        yield place, depth, step
        if isinstance(step, Repeat):
            yield from _walk(step.step, f"{place}.", depth + 1)


def card_of(text: str, name: str, where: str = "") -> Card:
    """The card that a text describes; `where`: what to call it in faults. Raises FileFault."""
    where = where or f"{name}.toml"
    said = tables_of(text, where, FORMAT)
    if not NAME.fullmatch(name):
        raise FileFault(where, [Fault("name", f"name = {name!r}: {NAME_WORDS}")])
    if (own := said.setdefault("name", name)) != name:
        told = f"name = {own!r}: the card is called {name}, by its file; change one of the two"
        raise FileFault(where, [Fault("name", told)])
    try:
        return Card.model_validate(said)
    except ValidationError as error:
        raise FileFault(where, [placed(fault) for fault in faults(error, Card)]) from None


def card_schema() -> dict[str, Any]:
    """The JSON Schema of a card's file, for editors."""
    return with_format(Card.model_json_schema(), FORMAT)
