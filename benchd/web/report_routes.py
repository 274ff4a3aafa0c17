"""The report of a job, as a page and as PDF."""

from __future__ import annotations

from fastapi import APIRouter

from benchd.web.report_port import ReportPort


def router(desk: ReportPort) -> APIRouter:
    """Routes over the desk."""
    r = APIRouter(tags=["report"])
    return r
