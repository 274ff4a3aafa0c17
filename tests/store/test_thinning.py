"""Old readings thinned by rule: no extreme, change, gap or trip lost, what is kept whole kept to the last bit."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.jobs.job import Job
from benchd.reading import Flag, Mode
from benchd.store import blocks
from benchd.store.kept_whole import AROUND_NS, FINDING, MARK, ON_BENCH, REFERENCE, TRIP
from benchd.store.log import Log
from benchd.store.reference_rows import Checked, Reference, keep_reference
from benchd.store.thinning import (
    BUCKET_NS,
    DAMAGED,
    NOTHING_TO_GO,
    Report,
    Thinner,
    apply,
    cursors,
    months_before,
    thin,
    what_stays,
)
from benchd.traces.samples import Samples
from benchd.traces.thin import pick
from tests.store.making import MS, T0, block, same, trace_row, tripped

S = 1_000_000_000
STEP = 20 * MS
"""50 readings a second."""
LATER = T0 + 10**18


@pytest.fixture
def log(tmp_path: Path):
    with Log.open(tmp_path / "log.sqlite") as log:
        yield log


def record(log: Log, seconds: int, start_ns: int = T0, job: str | None = None, trace: str | None = None) -> None:
    """Readings of 50 a second, a minute a row at most."""
    for first in range(0, seconds, 50):
        n = min(50, seconds - first) * 50
        log.add_block(block(n, start_ns + first * S, STEP), job, trace)


def everything(log: Log) -> Samples:
    return log.samples("psu-a", 1, -(2**62), 2**62)


def thinned(log: Log, before_ns: int = LATER, write: bool = True) -> Report:
    thinner = Thinner(log, before_ns)
    for _ in thin(log, thinner, write):
        pass
    return thinner.report


@st.composite
def samples(draw: st.DrawFn) -> Samples:
    n = draw(st.integers(1, 60))
    steps = draw(st.lists(st.integers(-2 * S, 20 * S) | st.just(MS), min_size=n, max_size=n))
    number = st.floats(allow_nan=True, allow_infinity=True) | st.sampled_from([0.0, 1.5, 4.2, 9.91e37])
    return Samples(
        T0 + np.cumsum(np.array(steps, np.int64)),
        np.array(draw(st.lists(number, min_size=n, max_size=n)), np.float64),
        np.array(draw(st.lists(number, min_size=n, max_size=n)), np.float64),
        np.array(draw(st.lists(st.integers(0, 3), min_size=n, max_size=n)), np.uint8),
        np.array(draw(st.lists(st.integers(0, 3), min_size=n, max_size=n)), np.uint8),
    )


@settings(max_examples=60)
@given(samples())
def test_no_extreme_change_or_gap_is_lost(given: Samples) -> None:
    stays = what_stays(given)
    left = pick(given, stays)
    assert list(stays) == sorted(set(stays.tolist()))
    assert same(pick(left, what_stays(left)), left)  # thinning again takes nothing more
    assert {0, len(given) - 1} <= set(stays.tolist())
    assert (left.t_ns.min(), left.t_ns.max()) == (given.t_ns.min(), given.t_ns.max())
    for name in ("voltage_v", "current_a"):
        for number in np.unique(given.t_ns // BUCKET_NS):
            before = getattr(given, name)[given.t_ns // BUCKET_NS == number]
            after = getattr(left, name)[left.t_ns // BUCKET_NS == number]
            if not np.isnan(before).all():
                assert (np.nanmin(after), np.nanmax(after)) == (np.nanmin(before), np.nanmax(before))
    for i in range(1, len(given)):
        if given.mode[i] != given.mode[i - 1] or given.flags[i] != given.flags[i - 1]:
            assert {i - 1, i} <= set(stays.tolist())
        if given.flags[i] & Flag.GAP:
            assert i in stays


def test_idle_readings_go_and_their_peaks_stay(log: Log) -> None:
    record(log, 600)
    spike = block(50, T0 + 600 * S, STEP)
    amps = np.frombuffer(spike.current_a, np.float64).copy()
    amps[17] = 1.2345
    log.add_block(msgspec.structs.replace(spike, current_a=amps.tobytes()))
    before, seqs = everything(log), log.rows("SELECT seq FROM blocks ORDER BY seq")
    report = thinned(log)
    after = everything(log)
    assert len(after) < len(before) / 50
    assert after.current_a.max() == 1.2345
    assert (after.current_a.min(), after.voltage_v.min()) == (before.current_a.min(), before.voltage_v.min())
    at = np.searchsorted(before.t_ns, after.t_ns)
    assert same(pick(before, at), after)  # real readings at their real times
    assert log.rows("SELECT seq FROM blocks ORDER BY seq") == seqs
    assert log.rows("SELECT sum(thinned_from), sum(n) FROM blocks") == [(len(before), len(after))]
    assert (report.total.readings_before, report.total.readings_after) == (len(before), len(after))
    assert set(report.months) == {"2026-01"}
    assert report.kept == report.waiting == {}
    again = thinned(log)
    assert again.months == {}
    assert same(everything(log), after)


def test_looking_only_says_the_same_and_changes_nothing(log: Log) -> None:
    record(log, 300)
    before = log.rows("SELECT * FROM blocks")
    looked = thinned(log, write=False)
    assert log.rows("SELECT * FROM blocks") == before
    assert looked.total.readings_before == 300 * 50
    assert thinned(log) == looked
    kept = log.rows("SELECT sum(length(data)) FROM blocks")[0][0]
    assert kept == looked.total.bytes_after < looked.total.bytes_before


def test_younger_readings_stay(log: Log) -> None:
    record(log, 300)
    thinned(log, T0 + 100 * S)
    assert same(log.samples("psu-a", 1, T0 + 100 * S, LATER), between(300, 100, 300))
    assert len(log.samples("psu-a", 1, T0, T0 + 100 * S)) < 200


def between(recorded_s: int, start_s: float, end_s: float) -> Samples:
    """What `record` puts into a log."""
    parts = [block(min(50, recorded_s - a) * 50, T0 + a * S, STEP) for a in range(0, recorded_s, 50)]
    whole = Samples.concat(Samples.from_block(p) for p in parts)
    return whole.between(T0 + round(start_s * S), T0 + round(end_s * S))


def trace_at(log: Log, id: str, start_s: int, **changes: object) -> None:
    row = trace_row(id, start_ns=T0 + start_s * S)
    log.add_trace(msgspec.structs.replace(row, job="R-9", **changes))


def test_what_something_stands_on_is_kept_to_the_last_bit(log: Log) -> None:
    for id in ("R-9", "R-1"):
        log.add_job(Job(id))
    record(log, 500)
    trace_at(log, "read", 20)
    trace_at(log, "cut", 60, finding=None, reason="tripped")
    trace_at(log, "with a trip", 100, finding=None, marks=[])
    log.add_trip(tripped(T0 + 300 * S), "R-9", "with a trip")
    trace_at(log, "good", 140, finding=None, marks=[])
    row = log.trace("good")
    assert row is not None
    keep_reference(log, Checked(Reference("good", "demo-a", "", 1), row, ""), "command-line")
    trace_at(log, "marked", 180, finding=None)  # a mark at 2 s
    trace_at(log, "nothing", 220, finding=None, marks=[])
    record(log, 30, T0 + 500 * S, job="R-1")
    log.set_current_job("R-1")
    report = thinned(log)
    for start_s, end_s in ((20, 25), (60, 65), (100, 105), (140, 145), (181, 183)):
        kept = log.samples("psu-a", 1, T0 + start_s * S, T0 + end_s * S + 1)
        assert same(kept, between(500, start_s, end_s + 1e-9)), start_s
    around = log.samples("psu-a", 1, T0 + 300 * S - AROUND_NS, T0 + 300 * S + AROUND_NS)
    assert same(around, between(500, 299, 301))
    assert len(log.samples("psu-a", 1, T0 + 500 * S, LATER)) == 30 * 50
    for start_s, end_s in ((220, 225), (30, 55), (184, 215)):
        assert len(log.samples("psu-a", 1, T0 + start_s * S, T0 + end_s * S)) < 50, start_s
    assert report.kept.keys() == {FINDING, TRIP, REFERENCE, MARK, ON_BENCH}
    assert report.kept[FINDING] == 251
    assert report.kept[ON_BENCH] == 1500
    assert report.kept[MARK] == 101
    assert log.trace("nothing") == msgspec.structs.replace(trace_row(), id="nothing", job="R-9", finding=None,
                                                          marks=[], start_ns=T0 + 220 * S,
                                                          end_ns=T0 + 225 * S)  # the figures stay as filed  # fmt: skip


def test_what_is_said_meanwhile_is_heeded(log: Log) -> None:
    record(log, 100)
    thinner = Thinner(log, LATER)
    batch = thinner.next()
    assert batch is not None
    trace_at(log, "filed just now", 10)
    assert not apply(log, batch)
    assert same(everything(log), between(100, 0, 101))
    for _ in thin(log, thinner):
        pass
    assert same(log.samples("psu-a", 1, T0 + 10 * S, T0 + 15 * S), between(100, 10, 15))
    assert thinner.report.total.readings_after < thinner.report.total.readings_before == 100 * 50


def test_rows_that_a_follower_has_not_sent_wait(log: Log) -> None:
    record(log, 200)
    log.followers.advance("influxdb readings", 2)
    log.followers.advance("influxdb events", 0)
    report = thinned(log)
    assert cursors(log) == {"influxdb readings": 2}
    assert report.waiting == {"influxdb readings": 100 * 50}
    assert [n is not None for (n,) in log.rows("SELECT thinned_from FROM blocks ORDER BY seq")] == [True] * 2 + [
        False
    ] * 2
    assert log.blocks_after(2, 9)[0].seq == 3
    thinner = Thinner(log, LATER, without=["influxdb readings"])
    for _ in thin(log, thinner):
        pass
    assert log.rows("SELECT count(*) FROM blocks WHERE thinned_from IS NULL") == [(0,)]


def test_damaged_and_scarce_rows_are_left_as_they_are(log: Log) -> None:
    log.add_block(block(5, T0, 3 * S))
    log.add_block(block(500, T0 + 60 * S, STEP))
    with log.transaction() as db:
        db.execute("UPDATE blocks SET data = ? WHERE seq = 2", (b"\x01nonsense",))
    before = log.rows("SELECT seq, t0_ns, t1_ns, n, data FROM blocks")
    report = thinned(log)
    assert report.kept == {NOTHING_TO_GO: 5, DAMAGED: 500}
    assert report.total.rows == 0
    assert log.rows("SELECT seq, t0_ns, t1_ns, n, data FROM blocks") == before


def test_a_thinned_row_is_not_joined_with_others(log: Log) -> None:
    for k in range(4):
        log.add_block(block(500, T0 + k * 10 * S, STEP))
    thinned(log, T0 + 20 * S)
    with log.transaction() as db:
        blocks.join(db)
    rows = log.rows("SELECT thinned_from, n FROM blocks ORDER BY seq")
    assert [r[0] for r in rows] == [500, 500, None]
    assert rows[-1] == (None, 1000)


def test_what_may_be_thinned_is_found_by_an_index(log: Log) -> None:
    record(log, 100)
    asked: list[tuple[str, tuple[int, ...]]] = []
    thinner = Thinner(log, LATER)
    rows = log.rows
    log.rows = lambda sql, args=(): (asked.append((sql, tuple(args))), rows(sql, args))[1]  # type: ignore[method-assign]
    thinner.next()
    sql, args = next((s, a) for s, a in asked if "LIMIT 200" in s)
    plan = " ".join(r[3] for r in rows(f"EXPLAIN QUERY PLAN {sql}", args))
    assert "USING INDEX blocks_whole" in plan
    assert "TEMP B-TREE" not in plan


@pytest.mark.parametrize(
    ("now", "months", "then"),
    [
        ("2026-11-27T03:04:05", 6, "2026-05-27T03:04:05"),
        ("2026-08-31T00:00:00", 6, "2026-02-28T00:00:00"),
        ("2028-08-31T00:00:00", 6, "2028-02-29T00:00:00"),
        ("2026-01-15T12:00:00", 1, "2025-12-15T12:00:00"),
        ("2026-12-31T23:59:59", 12, "2025-12-31T23:59:59"),
        ("2026-01-15T12:00:00", 600, "1976-01-15T12:00:00"),
    ],
)
def test_months_by_the_calendar(now: str, months: int, then: str) -> None:
    def ns(text: str) -> int:
        return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * S

    assert months_before(ns(now) + 123, months) == ns(then)


def test_modes_that_change_all_the_time_are_kept(log: Log) -> None:
    noisy = block(1000, T0, STEP)
    log.add_block(msgspec.structs.replace(noisy, mode=bytes([Mode.CV, Mode.CC] * 500)))
    assert thinned(log).kept == {NOTHING_TO_GO: 1000}
