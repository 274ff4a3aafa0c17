"""Pictures of filed traces, as `benchd trace plot` draws them."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from starlette.responses import Response

from benchd.store.log import TraceRow
from benchd.traces.picture_look import Kind
from benchd.web.description import shape
from benchd.web.port import BenchPort
from benchd.web.trace_routes import TraceId

MEDIA: dict[Kind, str] = {"png": "image/png", "svg": "image/svg+xml"}


def router(bench: BenchPort) -> APIRouter:
    """Routes over the bench port."""
    r = APIRouter(tags=["traces"])

    @r.get("/traces/{id}/picture.{kind}", responses=_PICTURE)
    async def picture(id: TraceId, kind: Kind) -> Response:
        """Current and voltage with marks, phases and settings; the references of its board, and where it leaves
        them."""
        return Response(await bench.picture(id, kind), media_type=MEDIA[kind])

    return r


_PICTURE: dict[int | str, dict[str, Any]] = {
    **shape(TraceRow),
    200: {
        "description": "The picture.",
        "content": {media: {"schema": {"type": "string", "format": "binary"}} for media in MEDIA.values()},
    },
}
