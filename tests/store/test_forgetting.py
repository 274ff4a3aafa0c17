"""What was known of a customer is gone down to the file's bytes, and the trace is there as it was."""

from __future__ import annotations

import io
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from benchd.jobs.job import Job
from benchd.jobs.photo import Developed, develop
from benchd.store import codec, migrations, photo_rows
from benchd.store.compacting import is_owed
from benchd.store.copying import copy_database
from benchd.store.forgetting import NEW_ID, forget, personal
from benchd.store.forgetting_files import clean, forget_in_copy, needles, residue, still_said
from benchd.store.job_changes import set_state
from benchd.store.log import Log, LogDown, LogError, Rejected
from benchd.store.reference_rows import Checked, Reference, keep_reference
from tests.store.making import T0, block, same, trace_row, tripped

OWNER = "Frau Überall, Tel. 0123-456789"
LONG = 'she says: it fell into the river behind the house of her "aunt"\nand then ' + "it dried on a stove, " * 600
PAST = "it was the bathtub, they say"
NOISE = np.random.default_rng(7)


def noise() -> Developed:
    """A photo of which no two pieces are alike."""
    out = io.BytesIO()
    Image.fromarray(NOISE.integers(0, 256, (150, 200, 3), dtype=np.uint8)).save(out, "PNG")
    return develop(out.getvalue())


PHOTO, OTHERS_PHOTO = noise(), noise()
DEVICE = "phone, blue, sticker of a whale"


def filled(log: Log, id: str = "R-1042") -> None:
    """A job with all that can be said of it, between two others."""
    log.add_job(Job("R-1", "laptop", "demo-b", "no start"))
    job = Job(
        id, DEVICE, "demo-a", OWNER, history=PAST, wanted_back=f"pictures of {OWNER}", accessories="card of a whale"
    )
    log.add_job(job)
    photo_rows.add_photo(log, "R-1", OTHERS_PHOTO, "another's", "ann")
    photo_rows.add_photo(log, id, PHOTO, f"sticker of {id}", "ann")
    set_state(log, id, "repairing", "ann")
    log.add_entry("step", job=id, payload={"step": "s", "label": "Cleaned", "detail": "sticker again", "text": OWNER})
    log.add_entry("check", job=id, payload={"list": "l", "item": "i", "state": "done", "note": f"asked {OWNER}"})
    log.set_current_job(id)
    for text in (f"called {OWNER}", LONG, "no start"):
        log.add_entry("note", job=id, payload={"text": text})
    log.add_entry("output", job=id, supply="psu-a", channel=1, payload={"output": "on", "text": ""})
    log.add_block(block(3000), id, "20260102-030405-678-psu-a-1")
    log.add_trace(trace_row(job=id))
    log.add_trip(tripped(), id, "20260102-030405-678-psu-a-1")
    row = log.trace("20260102-030405-678-psu-a-1")
    assert row is not None
    for note in (f"an earlier note on {OWNER}", f"good one of {OWNER}"):
        keep_reference(log, Checked(Reference(row.id, "demo-a", note, 1), row, ""), "page")
    log.set_current_job("R-1")
    log.add_entry("note", job="R-1", payload={"text": f"same fault as in {id}, see there"})
    item = f"supply_reading,bench=b,channel=1,job={id},supply=psu-a voltage=1 1"
    log.followers.advance("influxdb readings", 1, [Rejected(1, f'400: {{"line": "…,job={id} …"}}', item)])
    log.followers.advance("mqtt", 1, [Rejected(1, "no", f'benchd/b/psu-a/1/trip {{"job":"{id}","x":1}}')])


@pytest.fixture
def log(tmp_path: Path):
    with Log.open(tmp_path / "benchd.sqlite") as log:
        filled(log)
        yield log


def holding(folder: Path, *texts: str) -> set[str]:
    """Those of the texts that the bytes of any file of the folder hold."""
    files = [file.read_bytes() for file in folder.rglob("*") if file.is_file()]
    return {text for text in texts if any(text.encode() in content for content in files)}


SECRETS = (
    "Überall",
    "0123-456789",
    "the bathtub",
    "card of a whale",
    "sticker again",
    "sticker of R-1042",
    "the river behind",
    "stove, it dried on a",
    "sticker of a whale",
    "R-1042",
)


def test_no_byte_of_it_is_left_in_any_file(log: Log, tmp_path: Path) -> None:
    assert holding(tmp_path, *SECRETS) == set(SECRETS)
    middle = PHOTO.jpeg[4000:4040]
    assert any(middle in file.read_bytes() for file in tmp_path.iterdir())
    known = personal(log, "R-1042")
    assert residue(tmp_path.iterdir(), known.samples)  # so that the looks afterwards can fail
    done = forget(log, "R-1042", T0)
    assert (known.photos, done.photos, len(known.samples)) == (1, 1, 2)
    assert is_owed(log)
    assert clean(log, known) == []
    assert not any(middle in file.read_bytes() for file in tmp_path.iterdir())
    assert photo_rows.picture(log, "R-1", 1) == OTHERS_PHOTO.jpeg
    assert not is_owed(log)
    assert holding(tmp_path, *SECRETS) == set()
    packed = [codec.decode(data) for (data,) in log.rows("SELECT data FROM blocks")]
    assert sum(map(len, packed)) == 3000  # the readings can be unpacked: nothing is hidden in what cannot
    log.close()
    assert holding(tmp_path, *SECRETS) == set()
    assert holding(tmp_path, done.job) == {done.job}


def test_the_trace_stays_as_it_was(log: Log) -> None:
    before = log.whole_trace("20260102-030405-678-psu-a-1")
    row, trip = log.trace("20260102-030405-678-psu-a-1"), log.trips()[0]
    done = forget(log, "R-1042", T0)
    assert done.job.startswith(NEW_ID)
    assert (done.notes, done.photos, done.traces, done.rows) == (9, 1, 1, 1)
    after = log.whole_trace("20260102-030405-678-psu-a-1")
    assert before is not None
    assert after is not None
    assert same(after.samples, before.samples)
    assert row is not None
    assert log.trace(row.id) == msgspec.structs.replace(row, job=done.job)
    assert log.trips() == [msgspec.structs.replace(trip, job=done.job)]
    job = log.job(done.job)
    assert job is not None
    assert (job.device, job.board, job.symptom) == ("", "demo-a", "")
    assert log.job("R-1042") is None
    assert log.journal(job="R-1042") == []
    kinds = [e.kind for e in log.journal(job=done.job)]
    assert kinds == ["job-created", "photo", "job-state", "step", "check", "job-chosen", "output", "trace", "trip",
                     "reference", "reference", "forgotten"]  # fmt: skip
    assert photo_rows.photos(log, done.job) == []
    assert log.rows("SELECT * FROM forgotten") == [(done.job, T0)]
    assert log.blocks_after(0, 9)[0].job == done.job
    assert log.rows("SELECT note FROM board_references") == [("",)]


def test_what_others_say_of_it_names_the_new_id(log: Log) -> None:
    new = forget(log, "R-1042", T0).job
    (note,) = log.journal(job="R-1", kinds=["note"])
    assert note.payload == {"text": f"same fault as in {new}, see there"}
    chosen = [e.payload for e in log.journal(kinds=["job-chosen"])]
    assert chosen == [{"job": new, "before": None}, {"job": "R-1", "before": new}]
    (line,) = log.followers.set_aside("influxdb readings")
    assert line.item == f"supply_reading,bench=b,channel=1,job={new},supply=psu-a voltage=1 1"
    (sent,) = log.followers.set_aside("mqtt")
    assert sent.item == f'benchd/b/psu-a/1/trip {{"job":"{new}","x":1}}'
    other = log.job("R-1")
    assert other is not None
    assert (other.device, other.board, other.symptom) == ("laptop", "demo-b", "no start")


def test_what_was_refused_before_and_is_set_aside_after_says_no_id(log: Log, tmp_path: Path) -> None:
    """A follower holds what a server refused for some 20 s, until the server has it all on its disk."""
    known = personal(log, "R-1042")
    forget(log, "R-1042", T0)
    line = "supply_reading,bench=b,channel=1,job={},supply=psu-a voltage=1 1"
    log.followers.advance(
        "influxdb readings", 2,
        [Rejected(2, "400: R-1042 is bad", line.format("R-1042")), Rejected(3, "400: bad", line.format("R-1"))],
    )  # fmt: skip
    log.followers.advance("mqtt", 2, [Rejected(2, "no", 'b/psu-a/1/trip {"job":"R-1042","x":1}')])
    (other, mine, _), (sent, _) = (log.followers.set_aside(name) for name in ("influxdb readings", "mqtt"))
    assert (mine.reason, mine.item) == ("400: forgotten is bad", line.format("forgotten"))
    assert other.item == line.format("R-1")
    assert sent.item == 'b/psu-a/1/trip {"job":"forgotten","x":1}'
    assert clean(log, known) == []
    assert holding(tmp_path, "R-1042") == set()


def test_what_cannot_be_forgotten_is_refused_and_nothing_changes(log: Log) -> None:
    log.set_current_job("R-1042")
    before = log.rows("SELECT * FROM journal")
    with pytest.raises(LogError, match="R-1042 is on the bench: take it off first"):
        forget(log, "R-1042", T0)
    with pytest.raises(LogError, match="job 'R-7' is not in this log"):
        forget(log, "R-7", T0)
    assert log.rows("SELECT * FROM journal") == before
    log.set_current_job(None)
    new = forget(log, "R-1042", T0).job
    with pytest.raises(LogError, match="not in this log"):
        forget(log, "R-1042", T0)
    assert forget(log, new, T0).job != new


@pytest.mark.parametrize("id", ["psu-a", "demo-a", "1", "short", "text", "low-stall", "repairing"])
def test_an_id_that_is_a_word_like_others_takes_none_of_them_along(tmp_path: Path, id: str) -> None:
    with Log.open(tmp_path / "word.sqlite") as log:
        filled(log, id)
        tables = ("traces", "trips", "blocks", "board_references", "rejected")
        before = {table: log.rows(f"SELECT * FROM {table}") for table in tables}
        supplies = log.rows("SELECT seq, kind, supply, channel, trace FROM journal WHERE kind <> 'note'")
        new = forget(log, id, T0).job
        for table in tables:
            for old, now in zip(before[table], log.rows(f"SELECT * FROM {table}"), strict=True):
                changed = [(a, b) for a, b in zip(old, now, strict=True) if a != b]
                assert all((a == id and b == new) or (table in ("board_references", "rejected")) for a, b in changed)
        (state,) = log.journal(job=new, kinds=["job-state"])
        assert state.payload == {"before": "taken-in", "after": "repairing", "by": "ann"}
        after = log.rows(
            "SELECT seq, kind, supply, channel, trace FROM journal WHERE kind NOT IN ('note', 'forgotten')"
        )
        assert after == supplies
        assert all(r.item.startswith(("supply_reading,bench=b,channel=1,job=forgotten", "benchd/b/psu-a/1/trip"))
                   for name in ("influxdb readings", "mqtt") for r in log.followers.set_aside(name))  # fmt: skip
        assert log.rows("SELECT count(*) FROM journal WHERE job = ?", (id,)) == [(0,)]


def test_words_that_stand_elsewhere_are_no_sign_and_an_id_always_is(log: Log) -> None:
    log.add_job(Job("R-77", "button", "demo-a", "collapsed, integer"))
    known = personal(log, "R-77")
    forget(log, "R-77", T0)
    assert still_said(log, [b"button", b"collapsed", b"INTEGER", b"nobody says this"]) == {
        b"button", b"collapsed", b"INTEGER",
    }  # fmt: skip
    assert clean(log, personal(log, "R-1042")) == [log.path]  # nothing of that was forgotten
    with log.transaction() as db:
        db.execute("INSERT INTO consents (t_ns, supply, profile, maker, model, key, who, text)"
                   " VALUES (1, 'R-1042', '', '', '', '', '', '')")  # fmt: skip
    other = personal(log, "R-1042")
    forget(log, "R-1042", T0)
    assert clean(log, other) == [log.path]
    assert clean(log, known) == []


def test_who_looks_lets_go_of_none_of_the_logs_locks(log: Log, tmp_path: Path) -> None:
    """A process that closes any descriptor of a file loses its locks on it (fcntl(2)): the next one to close the log
    would take itself for the last, and remove the -wal file that this one goes on writing to."""
    wal = tmp_path / "benchd.sqlite-wal"
    was = wal.stat().st_ino
    assert residue([log.path, wal], [DEVICE.encode()]) != []
    other = "import sqlite3, sys; db = sqlite3.connect(sys.argv[1]); db.execute('SELECT * FROM jobs'); db.close()"
    subprocess.run([sys.executable, "-c", other, str(log.path)], check=True, timeout=30)
    assert wal.stat().st_ino == was


def test_a_tablet_is_no_word_of_sqlites(tmp_path: Path) -> None:
    """`table` and `traces` lie one behind the other in the schema's own row."""
    with Log.open(tmp_path / "benchd.sqlite") as log:
        log.add_job(Job("R-1043", "tablet"))
        known = personal(log, "R-1043")
        forget(log, "R-1043", T0)
        assert clean(log, known) == []


def test_a_table_of_tomorrow_is_not_forgotten(log: Log) -> None:
    with log.transaction() as db:
        db.execute("CREATE TABLE tomorrow (job TEXT, x INTEGER)")
        db.execute("INSERT INTO tomorrow VALUES ('R-1042', 1), ('R-1', 2)")
    new = forget(log, "R-1042", T0).job
    assert log.rows("SELECT job FROM tomorrow") == [(new,), ("R-1",)]


words = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=120)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(device=words, symptom=words, notes=st.lists(words, max_size=5), more=st.integers(0, 40))
def test_whatever_people_type(
    tmp_path_factory: pytest.TempPathFactory, device: str, symptom: str, notes: list[str], more: int
) -> None:
    folder = tmp_path_factory.mktemp("typed")
    with Log.open(folder / "benchd.sqlite") as log:
        log.add_job(Job("R-2001", device, "b", symptom))
        for k, note in enumerate(notes):
            log.add_entry("note", job="R-2001", payload={"text": note})
            for n in range(more):
                log.add_entry("note", job="other", payload={"text": f"{k} {n} " + "⌘" * 40})
        known = personal(log, "R-2001")
        sought = needles(known)
        new = forget(log, "R-2001", T0).job
        clean(log, known)
        log.close()
        texts = [t for t in (device, symptom, *notes) if len(t.encode()) >= 12 and t.isprintable()]
        assert residue([folder / "benchd.sqlite"], [t.encode() for t in texts if t.encode() not in new.encode()]) == []
        assert residue([folder / "benchd.sqlite"], [n for n in sought if len(n) > 8]) == []


def test_a_reader_that_does_not_let_go_is_told(log: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    known = personal(log, "R-1042")
    forget(log, "R-1042", T0)
    log.rows("PRAGMA busy_timeout = 20")
    reader = sqlite3.connect(log.path)
    reader.execute("BEGIN")
    reader.execute("SELECT * FROM jobs").fetchall()
    with pytest.raises(LogDown, match="does not let go of it: close it, then `benchd log compact`"):
        clean(log, known)
    reader.close()
    assert clean(log, known) == []


def test_no_room_to_write_it_anew_is_told(log: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shutil.disk_usage", lambda folder: type("U", (), {"free": 10})())
    with pytest.raises(LogDown, match=r"0 MB are: free some space \(nothing was changed\)"):
        clean(log, personal(log, "R-1042"))


def test_a_copy_forgets_the_same(log: Log, tmp_path: Path) -> None:
    log.set_current_job("R-1042")
    copy = tmp_path / "copies" / "benchd-x.sqlite"
    copy.parent.mkdir()
    copy_database(log.path, copy)
    log.set_current_job(None)
    done = forget(log, "R-1042", T0)
    assert holding(copy.parent, *SECRETS) == set(SECRETS)
    assert forget_in_copy(copy, "R-1042", done)
    assert holding(copy.parent, *SECRETS) == set()
    assert [file.name for file in copy.parent.iterdir()] == [copy.name]
    with Log.open(copy, read_only=True) as other:
        assert {j.id for j in other.jobs()} == {done.job, "R-1"}
        assert other.current_job() is None
        assert other.rows("SELECT * FROM forgotten") == [(done.job, T0)]
    assert not forget_in_copy(copy, "R-1042", done)


def test_a_copy_of_an_older_version_forgets_and_a_damaged_one_is_left(log: Log, tmp_path: Path) -> None:
    done = forget(log, "R-1042", T0)
    old = tmp_path / "copies" / "benchd.sqlite.before-v7"
    old.parent.mkdir()
    with sqlite3.connect(old) as db:
        db.executescript("".join(migrations.STEPS[:4]))
        db.execute(f"PRAGMA application_id = {migrations.APPLICATION_ID}")
        db.execute("PRAGMA user_version = 4")
        db.execute("INSERT INTO jobs VALUES ('R-1042', 'x', 'y', ?, ?)", (OWNER, time.time_ns()))
    db.close()
    assert forget_in_copy(old, "R-1042", done)
    assert holding(old.parent, *SECRETS) == set()
    assert [file.name for file in old.parent.iterdir()] == [old.name]
    old.write_bytes(b"no database" * 1000)
    with pytest.raises(LogError, match="before-v7"):
        forget_in_copy(old, "R-1042", done)
    assert old.read_bytes() == b"no database" * 1000
