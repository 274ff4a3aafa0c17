"""The values in a card: parameters that may be chosen for a run, and figures that are worked out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag, model_validator

from benchd.checked import Table
from benchd.procedures.record import Value

Title = Annotated[str, Field(min_length=1, max_length=120)]
Finite = Annotated[float, Field(allow_inf_nan=False)]


class Worked(Table):
    """A value that is worked out: another one times a factor, plus something, held between two ends."""

    of: Annotated[str, Field(min_length=1, max_length=80, description="A parameter, loop variable, plan.KEY, or "
                             "MEASUREMENT.voltage_v, .current_a, .power_w, .resistance_ohm.")]  # fmt: skip
    times: Finite = 1.0
    plus: Finite = 0.0
    at_least: Finite | str | None = None
    at_most: Finite | str | None = None

    def told(self, named: Callable[[str], str] = str, unit: str = "") -> str:
        """In words, such as "plan.voltage_v × 0.5, at most 4.2 V". `named`: what a name in it is called."""

        def amount(value: float | str) -> str:
            return named(value) if isinstance(value, str) else f"{value:g} {unit}".rstrip()

        told = f"{amount(self.of)} × {self.times:g}" if self.times != 1 else amount(self.of)
        told += f" + {amount(self.plus)}" if self.plus else ""
        told += f", at least {amount(self.at_least)}" if self.at_least is not None else ""
        return told + (f", at most {amount(self.at_most)}" if self.at_most is not None else "")


class Chosen(Table):
    """A value for each answer to a choice."""

    choice: Annotated[str, Field(min_length=1, max_length=32, description="A parameter of kind choice, before it.")]
    values: Annotated[dict[str, Finite], Field(min_length=1, max_length=20, description="One for each of its choices.")]

    def told(self, named: Callable[[str], str] = str, unit: str = "") -> str:
        """In words, such as "by kind (thin: 1 W, thick: 3 W)"."""
        each = (f"{answer}: {value:g} {unit}".rstrip() for answer, value in self.values.items())
        return f"by {named(self.choice)} ({', '.join(each)})"


def _kind_of(given: Any) -> str:
    return "name" if isinstance(given, str) else "worked" if isinstance(given, dict | Worked) else "number"


Name = Annotated[str, Field(min_length=1, max_length=80)]
Amount = Annotated[
    Annotated[Finite, Tag("number")] | Annotated[Name, Tag("name")] | Annotated[Worked, Tag("worked")],
    Discriminator(_kind_of),
]
"""A number, the name of one, or one that is worked out; its unit stands in its key."""


class Parameter(Table):
    """A figure that may be chosen for a run. Its unit stands at the end of its name where it has one."""

    title: Title
    kind: Literal["number", "choice", "text", "bool"] = "number"
    unit: Annotated[str, Field(max_length=12)] = ""
    default: Finite | bool | Annotated[str, Field(max_length=400)] | Worked | Chosen | None = Field(
        None,
        description='Left out: it has to be given. A table works it out of the plan: { of = "plan.voltage_v" }, or of '
        'a choice: { choice = "kind", values = { thin = 1.0, thick = 3.0 } }.',
    )
    optional: Annotated[bool, Field(description="It may be left out, and is then not used.")] = False
    low: Finite | None = None
    high: Finite | None = None
    choices: list[Annotated[str, Field(min_length=1, max_length=80)]] = Field(default_factory=list, max_length=20)
    help: Annotated[str, Field(max_length=400)] = ""

    @model_validator(mode="after")
    def _fits(self) -> Parameter:
        if self.kind == "choice" and not self.choices:
            raise ValueError("kind = 'choice' needs choices, a list of texts")
        if self.low is not None and self.high is not None and not self.low <= self.high:
            raise ValueError(f"low = {self.low:g} must not be above high = {self.high:g}")
        if isinstance(self.default, Chosen):
            for value in self.default.values.values():
                check_given(self, value)
        elif self.default is not None and not isinstance(self.default, Worked):
            check_given(self, self.default)
        return self


def check_given(parameter: Parameter, given: Value) -> Value:
    """A value for a parameter, as it is used. Raises ValueError saying what was given and what is allowed."""
    kind = parameter.kind
    if kind == "bool":
        if not isinstance(given, bool):
            raise ValueError(f"{given!r} was given; allowed is true or false")
        return given
    if kind in ("text", "choice"):
        if not isinstance(given, str) or (kind == "choice" and given not in parameter.choices):
            allowed = ", ".join(parameter.choices) if kind == "choice" else "text"
            raise ValueError(f"{given!r} was given; allowed: {allowed}")
        return given
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise ValueError(f"{given!r} was given; allowed is a number{f' in {parameter.unit}' * bool(parameter.unit)}")
    low = float("-inf") if parameter.low is None else parameter.low
    high = float("inf") if parameter.high is None else parameter.high
    if not low <= given <= high:
        unit = f" {parameter.unit}" if parameter.unit else ""
        ends = [f"from {low:g}{unit}"] * (parameter.low is not None) + [f"up to {high:g}{unit}"] * (
            parameter.high is not None
        )
        raise ValueError(f"{given:g}{unit} was given; allowed is {' '.join(ends) or 'a finite number'}")
    return float(given)
