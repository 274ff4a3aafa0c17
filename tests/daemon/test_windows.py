"""Views into a filed trace through the daemon: from memory, or from the log where it is too long."""

from __future__ import annotations

import asyncio

import pytest

from benchd.daemon import window_desk
from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.window_desk import WindowDesk
from benchd.store.filing import file_imported
from benchd.store.log import Log
from benchd.traces.trace import Conditions, Trace
from benchd.web.port import Refused
from tests.daemon.making import S
from tests.web.fake import START_NS, make_samples


@pytest.fixture
def desk(core: Core, bench: Bench) -> WindowDesk:
    return WindowDesk(core, bench)


async def test_a_long_trace_looks_the_same_from_memory_and_from_the_log(
    desk: WindowDesk, log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples = make_samples(START_NS, 120, 200, lambda t: 0.2 + 0.1 * ((t * 7) % 1))
    row = file_imported(log, Trace(samples, START_NS, Conditions()), None, "file-1", START_NS + 200 * S)
    spans = [(None, None), (10.0, 60.0), (59.99, 60.05), (-5.0, 0.01), (119.9, 300.0), (200.0, 201.0)]
    from_memory = [await desk.window(row.id, a, b, 100) for a, b in spans]
    assert [w.readings for w in from_memory] == [24_000, 10_000, 12, 2, 20, 0]
    assert from_memory[0].thinned
    assert from_memory[0].from_s == 0.0
    assert max(x for x in from_memory[0].i if x is not None) == pytest.approx(samples.current_a.max())
    measured = await desk.between(row.id, 10.0, 60.0)
    desk._let_go()
    monkeypatch.setattr(window_desk, "KEPT_READINGS", 10)
    from_log = [await desk.window(row.id, a, b, 100) for a, b in spans[1:]]
    assert desk._kept is None
    # Far outside, memory still knows the nearest reading.
    assert from_log[:-1] == from_memory[1:-1]
    assert from_log[-1].t_s == []
    assert (await desk.between(row.id, 10.0, 60.0)).charge_c == pytest.approx(measured.charge_c)


async def test_readings_are_let_go_when_nobody_looks(desk: WindowDesk, log: Log) -> None:
    trace = Trace(make_samples(START_NS, 5, 50), START_NS, Conditions())
    row = file_imported(log, trace, None, "file-1", START_NS + 200 * S)
    await desk.window(row.id, None, None, 100)
    assert desk._kept is not None
    assert desk._forget is not None
    assert desk._forget.when() <= asyncio.get_running_loop().time() + window_desk.KEPT_S
    desk._let_go()
    assert desk._kept is None


async def test_measured_lined_up_and_refused(desk: WindowDesk, log: Log) -> None:
    samples = make_samples(START_NS, 6, 50, lambda t: 0.3 * (t > 2))
    row = file_imported(log, Trace(samples, START_NS, Conditions()), None, "file-1", START_NS + 200 * S)
    assert (await desk.measured(row.id)).phases
    (one,) = await desk.line_up([row.id])
    assert (one.trace.id, one.by) == (row.id, "button")
    for asked in (desk.window("T-9", None, None, 10), desk.measured("T-9"), desk.line_up([row.id, "T-9"])):
        with pytest.raises(Refused, match="'T-9' is not in the log") as refused:
            await asked
        assert refused.value.code == "not-found"
