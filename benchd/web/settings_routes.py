"""Plans, cards, checklists and supplies, edited on the page and written back to their files."""

from __future__ import annotations

from fastapi import APIRouter

from benchd.web.files_port import FilesPort


def router(desk: FilesPort) -> APIRouter:
    """Routes over the desk."""
    r = APIRouter(tags=["files"])
    return r
