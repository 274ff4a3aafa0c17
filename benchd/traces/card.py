"""Signature cards: what a shape of trace looks like, in words and figures, as a file that a person can edit.

A card's score is a product. Each look takes one quantity of the trace (see `quantities`) through a ramp: at `no_at` it
speaks against the card, at `full_at` for it, between them by how far it has come. Of a set of `ways` the best counts,
each way being a product of looks. What is left is taken from where another signature fits better (`yields_to`).

A card is checked when it is read: a wrong key, type, unit or quantity is refused with its file and place.
"""

from __future__ import annotations

import difflib
import re
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from benchd.checked import Table
from benchd.traces.card_words import FIELD
from benchd.traces.cautions import CAUTIONS
from benchd.traces.quantities import QUANTITIES

FORMAT = 1
ID = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,30}[a-z0-9])?")
UNCLEAR = "unclear"
"""The finding when no card fits. Its own card has texts only."""

Side = Literal["battery", "usb", "any"]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
Number = Annotated[float, Field(ge=-1e12, le=1e12, allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1, max_length=400)]
Id = Annotated[str, Field(pattern=f"^{ID.pattern}$")]


def told(text: str) -> Any:
    """What a key means, for the schema."""
    return Field(description=text)


def several(text: str) -> Any:
    """The same of a list that may be left out."""
    return Field(default_factory=list, description=text)


def _known(name: str) -> str:
    if name in QUANTITIES:
        return name
    near = difflib.get_close_matches(name, QUANTITIES, 3, 0.5)
    hint = f"did you mean {' or '.join(near)}?" if near else "`benchd signatures quantities` lists them"
    raise ValueError(f"there is no such quantity; {hint}")


class _OfQuantity(Table):
    quantity: Annotated[str, told("Its name, as `benchd signatures quantities` lists it.")]
    unit: Annotated[str, told('The quantity\'s unit, so that nobody mistakes mA for A; "1" where it has none.')]

    @field_validator("quantity")
    @classmethod
    def _is_known(cls, name: str) -> str:
        return _known(name)

    @model_validator(mode="after")
    def _in_its_unit(self) -> _OfQuantity:
        right = QUANTITIES[self.quantity].unit
        if self.unit != right:
            raise ValueError(
                f"unit = {self.unit!r}: {self.quantity} is in {right!r}; write its limits in that unit too"
            )
        return self


class Look(_OfQuantity):
    """One quantity through a ramp, from `least` at `no_at` to `most` at `full_at`."""

    no_at: Annotated[Number, told("From here on it speaks against the card. May lie above `full_at`.")]
    full_at: Annotated[Number, told("From here on it speaks for the card. Equal to `no_at`: a step, full from there.")]
    least: Annotated[Share, told("What it leaves of the score at `no_at`: 0 rules the card out.")] = 0.0
    most: Annotated[Share, told("What it leaves of the score at `full_at`.")] = 1.0
    unknown: Annotated[
        Share | None, told("What it leaves where the quantity could not be measured; left out: `least`.")
    ] = None


class Ways(Table):
    """Several ways to fit; the best counts."""

    ways: Annotated[
        list[Annotated[list[Look], Field(min_length=1)]], Field(min_length=2), told("Each a list of looks.")
    ]


class Condition(_OfQuantity):
    """Holds where the quantity was measured and lies within both limits."""

    at_least: Annotated[Number | None, told("In the quantity's unit.")] = None
    at_most: Annotated[Number | None, told("In the quantity's unit.")] = None

    @model_validator(mode="after")
    def _has_a_limit(self) -> Condition:
        if self.at_least is None and self.at_most is None:
            raise ValueError("at_least or at_most: one of them has to be given")
        return self


class Yield(Table):
    """Another signature that takes from the score where it fits."""

    to: Annotated[list[Id], Field(min_length=1), told("Signatures; of several the best score counts.")]
    takes: Annotated[Share, told("Share of the score that it takes where it fits fully.")] = 1.0
    no_at: Annotated[Share, told("Up to this score of the other it takes nothing.")] = 0.0
    full_at: Annotated[Share, told("From this score of the other on it takes all of `takes`.")] = 1.0
    when: list[Condition] = several("Only where all of these hold.")


def _template(text: str) -> str:
    for name, _ in FIELD.findall(text):
        _known(name)
    if rest := re.search(r"[{}]", FIELD.sub("", text)):
        raise ValueError(
            f"{rest.group()!r} stands alone: write {{quantity}}, or {{quantity ±}} to have its uncertainty too"
        )
    return text


Template = Annotated[str, Field(min_length=1, max_length=400)]


class Sentence(Table):
    """A sentence of evidence, or a check, shown where its conditions hold."""

    text: Annotated[Template, told("With {quantity} for its value and unit, {quantity ±} for its uncertainty too.")]
    quantity: Annotated[str, told("The quantity that it states, for programs; left out: none.")] = ""
    label: Annotated[str, told("What the quantity is called there; left out: as `quantities` calls it.")] = ""
    when: list[Condition] = several("Only where all of these hold.")

    @field_validator("text")
    @classmethod
    def _is_template(cls, text: str) -> str:
        return _template(text)

    @field_validator("quantity")
    @classmethod
    def _is_known(cls, name: str) -> str:
        return _known(name) if name else name


class Check(Table):
    """What to do next."""

    text: Annotated[Text, told("One step, in the words of the bench.")]
    when: list[Condition] = several("Only where all of these hold.")


class Other(Table):
    """Another signature that this one is taken for."""

    signature: Id
    tell_apart: Annotated[Text, told("What would tell the two apart, as something to do or to look at.")]
    share: Annotated[
        Share, told("The other is named with at least this share of this card's score: no trace alone rules it out.")
    ] = 0.0
    when: list[Condition] = several("`share` counts only where all of these hold.")


class Card(Table):
    """A signature: how it is recognised, and what to do about it."""

    format: Annotated[Literal[1], told("Version of this form of file.")]
    id: Annotated[Id, told("Name of the signature; the file is called after it.")]
    version: Annotated[int, Field(ge=1, le=1_000_000), told("Goes up with every change; findings name it.")]
    side: Annotated[Side, told('Fed at the battery\'s terminals or another input ("battery"), at 5 V of USB, or any.')]
    title: Annotated[Text, told("A few words for lists.")]
    sees: Annotated[Text, told("What the technician sees on the supply.")]
    would: Annotated[Text, told("What would be seen if it were this, for telling it from another.")]
    source: Annotated[str, Field(max_length=4000), told("Where thresholds and advice are from.")]
    most: Annotated[Share, told("Highest score.")] = 1.0
    look: list[Look] = several("All of these count.")
    any: list[Ways] = several("Of the ways in each, the best counts.")
    before: list[Id] = several(
        "Signatures that give way to this one where it fits: they lose nine tenths of their score."
    )
    yields_to: list[Yield] = several("Signatures that take from the score.")
    evidence: list[Sentence] = several("What the finding stands on.")
    alternative: list[Other] = several("What it is most easily taken for, the likeliest first.")
    check: list[Check] = several("The cheapest and least invasive first.")
    cautions: list[Text] = several(f"Sentences, or one of: {', '.join(CAUTIONS)}.")

    @field_validator("cautions")
    @classmethod
    def _are_sentences(cls, given: list[str]) -> list[str]:
        for each in given:
            if each not in CAUTIONS and " " not in each:
                raise ValueError(f"{each!r} is neither a sentence nor one of: {', '.join(CAUTIONS)}")
        return given

    @model_validator(mode="after")
    def _fits_together(self) -> Card:
        if self.id != UNCLEAR and not self.look and not self.any:
            raise ValueError("look = []: without anything to look at the card would always fit; give at least one")
        named = (name for y in self.yields_to for name in y.to)
        for each in (*named, *self.before, *(o.signature for o in self.alternative)):
            if each == self.id:
                raise ValueError(f"id = {self.id!r}: a card is not its own alternative, and gives way to others only")
        return self

    @property
    def stamp(self) -> str:
        """`id@version`."""
        return f"{self.id}@{self.version}"


def card_schema() -> dict[str, Any]:
    """The JSON Schema of a card's file, for editors."""
    schema = Card.model_json_schema()
    for name in ("Look", "Condition", "Sentence"):
        schema["$defs"][name]["properties"]["quantity"]["enum"] = [
            *([""] if name == "Sentence" else []),
            *QUANTITIES,
        ]
    return schema
