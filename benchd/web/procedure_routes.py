"""Procedures: cards, their runs, what the operator says to a run; leads."""

from __future__ import annotations

import time
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from benchd.procedures.record import LeadSet
from benchd.web.caller import who
from benchd.web.description import shape
from benchd.web.procedure_bodies import (
    AnswerBody,
    BinsQuery,
    CardName,
    LeadBody,
    LeadSetBody,
    PointBody,
    ResumeBody,
    RunBody,
    RunByBody,
    RunCheckBody,
    RunId,
    RunReferenceBody,
    RunsQuery,
    SideBody,
)
from benchd.web.procedure_port import (
    Leads,
    ProcedureCard,
    ProcedureChecked,
    ProcedurePort,
    Procedures,
    ProcedureView,
    RunAsk,
    RunBins,
    RunRow,
    RunView,
    SideChosen,
)
from benchd.web.shapes import answer


def router(desk: ProcedurePort) -> APIRouter:
    """Routes over the desk."""
    r = APIRouter(tags=["procedures"])
    _cards(r, desk)
    _runs(r, desk)
    _said(r, desk)
    _leads(r, desk)
    return r


def _cards(r: APIRouter, desk: ProcedurePort) -> None:
    @r.get("/procedures", responses=shape(Procedures))
    async def procedures() -> Response:
        """All cards. Their texts are files of the kind `procedure` under /settings/files."""
        return answer(await desk.procedures())

    @r.get("/procedures/{name}", responses=shape(ProcedureCard))
    async def procedure(name: CardName) -> Response:
        """One card."""
        return answer(await desk.procedure(name))

    @r.post("/procedures/{name}/check", responses=shape(ProcedureChecked))
    async def check(name: CardName, body: RunCheckBody) -> Response:
        """What a run would set at most, how long it takes, and why it cannot begin. Switches nothing."""
        return answer(await desk.check_run(RunAsk(name, _sides(body.sides), dict(body.parameters))))


def _runs(r: APIRouter, desk: ProcedurePort) -> None:
    @r.get("/runs", responses=shape(RunRow, many="runs"))
    async def runs(query: Annotated[RunsQuery, Query()]) -> Response:
        """Runs, newest first; those that go on are in the bench's view, too."""
        return answer({"runs": await desk.runs(query.job, query.card, query.limit)})

    @r.post("/runs", status_code=201, responses=shape(ProcedureView, status=201))
    async def begin(body: RunBody, request: Request) -> Response:
        """Begin a run. It switches outputs on, inside their plans, and off at its end."""
        by = who(request, body.by)
        ask = RunAsk(body.card, _sides(body.sides), dict(body.parameters), body.accept_cautions, by)
        return answer(await desk.begin(ask), 201)

    @r.get("/runs/{id}", responses=shape(RunView))
    async def run(id: RunId) -> Response:
        """One run, with its results."""
        return answer(await desk.run(id))

    @r.get("/runs/{id}/bins", responses=shape(RunBins))
    async def bins(id: RunId, query: Annotated[BinsQuery, Query()]) -> Response:
        """The course of a run in columns, for a picture."""
        return answer(await desk.bins(id, query.role, query.columns))


def _said(r: APIRouter, desk: ProcedurePort) -> None:
    """What people say to a run."""

    @r.post("/runs/{id}/answer", responses=shape(ProcedureView))
    async def say(id: RunId, body: AnswerBody, request: Request) -> Response:
        """Answer its question."""
        return answer(await desk.answer(id, body.name, body.value, who(request, body.by)))

    @r.post("/runs/{id}/point", responses=shape(ProcedureView))
    async def point(id: RunId, body: PointBody, request: Request) -> Response:
        """Where the probe is; what it reads there is written down."""
        return answer(await desk.point(id, body.text, body.photo, who(request, body.by)))

    @r.post("/runs/{id}/done", responses=shape(ProcedureView))
    async def done(id: RunId, request: Request, body: RunByBody | None = None) -> Response:
        """The live measurement is done."""
        return answer(await desk.done(id, who(request, (body or RunByBody()).by)))

    @r.post("/runs/{id}/stop", responses=shape(RunView))
    async def stop(id: RunId, request: Request, body: RunByBody | None = None) -> Response:
        """End it, outputs off. Whoever was let in may do that; doing it again is safe."""
        return answer(await desk.stop(id, who(request, (body or RunByBody()).by)))

    @r.post("/runs/{id}/resume", responses=shape(ProcedureView))
    async def resume(id: RunId, request: Request, body: ResumeBody | None = None) -> Response:
        """Go on with a run that was interrupted, where its card allows that. The gap stays in its record."""
        asked = body or ResumeBody()  # type: ignore[call-arg]
        return answer(await desk.resume(id, asked.accept_cautions, who(request, asked.by)))

    @r.post("/runs/{id}/reference", responses=shape(RunView))
    async def reference(id: RunId, body: RunReferenceBody, request: Request) -> Response:
        """A good board's run: others on its kind of board are compared with it."""
        return answer(await desk.make_reference(id, body.board, body.note, who(request)))


def _leads(r: APIRouter, desk: ProcedurePort) -> None:
    @r.get("/leads", responses=shape(Leads))
    async def leads() -> Response:
        """What the leads of each output have, and what was kept of it."""
        return answer(await desk.leads())

    @r.post("/leads", status_code=201, responses=shape(Leads, status=201))
    async def typed(body: LeadBody, request: Request) -> Response:
        """Type in what leads were measured to have elsewhere."""
        given = LeadSet(
            body.supply, body.channel, body.name, body.ohm, body.u_ohm, 0.0, body.celsius, time.time_ns(),
            by=who(request),
        )  # fmt: skip
        return answer(await desk.type_leads(given), 201)

    @r.post("/leads/in-use", responses=shape(Leads))
    async def put_on(body: LeadSetBody, request: Request) -> Response:
        """Say which of several sets of leads is on an output now; it was measured or typed before."""
        return answer(await desk.put_on_leads(body.supply, body.channel, body.name, who(request)))


def _sides(given: list[SideBody]) -> tuple[SideChosen, ...]:
    return tuple(SideChosen(each.role, each.supply, each.channel, each.plan) for each in given)
