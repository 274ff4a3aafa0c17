"""Readings, trips and traces for tests of the log."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

import numpy as np

from benchd.guard.wire import Tripped
from benchd.reading import Block, Flag, Mode, Reading, pack
from benchd.store.log import TraceRow
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Evidence, Finding, Mark

T0 = 1_767_323_045_678_901_000
"""2026-01-02T03:04:05.678901Z"""
MS = 1_000_000


def block(n: int, start_ns: int = T0, step_ns: int = MS, supply: str = "psu-a", channel: int = 1) -> Block:
    """n readings at about 4.0 V and 0.06 A with noise, on grids of 1 mV and 0.1 mA; the same for the same call."""
    rng = np.random.default_rng([start_ns, channel])
    volts = np.round(4.0 + rng.normal(0, 0.003, n), 3)
    amps = np.round(0.06 + rng.normal(0, 0.002, n), 4)
    return columns_block(start_ns + np.arange(n) * step_ns, volts, amps, supply, channel)


def columns_block(t_ns: np.ndarray, volts: np.ndarray, amps: np.ndarray, supply: str, channel: int) -> Block:
    n = len(t_ns)
    return Block(
        supply,
        channel,
        np.asarray(t_ns, np.int64).tobytes(),
        np.asarray(volts, float).tobytes(),
        np.asarray(amps, float).tobytes(),
        bytes([Mode.CV]) * n,
        bytes(n),
        20_000,
    )


def tripped(t_ns: int = T0, confirmed: bool = True) -> Tripped:
    """A short, with three readings around it."""
    before = pack("psu-a", 1, [Reading(t_ns - i * MS, 0.1, 1.0, Mode.CC, Flag.NONE, 900) for i in (2, 1, 0)])
    after = pack("psu-a", 1, [Reading(t_ns + 2 * MS, 0.0, 0.0, Mode.OFF, Flag.NONE, 900)])
    return Tripped(
        supply="psu-a",
        channel=1,
        rule="short",
        text='0.10 V at the 1.0 A limit, "collapsed" \\ not rising',
        onset_ns=t_ns - 2 * MS,
        detected_ns=t_ns,
        off_sent_ns=t_ns + 40_000,
        off_confirmed_ns=t_ns + 2 * MS if confirmed else None,
        set_voltage_v=4.0,
        limit_a=1.0,
        let_through_c=0.002,
        let_through_j=0.0002,
        let_through_a2s=0.002,
        before=before,
        after=after,
    )


def finding(signature: str = "low-stall") -> Finding:
    return Finding(signature, 0.9, (Evidence("flat at 0.061 A for 8 s", "current", 0.061, "A", 0.002),), button_s=2.0)


def trace_row(id: str = "20260102-030405-678-psu-a-1", job: str | None = "R-1042", start_ns: int = T0) -> TraceRow:
    return TraceRow(
        id=id,
        job=job,
        supply="psu-a",
        channel=1,
        start_ns=start_ns,
        end_ns=start_ns + 5_000 * MS,
        conditions=Conditions(set_voltage_v=4.0, limit_a=1.0, board="demo-a"),
        marks=[Mark("button", start_ns + 2_000 * MS, "hand")],
        reason="removed",
        finding=finding(),
        readings=5000,
        peak_a=0.13,
        charge_c=0.4,
        energy_j=1.6,
    )


def same(a: Samples, b: Samples) -> bool:
    """Equal to the last bit, NaN included."""
    pairs = (
        (a.t_ns, b.t_ns),
        (a.voltage_v, b.voltage_v),
        (a.current_a, b.current_a),
        (a.mode, b.mode),
        (a.flags, b.flags),
    )
    return all(x.dtype == y.dtype and x.tobytes() == y.tobytes() for x, y in pairs)


PATIENCE_S = 40.0
"""No figure: the machine may be busy with other tests."""


def until(true: Callable[[], bool], within_s: float = PATIENCE_S) -> None:
    """Wait for something that another thread or process does."""
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, f"not true within {within_s} s"
        time.sleep(0.01)


async def until_async(true: Callable[[], bool], within_s: float = PATIENCE_S) -> None:
    """Wait in the event loop for something that another task, thread or process does."""
    async with asyncio.timeout(within_s):
        while not true():  # noqa: ASYNC110
            await asyncio.sleep(0.01)
