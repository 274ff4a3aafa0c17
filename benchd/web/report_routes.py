"""The report of a job, as a page and as PDF."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from pydantic import Field
from starlette.responses import Response

from benchd.report.order import Audience, Form
from benchd.web.bodies import JobId, RequestQuery
from benchd.web.description import shape
from benchd.web.report_port import ReportPort
from benchd.web.shapes import answer

MEDIA: dict[Form, str] = {"html": "text/html; charset=utf-8", "pdf": "application/pdf"}
Id = Annotated[JobId, Path()]


class ReportQuery(RequestQuery):
    """For whom, and in which language."""

    audience: Annotated[Audience, Field(alias="for", description="customer: one page in plain words.")] = "technician"
    language: Annotated[str, Field(pattern="^[a-z]{2,3}$", description="See GET /reports.")] = "en"


def router(desk: ReportPort) -> APIRouter:
    """Routes over the desk."""
    r = APIRouter(tags=["report"])

    @r.get("/reports", responses=_LANGUAGES)
    async def languages() -> Response:
        """The languages that a report can be in."""
        return answer({"languages": desk.languages()})

    @r.get("/jobs/{id}/report", responses=_file("html"))
    async def page(id: Id, query: Annotated[ReportQuery, Query()]) -> Response:
        """The report as a page, to be read or printed."""
        return Response(await desk.report(id, "html", query.audience, query.language), media_type=MEDIA["html"])

    @r.get("/jobs/{id}/report.pdf", responses=_file("pdf"))
    async def pdf(id: Id, query: Annotated[ReportQuery, Query()]) -> Response:
        """The same as PDF."""
        content = await desk.report(id, "pdf", query.audience, query.language)
        name = f"{id}{'-customer' if query.audience == 'customer' else ''}-{query.language}.pdf"
        return Response(content, media_type=MEDIA["pdf"], headers={"Content-Disposition": f'inline; filename="{name}"'})

    return r


def _answers(media: str, schema: dict[str, Any]) -> dict[int | str, dict[str, Any]]:
    """What a route answers when it does; else the body of every failure."""
    refused = shape("Failure")["default"]
    return {200: {"description": "Done.", "content": {media: {"schema": schema}}}, "default": refused}


def _file(form: Form) -> dict[int | str, dict[str, Any]]:
    return _answers(MEDIA[form].partition(";")[0], {"type": "string", "format": "binary"})


_TEXT = {"type": "string"}
_LANGUAGE = {"type": "object", "required": ["id", "name"], "properties": {"id": _TEXT, "name": _TEXT}}
_LANGUAGES = _answers(
    "application/json",
    {"type": "object", "required": ["languages"], "properties": {"languages": {"type": "array", "items": _LANGUAGE}}},
)
