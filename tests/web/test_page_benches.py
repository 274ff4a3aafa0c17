"""The page of all benches: what it shows of what is heard, and what it never shows."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import httpx
import msgspec
import pytest
import pytest_asyncio
from playwright.async_api import Browser, expect

from benchd.web.app import create_app
from benchd.web.benches import Benches
from benchd.web.benches_app import create_benches_app
from benchd.web.benches_view import BenchesView
from benchd.web.server import serve
from tests.web.browser import DESK, PHONE, by, open_page
from tests.web.fake import START_NS, FakeBench
from tests.web.test_benches import who

WALL = (3840, 2160)


class Room:
    """A broker in memory: what is published is heard; its clock stands until it is moved."""

    def __init__(self) -> None:
        self.benches = Benches("broker.example:1883")
        self.benches.listening()
        self.at = 1000.0

    def publish(self, topic: str, payload: Any, retained: bool = False) -> None:
        raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        self.benches.take(f"benchd/{topic}", raw, retained, self.at)

    def state(self, topic: str, output: str, **more: Any) -> None:
        said = {"output": output, "reason": "asked", "link_up": True, "t_ns": START_NS, "run": "run-1"}
        self.publish(f"{topic}/state", said | more)

    def up(self, bench: str, output: str = "off", **more: Any) -> None:
        """A bench with one output comes up."""
        self.state(f"{bench}/psu-a/1", output, **more)
        self.publish(f"{bench}/who", who())
        self.publish(f"{bench}/availability", b"online")

    def reading(self, topic: str, volts: float, amps: float) -> None:
        said = {"t_ns": START_NS, "voltage_v": volts, "current_a": amps, "power_w": volts * amps, "mode": "cv"}
        self.publish(f"{topic}/reading", said)

    async def now(self) -> BenchesView:
        return self.benches.view(self.at)

    async def live(self) -> AsyncIterator[dict[str, Any]]:
        while True:
            yield {"type": "benches", **msgspec.to_builtins(self.benches.view(self.at))}
            await asyncio.sleep(0.05)


TRIP = {"rule": "short", "text": "In limit.", "detected_ns": START_NS, "off_confirmed": True}


def filled(room: Room, count: int = 20) -> None:
    """A full room: on, off, tripped, away, twice, unknown."""
    for n in range(count):
        room.up(f"bench-{n:02}", "on" if n % 3 == 0 else "off", job=f"R-{1040 + n}" if n % 4 else None)
        room.reading(f"bench-{n:02}/psu-a/1", 4.0 if n % 3 == 0 else 0.0, 0.061 * n if n % 3 == 0 else 0.0)
    room.state("bench-02/psu-b/2", "on")
    room.reading("bench-02/psu-b/2", 19.0, 1.234)
    room.state("bench-04/psu-a/1", "off", latched=True, trip=TRIP, job="R-1044")
    room.state("bench-07/psu-a/1", "unknown", reason="link-lost", latched=True, trip=TRIP | {"off_confirmed": False})
    room.state("bench-09/psu-a/1", "on", link_up=False)
    room.publish("bench-10/availability", b"offline")
    room.publish("bench-12/availability", b"offline")
    finding = {"signature": "low-stall", "confidence": 0.92}
    room.publish("bench-01/psu-a/1/finding", {"t_ns": START_NS, "job": "R-1041", "finding": finding})
    room.publish("bench-01/psu-a/1/trip", TRIP | {"t_ns": START_NS})
    room.publish("bench-14/who", who("run-2"))
    room.publish("bench-14/who", who("run-1"))


@asynccontextmanager
async def served(app: Any) -> AsyncIterator[str]:
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    task = asyncio.create_task(serve(app, "127.0.0.1", 0, ready.set_result))
    try:
        yield await asyncio.wait_for(ready, 10)
    finally:
        task.cancel()
        await asyncio.wait({task}, timeout=10)


@pytest.fixture
def room() -> Room:
    return Room()


@pytest_asyncio.fixture(loop_scope="session")
async def url(room: Room) -> AsyncIterator[str]:
    async with served(create_benches_app(room)) as found:
        yield found


@pytest.mark.needs_chromium
async def test_each_bench_is_shown_as_it_may_be_believed(browser: Browser, room: Room, url: str) -> None:
    room.up("north", "on", job="R-1042")
    room.reading("north/psu-a/1", 4.0, 0.0612)
    room.up("south", "off")
    room.publish("south/availability", b"offline")
    watched = await open_page(browser, url, DESK)
    north, south = by(watched.page, "bench-north"), by(watched.page, "bench-south")
    await expect(by(north, "output")).to_have_text("on")
    await expect(by(north, "current")).to_have_text("0.061\u00a0A")
    await expect(by(north, "job")).to_have_text("R-1042")
    await expect(by(south, "output")).to_have_text("away")
    await expect(by(south, "doubt")).to_contain_text("Last known: off")
    await expect(by(watched.page, "tally")).to_contain_text("1 away")
    assert "off" not in (await by(watched.page, "tally").inner_text())

    room.publish("north/availability", b"offline")  # it was on when it went: that stays loud
    await expect(by(north, "output")).to_have_text("unknown")
    await expect(by(north, "doubt")).to_contain_text("Last known: on")
    await expect(by(north, "standing")).to_contain_text("The bench is away")

    room.up("north", "off", latched=True, trip=TRIP)
    await expect(by(north, "latched")).to_contain_text("Tripped: Short")
    await expect(by(north, "latched")).to_contain_text("Output is off, read back.")
    await expect(by(watched.page, "tripped")).to_have_text("north: Short")
    await expect(watched.page).to_have_title("TRIPPED north")
    room.state("north/psu-a/1", "unknown", latched=True, trip=TRIP, reason="link-lost")
    await expect(by(north, "latched")).to_contain_text("OFF IS NOT CONFIRMED")
    assert watched.faults == []
    assert all(request.startswith((url, url.replace("http", "ws"))) for request in watched.requests)


@pytest.mark.needs_chromium
async def test_nothing_is_off_when_nothing_is_heard(browser: Browser, room: Room) -> None:
    room.up("north", "off")
    async with served(create_benches_app(room)) as url:
        watched = await open_page(browser, url)
        output = by(by(watched.page, "bench-north"), "output")
        await expect(output).to_have_text("off")
        room.benches.deaf("broker.example:1883: refused")
        await expect(output).to_have_text("unknown")
        await expect(by(watched.page, "missing")).to_have_text(
            "The benches are not heard: broker.example:1883: refused"
        )
        room.benches.listening()
        room.up("north", "off")
        await expect(output).to_have_text("off")
    await expect(output).to_have_text("unknown")  # the page's own server has gone
    await expect(by(watched.page, "missing")).to_contain_text("This page hears nothing")


@pytest.mark.needs_chromium
async def test_a_broker_that_was_never_heard_is_no_room_without_benches(browser: Browser, room: Room) -> None:
    room.benches = Benches("broker.example:1883")
    room.benches.deaf("broker.example:1883: nothing listens there")
    async with served(create_benches_app(room)) as url:
        watched = await open_page(browser, url)
        await expect(by(watched.page, "tally")).to_have_text("benches not known")
        await expect(by(watched.page, "link")).to_have_text("not heard")
        await expect(by(watched.page, "missing")).to_contain_text("The benches are not heard: broker.example:1883")
        room.benches.listening()
        await expect(by(watched.page, "tally")).to_have_text("0 benches")
        await expect(by(watched.page, "link")).to_have_text("live")


@pytest.mark.needs_chromium
async def test_a_full_room_fits_phone_desk_and_wall(browser: Browser, room: Room, url: str) -> None:
    filled(room)
    watched = await open_page(browser, url)
    await expect(by(watched.page, "bench-bench-19")).to_be_attached()
    for size, least in ((PHONE, 25), (DESK, 28), (WALL, 48)):
        await watched.page.set_viewport_size({"width": size[0], "height": size[1]})
        look = "e => [e.scrollWidth, e.scrollHeight]"
        wide, high = await watched.page.locator("html").evaluate(look)
        assert wide <= size[0]
        output = by(by(watched.page, "bench-bench-00"), "output")
        assert await output.evaluate("e => parseFloat(getComputedStyle(e).fontSize)") >= least
        cut = "[...document.querySelectorAll('.card')].filter(c => c.scrollWidth > c.clientWidth).map(c => c.id)"
        assert await watched.page.evaluate(cut) == []
    assert high <= WALL[1]  # a wall screen has nobody who scrolls
    assert watched.faults == []


async def test_a_bench_has_the_page_too_and_says_when_it_has_no_broker(room: Room) -> None:
    room.up("north", "off")
    with_broker = create_app(FakeBench(), bench_name="north", benches=room)
    async with httpx.AsyncClient(transport=httpx.ASGITransport(with_broker), base_url="http://localhost") as client:
        page = await client.get("/benches")
        assert page.status_code == 200
        assert "<title>All benches</title>" in page.text
        found = (await client.get("/api/v1/benches")).json()
        assert [(b["bench"], b["standing"], b["outputs"][0]["output"]) for b in found["benches"]] == [
            ("north", "online", "off")
        ]
        foreign = await client.get("/api/v1/benches", headers={"Host": "elsewhere.example"})
        assert foreign.status_code == 403
    without = create_app(FakeBench(), bench_name="north")
    async with httpx.AsyncClient(transport=httpx.ASGITransport(without), base_url="http://localhost") as client:
        found = (await client.get("/api/v1/benches")).json()
        assert (found["heard"], found["benches"]) == (False, [])
        assert "[mqtt] in benchd.toml" in found["text"]


async def test_the_page_by_itself_has_no_bench(url: str) -> None:
    async with httpx.AsyncClient(base_url=url) as client:
        assert "<title>All benches</title>" in (await client.get("/")).text
        assert (await client.post("/api/v1/off")).status_code in (404, 405)
        described = (await client.get("/api/v1/openapi.json")).json()
        entering = ("/me", "/sign-in", "/sign-out", "/pair", "/session")
        others = [path for path in described["paths"] if not path.startswith(entering)]
        assert others == ["/benches"], "beside signing in and out there is nothing to ask"


@pytest.mark.needs_chromium
async def test_the_way_from_a_bench_to_all_benches(browser: Browser, room: Room) -> None:
    room.up("north", "off")
    bench = FakeBench()
    async with served(create_app(bench, bench_name="north", benches=room)) as url:
        watched = await open_page(browser, url, DESK)
        link = watched.page.locator("#all-benches")
        await expect(by(watched.page, "link")).to_have_text("live")
        await expect(link).to_be_hidden()  # without a broker there is nothing to see
        bench.followers["mqtt"] = {"state": "ok", "text": "", "backlog": 0, "rejected": 0, "last_ok_ns": None}
        await watched.page.reload()
        await link.click()
        await expect(by(by(watched.page, "bench-north"), "output")).to_have_text("off")
        assert watched.faults == []
