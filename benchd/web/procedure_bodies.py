"""What requests about procedures may carry."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path
from pydantic import Field

from benchd.jobs.checklist import NAME
from benchd.web.bodies import Face, JobId, Line, Name, Plain, RequestBody, RequestQuery

CardName = Annotated[str, Path(pattern=f"^(?:{NAME.pattern})$", description="The card's name.")]
RunId = Annotated[str, Path(min_length=1, max_length=120)]
Number = Annotated[float, Field(allow_inf_nan=False)]
Whole = Annotated[int, Field(ge=-(2**53), le=2**53)]
Given = bool | Whole | Number | Annotated[Plain, Field(max_length=1000)]
"""A parameter, or an answer."""
ParameterName = Annotated[Line, Field(min_length=1, max_length=64)]
Role = Annotated[Line, Field(min_length=1, max_length=32)]
MOST_SIDES = 4
MOST_PARAMETERS = 60
MOST_COLUMNS = 4000
Board = Annotated[Line, Field(max_length=120)]


class SideBody(RequestBody):
    """An output for one role of a card."""

    role: Role = "main"
    supply: Name
    channel: Annotated[int, Field(ge=1, le=31)]
    plan: Name | None = Field(None, description="Power plan; without it the channel's own.")


class RunCheckBody(RequestBody):
    """What would be run."""

    sides: Annotated[list[SideBody], Field(min_length=1, max_length=MOST_SIDES)]
    parameters: Annotated[dict[ParameterName, Given], Field(max_length=MOST_PARAMETERS)] = Field(default_factory=dict)


class RunBody(RunCheckBody):
    """What is to be run."""

    card: Annotated[str, Field(pattern=f"^(?:{NAME.pattern})$", description="The card's name.")]
    accept_cautions: bool = Field(False, description="The card's cautions were read.")
    by: Face = "other"


class RunsQuery(RequestQuery):
    """Runs to which all that is given applies, newest first."""

    job: JobId | None = None
    card: Annotated[str, Field(max_length=64)] | None = None
    limit: Annotated[int, Field(ge=1, le=1000)] = 100


class BinsQuery(RequestQuery):
    """How much of a course."""

    columns: Annotated[int, Field(ge=10, le=MOST_COLUMNS)] = 600
    role: Role = "main"


class AnswerBody(RequestBody):
    """An answer to a question."""

    name: Annotated[Line, Field(min_length=1, max_length=64, description="`name` of the question, as read.")]
    value: Given = True
    by: Face = "other"


class PointBody(RequestBody):
    """Where the probe is."""

    text: Annotated[Line, Field(min_length=1, max_length=200)]
    photo: Annotated[Line, Field(max_length=32)] = Field("", description="`id` of a photo of the job.")
    by: Face = "other"


class RunByBody(RequestBody):
    """Who asks."""

    by: Face = "other"


class ResumeBody(RequestBody):
    """Go on with an interrupted run."""

    accept_cautions: bool = Field(False, description="The card's cautions were read.")
    by: Face = "other"


class RunReferenceBody(RequestBody):
    """A run on a good board."""

    board: Board = Field("", description="Kind of board; empty: that of the run's job.")
    note: Annotated[Plain, Field(max_length=1000)] = ""


class LeadSetBody(RequestBody):
    """Which of several sets of leads is on an output now."""

    supply: Name
    channel: Annotated[int, Field(ge=1, le=31)]
    name: Annotated[Line, Field(max_length=64)] = Field("", description="Of the lead set; empty: the usual one.")


class LeadBody(RequestBody):
    """What leads have, there and back with their contacts, measured elsewhere."""

    supply: Name
    channel: Annotated[int, Field(ge=1, le=31)]
    name: Annotated[Line, Field(max_length=64)] = Field("", description="Of the lead set; empty: the usual one.")
    ohm: Annotated[float, Field(ge=0, le=5, allow_inf_nan=False, description="Ω")]
    u_ohm: Annotated[float, Field(ge=0, le=5, allow_inf_nan=False, description="Expanded uncertainty (k = 2), Ω.")]
    celsius: Annotated[float, Field(ge=-40, le=100, allow_inf_nan=False)] | None = Field(None, description="Room, °C.")
