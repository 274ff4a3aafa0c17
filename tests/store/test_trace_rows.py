"""Traces, journal and readings are found by what is asked of them, by an index, and in pieces that memory can hold."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.jobs.job import Job
from benchd.store import blocks, journal_rows, trace_rows
from benchd.store.log import Log
from benchd.store.reference_rows import board_of
from benchd.traces.samples import Samples
from tests.store.making import MS, T0, block, columns_block, finding, same, trace_row

BOARDS = ("", "blue", "green")
SIGNATURES = ("low-stall", "clean-boot", None)


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Log]:
    """Some hundred traces of all kinds: of jobs with and without a board, of none, references of another board."""
    dice = random.Random(6)
    with Log.open(tmp_path_factory.mktemp("log") / "l.sqlite") as log, log.transaction() as db:
        for n in range(12):
            log.add_job(Job(f"R-{n}", board=BOARDS[n % 3], created_ns=T0 + n))
        for n in range(300):
            signature = dice.choice(SIGNATURES)
            row = trace_row(f"T-{n:03d}", dice.choice([None, *(f"R-{k}" for k in range(12))]), T0 + n // 2 * 1000 * MS)
            conditions = msgspec.structs.replace(row.conditions, board=dice.choice(BOARDS))
            row = msgspec.structs.replace(row, conditions=conditions, finding=finding(signature) if signature else None)
            log.add_trace(row)
            log.add_entry("output", job=row.job, supply="psu-a", channel=1)
            if n % 20 == 0:
                board = dice.choice(BOARDS[1:])
                db.execute("INSERT INTO board_references VALUES (?, ?, '', ?)", (row.id, board, T0))
        yield log


times = st.none() | st.integers(T0 - 1000 * MS, T0 + 151_000 * MS)


@settings(max_examples=150, deadline=None)
@given(
    job=st.sampled_from([None, "R-1", "R-2", "R-99"]),
    board=st.sampled_from([None, "blue", "green", "red"]),
    signature=st.sampled_from([None, "low-stall", "clean-boot", "no-draw"]),
    since_ns=times,
    until_ns=times,
    limit=st.sampled_from([-1, 0, 1, 7]),
)
def test_what_is_found_is_what_a_plain_filter_finds(log: Log, limit: int, **asked: Any) -> None:
    found = log.traces(limit=limit, **asked)
    wanted = [
        row
        for row in log.traces(limit=-1)
        if (asked["job"] is None or row.job == asked["job"])
        and (asked["board"] is None or board_of(log, row) == asked["board"])
        and (asked["signature"] is None or (row.finding is not None and row.finding.signature == asked["signature"]))
        and (asked["since_ns"] is None or asked["since_ns"] <= row.start_ns)
        and (asked["until_ns"] is None or row.start_ns < asked["until_ns"])
    ]
    assert found == (wanted if limit < 0 else wanted[:limit])


def plan(log: Log, sql: str, args: list[Any]) -> str:
    """How SQLite goes about it, in its own words."""
    return " / ".join(str(row[3]) for row in log.rows(f"EXPLAIN QUERY PLAN {sql}", args))


@pytest.mark.parametrize(
    ("asked", "index"),
    [
        ({"job": "R-1"}, "traces_job (job=?)"),
        ({"job": "R-1", "since_ns": T0}, "traces_job (job=? AND start_ns>?)"),
        ({"job": "R-1", "signature": "low-stall"}, "traces_job (job=?)"),
        ({"signature": "low-stall"}, "traces_signature (<expr>=?)"),
        ({"signature": "low-stall", "since_ns": T0, "until_ns": T0 + 1},
         "traces_signature (<expr>=? AND start_ns>? AND start_ns<?)"),
        ({"since_ns": T0, "until_ns": T0 + 1}, "traces_start (start_ns>? AND start_ns<?)"),
        ({}, "SCAN traces USING INDEX traces_start"),
    ],
)  # fmt: skip
def test_traces_are_found_by_an_index(log: Log, asked: dict[str, Any], index: str) -> None:
    keys = ("board", "signature", "since_ns", "until_ns")
    told = plan(log, *trace_rows.select(asked.get("job"), 10, *(asked.get(key) for key in keys)))
    assert index in told
    assert "TEMP B-TREE" not in told.replace("USE TEMP B-TREE FOR RIGHT PART OF ORDER BY", "")


def test_traces_of_a_board_are_found_by_three_indexes(log: Log) -> None:
    told = plan(log, *trace_rows.select(None, 10, "blue", None, None, None))
    for index in ("board_references_board (board=?)", "jobs_board (board=?)", "traces_job (job=?)",
                  "traces_board (<expr>=?)"):  # fmt: skip
        assert index in told
    assert "SCAN t " not in told + " "


@pytest.mark.parametrize(
    ("job", "trace", "kinds", "index"),
    [
        ("R-1", None, None, "journal_job (job=? AND seq>?)"),
        ("R-1", None, ["note", "trip"], "journal_job (job=? AND seq>?)"),
        (None, "T-001", None, "journal_trace (trace=? AND seq>?)"),
        (None, None, ["note"], "journal_kind (kind=? AND seq>?)"),
        (None, None, ["note", "trip"], "journal_kind (kind=? AND seq>?)"),
        (None, None, None, "SEARCH journal USING INTEGER PRIMARY KEY (rowid>?)"),
    ],
)
def test_the_journal_is_found_by_an_index(
    log: Log, job: str | None, trace: str | None, kinds: list[str] | None, index: str
) -> None:
    told = plan(log, *journal_rows.select(job, trace, 10, 5, kinds, "ASC"))
    assert index in told
    assert "TEMP B-TREE" not in told


def test_the_journal_of_a_trace_and_of_kinds(log: Log) -> None:
    whole = log.journal(limit=-1)
    assert log.journal(trace="T-007") == [e for e in whole if e.trace == "T-007"]
    for kinds in (["output"], ["trace", "output"], ["none"], ["trace", "none", "job-created"]):
        wanted = [e for e in whole if e.kind in kinds]
        assert log.journal(kinds=kinds, limit=9) == wanted[-9:]
        assert log.journal(kinds=kinds, limit=-1) == wanted
        assert log.entries_after(20, 9, kinds) == [e for e in wanted if e.seq > 20][:9]
    assert log.journal(job="R-1", kinds=["trace"], limit=-1) == [
        e for e in whole if e.job == "R-1" and e.kind == "trace"
    ]


def test_what_came_from_another_bench_is_in_the_journal_and_goes_to_no_follower(tmp_path: Path) -> None:
    """Such rows have numbers below 0, where no follower looks."""
    with Log.open(tmp_path / "l.sqlite") as log:
        log.add_entry("note", job="R-1")
        with log.transaction() as db:
            db.execute("INSERT INTO journal VALUES (-5, 1, 'note', 'R-1', NULL, NULL, NULL, '{}')")
        assert [e.seq for e in log.journal(job="R-1")] == [-5, 1]
        assert [e.seq for e in log.journal(kinds=["note"])] == [-5, 1]
        assert [e.seq for e in log.entries_after(0, 9, ["note"])] == [1]


# ---- readings in pieces ---------------------------------------------------------------------------------------------

pieces = st.lists(
    st.tuples(st.integers(0, 200), st.integers(1, 40), st.sampled_from([0, 1, 7, 40])), min_size=1, max_size=12
)


@settings(max_examples=60, deadline=None)
@given(
    rows=pieces,
    readings=st.sampled_from([1, 10, 60, 10_000]),
    edges=st.tuples(st.integers(-50, 400), st.integers(0, 900)),
)
def test_in_pieces_the_same_readings_come_in_the_same_order(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[int, int, int]], readings: int, edges: tuple[int, int]
) -> None:
    start_ns, end_ns = T0 + edges[0] * MS, T0 + (edges[0] + edges[1]) * MS
    with Log.open(tmp_path_factory.mktemp("s") / "l.sqlite") as log:
        with log.transaction():
            for at, n, step in rows:
                log.add_block(block(n, T0 + at * MS, step * MS))
            log.add_block(block(5, T0, channel=2))
        whole = log.samples("psu-a", 1, start_ns, end_ns)
        found = list(blocks.stream(log.rows, "psu-a", 1, start_ns, end_ns, readings))
    assert all(len(piece) for piece in found)
    assert same(Samples.concat(found), whole)


def test_pieces_are_small_and_rows_may_be_joined_between_them(tmp_path: Path) -> None:
    with Log.open(tmp_path / "l.sqlite") as log:
        with log.transaction():
            for n in range(600):
                log.add_block(block(100, T0 + n * 100 * MS))
        whole = log.samples("psu-a", 1, T0, T0 + 60_000 * MS)
        found = []
        for n, piece in enumerate(blocks.stream(log.rows, "psu-a", 1, T0, T0 + 60_000 * MS, 5_000)):
            found.append(piece)
            if n == 3:
                with log.transaction() as db:
                    blocks.join(db)
                assert len(log.rows("SELECT 1 FROM blocks")) < 10
        assert max(len(piece) for piece in found) <= 10_000
        assert same(Samples.concat(found), whole)
        assert len(whole) == 60_000


def test_a_gap_of_a_year_is_stepped_over(tmp_path: Path) -> None:
    year_ns = 365 * 86_400 * 10**9
    with Log.open(tmp_path / "l.sqlite") as log:
        for start_ns in (T0, T0 + year_ns):
            log.add_block(columns_block(start_ns + np.arange(50) * MS, np.ones(50), np.ones(50), "psu-a", 1))
        found = list(blocks.stream(log.rows, "psu-a", 1, 0, 2**62, 50))
    assert [len(piece) for piece in found] == [50, 50]
