"""Load, as a process that ends by SIGTERM: `python -m tests.benchmarks.load daemon URL CLIENTS` on a daemon,
`python -m tests.benchmarks.load pages URL CLIENTS` with nothing but pages, `python -m tests.benchmarks.load findings`
beside it.
"""

from __future__ import annotations

import asyncio
import sys

import httpx
import numpy as np
import websockets

from benchd.reading import Mode
from benchd.traces.samples import Samples
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Conditions, Trace


async def client(url: str) -> None:
    """One page on the live stream that reads all it gets."""
    async with websockets.connect(url.replace("http", "ws", 1) + "/api/v1/live", max_size=None) as live:
        async for _ in live:
            pass


async def analysis(url: str) -> None:
    """The longest readings in memory and the newest trace, asked for, thinned and encoded, without a pause."""
    async with httpx.AsyncClient(timeout=30, base_url=f"{url}/api/v1/") as http:
        while True:
            await http.get("recent", params={"supply": "busy", "channel": 1, "seconds": 120})
            filed = (await http.get("traces", params={"limit": 100})).json()["traces"]
            for trace in filed[:1]:
                await http.get(f"traces/{trace['id']}/samples")
                await http.get(f"traces/{trace['id']}/csv")


def findings() -> None:
    """Read a minute at 1000 readings/s again and again: a stair with texture, as a start is."""
    rng = np.random.default_rng(1)
    count = 60_000
    amps = np.repeat(rng.uniform(0.05, 0.8, 60), count // 60) + rng.normal(0, 0.01, count)
    mode = np.full(count, Mode.CV, np.uint8)
    samples = Samples(
        np.arange(count, dtype=np.int64) * 1_000_000, np.full(count, 4.0), amps, mode, np.zeros(count, np.uint8)
    )
    trace = Trace(samples, 0, Conditions(4.0, 2.0, 0.001))
    read_trace(trace)
    print("loading", flush=True)
    while True:
        read_trace(trace)


async def main(url: str, clients: int, analysed: bool = True) -> None:
    """All of it, or the pages alone."""
    tasks = [asyncio.create_task(client(url)) for _ in range(clients)]
    if analysed:
        tasks.append(asyncio.create_task(analysis(url)))
    print("loading", flush=True)
    await asyncio.gather(*tasks)


if __name__ == "__main__":
    if sys.argv[1] in ("daemon", "pages"):
        asyncio.run(main(sys.argv[2], int(sys.argv[3]), sys.argv[1] == "daemon"))
    else:
        findings()
