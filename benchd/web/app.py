"""The HTTP API under /api/v1, the live stream, and the page."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from pathlib import Path

from fastapi import FastAPI
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.routing import Mount

from benchd import __version__
from benchd.web import (
    access_routes,
    bench_routes,
    benches_routes,
    errors,
    export_routes,
    follower_routes,
    job_routes,
    metrics_routes,
    picture_routes,
    plan_routes,
    reference_routes,
    trace_routes,
    trip_routes,
)
from benchd.web.access import Access
from benchd.web.benches_view import BenchesPort, NoBroker
from benchd.web.description import describe
from benchd.web.desks import Desks
from benchd.web.files import Files, web_root
from benchd.web.gate import Gate
from benchd.web.port import BenchPort


def create_app(
    bench: BenchPort,
    *,
    bench_name: str,
    allowed_hosts: Iterable[str] = (),
    root: Path | None = None,
    now_ns: Callable[[], int] = time.time_ns,
    benches: BenchesPort | None = None,
    desks: Desks | None = None,
    access: Access | None = None,
) -> Starlette:
    """The page and its API for one bench.

    `allowed_hosts`: names beside localhost and the loopback addresses by which the bench may be called. `root`: the
    folder of the page, for one that is not installed. `now_ns`: the clock that dates new jobs. `benches`: who listens
    to all benches of the broker; None: nobody. `desks`: who is asked about jobs, reports, files and the like. `access`:
    who is let in; None: whoever reaches it is an operator, which is for loopback only.
    """
    api = FastAPI(
        title=f"benchd: bench {bench_name}",
        version=__version__,
        description="Times ending in _ns are ns since the epoch. Every failure answers with the body `Failure`.",
        # The stock pages load scripts from other servers; the description itself is at openapi.json.
        docs_url=None,
        redoc_url=None,
    )
    access = access or Access(None)
    api.include_router(access_routes.router(access))
    api.include_router(bench_routes.router(bench))
    api.include_router(job_routes.router(bench, now_ns))
    api.include_router(plan_routes.router(bench))
    api.include_router(trace_routes.router(bench))
    api.include_router(export_routes.router(bench))
    api.include_router(reference_routes.router(bench))
    api.include_router(picture_routes.router(bench))
    api.include_router(trip_routes.router(bench))
    api.include_router(follower_routes.router(bench))
    api.include_router(benches_routes.router(benches or NoBroker()))
    (desks or Desks()).add_to(api)
    describe(api)
    app = Starlette(
        routes=[Mount("/api/v1", api), metrics_routes.route(bench), Mount("/", Files(root or web_root()))],
        middleware=[Middleware(Gate, access=access, allowed_hosts=tuple(allowed_hosts))],
    )
    errors.install(api)
    errors.install(app)
    return app
