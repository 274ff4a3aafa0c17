"""Debian's Chromium for tests of the page."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from playwright.async_api import Browser, Locator, Page, async_playwright, expect

from tests.services import needs

FLAGS = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
PHONE, TABLET, DESK = (390, 844), (820, 1180), (1440, 900)
PATIENCE_S = 30.0
"""For whatever is waited for: no figure, since the machine may be busy; then the library's own 5 s are not enough."""

expect.set_options(timeout=PATIENCE_S * 1000)


@asynccontextmanager
async def chromium() -> AsyncIterator[Browser]:
    """A browser; skips the test when there is none, fails it under CI=true."""
    path = needs("chromium", "chromium")
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=path, args=FLAGS)
        try:
            yield browser
        finally:
            await browser.close()


class Watched:
    """A page whose faults and requests are written down: anything in `faults` fails the test that looks."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.faults: list[str] = []
        self.requests: list[str] = []
        page.on("pageerror", lambda e: self.faults.append(str(e)))
        # Includes whatever the Content-Security-Policy blocked.
        page.on("console", lambda m: self.faults.append(m.text) if m.type in ("error", "warning") else None)
        page.on("request", lambda r: self.requests.append(r.url))


def by(place: Page | Locator, testid: str) -> Locator:
    """Elements by the name that tests know them by."""
    return place.get_by_test_id(testid)


async def eventually(condition: Callable[[], object]) -> None:
    """Wait until it is so."""
    async with asyncio.timeout(PATIENCE_S):
        while not condition():  # noqa: ASYNC110 - the bench has no event for it
            await asyncio.sleep(0.02)


async def open_page(browser: Browser, url: str, size: tuple[int, int] = PHONE, scheme: str = "dark") -> Watched:
    """The page, in a window of this size."""
    page = await browser.new_page(
        viewport={"width": size[0], "height": size[1]},
        color_scheme=scheme,  # type: ignore[arg-type]
    )
    page.set_default_timeout(PATIENCE_S * 1000)
    watched = Watched(page)
    await page.goto(url)
    return watched
