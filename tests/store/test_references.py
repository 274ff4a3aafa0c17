"""Which traces are references, their bands, and the rows by which traces are found."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest

from benchd.jobs.job import Job
from benchd.store import migrations
from benchd.store.descriptor_rows import described, forget_row, keep_row, nearest_to, undescribed
from benchd.store.filing import file_imported
from benchd.store.log import Log, LogError, TraceRow
from benchd.store.reference_rows import (
    Bands,
    ReferenceFault,
    band_for,
    board_of,
    check_reference,
    keep_reference,
    reference,
    references,
    remove_reference,
)
from benchd.traces.nearest import LENGTH
from benchd.traces.trace import Conditions, Mark, Trace
from tests.store.making import trace_row
from tests.traces import power_ups

S = 1_000_000_000


@pytest.fixture
def log(tmp_path: Path):
    with Log.open(tmp_path / "log.sqlite") as log:
        log.add_job(Job("R-1", board="demo-a"))
        log.add_job(Job("R-2"))
        yield log


def filed(log: Log, seed: int, job: str | None = "R-1", trace: Trace | None = None) -> TraceRow:
    made = trace or power_ups.trace(power_ups.good(seed), seed)
    return file_imported(log, made, job, f"file-{seed}", (100 + 60 * seed) * S)


def add(log: Log, row: TraceRow, board: str = "", note: str = ""):
    return keep_reference(log, check_reference(log, row.id, board, note), "page")


def test_a_reference_is_kept_listed_and_removed(log: Log) -> None:
    first, second = filed(log, 1), filed(log, 2)
    kept = add(log, first, note="new, from stock")
    assert (kept.trace, kept.board, kept.note) == (first.id, "demo-a", "new, from stock")
    add(log, second, "demo-b")
    assert [r.trace for r in references(log)] == [second.id, first.id]
    assert references(log, "demo-a") == [kept]
    assert reference(log, first.id) == kept
    # Again changes what is said of it, and does not make two.
    again = add(log, first, "demo-b", "mended")
    assert {r.trace for r in references(log, "demo-b")} == {first.id, second.id}
    assert reference(log, first.id) == again
    assert remove_reference(log, first.id, "page") == again
    assert references(log, "demo-a") == []
    with pytest.raises(ReferenceFault, match="is no reference; `benchd reference list` shows what is"):
        remove_reference(log, first.id, "page")
    told = [(e.job, e.trace, e.payload["board"], e.payload["by"]) for e in log.journal(kinds=["reference"])]
    assert told == [
        ("R-1", first.id, "demo-a", "page"),
        ("R-1", second.id, "demo-b", "page"),
        ("R-1", first.id, "demo-b", "page"),
        ("R-1", first.id, None, "page"),
    ]


def test_what_cannot_be_a_reference_is_refused_with_the_reason(log: Log) -> None:
    with pytest.raises(ReferenceFault, match="trace 'T-9' is not in this log"):
        check_reference(log, "T-9", "demo-a", "")
    with pytest.raises(ReferenceFault, match="does not say which kind of board it is of: give it with --board"):
        check_reference(log, filed(log, 1, "R-2").id, "", "")
    flat = power_ups.flat_trace(np.zeros(100))
    no_button = filed(log, 2, "R-1", Trace(flat.samples, 0, flat.conditions))
    with pytest.raises(ReferenceFault, match=r"shows no button.*benchd trace mark .* button SECONDS"):
        check_reference(log, no_button.id, "", "")
    with pytest.raises(ReferenceFault, match="has 121 characters; allowed are 120"):
        check_reference(log, filed(log, 3).id, "b" * 121, "")
    assert references(log) == []


def test_a_trace_that_does_not_read_as_good_is_kept_with_a_doubt(log: Log) -> None:
    row = filed(log, 1, trace=power_ups.trace(power_ups.stopped(1, 0.5, 0.06), 1))
    log.update_finding(row.id, msgspec.structs.replace(row.finding, signature="low-stall"))
    assert "it reads as low-stall" in check_reference(log, row.id, "", "").doubt
    log.update_finding(row.id, msgspec.structs.replace(row.finding, signature="clean-boot"))
    assert check_reference(log, row.id, "", "").doubt == ""


def test_a_trace_that_is_gone_by_then_is_not_kept(log: Log) -> None:
    checked = check_reference(log, filed(log, 1).id, "", "")
    with log.transaction() as db:
        db.execute("DELETE FROM traces")
    with pytest.raises(LogError, match="is not there any more"):
        keep_reference(log, checked, "page")
    assert references(log) == []


def test_the_board_is_that_of_the_reference_then_of_the_job_then_of_the_file(log: Log) -> None:
    known = power_ups.trace(power_ups.good(1), 1)
    of_file = filed(log, 1, "R-2", Trace(known.samples, 0, Conditions(4.0, 2.0, board="demo-f"), known.marks))
    assert board_of(log, of_file) == "demo-f"
    assert board_of(log, filed(log, 2)) == "demo-a"
    add(log, of_file, "demo-z")
    assert board_of(log, of_file) == "demo-z"


def test_the_band_is_of_its_boards_references_at_its_voltage_without_itself(log: Log) -> None:
    rows = [filed(log, k) for k in (1, 2)]
    higher = filed(log, 3, trace=power_ups.trace(power_ups.good(3), 3, set_voltage_v=12.0))
    for row in (*rows, higher):
        add(log, row)
    bands = Bands()
    new = filed(log, 4)
    assert len(band_for(log, new, bands).curves) == 2
    assert len(band_for(log, rows[0], bands).curves) == 1
    # With no voltage asked for, the newest reference's counts.
    assert bands.of(log, "demo-a").set_v == 12.0
    assert bands.of(log, "demo-b") is None
    assert bands.of(log, "") is None
    # What is kept ready does not outlast the reference, nor a mark that is moved.
    moved = Mark("button", rows[0].start_ns + 3 * S, "hand")
    log.update_finding(rows[0].id, rows[0].finding, [moved])
    zero = min(c.zero_s for c in band_for(log, rows[1], bands).curves)
    assert zero == pytest.approx(3.0)
    remove_reference(log, rows[0].id, "page")
    assert band_for(log, rows[1], bands) is None


def test_a_trace_is_described_when_it_is_filed(log: Log) -> None:
    row = filed(log, 1)
    assert undescribed(log) == []
    (data,) = log.rows("SELECT data FROM descriptors WHERE trace = ?", (row.id,))[0]
    assert np.frombuffer(data, "<f4").tolist() == pytest.approx(described(log, row.id).tolist())
    assert len(data) == 4 * LENGTH


def test_old_traces_and_old_descriptions_wait_to_be_described(log: Log) -> None:
    row, other = filed(log, 1), filed(log, 2)
    with log.transaction() as db:
        forget_row(db, row.id)
        db.execute("UPDATE descriptors SET version = 0 WHERE trace = ?", (other.id,))
    assert undescribed(log) == [other.id, row.id]
    assert undescribed(log, 1) == [other.id]
    with log.transaction() as db:
        keep_row(db, row.id, described(log, row.id))
        # One that cannot be described is not asked for again, and never found.
        keep_row(db, other.id, None)
    assert undescribed(log) == []
    assert [n.trace for n in nearest_to(log, described(log, row.id), 5)] == [row.id]


def test_the_nearest_of_the_log_are_found(log: Log) -> None:
    good = [filed(log, k) for k in (1, 2, 3)]
    stalled = filed(log, 4, "R-2", power_ups.trace(power_ups.stopped(4, 0.5, 0.06), 4))
    wanted = described(log, good[0].id)
    near = nearest_to(log, wanted, 9, [good[0].id])
    assert {n.trace for n in near[:2]} == {good[1].id, good[2].id}
    assert near[2].trace == stalled.id
    assert near[0].distance_a <= near[1].distance_a < 0.5 * near[2].distance_a
    assert [n.trace for n in nearest_to(log, wanted, 1)] == [good[0].id]
    # Of one kind of board: the job's.
    assert stalled.id not in {n.trace for n in nearest_to(log, wanted, 9, board="demo-a")}
    assert nearest_to(log, wanted, 9, board="demo-q") == []


def test_a_log_of_version_3_takes_references(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steps = migrations.STEPS
    monkeypatch.setattr(migrations, "STEPS", steps[:3])
    with Log.open(tmp_path / "old.sqlite") as old:
        old.add_trace(trace_row("t-1"))
    monkeypatch.setattr(migrations, "STEPS", steps)
    with Log.open(tmp_path / "old.sqlite") as log:
        assert references(log) == []
        assert undescribed(log) == ["t-1"]
