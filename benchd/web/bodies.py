"""What requests may carry. Unknown keys are errors everywhere, in bodies and in queries."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from benchd.jobs.job import JOB_ID
from benchd.traces.trace import HandKind

MAX_POINTS = 20_000


def plain_text(text: str, breaks: str = "\n\t") -> str:
    """Text that can be stored, shown and sent anywhere: no control characters but `breaks`, and no halves of UTF-16
    pairs, which JSON can spell but UTF-8 cannot. Raises ValueError."""
    for c in text:
        code = ord(c)
        if (code < 32 and c not in breaks) or 0x7F <= code < 0xA0 or 0xD800 <= code < 0xE000:
            raise ValueError(f"the character U+{code:04X} is not allowed")
    return text


def _one_line(text: str) -> str:
    if "\n" in text or "\t" in text:
        raise ValueError("one line only, without tabs")
    return text


def _not_blank(text: str) -> str:
    if not text.strip():
        raise ValueError("must not be blank")
    return text


MOST_NESTED = 3
"""A plan is a table of values, with tables and pairs of numbers inside; nothing is deeper."""


def plain_values(value: Any, most: int = MOST_NESTED, breaks: str = "\n\t") -> Any:
    """Values that a file can hold: plain text (see `plain_text`), only numbers that are numbers, and at most so many
    tables or lists inside of each other. Raises ValueError."""
    _check_value(value, most, breaks, 0)
    return value


def _check_value(value: Any, most: int, breaks: str, depth: int) -> None:
    if depth > most:
        raise ValueError(f"tables inside tables: allowed are {most}, one in another")
    if isinstance(value, str):
        plain_text(value, breaks)
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(f"{value} is not a number that can be set")
    if isinstance(value, int) and not -(2**63) <= value < 2**63:
        raise ValueError("a whole number of more than 64 bits cannot be set")
    for part in [*value, *value.values()] if isinstance(value, dict) else value if isinstance(value, list) else ():
        _check_value(part, most, breaks, depth + 1)


Plain = Annotated[str, AfterValidator(plain_text)]
Line = Annotated[Plain, AfterValidator(_one_line)]
JobId = Annotated[str, Field(pattern=f"^(?:{JOB_ID.pattern})$", examples=["R-1042"])]
Name = Annotated[Line, Field(min_length=1, max_length=64)]
PlanValues = Annotated[dict[str, Any], AfterValidator(plain_values)]
Face = Literal["page", "foot-switch", "command-line", "mqtt", "other"]
"""Through which face a person asked, for the journal."""


class RequestBody(BaseModel):
    """What all bodies have in common."""

    # strict: a number is not text and 1 is not true.
    model_config = ConfigDict(extra="forbid", strict=True)


class SeenBody(RequestBody):
    """By what somebody asks for something that must not come late, or by an old state. Both may be left out."""

    seen: int | None = Field(None, description="`version` of the channel as it was read; another one now: 409.")
    asked_ns: Annotated[int, Field(ge=0, le=2**63 - 1)] | None = Field(
        None, description="When it was asked, ns since the epoch by the bench's clock (`t_ns`); long ago: 409."
    )


class PowerOnBody(SeenBody):
    """Switch an output on."""

    plan: Name | None = Field(None, description="Power plan; without it the channel's own.")
    voltage_v: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = Field(
        None, description="V; less than the plan says, never more."
    )
    limit_a: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = Field(
        None, description="A; less than the plan says, never more."
    )
    by: Face = "other"


class ByBody(SeenBody):
    """Who asks."""

    by: Face = "other"


class ConsentBody(RequestBody):
    """The operator has read what is said of an unverified profile, and consents."""

    key: Annotated[Line, Field(min_length=1, max_length=128, description="`consent_key` of the supply, as read.")]
    who: Annotated[Line, Field(max_length=64, description="For the log; may be empty.")] = ""


class MarkBody(RequestBody):
    """A moment in the open trace, given by hand."""

    kind: HandKind


class ReferenceBody(RequestBody):
    """A trace of a good board."""

    trace: Annotated[Line, Field(min_length=1, max_length=120)]
    board: Annotated[Line, Field(max_length=120, description="Kind of board; empty: that of its job.")] = ""
    note: Annotated[Plain, Field(max_length=1000)] = ""
    by: Face = "other"


class BenchJobBody(RequestBody):
    """Which job the next trace belongs to; null: none."""

    job: JobId | None


class ForgetBody(RequestBody):
    """Forgetting cannot be undone."""

    confirm: JobId = Field(description="The job's id once more.")


class NoteBody(RequestBody):
    """The technician's own entry in the journal."""

    text: Annotated[Plain, Field(max_length=4000), AfterValidator(_not_blank)]
    job: JobId | None = Field(None, description="Without it the job that is on the bench.")


class RequestQuery(BaseModel):
    """What all queries have in common. Not strict: all that a query has is text."""

    model_config = ConfigDict(extra="forbid")


class ListQuery(RequestQuery):
    """A list, newest first."""

    job: JobId | None = Field(None, description="Only this job's.")
    limit: Annotated[int, Field(ge=1, le=1000)] = 100


class RejectedQuery(RequestQuery):
    """What a server refused, newest first."""

    limit: Annotated[int, Field(ge=1, le=1000)] = 100


NS = Annotated[int, Field(ge=0, le=2**63 - 1)]


class TracesQuery(ListQuery):
    """Filed traces to which all that is given applies, newest first."""

    board: Annotated[Line, Field(max_length=120)] | None = Field(None, description="Only of this kind of board.")
    signature: Annotated[Line, Field(max_length=64)] | None = Field(None, description="Only with this finding.")
    since_ns: NS | None = Field(None, description="Begun then or later, ns since the epoch.")
    until_ns: NS | None = Field(None, description="Begun before then, ns since the epoch.")


class BoardQuery(RequestQuery):
    """References of one kind of board, or all."""

    board: Annotated[Line, Field(max_length=120)] | None = None


class ArchiveQuery(RequestQuery):
    """What goes into the archive of a job."""

    csv: bool = Field(False, description="Each trace as CSV as well.")
    without_person: bool = Field(False, description="Without photos and what people wrote of it.")


class CompareQuery(RequestQuery):
    """What a trace is compared with."""

    earlier: Annotated[Line, Field(min_length=1, max_length=120)] | None = Field(
        None, alias="with", description="An earlier trace; without it the one before it of the same job."
    )


class NearestQuery(RequestQuery):
    """Past traces that are most like one."""

    count: Annotated[int, Field(ge=1, le=100)] = 5
    board: Annotated[Line, Field(max_length=120)] | None = Field(None, description="Only of this kind of board.")


class ByQuery(RequestQuery):
    """Who asks."""

    by: Face = "other"


class SamplesQuery(RequestQuery):
    """A trace's readings, thinned so that no extreme is lost."""

    points: Annotated[int, Field(ge=12, le=MAX_POINTS, description="At most this many readings come back.")] = 2000
    from_s: Annotated[float, Field(allow_inf_nan=False, description="s after the trace's start")] | None = None
    to_s: Annotated[float, Field(allow_inf_nan=False, description="s after the trace's start")] | None = None


class RecentQuery(RequestQuery):
    """The newest readings of one channel."""

    supply: Name
    channel: Annotated[int, Field(ge=1, le=31)]
    seconds: Annotated[float, Field(gt=0, le=600, allow_inf_nan=False)] = 30.0
    points: Annotated[int, Field(ge=12, le=MAX_POINTS)] = 2000
