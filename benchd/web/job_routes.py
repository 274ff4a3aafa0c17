"""Jobs, the job on the bench, and the journal."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from benchd.jobs.job import Job, JournalEntry
from benchd.web.bodies import BenchJobBody, ForgetBody, JobId, ListQuery, NoteBody
from benchd.web.caller import caller_of, who
from benchd.web.description import shape
from benchd.web.errors import ApiError
from benchd.web.port import BenchPort, BenchView, JobForgotten
from benchd.web.record_bodies import JobBody, JobsQuery
from benchd.web.shapes import answer


def router(bench: BenchPort, now_ns: Callable[[], int]) -> APIRouter:
    """Routes over the bench port."""
    r = APIRouter(tags=["jobs"])

    @r.get("/jobs", responses=shape(Job, many="jobs"))
    async def jobs(query: Annotated[JobsQuery, Query()]) -> Response:
        """Jobs, newest first: all, or those that are searched."""
        found = await bench.jobs(query.text, state=query.state, board=query.board, limit=query.limit)
        return answer({"jobs": sorted(found, key=lambda j: j.created_ns, reverse=True)})

    @r.post("/jobs", status_code=201, responses=shape(Job, status=201))
    async def create(body: JobBody, request: Request) -> Response:
        """Take a device in. A job id that is there already is refused; without one the next free id is made."""
        said = body.model_dump() | {"id": body.id or "", "consent": tuple(body.consent), "created_ns": now_ns()}
        return answer(await bench.create_job(Job(**said), caller_of(request).name), 201)

    @r.post("/jobs/{id}/forget", responses=shape(JobForgotten))
    async def forget(id: Annotated[JobId, Path()], body: ForgetBody, request: Request) -> Response:
        """Take a customer's data out of the log for good: texts, notes, the job's id. The traces stay."""
        if body.confirm != id:
            raise ApiError(
                400, "bad-value", f"confirm = {body.confirm!r}: give the job's id, {id}, once more", "confirm"
            )
        return answer(await bench.forget_job(id, who(request)))

    @r.put("/bench/job", responses=shape(BenchView))
    async def choose(body: BenchJobBody, request: Request) -> Response:
        """Put a job on the bench: the next trace goes to it."""
        await bench.choose_job(body.job, who(request))
        return answer(bench.view())

    @r.get("/journal", responses=shape(JournalEntry, many="entries"))
    async def journal(query: Annotated[ListQuery, Query()]) -> Response:
        """The timeline, newest first."""
        entries = await bench.journal(query.job, query.limit)
        return answer({"entries": sorted(entries, key=lambda e: e.seq, reverse=True)})

    @r.post("/journal", status_code=201, responses=shape(JournalEntry, status=201))
    async def note(body: NoteBody, request: Request) -> Response:
        """Write a note into the journal."""
        job = body.job if body.job is not None else bench.view().job
        return answer(await bench.note(job, body.text, who(request)), 201)

    return r
