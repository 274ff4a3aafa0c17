"""What the technician did, and what is to be ticked: steps and checklists of a job."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from benchd.jobs.job import JournalEntry
from benchd.jobs.ticks import ListState
from benchd.web.bodies import JobId
from benchd.web.caller import caller_of
from benchd.web.description import shape
from benchd.web.shapes import answer
from benchd.web.step_bodies import ItemId, ListName, StepBody, TickBody, TimelineQuery
from benchd.web.step_port import Checklists, StepKinds, StepPort, Timeline

Id = Annotated[JobId, Path()]
Seq = Annotated[int, Path(ge=-(2**63), le=2**63 - 1, description="`seq` of the step's entry.")]


def router(desk: StepPort) -> APIRouter:
    """Routes over the desk."""
    r = APIRouter(tags=["step"])

    @r.get("/steps", responses=shape(StepKinds))
    async def kinds() -> Response:
        """The kinds of steps to choose from, in the order to be offered."""
        return answer(await desk.kinds())

    @r.post("/jobs/{id}/steps", status_code=201, responses=shape(JournalEntry, status=201))
    async def add(id: Id, body: StepBody, request: Request) -> Response:
        """Write down what was done to the board."""
        entry = await desk.add_step(
            id, body.step, detail=body.detail, text=body.text, minutes=body.minutes, effect=body.effect,
            anyway=body.anyway, by=caller_of(request).name,
        )  # fmt: skip
        return answer(entry, 201)

    @r.post("/jobs/{id}/steps/{seq}/take-back", responses=shape(JournalEntry))
    async def take_back(id: Id, seq: Seq, request: Request) -> Response:
        """A step that was written down by mistake. It stays in the journal, marked as taken back; again is refused."""
        return answer(await desk.take_back(id, seq, caller_of(request).name))

    @r.get("/jobs/{id}/timeline", responses=shape(Timeline))
    async def timeline(id: Id, query: Annotated[TimelineQuery, Query()]) -> Response:
        """What happened to a job, newest first; each step with the traces before and after it."""
        return answer(await desk.timeline(id, query.limit))

    @r.get("/jobs/{id}/checklists", responses=shape(Checklists))
    async def checklists(id: Id) -> Response:
        """The checklists that apply to a job, and how each item stands."""
        return answer(await desk.checklists(id))

    @r.put("/jobs/{id}/checklists/{list_name}/{item}", responses=shape(ListState))
    async def tick(id: Id, list_name: ListName, item: ItemId, body: TickBody, request: Request) -> Response:
        """Tick an item, say that it is not needed, or open it again. Answers the whole list."""
        ticked = await desk.tick(
            id, list_name, item, body.state, note=body.note, seen=body.seen, by=caller_of(request).name
        )
        return answer(ticked)

    return r
