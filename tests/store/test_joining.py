"""Small rows become few large ones: no reading is lost, and a follower that keeps up sends none of them twice."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.store import blocks
from benchd.store.log import Log
from benchd.store.writer import LogWriter
from tests.store.making import MS, T0, block, same, until


def settle(log: Log) -> bool:
    with log.transaction() as db:
        blocks.join(db)
        return blocks.settle(db)


def rows(log: Log) -> list[int]:
    return [n for (n,) in log.rows("SELECT n FROM blocks ORDER BY seq")]


def test_rows_of_minutes_become_one_and_what_is_new_waits(tmp_path: Path) -> None:
    with Log.open(tmp_path / "l.sqlite") as log:
        settle(log)
        for n in range(24):  # two minutes at 5 readings/s, as they are after each join
            with log.transaction() as db:
                log.add_block(block(25, T0 + n * 5000 * MS, 200 * MS), "R-1", "T" if n < 12 else None)
                blocks.join(db)
        before = log.samples("psu-a", 1, 0, 2**62)
        settle(log)
        assert rows(log) == [25] * 24  # a follower may still be on its way through these
        log.add_block(block(25, T0 + 24 * 5000 * MS, 200 * MS))
        settle(log)
        assert rows(log) == [300, 300, 25]
        assert [(b.seq, b.job, b.trace) for b in log.blocks_after(0, 9)] == [
            (12, "R-1", "T"),
            (24, "R-1", None),
            (25, None, None),
        ]
        assert same(log.samples("psu-a", 1, 0, T0 + 24 * 5000 * MS), before)


def test_what_was_there_before_stays_as_it_is(tmp_path: Path) -> None:
    with Log.open(tmp_path / "l.sqlite") as log:
        for n in range(5):
            log.add_block(block(10, T0 + n * 10 * MS))
            with log.transaction() as db:
                blocks.join(db)
        for _ in range(4):
            settle(log)
        assert rows(log) == [10] * 5


def test_many_are_joined_a_part_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blocks, "JOIN_ROWS", 4)
    with Log.open(tmp_path / "l.sqlite") as log:
        settle(log)
        for n in range(10):
            log.add_block(block(10, T0 + n * 10 * MS))
            with log.transaction() as db:
                blocks.join(db)
        settle(log)
        assert [settle(log) for _ in range(3)] == [True, True, False]
        assert rows(log) == [40, 40, 20]


def test_a_year_of_rows_that_nobody_joined_holds_up_no_commit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """They came by another way than the daemon's; it joins them a part at a time, between its own commits."""
    monkeypatch.setattr(blocks, "JOIN_READINGS", 100)
    path = tmp_path / "l.sqlite"
    with Log.open(path) as log, log.transaction():
        for n in range(60):
            log.add_block(block(30, T0 + n * 30 * MS))
    with Log.open(path) as log, log.transaction() as db:
        assert blocks.join(db)
        assert rows(log)[:2] == [90, 30]
    writer = LogWriter(path, join_every_s=3600.0)
    writer.close()
    with Log.open(path) as log:
        assert rows(log)[:3] == [90, 90, 30]  # once more when it ended, and no more
    writer = LogWriter(path, join_every_s=0.001)
    with Log.open(path, read_only=True) as log:
        try:
            until(lambda: rows(log) == [90] * 20)
        finally:
            writer.close()


steps = st.lists(
    st.one_of(
        st.tuples(st.just("add"), st.integers(1, 30), st.sampled_from(["T", None]), st.sampled_from([1, 2])),
        st.tuples(st.sampled_from(["join", "settle", "follow", "late"]), st.just(0), st.none(), st.just(0)),
    ),
    min_size=1,
    max_size=40,
)


@settings(max_examples=60, deadline=None)
@given(steps=steps)
def test_no_follower_misses_a_reading(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, int, str | None, int]]
) -> None:
    """One follower reads on at each "follow", another only now and then; all at the end."""
    with Log.open(tmp_path_factory.mktemp("j") / "l.sqlite") as log:
        settle(log)
        at, cursor = T0, {"follow": 0, "late": 0}
        seen: dict[str, list[tuple[int, int]]] = {"follow": [], "late": []}

        def follow(name: str) -> None:
            while found := log.blocks_after(cursor[name], 3):
                seen[name] += [(b.channel, int(t)) for b in found for t in b.samples.t_ns]
                cursor[name] = found[-1].seq

        written = []
        for what, n, trace, channel in steps:
            if what == "add":
                log.add_block(block(n, at, MS, channel=channel), "R-1", trace)
                written += [(channel, at + k * MS) for k in range(n)]
                at += n * MS
            elif what == "join":
                with log.transaction() as db:
                    blocks.join(db)
            elif what == "settle":
                follow("follow")  # it keeps up: minutes pass before rows are joined again
                settle(log)
                settle(log)
            else:
                follow(what)
        for name in seen:
            follow(name)
            assert sorted(set(seen[name])) == sorted(written)
        kept = [(c, int(t)) for c in (1, 2) for t in log.samples("psu-a", c, 0, 2**62).t_ns]
        assert sorted(kept) == sorted(written)
        assert np.all(np.array(rows(log) or [0]) <= blocks.MAX_ROW_READINGS)


def test_a_follower_that_keeps_up_gets_each_reading_once(tmp_path: Path) -> None:
    with Log.open(tmp_path / "l.sqlite") as log:
        settle(log)
        cursor, seen = 0, 0
        for n in range(40):
            log.add_block(block(10, T0 + n * 10 * MS))
            for found in log.blocks_after(cursor, 99):
                cursor, seen = found.seq, seen + len(found.samples)
            if n % 5 == 4:
                settle(log)
        assert seen == 400
        assert len(rows(log)) < 12
