"""Jobs, journal, traces, trips and readings in the file, and what the file is refused for."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.jobs.job import Job, JobError
from benchd.reading import Block, Mode
from benchd.store import blocks, migrations
from benchd.store.consent_rows import Consent, add_consent, consented
from benchd.store.log import Log, LogDown, LogError, Rejected, new_trace_id
from benchd.store.settings_rows import record_settings
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions
from benchd.traces.trip_record import trip_figures
from tests.store.making import MS, T0, block, columns_block, finding, same, trace_row, tripped


@pytest.fixture
def log(tmp_path: Path):
    with Log.open(tmp_path / "deep" / "log.sqlite") as log:
        yield log


def test_a_new_log_and_its_folder_are_their_owners_only(tmp_path: Path, log: Log) -> None:
    log.add_job(Job("R-1042"))
    assert (tmp_path / "deep").stat().st_mode & 0o777 == 0o700
    files = {path.name: path.stat().st_mode & 0o777 for path in (tmp_path / "deep").iterdir()}
    assert "log.sqlite-wal" in files
    assert set(files.values()) == {0o600}


def test_a_log_that_is_there_keeps_the_rights_that_somebody_gave_it(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    Log.open(path).close()
    path.chmod(0o640)
    Log.open(path).close()
    assert path.stat().st_mode & 0o777 == 0o640


def test_jobs_and_the_one_on_the_bench(log: Log) -> None:
    made = log.add_job(Job("R-1042", "phone, invented", "demo-a", "no start"))
    assert made.created_ns > 0
    log.add_job(Job("R-1043", created_ns=made.created_ns + 1))
    assert [j.id for j in log.jobs()] == ["R-1043", "R-1042"]
    assert log.job("R-1042") == made
    assert log.job("R-9") is None
    log.set_current_job("R-1042")
    log.set_current_job("R-1042")
    assert log.current_job() == "R-1042"
    log.set_current_job(None)
    assert log.current_job() is None
    entries = [(e.kind, e.job) for e in log.journal()]
    assert entries == [
        ("job-created", "R-1042"),
        ("job-created", "R-1043"),
        ("job-chosen", "R-1042"),
        ("job-chosen", None),
    ]


def test_wrong_jobs_are_refused_and_leave_nothing(log: Log) -> None:
    log.add_job(Job("R-1"))
    with pytest.raises(LogError, match="job R-1 is already there"):
        log.add_job(Job("R-1"))
    with pytest.raises(JobError, match="allowed are 1 to 40"):
        log.add_job(Job("=1+1"))
    with pytest.raises(LogError, match="'R-2' is not there"):
        log.set_current_job("R-2")
    assert len(log.journal()) == 1


def test_journal_is_selected_by_job_kind_seq_and_limit(log: Log) -> None:
    for i in range(6):
        log.add_entry(
            "note" if i % 2 else "link", job=f"R-{i // 3}", payload={"i": i, "x_a": float("nan")}, t_ns=T0 + i
        )

    def numbers(found):
        return [e.payload["i"] for e in found]

    assert numbers(log.journal()) == [0, 1, 2, 3, 4, 5]
    assert numbers(log.journal(limit=2)) == [4, 5]
    assert numbers(log.journal(job="R-0")) == [0, 1, 2]
    assert numbers(log.journal(kinds=["note"])) == [1, 3, 5]
    assert numbers(log.journal(after_seq=4)) == [4, 5]
    assert numbers(log.entries_after(0, 2, ["note"])) == [1, 3]
    assert numbers(log.entries_after(4, 9, ["note"])) == [5]
    assert log.journal()[0].payload["x_a"] is None  # JSON has no NaN
    assert [e.t_ns for e in log.journal()] == [T0 + i for i in range(6)]


def test_a_trace_and_its_entry_come_together(log: Log) -> None:
    row = trace_row()
    entry = log.add_trace(row)
    assert log.trace(row.id) == row
    assert log.traces() == log.traces(job="R-1042") == [row]
    assert log.traces(job="R-1") == []
    assert (entry.kind, entry.trace, entry.job) == ("trace", row.id, "R-1042")
    assert entry.payload["finding"]["signature"] == "low-stall"
    assert entry.payload["duration_s"] == 5.0
    with pytest.raises(LogError, match="already filed"):
        log.add_trace(row)
    assert log.journal() == [entry]


def test_a_new_finding_replaces_the_old_one_and_is_told(log: Log) -> None:
    row = trace_row()
    log.add_trace(row)
    entry = log.update_finding(row.id, finding("clean-boot"), marks=[])
    changed = log.trace(row.id)
    assert changed is not None
    assert changed.finding is not None
    assert (changed.finding.signature, changed.marks) == ("clean-boot", [])
    assert (entry.kind, entry.payload["finding"]["signature"]) == ("finding", "clean-boot")
    with pytest.raises(LogError, match="'nothing' is not there"):
        log.update_finding("nothing", finding())


def test_what_is_latched_is_known_to_the_next_reader(log: Log) -> None:
    def output(supply: str, channel: int, latched: bool) -> None:
        log.add_entry("output", supply=supply, channel=channel, payload={"output": "off", "latched": latched})

    assert log.latched() == {}
    log.add_trip(tripped(T0 - MS))
    number = log.add_trip(tripped()).payload["trip"]
    kept = log.trip(number)
    assert kept is not None
    assert log.latched() == {("psu-a", 1): kept}  # the word on the output may have been lost with its writer
    output("psu-a", 1, True)
    output("psu-b", 2, True)
    output("psu-c", 1, True)
    output("psu-c", 1, False)
    log.add_entry("link", supply="psu-a", payload={"up": True})
    assert log.latched() == {("psu-a", 1): kept, ("psu-b", 2): None}
    output("psu-a", 1, False)
    assert log.latched() == {("psu-b", 2): None}


@pytest.mark.parametrize("confirmed", [True, False])
def test_a_trip_is_kept_whole(log: Log, confirmed: bool) -> None:
    trip = tripped(confirmed=confirmed)
    entry = log.add_trip(trip, "R-1042", "some-trace")
    kept = log.trip(entry.payload["trip"])
    assert kept is not None
    assert (kept.tripped, kept.job, kept.trace) == (trip, "R-1042", "some-trace")
    assert kept.figures == trip_figures(trip)
    assert entry.payload == kept.figures | {"trip": kept.number}
    assert entry.payload["off_confirmed"] is confirmed
    assert entry.payload["text"] == trip.text
    assert (entry.t_ns, entry.supply, entry.channel, entry.job) == (trip.detected_ns, "psu-a", 1, "R-1042")
    assert log.journal(kinds=["trip"]) == [entry]
    assert log.trip(99) is None


def test_trips_are_listed_by_job_the_newest_first(log: Log) -> None:
    for number, job in enumerate(("R-1", "R-2", "R-1")):
        log.add_trip(tripped(T0 + number * MS), job)
    assert [(t.number, t.job) for t in log.trips()] == [(3, "R-1"), (2, "R-2"), (1, "R-1")]
    assert [t.number for t in log.trips("R-1")] == [3, 1]
    assert [t.number for t in log.trips(limit=1)] == [3]
    assert log.trips("R-9") == []


def test_figures_are_kept_as_they_were_worked_out(log: Log) -> None:
    """With the accuracy of the supply as it was known then."""
    known = trip_figures(tripped(), Conditions(accuracy_offset_a=0.01))
    number = log.add_trip(tripped(), figures=known).payload["trip"]
    kept = log.trip(number)
    assert kept is not None
    assert kept.figures == known
    assert kept.figures["let_through_c_u"] > 0


class _OldTripped(msgspec.Struct, frozen=True, tag="Tripped"):
    """A trip's record as it was before stages, budgets and sums since power-on were in it."""

    supply: str
    channel: int
    rule: str
    text: str
    onset_ns: int
    detected_ns: int
    off_sent_ns: int
    off_confirmed_ns: int | None
    set_voltage_v: float
    limit_a: float
    let_through_c: float
    let_through_j: float
    let_through_a2s: float
    before: Block
    after: Block


def test_a_log_of_version_2_keeps_its_trips(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "l.sqlite"
    steps = migrations.STEPS
    monkeypatch.setattr(migrations, "STEPS", steps[:2])
    trip = tripped()
    old = _OldTripped(**{name: getattr(trip, name) for name in _OldTripped.__struct_fields__})
    with Log.open(path) as log, log.transaction() as db:
        db.execute(
            "INSERT INTO trips (detected_ns, supply, channel, job, trace, rule, record) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (trip.detected_ns, trip.supply, trip.channel, "R-1", None, trip.rule, msgspec.msgpack.encode(old)),
        )
    monkeypatch.setattr(migrations, "STEPS", steps)
    with Log.open(path) as log:
        (kept,) = log.trips("R-1")
        assert kept.tripped == trip
        assert (kept.figures["let_through_c"], kept.figures["let_through_c_u"]) == (0.002, None)
        assert (kept.figures["stage"], kept.figures["budget_j"]) == ("", None)


def test_a_failed_transaction_leaves_nothing(log: Log) -> None:
    def both() -> None:
        with log.transaction():
            log.add_trip(tripped())
            log.add_job(Job("bad id"))

    with pytest.raises(JobError):
        both()
    assert log.journal() == []
    assert log.rows("SELECT * FROM trips") == []


def test_readings_are_found_by_time(log: Log) -> None:
    log.add_block(block(1000), "R-1", None)
    log.add_block(block(1000, T0 + 1000 * MS), "R-1", "t")
    log.add_block(block(10, channel=2))
    whole = Samples.concat([Samples.from_block(block(1000)), Samples.from_block(block(1000, T0 + 1000 * MS))])
    assert same(log.samples("psu-a", 1, T0, T0 + 2000 * MS), whole)
    assert same(log.samples("psu-a", 1, T0 + 998 * MS, T0 + 1002 * MS), whole[998:1002])
    assert len(log.samples("psu-a", 2, 0, 2**62)) == 10
    assert len(log.samples("psu-b", 1, 0, 2**62)) == 0


@settings(max_examples=40, deadline=None)
@given(
    steps_s=st.lists(st.sampled_from([0.001, 0.02, 1.0, 29.0, 31.0, 70.0, -3.0, -400.0]), min_size=1, max_size=40),
    window=st.tuples(st.floats(-500, 2000), st.floats(-500, 2000)),
    join=st.booleans(),
)
def test_a_search_by_time_finds_what_a_plain_filter_finds(
    tmp_path_factory: pytest.TempPathFactory, steps_s: list[float], window: tuple[float, float], join: bool
) -> None:
    """Gaps, long blocks, a clock set back: rows are cut so that the search need not read the whole log."""
    t = T0 + np.cumsum([round(s * 1e9) for s in steps_s])
    n = len(t)
    with Log.open(tmp_path_factory.mktemp("log") / "l.sqlite") as log:
        for part in (slice(0, n // 2), slice(n // 2, n)):
            if len(t[part]):
                log.add_block(columns_block(t[part], np.arange(n)[part], np.arange(n)[part] / 10, "psu-a", 1))
        if join:
            with log.transaction() as db:
                blocks.join(db)
        a, b = (T0 + round(w * 1e9) for w in sorted(window))
        found = log.samples("psu-a", 1, a, b)
        assert all(r[0] <= blocks.MAX_ROW_SPAN_NS for r in log.rows("SELECT t1_ns - t0_ns FROM blocks"))
    order = np.argsort(t, kind="stable")
    order = order[(t[order] >= a) & (t[order] < b)]
    assert sorted(zip(found.t_ns.tolist(), found.voltage_v.tolist(), strict=True)) == sorted(
        zip(t[order].tolist(), order.astype(float).tolist(), strict=True)
    )
    assert np.all(np.diff(found.t_ns) >= 0)


def test_many_readings_become_several_rows(log: Log) -> None:
    log.add_block(block(20_000))
    sizes = [r[0] for r in log.rows("SELECT n FROM blocks ORDER BY seq")]
    assert sum(sizes) == 20_000
    assert max(sizes) <= blocks.MAX_ROW_READINGS
    assert same(log.samples("psu-a", 1, 0, 2**62), Samples.from_block(block(20_000)))


def test_joined_rows_keep_readings_tags_and_the_last_number(log: Log) -> None:
    for i in range(10):
        log.add_block(block(100, T0 + i * 100 * MS), "R-1", "t" if i >= 4 else None)
    before = log.samples("psu-a", 1, 0, 2**62)
    with log.transaction() as db:
        blocks.join(db)
    stored = log.blocks_after(0, 100)
    assert [(b.seq, b.trace, len(b.samples)) for b in stored] == [(4, None, 400), (10, "t", 600)]
    assert same(log.samples("psu-a", 1, 0, 2**62), before)
    with log.transaction() as db:
        blocks.join(db)
    assert len(log.blocks_after(0, 100)) == 2


def test_blocks_after_is_bounded_but_always_moves_on(log: Log) -> None:
    for i in range(5):
        log.add_block(block(100, T0 + i * 100 * MS))
    assert [b.seq for b in log.blocks_after(1, 2)] == [2, 3]
    assert [b.seq for b in log.blocks_after(1, 9, max_readings=250)] == [2, 3]
    assert [b.seq for b in log.blocks_after(1, 9, max_readings=1)] == [2]
    assert log.blocks_after(5, 9) == []


def test_a_damaged_row_hurts_only_itself(log: Log) -> None:
    for i in range(3):
        log.add_block(block(100, T0 + i * 100 * MS))
    with log.transaction() as db:
        db.execute("UPDATE blocks SET data = x'01FFFF' WHERE seq = 2")
        blocks.join(db)
    stored = log.blocks_after(0, 9)
    assert [(len(b.samples), bool(b.damage)) for b in stored] == [(100, False), (0, True), (100, False)]
    assert len(log.samples("psu-a", 1, T0, T0 + 50 * MS)) == 50
    with pytest.raises(LogError, match="damaged"):
        log.samples("psu-a", 1, T0, T0 + 150 * MS)


def test_whole_trace_has_readings_and_marks(log: Log) -> None:
    row = trace_row()
    log.add_block(block(6000, T0 - 500 * MS), row.job, row.id)
    log.add_trace(row)
    trace = log.whole_trace(row.id)
    assert trace is not None
    assert len(trace.samples) == 5001
    assert trace.mark_s("button") == 2.0
    assert log.whole_trace("nothing") is None


def test_settings_are_kept_when_they_change(log: Log) -> None:
    first = record_settings(log, {"bench": "b", "supply": [{"name": "psu-a"}]})
    assert first is not None
    assert first.payload["first"] is True
    assert record_settings(log, {"supply": [{"name": "psu-a"}], "bench": "b"}) is None
    second = record_settings(log, {"bench": "b", "supply": [{"name": "psu-c"}], "web": {"port": 1}})
    assert second is not None
    assert second.payload["changed"] == ["supply.0.name", "web.port"]


def test_cursors_and_refused_items(log: Log) -> None:
    rows = log.followers
    assert rows.cursor("a") is None
    rows.advance("a", 5)
    rows.advance("a", 9, [Rejected(7, "400: bad", "line 7"), Rejected(8, "400: bad", "x" * 9000)])
    assert (rows.cursor("a"), rows.rejected_count("a"), rows.rejected_count("b")) == (9, 2, 0)
    assert [r.seq for r in rows.set_aside("a")] == [8, 7]
    assert len(rows.set_aside("a")[0].item) == 2000
    rows.advance("a", 10, [Rejected(10, "r", str(i)) for i in range(1500)])
    assert rows.rejected_count("a") == 1502
    assert len(rows.set_aside("a", 9999)) == 1000
    assert rows.set_aside("a")[0].item == "1499"


def test_trace_ids_sort_by_time_and_are_safe_everywhere() -> None:
    # 1767323045.678901 is 2026-01-02T03:04:05.678901Z (computed with GNU date).
    assert new_trace_id(T0, "psu-a", 2) == "20260102-030405-678-psu-a-2"
    ids = [new_trace_id(T0 + i * 700 * MS, "psu-a", 1) for i in range(200)]
    assert ids == sorted(set(ids))
    assert new_trace_id(T0, "a/+#,= \\b", 1) == "20260102-030405-678-a-b-1"


# ---- the file itself ------------------------------------------------------------------------------------------


def test_a_reader_sees_what_a_writer_committed_and_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    with pytest.raises(LogDown, match="no such log"):
        Log.open(path, read_only=True)
    assert not path.exists()
    with Log.open(path) as log, Log.open(path, read_only=True) as reader:
        log.add_job(Job("R-1"))
        assert [j.id for j in reader.jobs()] == ["R-1"]
        assert reader.log_id == log.log_id != ""
        with pytest.raises(LogDown, match="read-only"):
            reader.add_job(Job("R-2"))


def test_a_newer_file_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    Log.open(path).close()
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 99")
    db.close()
    before = path.read_bytes()
    for read_only in (False, True):
        with pytest.raises(LogError, match=r"l\.sqlite: the log has version 99, this benchd knows up to 7"):
            Log.open(path, read_only)
    assert path.read_bytes() == before


def test_other_files_are_refused_and_left_alone(tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    db = sqlite3.connect(other)
    db.execute("CREATE TABLE thing (x)")
    db.close()
    text = tmp_path / "text.sqlite"
    text.write_text("this is not a database, but long enough to look at " * 40)
    for path, words in ((other, "another program"), (text, "not a log of benchd")):
        before = path.read_bytes()
        with pytest.raises(LogError, match=words) as caught:
            Log.open(path)
        assert type(caught.value) is LogError
        assert str(path) in str(caught.value)
        assert path.read_bytes() == before


def test_a_step_that_fails_takes_nothing_with_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "l.sqlite"
    with Log.open(path) as log:
        log.add_job(Job("R-1"))
    good = "ALTER TABLE jobs ADD COLUMN owner TEXT NOT NULL DEFAULT ''"
    steps = migrations.STEPS
    monkeypatch.setattr(migrations, "STEPS", (*steps, good + "; CREATE TABLE jobs (x)"))
    with pytest.raises(LogError, match="table jobs already exists"):
        Log.open(path)
    monkeypatch.setattr(migrations, "STEPS", (*steps, good))
    with pytest.raises(LogError, match="`benchd log upgrade` takes it forward"):
        Log.open(path, read_only=True)
    with Log.open(path) as log:
        assert log.rows("SELECT id, owner FROM jobs") == [("R-1", "")]
        assert log.rows("PRAGMA user_version") == [(len(steps) + 1,)]


def test_a_log_of_version_1_keeps_its_accuracies_and_takes_consents(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "l.sqlite"
    steps = migrations.STEPS
    monkeypatch.setattr(migrations, "STEPS", steps[:1])
    old = '{"resolution_a":0.001,"accuracy_fraction":0.002,"accuracy_offset_a":0.01,"board":"\\"accuracy_fraction\\":"}'
    with Log.open(path) as log, log.transaction() as db:
        db.execute(
            "INSERT INTO traces VALUES ('T', NULL, 'a', 1, 0, 1, 'off', ?, '[]', NULL, 0, NULL, NULL, NULL)", (old,)
        )
    monkeypatch.setattr(migrations, "STEPS", steps)
    with Log.open(path) as log:
        row = log.trace("T")
        assert row is not None
        assert row.conditions == Conditions(
            resolution_a=0.001, accuracy_fraction_a=0.002, accuracy_offset_a=0.01, board='"accuracy_fraction":'
        )
        assert consented(log) == frozenset()
        entry = add_consent(log, Consent("left", "thin", "Example", "X-1", "k1", "Ada", "thin documents"))
        assert (entry.kind, entry.supply, entry.payload["key"]) == ("consent", "left", "k1")
        assert consented(log) == {"k1"}


def test_a_busy_file_is_told_as_passing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd.store.log.BUSY_TIMEOUT_S", 0.01)
    path = tmp_path / "l.sqlite"
    with Log.open(path) as log:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogDown, match="another program holds the file"):
            log.add_job(Job("R-1"))
        other.execute("ROLLBACK")
        other.close()
        log.add_job(Job("R-1"))


def test_modes_keep_their_meaning_in_old_files() -> None:
    """Stored as numbers, so they must never be renumbered."""
    assert {m.name: m.value for m in Mode} == {"UNKNOWN": 0, "CV": 1, "CC": 2, "OFF": 3}
