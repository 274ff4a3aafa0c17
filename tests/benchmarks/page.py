"""`page`: how long a trace of 1 000 000 readings takes to be drawn, and a reading to become a pixel, in Chromium; and
spikes of one reading that cannot be seen at some zoom.

Everything is real but the supply: the daemon with its guard and log, the page, the browser (headless, without a
graphics processor). Each trace is opened for the first time: nothing of it is in memory. What counts as drawn is read
back from the canvas: the curve's colour at both ends of the plot; and in each frame, so the figure is the frame after.
"""

from __future__ import annotations

import asyncio
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from playwright.async_api import Page

from benchd.reading import Mode
from benchd.store.descriptor_rows import keep_row
from benchd.store.filing import summarise
from benchd.store.log import Log
from benchd.traces.nearest import describe
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Trace
from tests.benchmarks.percentile import percentile
from tests.benchmarks.recorded import T0, block_of
from tests.running import Bench, running
from tests.simulated import SimulatedSupply
from tests.web.browser import DESK, chromium

READINGS = 1_000_000
SPIKES = 40
SPIKE_A = 2.0
HIGH_A = 0.03
"""The board that is clipped on draws 45 mA at once."""
LIMIT_A = 0.3
"""Its capacitors draw no more while they charge: the axis stays short."""
SCRIPT = Path(__file__).with_suffix(".js")
STUCK_S = 60.0
"""The script in the page gives up by itself and says for what; but not when the page has no frames any more."""


def measure(quick: bool = False) -> dict[str, float]:
    """The figures of budget `page`."""
    return asyncio.run(_measure(traces=2 if quick else 7, rises=5 if quick else 60, zooms=4 if quick else 16))


async def _measure(traces: int, rises: int, zooms: int) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as name, SimulatedSupply() as sim:
        folder = Path(name)
        spikes_s = _filed(folder / "data" / "benchd.sqlite", traces)
        with running({"s": Bench(sim.resource, 5.0, "benchd-sim")}, folder=folder) as daemon:
            async with chromium() as browser:
                page = await browser.new_page(viewport={"width": DESK[0], "height": DESK[1]}, color_scheme="dark")
                await page.add_init_script(path=SCRIPT)
                await page.goto(f"{daemon.url}/#traces")
                await page.get_by_test_id("trace-row").first.wait_for()
                drawn = [await _ask(page, "id => drawn(id)", f"T{n}") for n in range(traces)]
                looked, lost = await _lost(page, spikes_s, zooms)
                await page.goto(f"{daemon.url}/#bench")
                daemon.call("POST", "supplies/s/channels/1/on", {"limit_a": LIMIT_A})
                late = await _live(page, sim, rises)
                daemon.off("s")
    return {
        "draw_ms": round(percentile(drawn, 50), 1),
        "draw_max_ms": round(max(drawn), 1),
        "live_p50_ms": round(percentile(late, 50), 1),
        "live_p95_ms": round(percentile(late, 95), 1),
        "spikes_lost": lost,
        "spikes_looked_for": looked,
        "readings": READINGS,
    }


def _filed(path: Path, traces: int) -> list[list[float]]:
    """File traces T0, T1 … with spikes of a single reading; the times of those, s after each trace's start."""
    rng = np.random.default_rng(8)
    spikes_s = []
    with Log.open(path) as log:
        for n in range(traces):
            samples = _readings(rng, T0 + n * 2 * READINGS * 1_000_000)
            places = np.sort(rng.choice(READINGS, SPIKES, replace=False))
            samples.current_a[places] = SPIKE_A
            start_ns = int(samples.t_ns[0])
            spikes_s.append(((samples.t_ns[places] - start_ns) / 1e9).tolist())
            trace = Trace(samples, start_ns, Conditions(set_voltage_v=4.0))
            described = describe(trace)
            with log.transaction() as db:
                log.add_block(block_of(samples, "archive"), None, f"T{n}")
                log.add_trace(summarise(trace, f"T{n}", None, "archive", 1, int(samples.t_ns[-1]), "off", None))
                keep_row(db, f"T{n}", described)  # as filing does; else the first search would do it
    return spikes_s


def _readings(rng: np.random.Generator, start_ns: int) -> Samples:
    """1000 readings/s of a board that works now and then."""
    n = READINGS
    t = start_ns + np.arange(n) * 1_000_000 + rng.integers(0, 200_000, n)
    busy = np.repeat(rng.uniform(0.1, 0.6, n // 5000), 5000)
    amps = np.round(np.abs(busy + rng.normal(0, 0.02, n)), 4)
    volts = np.round(4.0 - 0.1 * amps + rng.normal(0, 0.001, n), 3)
    return Samples(t, volts, amps, np.full(n, Mode.CV, np.uint8), np.zeros(n, np.uint8))


async def _lost(page: Page, spikes_s: list[list[float]], zooms: int) -> tuple[int, int]:
    """Look for the spikes of the trace that is open, ever closer about one of them and back to the whole; how many
    were looked for, and how many of them were not there."""
    times = spikes_s[-1]
    looked = lost = 0
    for about in (times[3], times[SPIKES // 2]):
        await page.get_by_role("button", name="Whole").click()
        for _ in range(zooms):
            found: dict[str, Any] = await _ask(page, "times => spikes(times)", times)
            looked += found["looked"]
            lost += found["lost"]
            await _ask(page, "s => closer(s)", about)
    return looked, lost


async def _live(page: Page, sim: SimulatedSupply, rises: int) -> list[float]:
    """From the moment of the first high reading to its pixel, ms: the board is clipped on and off."""
    late = []
    sim.board(1, "leak-only")
    for n in range(rises):
        await asyncio.to_thread(sim.connect, 1, False)
        await _ask(page, "() => low()")
        # Not in step with anything that comes twenty times a second.
        await asyncio.sleep(0.2 + (n * 0.0137) % 0.05)
        waiting = asyncio.create_task(_ask(page, "least => high(least)", HIGH_A))
        await asyncio.sleep(0.05)
        await asyncio.to_thread(sim.connect, 1, True)
        late.append(await waiting)
    return late


async def _ask(page: Page, script: str, argument: object = None) -> Any:
    """What a function of the script in the page answers. Raises TimeoutError when it does not."""
    try:
        async with asyncio.timeout(STUCK_S):
            return await page.evaluate(script, argument)
    except TimeoutError:
        raise TimeoutError(f"the page did not answer {script!r} with {argument!r:.80} within {STUCK_S:.0f} s") from None
