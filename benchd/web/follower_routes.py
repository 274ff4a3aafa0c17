"""The servers that the log goes to: how each follower stands, and what its server would not take."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Query
from starlette.responses import Response

from benchd.store.follower_rows import RejectedRow
from benchd.web.bodies import RejectedQuery
from benchd.web.description import FollowerView, shape
from benchd.web.port import BenchPort
from benchd.web.shapes import answer

FollowerName = Annotated[str, Path(min_length=1, max_length=40, pattern=r"^[a-z]+( [a-z]+)?$")]


def router(bench: BenchPort) -> APIRouter:
    """Routes over the bench port."""
    r = APIRouter(tags=["followers"])

    @r.get("/followers", responses=shape(FollowerView, many="followers"))
    async def followers() -> Response:
        """Every follower: state, backlog, how old the oldest of it is, and how much was refused for good."""
        return answer({"followers": [{"name": name, **told} for name, told in bench.view().followers.items()]})

    @r.get("/followers/{name}/rejected", responses=shape(RejectedRow, many="rejected"))
    async def rejected(name: FollowerName, query: Annotated[RejectedQuery, Query()]) -> Response:
        """What its server refused for good, newest first: the item as it was sent, and the server's reason."""
        return answer({"rejected": await bench.rejected(name, query.limit)})

    return r
