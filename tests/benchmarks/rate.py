"""`rate`: readings/s that the guard delivers, over those of a bare pyvisa loop; by turns, same instrument latency.
The guard's outputs are on and its rules judge every reading.

The 16 supplies are measured at 20 ms latency each, as bench supplies of the faster kind have; the instruments are
16 processes on the machine that also runs the guard.
"""

from __future__ import annotations

import asyncio
import contextlib
import statistics
import subprocess
import sys
import tempfile
import time

from benchd.guard.client import GuardClient
from benchd.guard.wire import ChannelConfig, Configure, Report, RuleLimits, SupplyConfig
from benchd.reading import Block
from tests.benchmarks.processes import scripted


def measure(quick: bool = False) -> dict[str, float]:
    """The figures of budget `rate`."""
    seconds, rounds = (0.5, 1) if quick else (2.0, 5)
    figures: dict[str, float] = {}
    for name, latency_s in (("0_5ms", 0.0005), ("2ms", 0.002), ("20ms", 0.020)):
        with scripted(latency_s) as instrument:
            figures |= _compare(name, [instrument.resource], seconds, rounds)
    with contextlib.ExitStack() as stack:
        many = [stack.enter_context(scripted(0.020)).resource for _ in range(4 if quick else 16)]
        figures |= _compare("16_supplies", many, seconds, rounds)
    return figures


def _compare(name: str, resources: list[str], seconds: float, rounds: int) -> dict[str, float]:
    pairs = []
    for _ in range(rounds):
        bare = _bare(resources, seconds)
        pairs.append((bare, asyncio.run(_guarded(resources, seconds))))
    return {
        f"ratio_{name}": round(statistics.median(g / b for b, g in pairs), 4),
        f"bare_per_s_{name}": round(statistics.median(b for b, _ in pairs), 1),
        f"guard_per_s_{name}": round(statistics.median(g for _, g in pairs), 1),
    }


def _bare(resources: list[str], seconds: float) -> float:
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.bare", "rate", *resources, str(seconds)],
        capture_output=True,
        text=True,
        check=True,
    )
    return float(done.stdout)


async def _guarded(resources: list[str], seconds: float) -> float:
    count = 0
    flowing = asyncio.Event()

    def on_report(report: Report) -> None:
        nonlocal count
        if isinstance(report, Block):
            count += len(report)
            if count >= 20 * len(resources):
                flowing.set()

    with tempfile.TemporaryDirectory() as locks:
        supplies = tuple(
            SupplyConfig(f"s{n}", r, "generic-scpi", (ChannelConfig(1, 5.0, 3.0),)) for n, r in enumerate(resources)
        )
        client = GuardClient(Configure(supplies, locks), on_report, lambda text: print(text, file=sys.stderr))
        await client.start()
        try:
            for supply in supplies:
                await client.power_on(supply.name, 1, 4.0, 2.0, RuleLimits(over_current_a=1.9, over_voltage_v=4.5))
            count = 0
            flowing.clear()
            await asyncio.wait_for(flowing.wait(), 20)
            start, before = time.perf_counter(), count
            await asyncio.sleep(seconds)
            return (count - before) / (time.perf_counter() - start)
        finally:
            await client.stop()
