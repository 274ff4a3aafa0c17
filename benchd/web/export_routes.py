"""Files to take away: a trace for other programs, a whole job for another bench."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from typing import Annotated, Any, BinaryIO

from fastapi import APIRouter, Path, Query
from starlette.responses import Response, StreamingResponse

from benchd.jobs.job import Job
from benchd.store.log import TraceRow
from benchd.web.bodies import ArchiveQuery, JobId
from benchd.web.description import shape
from benchd.web.port import BenchPort, TraceForm
from benchd.web.trace_routes import TraceId

MEDIA: dict[TraceForm, tuple[str, str]] = {
    "csv": ("text/csv; charset=utf-8", "csv"),
    "parquet": ("application/vnd.apache.parquet", "parquet"),
    "lines": ("text/plain; charset=utf-8", "lp"),
}
"""Media type (RFC 4180 §3; IANA's list of media types), and how the file's name ends."""
_AT_ONCE = 1 << 18


def router(bench: BenchPort) -> APIRouter:
    """Routes over the bench port."""
    r = APIRouter(tags=["files"])

    async def sent(id: str, form: TraceForm) -> Response:
        media, ending = MEDIA[form]
        return _sent(await bench.trace_file(id, form), f"{id}.{ending}", media)

    @r.get("/traces/{id}/csv", responses=_file(TraceRow, "text/csv"))
    async def csv(id: TraceId) -> Response:
        """All its readings as a file: `time_s,voltage_v,current_a`, with `# key: value` lines above the header."""
        return await sent(id, "csv")

    @r.get("/traces/{id}/parquet", responses=_file(TraceRow, "application/vnd.apache.parquet"))
    async def parquet(id: TraceId) -> Response:
        """All its readings as Apache Parquet, with flags, all marks and times in ns."""
        return await sent(id, "parquet")

    @r.get("/traces/{id}/lines", responses=_file(TraceRow, "text/plain"))
    async def lines(id: TraceId) -> Response:
        """All its readings, its trips and findings as the lines that go to a time-series server."""
        return await sent(id, "lines")

    @r.get("/jobs/{id}/archive", responses=_file(Job, "application/zip"))
    async def archive(id: Annotated[JobId, Path()], query: Annotated[ArchiveQuery, Query()]) -> Response:
        """The whole job with journal, traces, trips and readings, for `benchd job unpack` on another bench."""
        return _sent(await bench.job_file(id, query.csv, query.without_person), f"{id}.zip", "application/zip")

    return r


def _file(fault: Any, media: str) -> dict[int | str, dict[str, Any]]:
    content = {media: {"schema": {"type": "string", "format": "binary"}}}
    return {**shape(fault), 200: {"description": "The file.", "content": content}}


def _sent(file: BinaryIO, name: str, media: str) -> Response:
    headers = {
        "Content-Disposition": f'attachment; filename="{re.sub(r"[^A-Za-z0-9._-]", "-", name)}"',
        "Content-Length": str(file.seek(0, os.SEEK_END)),
    }
    file.seek(0)
    return StreamingResponse(_pieces(file), media_type=media, headers=headers)


def _pieces(file: BinaryIO) -> Iterator[bytes]:
    with file:
        while piece := file.read(_AT_ONCE):
            yield piece
