"""`report`: how long the report of a job with 12 traces takes, from the request to the last byte, as a daemon makes it:
with a process of its own for each. The traces are of 60 s at 50 readings/s; steps, ticks, a photo and trips beside."""

from __future__ import annotations

import asyncio
import tempfile
import time
from pathlib import Path
from statistics import median

import msgspec
import numpy as np

from benchd.daemon.report_desk import content, maker
from benchd.report.order import Order
from benchd.store.log import Log
from tests.report.making import JOB, file, step, whole_job
from tests.traces.boards import Board, Meter, boot, flat, read

TRACES, ALREADY = 12, 3


async def made(order: Order) -> bytes:
    """A report, as the daemon has it made."""
    return content(await maker().done(msgspec.json.encode(order)))


def measure(quick: bool = False) -> dict[str, float]:
    """The figures of budget `report`."""
    rounds = 1 if quick else 7
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "benchd.sqlite"
        whole_job(path)
        with Log.open(path) as log:
            rng = np.random.default_rng(12)
            for k in range(TRACES - ALREADY):
                start = np.concatenate([flat(3.0, 0.001), boot(rng, 1.0, 60.0)])[:60_000]
                file(log, read(Board(start, button_s=3.0), Meter(), k), 300 + 100 * k)
                step(log, "cleaned", 320 + 100 * k, plain="The board was cleaned.")
        pdf = Order(JOB, str(path), "pdf")
        orders = {
            "pdf_ms": pdf,
            "page_ms": msgspec.structs.replace(pdf, form="html"),
            "customer_ms": msgspec.structs.replace(pdf, audience="customer", language="de"),
        }
        took: dict[str, list[float]] = {name: [] for name in orders}
        for _ in range(rounds):
            for name, order in orders.items():
                before = time.perf_counter()
                report = asyncio.run(made(order))
                took[name].append((time.perf_counter() - before) * 1e3)
                assert len(report) > 10_000
    return {name: round(median(times), 1) for name, times in took.items()} | {"traces": float(TRACES)}
