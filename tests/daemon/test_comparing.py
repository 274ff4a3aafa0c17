"""What people ask of past traces, and how what is filed is read against its board's references."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.daemon.bench import Bench
from benchd.daemon.comparing import Described, keep_described
from benchd.daemon.core import Core
from benchd.daemon.filing import band_while_filing
from benchd.jobs.job import Job
from benchd.reading import Block
from benchd.store.descriptor_rows import described, forget_row, undescribed
from benchd.store.filing import file_imported
from benchd.store.log import Log, TraceRow
from benchd.store.marking import keep_marked, mark_again
from benchd.store.reference_rows import Bands
from benchd.web.port import Refused
from tests.daemon.making import S, off, on, past
from tests.traces import power_ups


def file(log: Log, seed: int, job: str | None = "R-1", board: power_ups.Board | None = None) -> TraceRow:
    made = power_ups.trace(board or power_ups.good(seed), seed)
    return file_imported(log, made, job, f"file-{seed}", (100 + 60 * seed) * S)


@pytest.fixture
def job(log: Log) -> str:
    return log.add_job(Job("R-1", board="demo-a")).id


async def test_references_through_the_daemon(bench: Bench, log: Log, job: str) -> None:
    row = file(log, 1)
    kept, _ = await bench.add_reference(row.id, "", "from stock", "page")
    assert (kept.board, await bench.references("demo-a")) == ("demo-a", [kept])
    assert await bench.references("demo-b") == []
    assert await bench.remove_reference(row.id, "page") == kept
    with pytest.raises(Refused, match="is no reference") as refused:
        await bench.remove_reference(row.id)
    assert refused.value.code == "not-found"
    with pytest.raises(Refused, match="is not in the log") as refused:
        await bench.add_reference("T-9", "demo-a", "")
    assert refused.value.code == "not-found"
    with pytest.raises(Refused, match="does not say which kind of board") as refused:
        await bench.add_reference(file(log, 2, None).id, "", "")
    assert refused.value.code == "out-of-range"


async def test_a_trace_is_compared_with_the_one_before_it_or_the_one_named(bench: Bench, log: Log, job: str) -> None:
    first, second, third = file(log, 1), file(log, 2), file(log, 3, board=power_ups.stopped(3, 3.0, 0.06))
    told = await bench.compare(third.id, None)
    assert told == await bench.compare(third.id, second.id)
    assert told.divergence is not None
    assert told.divergence.at_s == pytest.approx(3.0, abs=0.15)
    with pytest.raises(Refused, match=f"job R-1 has no trace before {first.id}"):
        await bench.compare(first.id, None)
    with pytest.raises(Refused, match="belongs to no job"):
        await bench.compare(file(log, 4, None).id, None)
    with pytest.raises(Refused, match="'T-9' is not in the log"):
        await bench.compare(first.id, "T-9")


async def test_the_band_of_a_trace_lies_on_its_own_time(bench: Bench, log: Log, job: str) -> None:
    good = [file(log, k) for k in (1, 2)]
    stopped = file(log, 3, board=power_ups.stopped(3, 3.0, 0.06))
    assert (await bench.band(stopped.id)).references == 0
    for row in good:
        await bench.add_reference(row.id, "", "")
    view = await bench.band(stopped.id)
    assert (view.references, view.why_not) == (2, "")
    assert view.divergence is not None
    assert view.divergence.at_s == pytest.approx(3.0, abs=0.15)
    assert view.ratios["settled"]["ratio"] < 0.5
    # The rise at the button, on the trace's clock.
    rise = next(t for t, a in zip(view.t_s, view.mean_a, strict=True) if a is not None and a > 0.04)
    assert rise == pytest.approx(power_ups.WINDOW_S, abs=0.1)
    # Itself left out.
    assert (await bench.band(good[0].id)).references == 1


async def test_the_nearest_are_found_and_what_waits_is_described(bench: Bench, log: Log, job: str) -> None:
    first, second = file(log, 1), file(log, 2)
    third = file(log, 3, None, power_ups.stopped(3, 0.5, 0.06))
    with log.transaction() as db:
        for row in (first, second):
            forget_row(db, row.id)
    found = await bench.nearest(first.id, 5, None)
    assert [n.trace.id for n in found.nearest] == [second.id, third.id]
    assert found.waiting == 0
    assert undescribed(log) == []
    assert [n.trace.id for n in (await bench.nearest(first.id, 5, "demo-a")).nearest] == [second.id]
    with pytest.raises(Refused, match="not in the log"):
        await bench.nearest("T-9", 5, None)


def test_what_was_described_before_a_mark_was_set_is_not_kept(log: Log, job: str) -> None:
    one, other = file(log, 1), file(log, 2)
    with log.transaction() as db:
        forget_row(db, one.id)
        forget_row(db, other.id)
    made = [Described(row.id, row.marks, described(log, row.id)) for row in (one, other)]
    marked = mark_again(log, one.id, "button", 1.0)
    assert marked is not None
    keep_marked(log, marked, "page")
    keep_described(log, made)
    assert undescribed(log) == [one.id]


async def test_what_is_filed_is_read_against_its_boards_references(core: Core, log: Log, job: str) -> None:
    """The board on the bench stops 3 s after the button, where the reference goes on."""
    good = file(log, 1)
    await Bench(core, log.path).add_reference(good.id, "", "")
    core.job = job
    stopped = power_ups.trace(power_ups.stopped(2, 3.0, 0.06), 2, tell_button=False).samples
    t = past(60)
    core.on_report(on(t_ns=t))
    for k in range(0, len(stopped), 100):
        part = stopped[k : k + 100]
        core.on_report(
            Block("psu-a", 1, (part.t_ns + t).tobytes(), part.voltage_v.tobytes(), part.current_a.tobytes(),
                  part.mode.tobytes(), part.flags.tobytes(), 0)
        )  # fmt: skip
    core.on_report(off(t_ns=t + int(stopped.t_ns[-1]) + S))
    await core.all_filed()
    row = log.traces(job=job)[0]
    assert row.id != good.id
    assert row.finding is not None
    assert row.finding.divergence is not None
    assert row.finding.divergence.at_s == pytest.approx(3.0, abs=0.2)
    assert row.finding.similarity is not None
    assert row.finding.similarity < 0.75
    assert undescribed(log) == []


def test_a_log_that_cannot_be_read_does_not_keep_a_trace_from_being_filed(log: Log, tmp_path: Path) -> None:
    row = file(log, 1, None)
    assert band_while_filing(tmp_path / "nowhere.sqlite", Bands(), row) is None
