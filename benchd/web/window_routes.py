"""Parts of a trace at the width of a screen: zoom to the reading, no spike lost."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.responses import Response

from benchd.traces.between import Between
from benchd.traces.measured import Measured
from benchd.web.description import shape
from benchd.web.shapes import answer
from benchd.web.trace_routes import TraceId
from benchd.web.window_bodies import BetweenQuery, LineUpQuery, WindowQuery
from benchd.web.window_port import LinedUp, Window, WindowPort


def router(desk: WindowPort) -> APIRouter:
    """Routes over the desk."""
    r = APIRouter(tags=["traces"])

    @r.get("/traces/{id}/window", responses=shape(Window))
    async def window(id: TraceId, query: Annotated[WindowQuery, Query()]) -> Response:
        """A part of it for a plot: of each column of pixels what a line through all its readings would cover."""
        return answer(await desk.window(id, query.from_s, query.to_s, query.columns))

    @r.get("/traces/{id}/between", responses=shape(Between))
    async def between(id: TraceId, query: Annotated[BetweenQuery, Query()]) -> Response:
        """Charge, energy, mean and extremes between two moments, and the readings nearest to them."""
        return answer(await desk.between(id, query.from_s, query.to_s))

    @r.get("/traces/{id}/measured", responses=shape(Measured))
    async def measured(id: TraceId) -> Response:
        """All that can be measured on it: its phases, and the quantities that signature cards look at."""
        return answer(await desk.measured(id))

    @r.get("/line-up", responses=shape(LinedUp, many="traces"))
    async def line_up(query: Annotated[LineUpQuery, Query()]) -> Response:
        """Several on one time axis: what of each stands at 0 s."""
        return answer({"traces": await desk.line_up(query.trace)})

    return r
