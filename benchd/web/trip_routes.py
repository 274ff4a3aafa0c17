"""Trips of the log: their figures, and the readings around each."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query
from starlette.responses import Response

from benchd.web.bodies import ListQuery
from benchd.web.description import TripDetail, shape
from benchd.web.port import BenchPort, TripRow
from benchd.web.shapes import answer

TripNumber = Annotated[int, Path(ge=1, lt=1 << 63)]  # what SQLite can number


def router(bench: BenchPort) -> APIRouter:
    """Routes over the bench port."""
    r = APIRouter(tags=["trips"])

    @r.get("/trips", responses=shape(TripRow, many="trips"))
    async def trips(query: Annotated[ListQuery, Query()]) -> Response:
        """Trips, newest first."""
        rows = await bench.trips(query.job, query.limit)
        return answer({"trips": sorted(rows, key=lambda t: t.number, reverse=True)})

    @r.get("/trips/{number}", responses=shape(TripDetail))
    async def one(number: TripNumber) -> Response:
        """One trip with the readings before and after it as columns; `t_ms` counts from the decision."""
        row, readings = await bench.trip(number)
        return answer(TripDetail(row, readings))

    return r
