from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest
import pytest_asyncio
from playwright.async_api import Browser

from benchd.web.access import Access
from benchd.web.app import create_app
from benchd.web.desks import Desks
from benchd.web.server import serve
from tests.web.browser import PATIENCE_S, chromium
from tests.web.fake import START_NS, FakeBench
from tests.web.fake_procedures import FakeProcedures
from tests.web.fake_record import FakeRecords
from tests.web.fake_windows import FakeWindows


@pytest.fixture
def bench() -> FakeBench:
    return FakeBench()


@pytest.fixture
def desks() -> Desks | None:
    """Who is asked beside the bench; a module that tests such a desk gives its own."""
    return None


@pytest.fixture
async def http(bench: FakeBench, desks: Desks | None) -> AsyncIterator[httpx.AsyncClient]:
    """The app, asked in process."""
    app = create_app(bench, bench_name="north", allowed_hosts=["Bench.Example"], now_ns=lambda: START_NS, desks=desks)
    # The app re-raises what it answered with 500; here the answer is what counts.
    transport = httpx.ASGITransport(app, raise_app_exceptions=False)
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost:8425") as client:
        yield client


@asynccontextmanager
async def served(
    bench: FakeBench,
    root: Path | None = None,
    port: int = 0,
    *,
    desks: Desks | None = None,
    access: Access | None = None,
) -> AsyncIterator[str]:
    """The app on a real port; the URL."""
    ready: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    app = create_app(bench, bench_name="north", root=root, desks=desks, access=access)
    task = asyncio.create_task(serve(app, "127.0.0.1", port, ready.set_result))
    try:
        await asyncio.wait({task, ready}, return_when=asyncio.FIRST_COMPLETED, timeout=PATIENCE_S)
        if task.done():
            task.result()
        yield ready.result()
    finally:
        task.cancel()
        await asyncio.wait({task}, timeout=PATIENCE_S)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests of the page share one loop, and so one browser: to start it takes longer than most of them."""
    for item in items:
        if {"shared_browser", "url"} & set(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.asyncio(loop_scope="session"), append=False)


@pytest_asyncio.fixture(scope="session", loop_scope="session")
async def shared_browser() -> AsyncIterator[Browser]:
    """One browser for all tests of a worker."""
    async with chromium() as found:
        yield found


@pytest_asyncio.fixture(loop_scope="session")
async def browser(shared_browser: Browser) -> AsyncIterator[Browser]:
    """A browser in which no other test's page is open, and nothing of one is kept."""
    yield shared_browser
    await close_pages(shared_browser)


async def close_pages(browser: Browser) -> None:
    """Before the server goes, which else waits for them."""
    for context in browser.contexts:
        await context.close()


@pytest_asyncio.fixture(loop_scope="session")
async def url(bench: FakeBench, desks: Desks | None, request: pytest.FixtureRequest) -> AsyncIterator[str]:
    """The page of the bench in memory; without desks of the test's own, jobs and filed traces can be looked at."""
    async with served(
        bench, desks=desks or Desks(records=FakeRecords(bench), windows=FakeWindows(bench), procedures=FakeProcedures())
    ) as found:
        yield found
        if "shared_browser" in request.fixturenames:
            await close_pages(request.getfixturevalue("shared_browser"))
