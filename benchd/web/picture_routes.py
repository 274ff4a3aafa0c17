"""Pictures of filed traces, as `benchd trace plot` draws them."""

from __future__ import annotations

import asyncio
from typing import Any, Literal

from fastapi import APIRouter
from starlette.responses import Response

from benchd.store.log import TraceRow
from benchd.traces.samples import Samples
from benchd.traces.trace import Trace
from benchd.web.description import shape
from benchd.web.port import BenchPort
from benchd.web.trace_routes import TraceId

Kind = Literal["png", "svg"]
MEDIA: dict[Kind, str] = {"png": "image/png", "svg": "image/svg+xml"}


def router(bench: BenchPort) -> APIRouter:
    """Routes over the bench port."""
    r = APIRouter(tags=["traces"])
    # The plot library keeps its settings for the whole process, and one picture after the other leaves the threads
    # that everything else is read in.
    drawing = asyncio.Lock()

    @r.get("/traces/{id}/picture.{kind}", responses=_PICTURE)
    async def picture(id: TraceId, kind: Kind) -> Response:
        """Current and voltage with marks, phases and settings; with the references of its board, and where it leaves
        them."""
        row, whole = await bench.trace(id)
        async with drawing:
            content = await asyncio.to_thread(_drawn, row, whole, kind)
        return Response(content, media_type=MEDIA[kind])

    return r


def _drawn(row: TraceRow, whole: Samples, kind: Kind) -> bytes:
    from benchd.traces.picture import Pictured, scene
    from benchd.traces.picture_draw import picture

    trace = Trace(whole, row.start_ns, row.conditions, tuple(row.marks))
    pictured = Pictured(row.id, trace, row.finding, f"job {row.job}" if row.job else "")
    return picture(scene(pictured.title, [pictured]), kind)


_PICTURE: dict[int | str, dict[str, Any]] = {
    **shape(TraceRow),
    200: {
        "description": "The picture.",
        "content": {media: {"schema": {"type": "string", "format": "binary"}} for media in MEDIA.values()},
    },
}
