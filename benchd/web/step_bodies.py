"""What requests about steps and checklists may carry."""

from __future__ import annotations

from typing import Annotated

from fastapi import Path
from pydantic import Field

from benchd.jobs.checklist import NAME
from benchd.jobs.ticks import TickState
from benchd.web.bodies import Line, Plain, RequestBody, RequestQuery

_NAME = f"^(?:{NAME.pattern})$"
ListName = Annotated[str, Path(pattern=_NAME, description="The checklist's name.")]
ItemId = Annotated[str, Path(pattern=_NAME, description="The item's id.")]
MOST_MINUTES = 10_000.0
"""Of one step: more than a week. Our choice, to catch slips."""


class StepBody(RequestBody):
    """Something that was done to the board."""

    step: Annotated[str, Field(pattern=_NAME, examples=["reflowed"], description="Its kind: an id of GET /steps.")]
    detail: Annotated[Line, Field(max_length=200, description="Where, which part, which error.")] = ""
    text: Annotated[Plain, Field(max_length=4000, description="In one's own words.")] = ""
    minutes: Annotated[float, Field(ge=0, le=MOST_MINUTES, allow_inf_nan=False)] | None = Field(
        None, description="How long it took, minutes."
    )
    effect: Annotated[Line, Field(min_length=1, max_length=120)] | None = Field(
        None, description="The first trace that shows what came of it; without it the first that ends after now."
    )
    anyway: bool = Field(False, description="Though checks that come first are open; the journal says so.")


class TickBody(RequestBody):
    """How an item of a checklist stands."""

    state: TickState
    note: Annotated[Plain, Field(max_length=1000)] = ""
    seen: Annotated[int, Field(ge=-(2**63), le=2**63 - 1)] | None = Field(
        None, description="The item's `version` that was gone by; if it is another by now: 409 `stale`."
    )


class TimelineQuery(RequestQuery):
    """How much of it."""

    limit: Annotated[int, Field(ge=1, le=5000)] = 500
