"""An archive comes into another log whole, under names of its own, or not at all."""

from __future__ import annotations

import hashlib
import json
import signal
import subprocess
import sys
import threading
import time
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.jobs.job import Job, JobError
from benchd.procedures.record import Happened, Result, Side
from benchd.store import packed, photo_rows
from benchd.store.checking import check
from benchd.store.errors import LogError
from benchd.store.lines import EVENT_KINDS
from benchd.store.log import Log, TraceRow
from benchd.store.packed_file import Archive, ArchiveError
from benchd.store.procedure_rows import end_run, reference_of, runs, state_of
from benchd.store.reference_rows import references
from benchd.store.unpacking import Placed, unpack_job
from benchd.store.writer import LogWriter
from benchd.traces.trace import Conditions
from tests.jobs.pictures import camera_file
from tests.store.making import MS, T0, block, columns_block, same, trace_row, tripped
from tests.store.packed_jobs import JOB, PHOTO, RUN, SECRET, TRACE, files_of, log_with_job, packed_job, spoilt, written


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    with log_with_job(tmp_path / "there.sqlite") as log:
        packed_job(log, tmp_path / "job.zip", with_csv=True)
    return tmp_path / "job.zip"


@pytest.fixture
def here(tmp_path: Path) -> Log:
    """A log of a bench that has measured with a supply of the same name at the same time."""
    log = Log.open(tmp_path / "here.sqlite")
    log.add_job(Job("H-1"))
    log.add_block(block(6000, T0 - 500 * MS), "H-1")
    log.add_trip(tripped(T0 + 100 * MS), "H-1")
    return log


def unpacked(log: Log, file: Path, **wanted: Any) -> Placed:
    with Archive(file) as archive:
        return unpack_job(log, archive, wanted.pop("as_job", None), **wanted)


def everything(log: Log) -> list[Any]:
    tables = ("jobs", "journal", "traces", "blocks", "trips", "photos", "runs", "board_references", "unpacked", "bench")
    return [log.rows(f"SELECT * FROM {table}") for table in tables]


def test_readings_findings_marks_and_times_are_as_they_were(tmp_path: Path, here: Log, archive: Path) -> None:
    placed = unpacked(here, archive, with_references=True)
    assert placed == Placed(JOB, {"psu-a": "psu-a@bench-b"}, {TRACE: TRACE}, {RUN.id: RUN.id})
    with Log.open(tmp_path / "there.sqlite", read_only=True) as there:
        was, row = there.trace(TRACE), here.trace(TRACE)
        assert was is not None
        assert row == msgspec.structs.replace(was, supply="psu-a@bench-b")
        before, now = there.whole_trace(TRACE), here.whole_trace(TRACE)
        assert before is not None
        assert now is not None
        assert same(before.samples, now.samples)
        (trip,), (tripped_then,) = here.trips(job=JOB), there.trips(job=JOB)
        assert here.job(JOB) == there.job(JOB)
        assert references(here) == references(there)
    assert (trip.trace, trip.figures) == (TRACE, tripped_then.figures)
    assert trip.tripped.before.readings() == tripped_then.tripped.before.readings()
    assert {trip.tripped.supply, trip.tripped.before.supply, trip.tripped.after.supply} == {"psu-a@bench-b"}
    journal = [each for each in here.rows("SELECT kind, payload FROM journal WHERE job = ? ORDER BY seq", (JOB,))]
    assert [kind for kind, _ in journal] == [
        "job-created",
        "job-chosen",
        "trace",
        "trip",
        "note",
        "photo",
        "step",
        "step-taken-back",
        "check",
        "reference",
        "procedure",
        "reference",
        "unpacked",
    ]
    assert json.loads(journal[3][1])["trip"] == trip.number == 2


def test_photos_come_along_and_what_was_taken_back_stays_so(here: Log, archive: Path) -> None:
    photo_rows.add_photo(here, "H-1", PHOTO, "own", "")
    unpacked(here, archive)
    (photo,) = photo_rows.photos(here, JOB)
    assert (photo.caption, photo.t_ns, photo.by, photo.width) == (f"of {SECRET}", T0, "ann", 800)
    assert photo_rows.picture(here, JOB, photo.id) == PHOTO.jpeg
    assert photo_rows.thumbnail(here, JOB, photo.id) == PHOTO.thumbnail
    entries = {e.kind: e for e in here.journal(JOB)}
    assert entries["photo"].payload["photo"] == photo.id == 2
    assert entries["step-taken-back"].payload["seq"] == entries["step"].seq < 0
    job = here.job(JOB)
    assert job is not None
    assert (job.state, job.battery, job.consent, job.history) == ("testing", "out", ("screen",), SECRET)
    assert check(here.path).sound


@pytest.mark.parametrize("again", [False, True])
def test_runs_come_along_under_the_names_that_hold_here(here: Log, archive: Path, again: bool) -> None:
    """Also where the log has a run of that id. One that went on there stays there."""
    unpacked(here, archive, with_references=True)
    job, id, trace, supply = JOB, RUN.id, TRACE, "psu-a@bench-b"
    if again:
        job, id, trace, supply = "R-2", f"{RUN.id}-2", f"{TRACE}-2", "psu-a@bench-b.2"
        assert unpacked(here, archive, as_job=job, again=True).runs == {RUN.id: id}
    (photo,) = photo_rows.photos(here, job)
    (run,) = runs(here, job)
    assert (run.id, run.job, run.traces, run.sides) == (id, job, (trace,), (Side("main", supply, 1),))
    assert run.happened[0].photo == str(photo.id)
    same_run = msgspec.structs.replace(
        run, id=RUN.id, job=JOB, traces=RUN.traces, sides=RUN.sides, happened=RUN.happened
    )
    assert same_run == RUN
    assert reference_of(here, id) == ("" if again else "demo-a")
    told = {e.kind: e.payload for e in here.journal(job)}
    assert (told["procedure"]["run"], told["reference"]["run"]) == (id, id)
    assert told["reference"]["text"].startswith(f"run {id} (Leak curve) is a reference for demo-a")
    assert state_of(here, id) is None
    assert check(here.path).sound


def test_an_archive_of_before_there_were_photos_comes_in(here: Log, archive: Path, tmp_path: Path) -> None:
    files = files_of(archive)
    manifest = json.loads(files.pop("manifest.json"))
    for name in ("photos.jsonl", "photos/1.jpg", "photos/1-small.jpg", "runs.jsonl"):
        del files[name]
    job = json.loads(files["job.json"])
    old = {key: job[key] for key in ("id", "device", "board", "symptom", "created_ns")}
    files["job.json"] = json.dumps(old).encode() + b"\n"
    entries = [line for line in files["journal.jsonl"].splitlines(True) if b'"kind":"photo"' not in line]
    entries = [line.replace(b'"seq":7', b'"seq":6') for line in entries]
    files["journal.jsonl"] = b"".join(entries)
    listed = [packed.PackedFile(n, len(d), hashlib.sha256(d).hexdigest()) for n, d in files.items()]
    del manifest["counts"]["photos"], manifest["counts"]["runs"]
    manifest["counts"]["journal"] -= 1
    manifest |= {"format": 1, "log_version": 5, "files": msgspec.to_builtins(listed)}
    manifest["checksum"] = packed.checksum(listed, 1)
    unpacked(here, written(files | {"manifest.json": json.dumps(manifest).encode()}, tmp_path / "old.zip"))
    taken = here.job(JOB)
    assert taken is not None
    assert (taken.device, taken.battery, taken.state, taken.version) == (SECRET, "", "taken-in", 1)
    assert (photo_rows.photos(here, JOB), runs(here, JOB)) == ([], [])


def test_this_bench_s_own_readings_are_not_mixed_with_them(here: Log, archive: Path) -> None:
    own = here.samples("psu-a", 1, T0, T0 + 5_000 * MS)
    unpacked(here, archive)
    assert same(here.samples("psu-a", 1, T0, T0 + 5_000 * MS), own)
    assert len(here.samples("psu-a@bench-b", 1, T0, T0 + 5_000 * MS + 1)) == 5001
    assert here.current_job() is None
    assert references(here) == []


def test_no_follower_of_this_bench_sends_them(here: Log, archive: Path) -> None:
    heads = here.followers.head("blocks"), here.followers.head("journal", EVENT_KINDS)
    unpacked(here, archive)
    assert (here.followers.head("blocks"), here.followers.head("journal", EVENT_KINDS)) == heads
    # Not even one that is new, and begins at 0.
    assert {each.job for each in here.blocks_after(0, 1000)} == {"H-1"}
    assert {each.job for each in here.entries_after(0, 1000, EVENT_KINDS)} == {"H-1"}
    here.add_block(block(10, T0 + 60_000 * MS), "H-1")
    assert here.followers.head("blocks") == heads[0] + 1


def test_into_a_new_log_numbers_begin_at_1_all_the_same(tmp_path: Path, archive: Path) -> None:
    with Log.open(tmp_path / "new.sqlite") as log:
        unpacked(log, archive)
        log.add_block(block(10), "H-1")
        assert [each.seq for each in log.blocks_after(-(2**62), 1000, 10**9)] == [-3, -2, -1, 1]


def test_the_same_job_is_recognised(here: Log, archive: Path) -> None:
    unpacked(here, archive)
    before = everything(here)
    with pytest.raises(
        LogError, match=rf"came in at 20\d\d-\d\d-\d\d \d\d:\d\d:\d\d, it is job {JOB} here; to have it twice"
    ):
        unpacked(here, archive, as_job="R-1042-b")
    with pytest.raises(LogError, match=f"there is a job {JOB} in this log already; give another id with --as"):
        unpacked(here, archive, again=True)
    assert everything(here) == before
    placed = unpacked(here, archive, as_job="R-1042-b", again=True)
    assert placed == Placed("R-1042-b", {"psu-a": "psu-a@bench-b.2"}, {TRACE: f"{TRACE}-2"}, {RUN.id: f"{RUN.id}-2"})
    twice = here.whole_trace(f"{TRACE}-2")
    assert twice is not None
    assert len(twice.samples) == 5001
    texts = here.rows("SELECT payload FROM journal WHERE job = 'R-1042-b' AND kind = 'reference'")
    assert f"{TRACE}-2 is a reference" in texts[0][0]


def test_a_job_comes_back_into_its_own_log_under_another_id(tmp_path: Path, archive: Path) -> None:
    with Log.open(tmp_path / "there.sqlite") as there:
        with pytest.raises(LogError, match=r"already \(the archive was packed from this very log\)"):
            unpacked(there, archive)
        with pytest.raises(JobError, match="job id 'no id'"):
            unpacked(there, archive, as_job="no id")
        placed = unpacked(there, archive, as_job="R-1042-b")
        chosen = there.rows("SELECT payload FROM journal WHERE job = 'R-1042-b' AND kind = 'job-chosen'")
    assert placed.traces == {TRACE: f"{TRACE}-2"}
    assert json.loads(chosen[0][0]) == {"job": "R-1042-b", "before": None}


def test_packed_again_on_the_other_bench_it_has_the_same_content(tmp_path: Path, here: Log, archive: Path) -> None:
    unpacked(here, archive, with_references=True)
    packed_job(here, tmp_path / "again.zip", bench="bench-c", with_csv=True)
    assert content(tmp_path / "again.zip") == content(archive)


def content(archive: Path) -> dict[str, bytes]:
    """Without what says where it was packed, where each byte of a line lies, and that it was unpacked."""
    files = {n: d for n, d in files_of(archive).items() if n not in (packed.MANIFEST, packed.README)}
    journal = files["journal.jsonl"].splitlines(keepends=True)
    files["journal.jsonl"] = b"".join(line for line in journal if b'"kind":"unpacked"' not in line)
    with Archive(archive) as sound:
        records = [
            msgspec.structs.replace(t, supply="", before=_nameless(t.before), after=_nameless(t.after))
            for t in sound.tripped
        ]
    trips = [json.loads(line) for line in files["trips.jsonl"].splitlines()]
    files["trips.jsonl"] = repr([(t | {"record": r}) for t, r in zip(trips, records, strict=True)]).encode()
    return {name: data.replace(b"@bench-b", b"") for name, data in files.items()}


def _nameless(block: Any) -> Any:
    return msgspec.structs.replace(block, supply="")


MOMENTS = st.integers(T0 - 10**15, T0 + 10**15)
NUMBERS = st.floats(allow_nan=False, allow_infinity=False, width=32)


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_job_goes_there_and_back(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    folder = tmp_path_factory.mktemp("any")
    with Log.open(folder / "a.sqlite") as a, Log.open(folder / "b.sqlite") as b:
        texts = st.text(st.characters(codec="utf-8", exclude_categories=("Cc", "Cs")), max_size=30)
        a.add_job(Job(JOB, data.draw(texts), data.draw(texts), data.draw(texts), data.draw(MOMENTS)))
        for n in range(data.draw(st.integers(0, 3))):
            start, count = data.draw(MOMENTS), data.draw(st.integers(1, 40))
            row = TraceRow(
                id=f"T-{n}", job=JOB, supply="psu-a", channel=1 + n, start_ns=start, end_ns=start + 100 * MS,
                conditions=Conditions(board=data.draw(texts)), marks=[], reason="off", readings=count,
                peak_a=data.draw(NUMBERS),
            )  # fmt: skip
            steps = np.cumsum(data.draw(st.lists(st.integers(1, 2 * MS), min_size=count, max_size=count)))
            amps = np.array(data.draw(st.lists(st.floats(), min_size=count, max_size=count)))
            job = data.draw(st.sampled_from([JOB, None]))
            a.add_block(columns_block(start + steps, amps, amps, "psu-a", 1 + n), job, f"T-{n}")
            a.add_trace(row)
            if data.draw(st.booleans()):
                a.add_trip(tripped(start), JOB, f"T-{n}")
        for n, text in enumerate(data.draw(st.lists(texts, max_size=3))):
            number = data.draw(st.none() | NUMBERS)
            end_run(a, msgspec.structs.replace(
                RUN, id=f"P{n}", began_ns=data.draw(MOMENTS), traces=(), parameters={"a": number, "b": text, "c": True},
                results=(Result("r", text, number, "A", number), Result("s", text, text)),
                happened=(Happened(data.draw(MOMENTS), "answer", text, {"d": number, "e": text}),), text=text,
            ))  # fmt: skip
        for text in data.draw(st.lists(texts, max_size=3)):
            a.add_entry("note", job=JOB, payload={"text": text})
        first = packed_job(a, folder / "1.zip")
        unpacked(b, folder / "1.zip")
        second = packed_job(b, folder / "2.zip", bench="bench-c")
        assert content(folder / "1.zip") == content(folder / "2.zip")
        assert second.counts == msgspec.structs.replace(first.counts, journal=first.counts.journal + 1)


def test_of_what_a_run_was_compared_with_only_what_comes_along_is_named(tmp_path: Path) -> None:
    with log_with_job(tmp_path / "a.sqlite") as log, Log.open(tmp_path / "b.sqlite") as here:
        end_run(log, msgspec.structs.replace(RUN, id="P-2", began_ns=T0 + MS, against=("P-other-job", RUN.id)))
        packed_job(log, tmp_path / "1.zip")
        for job in (JOB, "R-2"):
            unpacked(here, tmp_path / "1.zip", as_job=job, again=True)
        assert [run.against for run in runs(here, JOB)] == [(RUN.id,), ()]
        assert [run.against for run in runs(here, "R-2")] == [(f"{RUN.id}-2",), ()]


# ---- what is not sound ----------------------------------------------------------------------------------------------


def refused(file: Path, said: str) -> None:
    with pytest.raises(ArchiveError, match=said) as told:
        Archive(file)
    assert str(file) in str(told.value)


def only(**changed: Any) -> Callable[[list[dict[str, Any]]], list[dict[str, Any]]]:
    return lambda lines: [lines[0] | changed, *lines[1:]]


def entry(kind: str, **changed: Any) -> Callable[[list[dict[str, Any]]], list[dict[str, Any]]]:
    return lambda lines: [
        line | {"payload": line["payload"] | changed} if line["kind"] == kind else line for line in lines
    ]


def row(**changed: Any) -> Callable[[list[dict[str, Any]]], list[dict[str, Any]]]:
    return lambda lines: [lines[0] | {"row": lines[0]["row"] | changed}, *lines[1:]]


def of_run(**changed: Any) -> Callable[[list[dict[str, Any]]], list[dict[str, Any]]]:
    return lambda lines: [lines[0] | {"run": lines[0]["run"] | changed}, *lines[1:]]


@pytest.mark.parametrize(
    ("name", "change", "said"),
    [
        ("manifest.json", lambda m: m | {"format": 4}, "format 4, log version .*install that version or a newer one"),
        ("manifest.json", lambda m: m | {"log_version": 99, "more": 1}, "log version 99.*install that version"),
        ("manifest.json", lambda m: m | {"kind": "a photo album"}, "holds 'a photo album', wanted 'benchd job'"),
        ("manifest.json", lambda m: m | {"more": 1}, "manifest.json: has not the shape .*`more`"),
        ("manifest.json", lambda m: m | {"files": m["files"] * 2}, "manifest.json: names a file twice"),
        ("manifest.json", lambda m: m | {"job": "R-1"}, "job.json: is of job R-1042, the manifest says 'R-1'"),
        ("manifest.json", lambda m: m | {"checksum": "0"}, "its checksum is not that of its files"),
        ("manifest.json", lambda m: m | {"bench": "<img src=x>"}, "manifest.json: bench .*: not such a name"),
        ("manifest.json", lambda m: m | {"bench": "x" * 33}, "manifest.json: bench 'x*': not such a name"),
        ("manifest.json", lambda m: m | {"bench": "", "log": "../\x1b["}, "manifest.json: log .*: not such an id"),
        ("job.json", only(id="../R"), r"job.json: job id '\.\./R': allowed are"),
        ("job.json", only(symptom="\x1b]0;"), r"job.json, line 1: the character U\+001B is not allowed"),
        ("job.json", only(created_ns=2**70), "job.json, line 1: 1180591620717411303424 has more than 64 bits"),
        ("traces.jsonl", row(id="../../x"), r"traces.jsonl, line 1: trace '\.\./\.\./x': not such an id"),
        ("traces.jsonl", row(start_ns=-(2**63) - 1), "traces.jsonl, line 1: -9223372036854775809 has more than 64"),
        ("traces.jsonl", row(job="R-1041"), "traces.jsonl, line 1: is of job 'R-1041', wanted 'R-1042'"),
        ("traces.jsonl", lambda lines: lines * 2, "traces.jsonl: has 2 lines, the manifest says 1"),
        ("journal.jsonl", only(trace="T-9"), "journal.jsonl, line 1: trace 'T-9' is not in traces.jsonl"),
        ("journal.jsonl", only(payload=[]), "journal.jsonl, line 1: has not the shape"),
        ("journal.jsonl", only(supply="a b"), "journal.jsonl, line 1: supply 'a b': not such a name"),
        ("traces.jsonl", row(mood="blue"), "traces.jsonl, line 1: has 'mood', which this benchd does not know"),
        ("traces.jsonl", row(marks=[{"kind": "button", "t_ns": T0, "mood": 1}]), "traces.jsonl, line 1: has 'mood'"),
        ("job.json", only(colour="blue"), "job.json, line 1: has 'colour', which this benchd does not know"),
        ("journal.jsonl", entry("photo", photo=2), "journal.jsonl, line 6: photo 2 is not in photos.jsonl"),
        ("journal.jsonl", entry("step", detail="\x1b["), r"journal.jsonl, line 7: the character U\+001B"),
        ("journal.jsonl", entry("step-taken-back", seq=8), "journal.jsonl, line 8: takes back 8, which is no line"),
        ("photos.jsonl", only(number=7), "photos.jsonl, line 1: has the number 7"),
        ("photos.jsonl", only(width=9), "photos/1.jpg: has 800 × 600 pixels, photos.jsonl says 9 × 600"),
        ("photos.jsonl", only(caption="\x1b["), r"photos.jsonl, line 1: the character U\+001B is not allowed"),
        ("photos/1.jpg", lambda data: camera_file(), "photos/1.jpg: a segment with marker FFE1: it may tell where"),
        ("photos/1-small.jpg", lambda data: b"<svg/>", "photos/1-small.jpg: begins with 3c 73, wanted ff d8"),
        ("photos/2.jpg", lambda data: PHOTO.jpeg, "photos/2.jpg: is not in photos.jsonl"),
        ("photos/../2.jpg", lambda data: PHOTO.jpeg, r"photos/\.\./2.jpg: is no file of such an archive"),
        ("runs.jsonl", of_run(id="../x"), r"runs.jsonl, line 1: run '\.\./x': not such an id"),
        ("runs.jsonl", lambda lines: [lines[0] | {"mood": 1}], "runs.jsonl, line 1: has not the shape .*`mood`"),
        ("runs.jsonl", of_run(mood=1), "runs.jsonl, line 1: has 'mood', which this benchd does not know"),
        ("runs.jsonl", of_run(job="R-7"), "runs.jsonl, line 1: names job 'R-7'"),
        ("runs.jsonl", of_run(outcome="running"), "runs.jsonl, line 1: run P260102-030405-ab12 still goes on"),
        ("runs.jsonl", of_run(began_ns=2**70), "runs.jsonl, line 1: .* has more than 64 bits"),
        ("runs.jsonl", of_run(traces=["T-9"]), "runs.jsonl, line 1: trace 'T-9' is not in traces.jsonl"),
        ("runs.jsonl", of_run(earlier="P9"), "runs.jsonl, line 1: is compared with run 'P9', which is none"),
        ("runs.jsonl", of_run(text="\x1b["), r"runs.jsonl, line 1: the character U\+001B is not allowed"),
        ("runs.jsonl", of_run(happened=[{"t_ns": 1, "kind": "point", "text": "", "photo": "3"}]), "photo '3' is not"),
        ("runs.jsonl", of_run(sides=[{"role": "main", "supply": "a b", "channel": 1}]), "supply 'a b': not such"),
        ("runs.jsonl", of_run(curves=[{"name": "c", "title": "", "columns": [
            {"name": "x", "title": "", "unit": "", "values": [1]}, {"name": "y", "title": "", "unit": "", "values": []},
        ]}]), "curve 'c' has columns of unequal length"),
        ("trips.jsonl", only(record="AAAA"), "trips.jsonl, line 1: its record cannot be read"),
        ("trips.jsonl", only(number=7), "trips.jsonl, line 1: has the number 7"),
        ("readings.jsonl", only(n=10**9), "readings.jsonl, line 1: 1000000000 readings"),
        ("readings.jsonl", only(t1_ns=T0 + 10**12), "readings.jsonl, line 1: 500 readings in 10{12} ns: more"),
        ("readings.jsonl", only(n=499), "readings.bin: row 1: not the readings"),
        ("readings.jsonl", only(at=1), "readings.jsonl, line 1: .* bytes at 1; wanted at 0"),
        ("readings.bin", lambda data: data[:-1], "readings.bin: ends within a row"),
        ("readings.bin", lambda data: data + b"x", "readings.bin: has more than readings.jsonl tells of"),
        ("readings.bin", lambda data: b"\x09" + data[1:], "readings.bin: row 1: block of version 9"),
    ],
)  # fmt: skip
def test_what_a_forger_has_made_fit_is_refused_with_its_place(
    tmp_path: Path, archive: Path, name: str, change: Callable[[Any], Any], said: str
) -> None:
    refused(spoilt(archive, tmp_path / "spoilt.zip", name, change), said)


def test_what_is_no_file_is_not_read(tmp_path: Path) -> None:
    refused(Path("/dev/zero"), "there is no such file")
    refused(tmp_path, "there is no such file")


@pytest.mark.parametrize("name", ["../evil", "/etc/evil", "C:\\evil", "csv/../../evil.csv", "csv/", "more.txt"])
def test_names_that_have_no_business_there(tmp_path: Path, archive: Path, name: str) -> None:
    files = files_of(archive)
    refused(written(files | {name: b"x"}, tmp_path / "slip.zip"), "is not in the manifest")
    listed = spoilt(written(files | {name: b"x"}, tmp_path / "slip.zip"), tmp_path / "2.zip", "job.json", only())
    refused(listed, "is no file of such an archive")
    assert sorted(p.name for p in tmp_path.parent.iterdir() if "evil" in p.name) == []


def test_a_file_that_is_missing_there_twice_or_no_zip(tmp_path: Path, archive: Path) -> None:
    files = files_of(archive)
    refused(written({n: d for n, d in files.items() if n != "trips.jsonl"}, tmp_path / "1.zip"), "trips.jsonl: is miss")
    refused(written({n: d for n, d in files.items() if n != packed.MANIFEST}, tmp_path / "2.zip"), "no manifest.json")
    with zipfile.ZipFile(archive, "a") as file, pytest.warns(UserWarning, match="Duplicate name"):
        file.writestr("job.json", files["job.json"])
    refused(archive, "two of one name")
    (tmp_path / "3.zip").write_text("no zip")
    refused(tmp_path / "3.zip", "is no archive of a job: File is not a zip file")
    refused(tmp_path / "none.zip", "there is no such file")


def test_a_bomb_is_not_unpacked(tmp_path: Path, archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packed, "MOST_TEXT_BYTES", 1_000_000)
    files = files_of(archive) | {"trips.jsonl": bytes(1_000_001)}
    bomb = written(files, tmp_path / "bomb.zip")
    assert bomb.stat().st_size < 100_000
    refused(bomb, r"trips.jsonl: has 1000001 bytes, the manifest says 1778; allowed are 1000000")
    # With a manifest that knows of it.
    agreed = spoilt(bomb, tmp_path / "agreed.zip", "job.json", only())
    refused(agreed, r"trips.jsonl: has 1000001 bytes, the manifest says 1000001; allowed are 1000000")
    # With a header that says less than comes out.
    little = bytearray(bomb.read_bytes())
    for sign, at in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):  # APPNOTE.TXT, 4.3.7 and 4.3.12: uncompressed size
        name = little.find(b"trips.jsonl", 0 if at == 22 else little.find(b"PK\x01\x02"))
        start = little.rfind(sign, 0, name)
        little[start + at : start + at + 4] = (1778).to_bytes(4, "little")
    (tmp_path / "little.zip").write_bytes(little)
    refused(tmp_path / "little.zip", r"trips.jsonl: is damaged")


def test_a_row_that_would_unpack_to_very_much_is_not(tmp_path: Path, archive: Path) -> None:
    bomb = bytes([1]) + zlib.compress(bytes(20_000_000))
    assert len(bomb) < packed.MOST_ROW_BYTES
    heads = [json.loads(line) for line in files_of(archive)["readings.jsonl"].splitlines()]
    first = heads[0]["bytes"]
    for head in heads[1:]:
        head["at"] += len(bomb) - first
    heads[0]["bytes"] = len(bomb)
    told = spoilt(archive, tmp_path / "told.zip", "readings.jsonl", lambda _: heads)
    refused(
        spoilt(told, tmp_path / "bomb.zip", packed.ROWS, lambda data: bomb + data[first:]), r"readings.bin: row 1: dam"
    )


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_damaged_byte_is_found_or_does_no_harm(tmp_path: Path, archive: Path, data: st.DataObject) -> None:
    whole = archive.read_bytes()
    at = data.draw(st.integers(0, len(whole) - 1))
    if data.draw(st.booleans()):
        bad = whole[:at]
    else:
        bad = whole[:at] + bytes([whole[at] ^ data.draw(st.integers(1, 255))]) + whole[at + 1 :]
    (tmp_path / "bad.zip").write_bytes(bad)
    try:
        with Archive(tmp_path / "bad.zip") as sound, Archive(archive) as good:
            # A date or an attribute of the zip file, which nobody reads.
            assert (sound.manifest, sound.traces, sound.entries) == (good.manifest, good.traces, good.entries)
            assert list(sound.rows()) == list(good.rows())
    except ArchiveError:
        pass  # any other error fails the test


def test_a_file_that_changes_while_it_is_taken_in_leaves_nothing(here: Log, archive: Path) -> None:
    before = everything(here)
    with Archive(archive) as sound:
        whole = bytearray(archive.read_bytes())
        where = sound._zip.getinfo(packed.ROWS).header_offset + 200
        whole[where] ^= 0xFF
        archive.write_bytes(whole)
        with pytest.raises(ArchiveError, match=r"readings\.bin: is damaged"):
            unpack_job(here, sound)
    assert everything(here) == before


def test_the_daemon_s_writer_goes_on_meanwhile(tmp_path: Path, archive: Path) -> None:
    path = tmp_path / "here.sqlite"
    writer = LogWriter(path, commit_every_s=0.01, join_every_s=0.05)
    try:
        stop, put = threading.Event(), 0
        states = set()

        def record() -> None:
            nonlocal put
            while not stop.is_set():
                writer.put_block(block(20, T0 + 60_000 * MS + put * MS), "H-1")
                put += 20
                states.add(writer.health()["state"])
                time.sleep(0.001)

        recording = threading.Thread(target=record)
        recording.start()
        try:
            for n in range(5):
                with Log.open(path) as log:
                    unpacked(log, archive, as_job=f"R-{n}", again=True)
        finally:
            stop.set()
            recording.join()
    finally:
        writer.close()
    assert states == {"ok"}
    with Log.open(path, read_only=True) as log:
        assert len(log.samples("psu-a", 1, T0, T0 + 2 * 10**12)) == put
        assert [len(log.traces(job=f"R-{n}")) for n in range(5)] == [1] * 5


KILLED = """
import os, signal, sys
from pathlib import Path
from benchd.store import unpacking
from benchd.store.log import Log
from benchd.store.packed_file import Archive

def killed(*_):
    os.kill(os.getpid(), signal.SIGKILL)

setattr(unpacking, sys.argv[3], killed)
with Log.open(Path(sys.argv[1])) as log, Archive(Path(sys.argv[2])) as archive:
    unpacking.unpack_job(log, archive)
"""


@pytest.mark.parametrize("at", ["_insert_rows", "_insert_entries"])
def test_killed_half_way_there_is_nothing_of_it(here: Log, archive: Path, at: str) -> None:
    before = everything(here)
    here.close()
    done = subprocess.run([sys.executable, "-c", KILLED, str(here.path), str(archive), at], check=False)
    assert done.returncode == -signal.SIGKILL
    with Log.open(here.path) as log:
        assert everything(log) == before
        assert log.rows("PRAGMA integrity_check") == [("ok",)]
        unpacked(log, archive)


def test_nothing_of_the_customer_in_an_archive_without_the_person(tmp_path: Path, here: Log) -> None:
    with log_with_job(tmp_path / "other.sqlite") as log:
        packed_job(log, tmp_path / "anonymous.zip", without_person=True)
    unpacked(here, tmp_path / "anonymous.zip", with_references=True)
    assert SECRET not in repr(everything(here))
    assert here.whole_trace(TRACE) is not None
    assert trace_row().finding is not None
