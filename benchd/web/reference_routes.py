"""References, and a trace beside others: the one before it, its board's references, the nearest of the past."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from benchd.store.reference_rows import Reference
from benchd.traces.comparison import Comparison
from benchd.web.bodies import BoardQuery, ByQuery, CompareQuery, NearestQuery, ReferenceBody
from benchd.web.caller import who
from benchd.web.description import shape
from benchd.web.port import BandView, BenchPort, Nearest, ReferenceAdded
from benchd.web.shapes import answer
from benchd.web.trace_routes import TraceId


def router(bench: BenchPort) -> APIRouter:
    """Routes over the bench port."""
    r = APIRouter(tags=["references"])

    @r.get("/references", responses=shape(Reference, many="references"))
    async def references(query: Annotated[BoardQuery, Query()]) -> Response:
        """Traces of good boards, newest first."""
        return answer({"references": await bench.references(query.board)})

    @r.post("/references", status_code=201, responses=shape(ReferenceAdded, status=201))
    async def add(body: ReferenceBody, request: Request) -> Response:
        """Make a trace a reference. Again changes its board and note."""
        kept, doubt = await bench.add_reference(body.trace, body.board, body.note, who(request, body.by))
        return answer(ReferenceAdded(kept, doubt), 201)

    @r.delete("/references/{id}", responses=shape(Reference))
    async def remove(id: TraceId, query: Annotated[ByQuery, Query()], request: Request) -> Response:
        """Take a trace off the references; it stays filed."""
        return answer(await bench.remove_reference(id, who(request, query.by)))

    @r.get("/traces/{id}/compare", responses=shape(Comparison))
    async def compare(id: TraceId, query: Annotated[CompareQuery, Query()]) -> Response:
        """The trace beside an earlier one: where it leaves that, how alike they are, what changed."""
        return answer(await bench.compare(id, query.earlier))

    @r.get("/traces/{id}/band", responses=shape(BandView))
    async def band(id: TraceId) -> Response:
        """The trace against the references of its board, and their band for a plot."""
        return answer(await bench.band(id))

    @r.get("/traces/{id}/nearest", responses=shape(Nearest))
    async def nearest(id: TraceId, query: Annotated[NearestQuery, Query()]) -> Response:
        """Past traces that are most like it."""
        return answer(await bench.nearest(id, query.count, query.board))

    return r
