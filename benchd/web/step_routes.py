"""What the technician did, and what is to be ticked: steps and checklists of a job."""

from __future__ import annotations

from fastapi import APIRouter

from benchd.web.step_port import StepPort


def router(desk: StepPort) -> APIRouter:
    """Routes over the desk."""
    r = APIRouter(tags=["step"])
    return r
