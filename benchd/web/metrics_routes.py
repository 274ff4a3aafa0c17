"""The bench's own figures at /metrics, in the text format of the Prometheus exposition formats."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from benchd.web.port import BenchPort

PATH = "/metrics"
"""Where metrics servers look when they are told nothing else; not under /api/v1, since its form is not ours."""


def route(bench: BenchPort) -> Route:
    """One address beside the API's."""

    async def metrics(request: Request) -> Response:
        figures, content_type = bench.metrics(request.headers.get("accept", ""))
        return Response(figures, headers={"Content-Type": content_type})

    return Route(PATH, metrics, methods=["GET"])
