"""What requests about the job record may carry."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, Field

from benchd.jobs.choices import RISKS
from benchd.jobs.job import Battery, State
from benchd.web.bodies import JobId, Line, Plain, RequestBody, RequestQuery

MOST_TEXT = 4000


def _known_risks(ids: list[str]) -> list[str]:
    for id in ids:
        if id not in RISKS:
            raise ValueError(f"there is no risk {id[:40]!r}; there are: {', '.join(RISKS)}")
    return [id for id in RISKS if id in ids]


Device = Annotated[Line, Field(max_length=120)]
Text = Annotated[Plain, Field(max_length=MOST_TEXT)]
Consent = Annotated[list[str], Field(max_length=len(RISKS)), AfterValidator(_known_risks)]
Seen = Annotated[int, Field(ge=0, le=2**53)] | None
SEEN = Field(None, description="`version` of the job as it was read; another one by now is refused. Without it any.")


class JobBody(RequestBody):
    """A device taken in."""

    id: JobId | None = Field(None, description="Without it the next free one.")
    device: Device = ""
    board: Device = ""
    symptom: Text = ""
    history: Text = ""
    wanted_back: Text = ""
    battery: Battery = ""
    accessories: Text = ""
    consent: Consent = Field(default_factory=list)


class JobChangeBody(RequestBody):
    """Fields of a job that become other; those that are left out stay."""

    device: Device | None = None
    board: Device | None = None
    symptom: Text | None = None
    history: Text | None = None
    wanted_back: Text | None = None
    battery: Battery | None = None
    accessories: Text | None = None
    consent: Consent | None = None
    seen: Seen = SEEN

    def changes(self) -> dict[str, Any]:
        """The fields that were given."""
        given = self.model_dump(exclude={"seen"}, exclude_none=True)
        return given | ({"consent": tuple(given["consent"])} if "consent" in given else {})


class StateBody(RequestBody):
    """Where a repair stands."""

    state: State
    seen: Seen = SEEN


class JobsQuery(RequestQuery):
    """Jobs to which all that is given applies, newest first."""

    text: Annotated[str, Field(max_length=200)] = Field(
        "", description="Each of its words is in the id or in what was said of the device, in any case."
    )
    state: State | None = None
    board: Annotated[Line, Field(max_length=120)] | None = None
    limit: Annotated[int, Field(ge=1, le=1000)] = 1000


class LabelQuery(RequestQuery):
    """What a scanner typed."""

    text: Annotated[str, Field(min_length=1, max_length=200)]


class PhotoQuery(RequestQuery):
    """What a photo shows."""

    caption: Annotated[Plain, Field(max_length=1000)] = ""
