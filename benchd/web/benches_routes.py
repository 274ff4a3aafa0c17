"""All benches of the broker: once, and live."""

from __future__ import annotations

from fastapi import APIRouter, WebSocket
from starlette.responses import Response

from benchd.web.benches_view import BenchesPort, BenchesView
from benchd.web.description import shape
from benchd.web.live import pump
from benchd.web.shapes import answer


def router(benches: BenchesPort) -> APIRouter:
    """Routes over whoever listens to the broker."""
    r = APIRouter(tags=["benches"])

    @r.get("/benches", responses=shape(BenchesView))
    async def all_benches() -> Response:
        """Every bench that speaks over the broker, and how much of what it said may be believed now."""
        return answer(await benches.now())

    @r.websocket("/benches/live")
    async def live(socket: WebSocket) -> None:
        await pump(socket, benches)

    return r
