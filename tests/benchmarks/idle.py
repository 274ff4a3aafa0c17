"""`idle`: what one supply at 50 readings/s costs, guard and daemon together, output on, no page open."""

from __future__ import annotations

import statistics
import time
from pathlib import Path

import psutil

from tests.benchmarks.processes import scripted
from tests.running import Bench, running


def measure(quick: bool = False) -> dict[str, float]:
    """The figures of budget `idle`, the median of several windows; the instrument's process is not counted."""
    windows, seconds = (1, 3.0) if quick else (7, 6.0)
    with scripted() as instrument, running({"one": Bench(instrument.resource, 20.0)}) as daemon:
        daemon.on("one")
        time.sleep(1 if quick else 5)  # start-up is over
        main = psutil.Process(daemon.process.pid)
        processes = [main, *main.children(recursive=True)]
        shares = [share(processes, seconds) for _ in range(windows)]
        rss = [p.memory_info().rss / 1e6 for p in processes]
        rate = daemon.channel("one")["rate_per_s"]
    return {
        "cpu_percent": round(100 * statistics.median(shares), 2),
        "cpu_percent_lowest": round(100 * min(shares), 2),
        "cpu_percent_highest": round(100 * max(shares), 2),
        "rss_mb": round(sum(rss), 1),
        "processes": len(processes),
        "readings_per_s": round(rate, 1),
    }


def share(processes: list[psutil.Process], seconds: float) -> float:
    """Of a core, that these take together while so many s go by."""
    before, start = _cpu_s(processes), time.monotonic()
    time.sleep(seconds)
    return (_cpu_s(processes) - before) / (time.monotonic() - start)


def _cpu_s(processes: list[psutil.Process]) -> float:
    """Time on a processor, s, all threads: the scheduler's own ns (proc(5) schedstat), since whole clock ticks miss
    or overcount threads that run for some µs at each wake-up; ticks where the kernel keeps no such figure."""
    try:
        tasks = [task for p in processes for task in Path(f"/proc/{p.pid}/task").iterdir()]
        return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9
    except OSError:
        return sum(sum(p.cpu_times()[:2]) for p in processes)
