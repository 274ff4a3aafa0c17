"""The demo's play: an invented shop, invented devices, on the simulated supply. All of its data are made up."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import sys
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from benchd.jobs.job import Job

if TYPE_CHECKING:
    from benchd.daemon.bench import Bench

SHOP = "Lantern Yard Board Repair"
SUPPLY = "demo-supply"


@dataclass(frozen=True)
class Act:
    """One device on the bench."""

    job: Job
    board: str
    """Which board the simulated supply is to play."""
    channel: int
    plan: str
    button_after_s: float | None
    """Counts from when probe and hold are over."""
    watch_s: float
    """How long the output stays on from then."""
    clip_after_on: bool = False
    """Power the bare leads first and clip the board on afterwards, as one does hands-free."""


PLAY = (
    Act(Job("LY-301", "Pellor P3 phone", "pellor-p3-main", "dropped in water, dead"), "dead-short", 2,
        "phone-battery", None, 0.5),
    Act(Job("LY-302", "Pellor P3 phone", "pellor-p3-main", "no picture, no sound"), "low-stall", 1,
        "phone-battery", 0.3, 4.8),
    Act(Job("LY-303", "Ombrit T10 tablet", "ombrit-t10-main", "battery empty every morning"), "leak", 1,
        "phone-battery", 1.6, 4.0),
    Act(Job("LY-304", "Sarnel Mini phone", "sarnel-mini-main", "logo, then dark, then logo"), "loop", 1,
        "phone-battery", 0.3, 9.3),
    Act(Job("LY-305", "Pellor P3 phone", "pellor-p3-main", "after repair: does it start?"), "clean", 1,
        "phone-battery", 1.5, 10.5, clip_after_on=True),
)  # fmt: skip
STAGES_WITHIN_S = 10.0


class SimulatedBench:
    """The simulated supply's process and the hands on it: clips, boards, the power button."""

    def __init__(self, resource: str, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.resource = resource
        self._reader = reader
        self._writer = writer

    async def hand(self, command: str) -> None:
        """One command of the simulator's own subsystem, e.g. `SIM1:BUTTon`."""
        self._writer.write(f"{command};*OPC?\n".encode())
        await self._writer.drain()
        await asyncio.wait_for(self._reader.readline(), 5)


@contextlib.asynccontextmanager
async def simulated_bench() -> AsyncIterator[SimulatedBench]:
    """Start the simulated supply in a process of its own; end it by its own id."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "benchd.sim", "--port", "0", "--end-with-parent",
        stdout=asyncio.subprocess.PIPE, start_new_session=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        told: dict[str, Any] = json.loads(await asyncio.wait_for(process.stdout.readline(), 10))
        reader, writer = await asyncio.open_connection("127.0.0.1", told["port"])
        try:
            yield SimulatedBench(told["resource"], reader, writer)
        finally:
            writer.close()
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.send_signal(signal.SIGTERM)
        await process.wait()


async def perform(bench: Bench, sim: SimulatedBench) -> None:
    """Play every act once. Stops quietly at cancellation; the daemon's end switches everything off."""
    for act in PLAY:
        await _one(bench, sim, act)


async def _one(bench: Bench, sim: SimulatedBench, act: Act) -> None:
    n = act.channel
    await sim.hand(f"SIM{n}:BOARD NONE")
    if act.job.id not in {j.id for j in await bench.jobs()}:
        await bench.create_job(act.job)
    await bench.choose_job(act.job.id)
    if not act.clip_after_on:
        await sim.hand(f'SIM{n}:BOARD "{act.board}"')
    if any(c.channel == n and c.latched for c in bench.view().channels):
        await bench.rearm(SUPPLY, n)
    await bench.power_on(SUPPLY, n, act.plan)
    booting = await _stages_over(bench, n)
    if act.clip_after_on:
        await asyncio.sleep(1.0)
        await sim.hand(f'SIM{n}:BOARD "{act.board}"')
    rest = act.watch_s
    if booting and act.button_after_s is not None:
        await asyncio.sleep(act.button_after_s)
        await sim.hand(f"SIM{n}:BUTTon")
        rest -= act.button_after_s
    await asyncio.sleep(rest)
    await bench.power_off(SUPPLY, n)
    await asyncio.sleep(0.5)


async def _stages_over(bench: Bench, n: int) -> bool:
    """Wait until probe and hold are over. True: the boot has begun; False: nothing more is applied."""
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(STAGES_WITHIN_S):
            async for _ in bench.live():
                now = next(c for c in bench.view().channels if (c.supply, c.channel) == (SUPPLY, n))
                if now.stage == "boot" or str(now.output) != "on":
                    return now.stage == "boot"
    return False


def settings_dict(resource: str, data_dir: str, port: int) -> dict[str, Any]:
    """Settings of the demo's bench."""
    return {
        "bench": "demo",
        "data_dir": data_dir,
        "web": {"port": port},
        "plan": [
            {
                "name": "phone-battery",
                "voltage_v": 4.0,
                "limit_a": 2.0,
                "over_voltage_v": 4.5,
                "probe": {"voltage_v": 0.5, "limit_a": 0.1, "ms": 200.0, "least_ohm": 1.0},
                "hold": {"limit_a": 0.1, "seconds": 1.0},
                "expected_leak_a": 0.005,
                "source": "common practice, no source",
            }
        ],
        "supply": [
            {
                "name": SUPPLY,
                "resource": resource,
                "profile": "benchd-sim",
                "reading_interval_ms": 5.0,
                "channel": [
                    {"number": n, "max_voltage_v": 5.0, "max_limit_a": 3.0, "plan": "phone-battery"} for n in (1, 2)
                ],
            }
        ],
    }
