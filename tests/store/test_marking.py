"""Marks by hand in filed traces: they win, stay when the trace is read again, and can be taken away."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np
import pytest

from benchd.jobs.job import Job
from benchd.store.filing import file_imported
from benchd.store.log import Log, TraceRow
from benchd.store.marking import MarkedMeanwhile, MarkError, keep_marked, mark_again
from benchd.store.reference_rows import check_reference, keep_reference
from benchd.traces.trace import Mark
from tests.traces import boards

S = 1_000_000_000


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with Log.open(tmp_path / "benchd.sqlite") as log:
        yield log


def filed(log: Log, job: str | None = None) -> TraceRow:
    """A board that leaks 45 mA and starts 3 s later, with the recogniser's mark a second too early."""
    rng = np.random.default_rng(2)
    board = boards.Board(np.concatenate([boards.inrush(boards.flat(3.0, 0.045)), 0.045 + boards.boot(rng)]))
    trace = boards.read(board, boards.Meter(rate=50))
    trace = boards.Trace(trace.samples, 0, trace.conditions, (Mark("button", 2 * S),))
    return file_imported(log, trace, job, "file-1", 60 * S)


def set_mark(log: Log, row: TraceRow, kind: str, at_s: float | None) -> TraceRow:
    marked = mark_again(log, row.id, kind, at_s)
    assert marked is not None
    return keep_marked(log, marked, "page")


def test_a_mark_by_hand_wins_stays_and_changes_the_finding(log: Log) -> None:
    row = filed(log)
    after = set_mark(log, row, "button", 3.0)
    assert [(m.t_ns - row.start_ns, m.by) for m in after.marks] == [(2 * S, "recogniser"), (3 * S, "hand")]
    assert after.finding is not None
    assert (after.finding.button_s, after.finding.signature) == (3.0, "early-leak")
    # Another mark reads the trace again, and the first is still there.
    after = set_mark(log, row, "boot-end", 20.0)
    assert after.finding is not None
    assert after.finding.button_s == 3.0
    moved = set_mark(log, row, "button", 3.1)
    assert [m.t_ns - row.start_ns for m in moved.marks if m.kind == "button"] == [2 * S, round(3.1 * S)]
    assert log.trace(row.id) == moved
    again = log.whole_trace(row.id)
    assert again is not None
    assert (again.mark_s("button"), again.mark_s("boot-end")) == (3.1, 20.0)


def test_the_journal_says_who_moved_what(log: Log) -> None:
    row = filed(log)
    set_mark(log, row, "button", 3.0)
    set_mark(log, row, "button", None)
    set_mark(log, row, "removed", 5.0)
    set_mark(log, row, "removed", None)
    said = [(e.payload["text"], e.payload["by"], e.trace) for e in log.journal(kinds=["mark"])]
    assert said == [
        ("button set by hand to 3.000 s; it was 2.000 s", "page", row.id),
        ("button by hand taken away, it was 3.000 s; now 2.000 s", "page", row.id),
        ("removed set by hand to 5.000 s; there was none", "page", row.id),
        ("removed by hand taken away, it was 5.000 s; there is none now", "page", row.id),
    ]
    assert [e.kind for e in log.journal()][1:] == ["mark", "finding"] * 4
    assert log.trace(row.id) is not None
    assert msgspec.structs.replace(row, finding=None) == msgspec.structs.replace(log.trace(row.id), finding=None)  # type: ignore[type-var]


def test_of_two_marks_at_the_same_time_none_is_lost_unsaid(log: Log) -> None:
    row = filed(log)
    first, second = mark_again(log, row.id, "button", 3.0), mark_again(log, row.id, "boot-end", 20.0)
    assert first is not None
    assert second is not None
    kept = keep_marked(log, first, "page")
    with pytest.raises(MarkedMeanwhile, match="was marked by somebody else just now"):
        keep_marked(log, second, "command-line")
    assert log.trace(row.id) == kept


@pytest.mark.parametrize(
    ("kind", "at_s", "says"),
    [
        ("tripped", 1.0, "'tripped' is no mark that is set by hand; there are connected, button, boot-end, removed"),
        ("button", -0.1, "which goes from 0 s to 60"),
        ("button", float("nan"), "button at nan s is not in trace"),
        ("button", 1e9, "give seconds after its start"),
        ("button", None, "has no mark button by hand to take away"),
    ],
)
def test_a_mark_that_cannot_be_is_refused_and_nothing_changes(
    log: Log, kind: str, at_s: float | None, says: str
) -> None:
    row = filed(log)
    if "60" in says:
        says = f"which goes from 0 s to {(row.end_ns - row.start_ns) / S:.3f} s"
    with pytest.raises(MarkError) as refused:
        mark_again(log, row.id, kind, at_s)
    assert says in str(refused.value)
    assert log.trace(row.id) == row
    assert mark_again(log, "nothing", "button", 1.0) is None


def test_it_is_read_again_with_the_references_of_its_board(log: Log) -> None:
    log.add_job(Job("R-1", board="pellor-p3"))
    rng = np.random.default_rng(3)
    good = boards.Board(np.concatenate([boards.flat(2.0, 0.001), boards.boot(rng)]), button_s=2.0)
    reference = file_imported(log, boards.read(good, boards.Meter(rate=50)), "R-1", "file-2", 90 * S)
    keep_reference(log, check_reference(log, reference.id, "", ""), "page")
    again = set_mark(log, filed(log, "R-1"), "button", 3.0)
    assert again.finding is not None
    assert again.finding.divergence is not None
