"""Parts of a trace at the width of a screen: zoom to the reading, no spike lost."""

from __future__ import annotations

from fastapi import APIRouter

from benchd.web.window_port import WindowPort


def router(desk: WindowPort) -> APIRouter:
    """Routes over the desk."""
    r = APIRouter(tags=["window"])
    return r
