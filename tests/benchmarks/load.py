"""Load on a daemon, as a process: `python -m tests.benchmarks.load URL CLIENTS`. Ends by SIGTERM."""

from __future__ import annotations

import asyncio
import sys

import httpx
import websockets


async def client(url: str) -> None:
    """One page on the live stream that reads all it gets."""
    async with websockets.connect(url.replace("http", "ws", 1) + "/api/v1/live", max_size=None) as live:
        async for _ in live:
            pass


async def analysis(url: str) -> None:
    """The longest readings in memory, asked for, thinned and encoded, without a pause."""
    async with httpx.AsyncClient(timeout=30) as http:
        while True:
            await http.get(f"{url}/api/v1/recent", params={"supply": "busy", "channel": 1, "seconds": 120})
            await http.get(f"{url}/api/v1/traces", params={"limit": 100})


async def main(url: str, clients: int) -> None:
    """All of it."""
    tasks = [asyncio.create_task(client(url)) for _ in range(clients)]
    tasks.append(asyncio.create_task(analysis(url)))
    print("loading", flush=True)
    await asyncio.gather(*tasks)


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1], int(sys.argv[2])))
