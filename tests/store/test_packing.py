"""A job as an archive: what goes in, and what does not."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import msgspec
import numpy as np
import pytest

from benchd.store import codec, packed
from benchd.store.errors import LogError
from benchd.store.log import Log
from benchd.store.packed_file import Archive
from benchd.traces.csvfile import parse_csv
from benchd.traces.samples import Samples
from tests.store.making import MS, T0, block, same, trace_row
from tests.store.packed_jobs import JOB, SECRET, TRACE, files_of, log_with_job, packed_job


def readings(archive: Path, channel: int = 1) -> Samples:
    with Archive(archive) as sound:
        return Samples.concat(codec.decode(data) for row, data in sound.rows() if row.channel == channel)


def test_every_reading_of_the_job_is_in_it_to_the_last_bit(tmp_path: Path) -> None:
    with log_with_job(tmp_path / "log.sqlite") as log:
        manifest = packed_job(log, tmp_path / "job.zip")
        whole = log.samples("psu-a", 1, T0, T0 + 5_000 * MS + 1)
        assert same(readings(tmp_path / "job.zip"), whole)
        assert same(readings(tmp_path / "job.zip", 2), log.samples("psu-a", 2, T0, T0 + 20_000 * MS))
    # 500 of them were stored while another job was on the bench; the rest of that row stays where it is.
    assert manifest.counts == packed.Counts(
        journal=12, traces=1, trips=1, rows=3, readings=500 + 4501 + 100, photos=1, runs=1
    )
    assert (manifest.first, manifest.last) == ("2026-01-02T03:04:05.678901000Z", "2026-01-02T03:04:14.777901000Z")


def test_python_s_own_zip_reader_finds_it_sound_and_the_manifest_lists_all(tmp_path: Path) -> None:
    with log_with_job(tmp_path / "log.sqlite") as log:
        packed_job(log, tmp_path / "job.zip", with_csv=True)
    with zipfile.ZipFile(tmp_path / "job.zip") as file:
        assert file.testzip() is None
    files = files_of(tmp_path / "job.zip")
    manifest = json.loads(files[packed.MANIFEST])
    assert [each["name"] for each in manifest["files"]] == sorted(files.keys() - {packed.MANIFEST})
    assert all(each["bytes"] == len(files[each["name"]]) for each in manifest["files"])
    assert f"Job {JOB} of bench bench-b" in files[packed.README].decode()
    trace = parse_csv(files[f"csv/{TRACE}.csv"].decode())
    assert len(trace.samples) == 5001
    assert trace.mark_s("button") == 2.0


def test_the_same_content_has_the_same_bytes_at_any_time(tmp_path: Path) -> None:
    with log_with_job(tmp_path / "log.sqlite") as log:
        packed_job(log, tmp_path / "a.zip")
        packed_job(log, tmp_path / "b.zip")
        assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()
        log.add_entry("note", job=JOB, payload={"text": "later"})
        later = packed_job(log, tmp_path / "c.zip")
    with Archive(tmp_path / "a.zip") as earlier:
        assert earlier.manifest.checksum != later.checksum


def test_without_the_person_no_byte_of_what_people_typed_is_in_it(tmp_path: Path) -> None:
    with log_with_job(tmp_path / "log.sqlite") as log:
        packed_job(log, tmp_path / "with.zip")
        manifest = packed_job(log, tmp_path / "without.zip", without_person=True, with_csv=True)
    assert any(SECRET.encode() in data for data in files_of(tmp_path / "with.zip").values())
    assert not [n for n, data in files_of(tmp_path / "without.zip").items() if SECRET.encode() in data]
    assert manifest.without_person
    assert manifest.counts.traces == 1
    assert (manifest.counts.journal, manifest.counts.photos) == (11, 0)


def test_other_jobs_are_not_named(tmp_path: Path) -> None:
    with log_with_job(tmp_path / "log.sqlite") as log:
        packed_job(log, tmp_path / "job.zip", with_csv=True)
    assert not [n for n, data in files_of(tmp_path / "job.zip").items() if b"R-1041" in data]


def test_it_is_of_one_moment_while_another_connection_writes(tmp_path: Path) -> None:
    with log_with_job(tmp_path / "log.sqlite") as log, Log.open(log.path, read_only=True) as reading:
        from benchd.store.packing import snapshot

        with snapshot(reading):
            before = reading.journal(job=JOB)
            log.add_entry("note", job=JOB, payload={"text": "meanwhile"})
            assert reading.journal(job=JOB) == before
        assert len(reading.journal(job=JOB)) == len(before) + 1


def test_what_cannot_be_packed_says_why(tmp_path: Path) -> None:
    with log_with_job(tmp_path / "log.sqlite") as log:
        with pytest.raises(LogError, match="job 'none' is not in this log; `benchd job list` shows"):
            packed_job(log, tmp_path / "job.zip", job="none")
        with log.transaction() as db:
            db.execute("UPDATE blocks SET data = x'0100' WHERE trace = ?", (TRACE,))
        with pytest.raises(LogError, match=r"readings of psu-a channel 1, 2026-01-02T03:04:06\.178901000Z: damaged"):
            packed_job(log, tmp_path / "job.zip")


def test_nothing_is_packed_that_could_not_be_unpacked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(packed, "MOST_TEXT_BYTES", 1000)
    with (
        log_with_job(tmp_path / "log.sqlite") as log,
        pytest.raises(LogError, match=r"journal.jsonl would have \d+ bytes, more than the 1000 that an archive may"),
    ):
        packed_job(log, tmp_path / "job.zip")


def test_a_row_of_another_job_between_two_traces_is_cut_to_both(tmp_path: Path) -> None:
    """The first trace ends in it, the second begins in it; what lies between stays where it is."""
    with log_with_job(tmp_path / "log.sqlite") as log:
        log.add_block(block(1000, T0 + 20_000 * MS), "R-1041")
        for id, start, end in (("T-1", 19_000, 20_100), ("T-2", 20_900, 22_000)):
            row = trace_row(id, JOB, T0 + start * MS)
            log.add_trace(msgspec.structs.replace(row, end_ns=T0 + end * MS))
        packed_job(log, tmp_path / "job.zip")
    taken = readings(tmp_path / "job.zip").t_ns
    taken = (taken[taken >= T0 + 20_000 * MS] - T0) // MS
    assert taken.tolist() == [*range(20_000, 20_101), *range(20_900, 21_000)]


def test_times_are_written_as_rfc_3339_has_them() -> None:
    # RFC 3339 §5.8: 1985-04-12T23:20:50.52Z; 482196050 s are `date -u -d 1985-04-12T23:20:50Z +%s`.
    assert packed.rfc3339(482_196_050_520_000_000) == "1985-04-12T23:20:50.520000000Z"
    assert packed.rfc3339(-1) == "1969-12-31T23:59:59.999999999Z"
    assert np.datetime64(packed.rfc3339(T0)[:-1], "ns").astype(np.int64) == T0


def test_a_name_that_no_bench_has_is_refused(tmp_path: Path) -> None:
    with (
        log_with_job(tmp_path / "log.sqlite") as log,
        pytest.raises(LogError, match=r"bench 'Bench 7': allowed are .*; give --bench"),
    ):
        packed_job(log, tmp_path / "job.zip", bench="Bench 7")
