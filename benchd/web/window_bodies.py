"""What requests about one trace may carry."""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field, model_validator

from benchd.traces.trace import HandKind, MarkKind
from benchd.web.bodies import Face, RequestBody, RequestQuery

MOST_COLUMNS = 8192
"""More than any screen has columns of pixels."""
MOST_TRACES = 8
"""So many can be told apart in one picture, by colour and line together."""
LONGEST_S = 1e9
Seconds = Annotated[float, Field(ge=-LONGEST_S, le=LONGEST_S, description="s after the trace's start")]


class SeenMark(RequestBody):
    """A mark as the asker knows it: as it was read, with all that is told of one."""

    model_config = ConfigDict(extra="ignore")

    kind: MarkKind
    t_ns: int
    by: str


class TraceMarkBody(RequestBody):
    """A mark by hand in a filed trace."""

    kind: HandKind
    at_s: Annotated[float, Field(ge=0, allow_inf_nan=False)] | None = Field(
        description="s after the trace's start; null takes the mark by hand away."
    )
    by: Face = "other"
    seen: Annotated[list[SeenMark], Field(max_length=1000)] | None = Field(
        None, description="Its marks as read; others by now are a 409 `stale`. Without it they are not looked at."
    )


class WindowQuery(RequestQuery):
    """A part of a trace, and how many columns of pixels it is drawn on."""

    from_s: Seconds | None = Field(None, description="s after the trace's start; without it from the first reading.")
    to_s: Seconds | None = Field(None, description="s after the trace's start; without it to behind the last reading.")
    columns: Annotated[int, Field(ge=1, le=MOST_COLUMNS)] = 1200

    @model_validator(mode="after")
    def _forward(self) -> WindowQuery:
        if self.from_s is not None and self.to_s is not None and not self.from_s < self.to_s:
            raise ValueError(f"to_s = {self.to_s} s must lie after from_s = {self.from_s} s")
        return self


class BetweenQuery(RequestQuery):
    """Two moments."""

    from_s: Seconds
    to_s: Seconds

    @model_validator(mode="after")
    def _forward(self) -> BetweenQuery:
        if not self.from_s <= self.to_s:
            raise ValueError(f"to_s = {self.to_s} s must not lie before from_s = {self.from_s} s")
        return self


class LineUpQuery(RequestQuery):
    """Traces that are laid over each other."""

    trace: Annotated[
        list[Annotated[str, Field(min_length=1, max_length=120)]], Field(min_length=1, max_length=MOST_TRACES)
    ] = Field(description="Ids; the first is the one that the others are laid on.")
