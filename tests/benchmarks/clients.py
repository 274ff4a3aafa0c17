"""`clients`: what ten pages on the live stream cost the daemon, and how soon a page shows its first numbers."""

from __future__ import annotations

import asyncio
import contextlib
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator

import psutil

from tests.benchmarks.idle import share
from tests.benchmarks.processes import scripted
from tests.running import Bench, running
from tests.web.browser import chromium

CLIENTS = 10
SHOWN = """() => new Promise((resolve) => {
  const there = () => [...document.querySelectorAll('.big .value')].some((e) => /[0-9]/.test(e.textContent));
  const look = () => there() ? requestAnimationFrame(resolve) : setTimeout(look, 5);
  look();
})"""
"""Waits until a current is on the screen; by itself, since the page allows no code but its own."""


def measure(quick: bool = False) -> dict[str, float]:
    """Share of a core with ten pages less that with none, one supply at 50 readings/s, in turns; the median of several.

    `first_ms`: from asking for the page to a number of the bench on the screen, in a Chromium that has seen nothing of
    it before; the median too.
    """
    rounds, seconds = (1, 3.0) if quick else (5, 6.0)
    with scripted() as instrument, running({"busy": Bench(instrument.resource, 20.0)}) as daemon:
        daemon.on("busy")
        time.sleep(1 if quick else 5)  # start-up is over
        main = psutil.Process(daemon.process.pid)
        alone, with_pages = [], []
        for _ in range(rounds):
            alone.append(share([main], seconds))
            with _pages(daemon.url, CLIENTS):
                with_pages.append(share([main], seconds))
        first = asyncio.run(_first(daemon.url, 1 if quick else 5))
    costs = [more - less for more, less in zip(with_pages, alone, strict=True)]
    return {
        "clients": CLIENTS,
        "cpu_percent": round(100 * statistics.median(costs), 2),
        "cpu_percent_highest": round(100 * max(costs), 2),
        "cpu_percent_without": round(100 * statistics.median(alone), 2),
        "first_ms": round(statistics.median(first), 1),
        "first_ms_longest": round(max(first), 1),
    }


@contextlib.contextmanager
def _pages(url: str, count: int) -> Iterator[None]:
    """So many pages that read all they get, in a process of their own, ended by its own id."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.load", "pages", url, str(count)],
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "loading"
        time.sleep(1)
        yield
    finally:
        process.terminate()
        process.wait()


async def _first(url: str, times: int) -> list[float]:
    taken = []
    async with chromium() as browser:
        for _ in range(times):
            context = await browser.new_context(viewport={"width": 390, "height": 844})
            page = await context.new_page()
            began = time.perf_counter()
            await page.goto(url, wait_until="commit")
            await page.evaluate(SHOWN)
            taken.append((time.perf_counter() - began) * 1e3)
            await context.close()
    return taken
