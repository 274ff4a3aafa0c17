"""Taking devices in, searching jobs, states of a repair, photos, labels."""

from __future__ import annotations

from fastapi import APIRouter

from benchd.web.record_port import RecordPort


def router(desk: RecordPort) -> APIRouter:
    """Routes over the desk."""
    r = APIRouter(tags=["record"])
    return r
