"""Files that the daemon writes for the API."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path
from typing import Any

import pytest

from benchd.daemon.exporting import Exporting, write_trace
from benchd.store.log import Log
from benchd.store.packed_file import Archive
from benchd.traces.csvfile import parse_csv
from benchd.web.port import Refused
from tests.store.packed_jobs import JOB, TRACE, log_with_job


class _Core:
    class settings:
        bench = "bench-b"


@pytest.fixture
def bench(tmp_path: Path) -> Exporting:
    log_with_job(tmp_path / "benchd.sqlite").close()
    core: Any = _Core()
    return Exporting(core, tmp_path / "benchd.sqlite")


async def test_a_trace_in_each_form(bench: Exporting, tmp_path: Path) -> None:
    with await bench.trace_file(TRACE, "csv") as file:
        assert len(parse_csv(file.read().decode()).samples) == 5001
    with await bench.trace_file(TRACE, "parquet") as file:
        assert file.read(4) == b"PAR1"
    with await bench.trace_file(TRACE, "lines") as file:
        lines = file.read().decode().splitlines()
    assert len(lines) == 5001 + 2
    assert lines[-1].startswith(("trace_finding,bench=bench-b", "supply_trip,bench=bench-b"))
    with Log.open(tmp_path / "benchd.sqlite", read_only=True) as log:
        again = io.BytesIO()
        write_trace(log, TRACE, "lines", "bench-b", again)
    assert again.getvalue().decode().splitlines() == lines


async def test_a_job_s_archive_is_sound(bench: Exporting, tmp_path: Path) -> None:
    with await bench.job_file(JOB, True, False) as file:
        (tmp_path / "job.zip").write_bytes(file.read())
    with Archive(tmp_path / "job.zip") as archive:
        assert (archive.manifest.bench, archive.job.id) == ("bench-b", JOB)


async def test_what_is_not_there_is_refused(bench: Exporting) -> None:
    with pytest.raises(Refused, match="trace 'T9' is not in the log"):
        await bench.trace_file("T9", "csv")
    with pytest.raises(Refused, match="job 'none' is not in the log"):
        await bench.job_file("none", False, False)


async def test_no_room_is_said_and_leaves_no_file(
    bench: Exporting, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def full() -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tempfile, "TemporaryFile", full)
    with pytest.raises(Refused, match=r"no room to write the file: .*No space left") as told:
        await bench.trace_file(TRACE, "csv")
    assert told.value.code == "log-down"
