"""`benchd job pack` and `unpack`: out of one log, into another."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from benchd.store.log import Log
from tests.cli.test_trace_files import benchd, lines
from tests.store.packed_jobs import JOB, SECRET, TRACE, log_with_job


@pytest.fixture
def there(tmp_path: Path) -> Path:
    log_with_job(tmp_path / "there" / "benchd.sqlite").close()
    return tmp_path / "there"


def test_a_job_goes_to_another_bench(tmp_path: Path, there: Path) -> None:
    file, here = tmp_path / "job.zip", tmp_path / "here"
    said = benchd("job", "pack", JOB, "-o", file, "--bench", "bench-b", "--data-dir", there)
    assert (
        said
        == f"{file}: job {JOB}, 1 trace, 1 trip, 12 journal entries, 5101 readings, 1 photo, 1 run of a procedure\n"
    )
    benchd("job", "new", "H-1", "--data-dir", here)
    would = benchd("job", "unpack", file, "--dry-run", "--data-dir", here)
    assert would.startswith(f"job {JOB} would be taken in from bench bench-b: 1 trace,")
    assert "supply psu-a is psu-a@bench-b here" in would
    assert benchd("job", "list", "--data-dir", here).count("\n") == 1
    assert benchd("job", "unpack", file, "--data-dir", here) == would.replace("would be taken", "taken")
    (row,) = lines(benchd("trace", "list", "--job", JOB, "--json", "--data-dir", here))
    assert (row["trace"], row["supply"], row["signature"]) == (TRACE, "psu-a@bench-b", "low-stall")
    assert benchd("trace", "export", TRACE, "--data-dir", here) == benchd("trace", "export", TRACE, "--data-dir", there)


def test_the_second_time_it_says_what_to_do(tmp_path: Path, there: Path) -> None:
    file, here = tmp_path / "job.zip", ("--data-dir", tmp_path / "here")
    benchd("job", "pack", JOB, "-o", file, "--data-dir", there)
    (first,) = lines(benchd("job", "unpack", file, "--json", *here))
    assert (first["job"], first["packed_as"], first["dry_run"]) == (JOB, JOB, False)
    said = benchd("job", "unpack", file, *here, status=1)
    assert "this very job came in at" in said
    assert len(said.splitlines()) == 1
    (second,) = lines(benchd("job", "unpack", file, "--again", "--as", "R-1042-b", "--json", *here))
    assert (second["job"], second["traces"]) == ("R-1042-b", {TRACE: f"{TRACE}-2"})


def test_without_the_person(tmp_path: Path, there: Path) -> None:
    file, here = tmp_path / "job.zip", ("--data-dir", tmp_path / "here")
    said = benchd("job", "pack", JOB, "-o", file, "--without-person", "--csv", "--data-dir", there)
    assert "without photos and what people wrote of it" in said
    benchd("job", "unpack", file, "--references", *here)
    assert SECRET not in benchd("job", "show", JOB, "--json", *here) + benchd("reference", "list", "--json", *here)
    assert lines(benchd("reference", "list", "--json", *here))[0]["trace"] == TRACE


def test_what_cannot_be_is_one_line_and_leaves_files_as_they_were(tmp_path: Path, there: Path) -> None:
    file, data = tmp_path / "job.zip", ("--data-dir", there)
    file.write_text("mine")
    assert "job 'none' is not in this log" in benchd("job", "pack", "none", "-o", file, *data, status=1)
    assert file.read_text() == "mine"
    log = there / "benchd.sqlite"
    assert "is the log itself" in benchd("job", "pack", JOB, "-o", log, *data, status=2)
    assert "is no archive of a job" in benchd("job", "unpack", file, *data, status=1)
    assert "is no archive of a job: it has no" in benchd("job", "unpack", _zip(tmp_path), *data, status=1)
    with Log.open(log, read_only=True) as sound:
        assert len(sound.jobs()) == 2
    assert sorted(path.name for path in tmp_path.iterdir()) == ["job.zip", "other.zip", "there"]


def _zip(folder: Path) -> Path:
    import zipfile

    with zipfile.ZipFile(folder / "other.zip", "w") as file:
        file.writestr("a.json", json.dumps({}))
    return folder / "other.zip"
