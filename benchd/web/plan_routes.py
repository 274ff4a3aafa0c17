"""Power plans: those there are, and plans of one's own to make, change and delete."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Path, Query, Request
from starlette.responses import Response

from benchd.web.bodies import PlanValues
from benchd.web.caller import caller_of
from benchd.web.description import shape
from benchd.web.port import BenchPort, PlanView, Refused
from benchd.web.settings_bodies import SeenQuery
from benchd.web.shapes import answer

PlanName = Annotated[str, Path(min_length=1, max_length=64)]


def router(bench: BenchPort) -> APIRouter:
    """Routes over the bench port. An output that is on keeps what it was switched on with, whatever happens here."""
    r = APIRouter(tags=["plans"])

    @r.get("/plans", responses=shape(PlanView, many="plans"))
    async def plans() -> Response:
        """All plans by name, each with the cautions that follow from it."""
        return answer({"plans": _sorted(bench)})

    @r.get("/plans/{name}", responses=shape(PlanView))
    async def one(name: PlanName) -> Response:
        """One plan."""
        found = next((p for p in bench.plans() if p.name == name), None)
        if found is None:
            there = ", ".join(p.name for p in _sorted(bench)) or "none"
            raise Refused("not-found", f"plan {name!r} is not there; there are: {there}")
        return answer(found)

    @r.put("/plans/{name}", responses=shape(PlanView))
    async def save(
        request: Request, name: PlanName, values: Annotated[PlanValues, Body()], q: Annotated[SeenQuery, Query()]
    ) -> Response:
        """Make or change a plan of one's own, by its keys as in its file. A refusal has one line for each fault."""
        return answer(await bench.save_plan(name, values, seen=q.seen, by=caller_of(request).name))

    @r.delete("/plans/{name}", responses=shape(PlanView, many="plans"))
    async def delete(request: Request, name: PlanName, q: Annotated[SeenQuery, Query()]) -> Response:
        """Delete a plan of one's own; one of that name in the settings, or shipped, is there again. Answers what is."""
        await bench.delete_plan(name, seen=q.seen, by=caller_of(request).name)
        return answer({"plans": _sorted(bench)})

    return r


def _sorted(bench: BenchPort) -> list[PlanView]:
    return sorted(bench.plans(), key=lambda p: p.name)
