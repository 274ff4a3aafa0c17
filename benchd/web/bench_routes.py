"""The bench now: state, power, marks, the live stream."""

from __future__ import annotations

from typing import Annotated

import msgspec
from fastapi import APIRouter, Path, Query, Request, WebSocket
from starlette.responses import Response

from benchd.web.bodies import ByBody, ConsentBody, MarkBody, PowerOnBody, RecentQuery, SeenBody
from benchd.web.caller import who
from benchd.web.description import shape
from benchd.web.live import pump
from benchd.web.port import BenchPort, BenchView, ChannelView, Refused
from benchd.web.shapes import answer, columns

LATE_S = 3.0
"""What switches something on and was asked longer ago than this is not done any more: it waited in a dead network."""

SupplyName = Annotated[str, Path(min_length=1, max_length=64)]
ChannelNumber = Annotated[int, Path(ge=1, le=31)]
CHANNEL = "/supplies/{supply}/channels/{ch}"


def router(bench: BenchPort) -> APIRouter:
    """Routes over the bench port. Handlers return a `Response` that is already encoded."""
    r = APIRouter(tags=["bench"])
    _add_bench(r, bench)
    _add_channels(r, bench)
    return r


def _add_bench(r: APIRouter, bench: BenchPort) -> None:
    """The bench as a whole, and its stream."""

    @r.get("/bench", responses=shape(BenchView))
    async def bench_now() -> Response:
        """The whole bench, now."""
        return answer(bench.view())

    @r.post("/off", responses=shape(BenchView))
    async def all_off() -> Response:
        """Switch every output off. Answers when all are confirmed off; doing it again is safe."""
        await bench.power_off(None, None)
        return answer(bench.view())

    @r.get("/recent", responses=shape("Columns"))
    async def recent(query: Annotated[RecentQuery, Query()]) -> Response:
        """The newest readings of one channel, for a page that just opened. `t_s` counts from the first of them."""
        samples = await bench.recent(query.supply, query.channel, query.seconds)
        start_ns = int(samples.t_ns[0]) if len(samples) else 0
        return answer(columns(samples, start_ns, query.points))

    @r.websocket("/live")
    async def live(socket: WebSocket) -> None:
        await pump(socket, bench)


def _add_channels(r: APIRouter, bench: BenchPort) -> None:
    """What is asked of one output, or of its supply."""

    def channel(supply: str, ch: int) -> Response:
        return answer(_channel_of(bench.view(), supply, ch))

    @r.post(CHANNEL + "/off", responses=shape(ChannelView))
    async def channel_off(supply: SupplyName, ch: ChannelNumber) -> Response:
        """Switch one output off. Answers when it is confirmed off; doing it again is safe."""
        await bench.power_off(supply, ch)
        return channel(supply, ch)

    @r.post(CHANNEL + "/on", responses=shape(ChannelView))
    async def channel_on(
        request: Request, supply: SupplyName, ch: ChannelNumber, body: PowerOnBody | None = None
    ) -> Response:
        """Switch one output on, within its envelope, with a power plan; or with less than the plan says."""
        asked = body or PowerOnBody()  # type: ignore[call-arg]
        _still_so(bench.view(), supply, ch, asked)
        by = who(request, asked.by)
        await bench.power_on(supply, ch, asked.plan, voltage_v=asked.voltage_v, limit_a=asked.limit_a, by=by)
        return channel(supply, ch)

    @r.post(CHANNEL + "/next", responses=shape(ChannelView))
    async def advance(request: Request, supply: SupplyName, ch: ChannelNumber, body: ByBody | None = None) -> Response:
        """End the stage `hold`: the limit is raised to that of the boot. Refused in any other stage."""
        asked = body or ByBody()  # type: ignore[call-arg]
        _still_so(bench.view(), supply, ch, asked)
        await bench.advance(supply, ch, who(request, asked.by))
        return channel(supply, ch)

    @r.post("/supplies/{supply}/consent", responses=shape(BenchView))
    async def consent(request: Request, supply: SupplyName, body: ConsentBody) -> Response:
        """Consent, once, to an unverified profile; switches nothing. Doing it again is safe."""
        await bench.consent(supply, body.key, who(request, body.who))
        return answer(bench.view())

    @r.post(CHANNEL + "/rearm", responses=shape(ChannelView))
    async def rearm(request: Request, supply: SupplyName, ch: ChannelNumber, body: ByBody | None = None) -> Response:
        """Release the latch after a trip, after its pause. A person has looked at the board; the output stays off."""
        asked = body or ByBody()  # type: ignore[call-arg]
        _still_so(bench.view(), supply, ch, asked)
        await bench.rearm(supply, ch, who(request, asked.by))
        return channel(supply, ch)

    @r.post(CHANNEL + "/mark", responses=shape(ChannelView))
    async def mark(supply: SupplyName, ch: ChannelNumber, body: MarkBody) -> Response:
        """Mark this moment in the open trace."""
        await bench.mark(supply, ch, body.kind)
        return channel(supply, ch)


def _channel_of(view: BenchView, supply: str, ch: int) -> ChannelView | None:
    return next((c for c in view.channels if (c.supply, c.channel) == (supply, ch)), None)


def _still_so(view: BenchView, supply: str, ch: int, asked: SeenBody) -> None:
    """Raises Refused('stale') for what was asked by an old state, or so long ago that nobody waits for it any more."""
    if (now := _channel_of(view, supply, ch)) is None:
        return  # who is asked knows what to say of that
    present = msgspec.to_builtins(now)
    if asked.asked_ns is not None and abs(late_s := (view.t_ns - asked.asked_ns) / 1e9) > LATE_S:
        when = f"{late_s:.1f} s ago" if late_s > 0 else f"{-late_s:.1f} s ahead"
        told = f"asked {when} by the bench's clock, at most {LATE_S:g} s are allowed"
        raise Refused("stale", f"{supply}/{ch}: {told}; nothing was done: look at the bench and ask again", present)
    if asked.seen is not None and asked.seen != now.version:
        told = f"asked by state {asked.seen}, and it is at {now.version}: {_standing(now)}"
        raise Refused("stale", f"{supply}/{ch} has changed meanwhile ({told}); look again, then ask again", present)


def _standing(now: ChannelView) -> str:
    latched = ", tripped" if now.latched else ""
    return f"output {now.output}{latched}" if now.link_up else f"not reached, output {now.output}"
