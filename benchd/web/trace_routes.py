"""Filed traces: their rows with the finding, readings for a plot, and marks by hand."""

from __future__ import annotations

import asyncio
from typing import Annotated

import msgspec
from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from benchd.store.log import TraceRow
from benchd.traces.samples import Samples
from benchd.web.bodies import SamplesQuery, TracesQuery
from benchd.web.caller import who
from benchd.web.description import shape
from benchd.web.port import BenchPort, Refused
from benchd.web.shapes import answer, columns
from benchd.web.window_bodies import SeenMark, TraceMarkBody

TraceId = Annotated[str, Path(min_length=1, max_length=120)]
LONGEST_SPAN_S = 1e9


def router(bench: BenchPort) -> APIRouter:
    """Routes over the bench port. Work that grows with the number of readings leaves the loop free."""
    r = APIRouter(tags=["traces"])

    @r.get("/traces", responses=shape(TraceRow, many="traces"))
    async def traces(query: Annotated[TracesQuery, Query()]) -> Response:
        """Filed traces, newest first: of a job, a kind of board, with a signature, begun in a span of time."""
        rows = await bench.traces(
            query.job, query.limit,
            board=query.board, signature=query.signature, since_ns=query.since_ns, until_ns=query.until_ns,
        )  # fmt: skip
        return answer({"traces": sorted(rows, key=lambda t: t.start_ns, reverse=True)})

    @r.get("/traces/{id}", responses=shape(TraceRow))
    async def one(id: TraceId) -> Response:
        """One trace with its marks and its finding."""
        return answer(await bench.trace_row(id))

    @r.get("/traces/{id}/samples", responses=shape("Columns"))
    async def samples(id: TraceId, query: Annotated[SamplesQuery, Query()]) -> Response:
        """Its readings, or those of a part, thinned for a plot; `t_s` counts from the trace's start."""
        row, whole = await bench.trace(id)
        part = _part(row, whole, query.from_s, query.to_s)
        return answer(await asyncio.to_thread(columns, part, row.start_ns, query.points))

    @r.post("/traces/{id}/marks", responses=shape(TraceRow))
    async def mark(id: TraceId, body: TraceMarkBody, request: Request) -> Response:
        """Set or move a mark by hand, or take it away; the trace is read again. Setting it again is safe."""
        if body.seen is not None:
            _not_stale(await bench.trace_row(id), body.seen)
        return answer(await bench.mark_trace(id, body.kind, body.at_s, who(request, body.by)))

    return r


def _not_stale(row: TraceRow, seen: list[SeenMark]) -> None:
    there = sorted((m.kind, m.t_ns, m.by) for m in row.marks)
    if sorted((m.kind, m.t_ns, m.by) for m in seen) != there:
        told = ", ".join(f"{kind} {(t_ns - row.start_ns) / 1e9:.3f} s" for kind, t_ns, _ in there) or "none"
        raise Refused(
            "stale",
            f"the marks of trace {row.id} are others by now: {told}; look at them, and set yours again",
            msgspec.to_builtins(row),
        )


def _part(row: TraceRow, whole: Samples, from_s: float | None, to_s: float | None) -> Samples:
    if from_s is None and to_s is None:
        return whole
    low, high = (_clamped(from_s, -LONGEST_SPAN_S), _clamped(to_s, LONGEST_SPAN_S))
    # One reading beyond each edge, so that the line goes on to the edge of the plot.
    first, last = (int(n) for n in whole.t_ns.searchsorted([row.start_ns + low, row.start_ns + high]))
    return whole[max(first - 1, 0) : last + 1]


def _clamped(seconds: float | None, default: float) -> int:
    wanted = default if seconds is None else seconds
    return round(min(max(wanted, -LONGEST_SPAN_S), LONGEST_SPAN_S) * 1e9)
