"""The page of all benches by itself, for a place that has no bench of its own."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from fastapi import FastAPI
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.routing import Mount

from benchd import __version__
from benchd.web import access_routes, benches_routes, errors
from benchd.web.access import Access
from benchd.web.benches_view import BenchesPort
from benchd.web.description import describe
from benchd.web.files import Files, web_root
from benchd.web.gate import Gate


def create_benches_app(
    benches: BenchesPort, *, allowed_hosts: Iterable[str] = (), root: Path | None = None
) -> Starlette:
    """Only looks: nothing can be switched from here. `allowed_hosts`, `root`: as of `create_app`."""
    api = FastAPI(
        title="benchd: all benches",
        version=__version__,
        description="Times ending in _ns are ns since the epoch. Every failure answers with the body `Failure`.",
        docs_url=None,
        redoc_url=None,
    )
    access = Access(None)
    api.include_router(access_routes.router(access))
    api.include_router(benches_routes.router(benches))
    describe(api)
    app = Starlette(
        routes=[Mount("/api/v1", api), Mount("/", Files(root or web_root(), first="benches.html"))],
        middleware=[Middleware(Gate, access=access, allowed_hosts=tuple(allowed_hosts))],
    )
    errors.install(api)
    errors.install(app)
    return app
