"""`benchd trace export`: a trace, a job, a time range; CSV, Parquet, lines; and read again."""

from __future__ import annotations

from pathlib import Path

import pyarrow.parquet as pq
import pytest
from line_protocol_parser import parse_line

from benchd.store.lines import EVENT_KINDS, event_lines, reading_lines
from benchd.store.log import Log
from benchd.traces.trace_file import read_file
from tests.cli.test_trace_files import benchd
from tests.store.making import MS, T0, same
from tests.store.packed_jobs import JOB, TRACE, log_with_job


@pytest.fixture
def data(tmp_path: Path) -> tuple[str, Path]:
    log_with_job(tmp_path / "benchd.sqlite").close()
    return "--data-dir", tmp_path


def the_log(data: tuple[str, Path]) -> Log:
    return Log.open(data[1] / "benchd.sqlite", read_only=True)


@pytest.mark.parametrize("name", ["range.csv", "range.parquet"])
def test_a_time_range_comes_back_with_its_dates(tmp_path: Path, data: tuple[str, Path], name: str) -> None:
    said = benchd("trace", "export", "--supply", "psu-a", "--since", "2026-01-02T03:04:05+00:00", "--until",
                  "2026-01-02T03:04:06+00:00", "-o", tmp_path / name, *data)  # fmt: skip
    assert said == f"psu-a channel 1 written to {tmp_path / name}\n"
    found = read_file(tmp_path / name).trace
    with the_log(data) as log:
        wanted = log.samples("psu-a", 1, T0 - 678_901_000, T0 - 678_901_000 + 1000 * MS)
    assert found.start_ns == wanted.t_ns[0]
    assert same(found.samples, wanted)
    assert len(wanted) == 1000


def test_a_job_is_one_table(tmp_path: Path, data: tuple[str, Path]) -> None:
    benchd("trace", "export", "--job", JOB, "-o", tmp_path / "job.csv", *data)
    benchd("trace", "export", "--job", JOB, "-o", tmp_path / "job.pq", *data)
    text = (tmp_path / "job.csv").read_bytes().decode()
    assert text.count("\r\n") == 5002
    assert text.splitlines()[1].startswith(f"psu-a,1,{TRACE},2026-01-02T03:04:05.678901000Z,")
    assert pq.read_table(tmp_path / "job.pq").column("trace").to_pylist() == [TRACE] * 5001


def test_lines_are_those_of_the_follower(data: tuple[str, Path]) -> None:
    told = benchd("trace", "export", "--job", JOB, "--format", "lines", "--bench", "bench-b", *data).splitlines()
    with the_log(data) as log:
        sent = [line for row in log.blocks_after(0, 100) for line in reading_lines(row, "bench-b")]
        events = [x for e in log.journal(job=JOB, kinds=EVENT_KINDS) for x in event_lines(e, "bench-b")]
    ours = [line for line in told if line.startswith("supply_reading")]
    assert len(ours) == 5001
    assert set(ours) <= set(sent)
    assert told[5001:] == events
    assert {parse_line(line)["tags"]["bench"] for line in told} == {"bench-b"}  # by another reader of the protocol


def test_what_another_bench_has_measured_is_written_as_that_one_sends_it(
    tmp_path: Path, data: tuple[str, Path]
) -> None:
    here = ("--data-dir", tmp_path / "here")
    benchd("job", "pack", JOB, "-o", tmp_path / "job.zip", "--bench", "bench-b", *data)
    benchd("job", "unpack", tmp_path / "job.zip", *here)
    there = benchd("trace", "export", TRACE, "--format", "lines", "--bench", "bench-b", *data)
    # But for the readings that were stored while another job was on the bench: that job's id stays there.
    assert benchd("trace", "export", TRACE, "--format", "lines", "--bench", "bench-h", *here) == there.replace(
        "job=R-1041", f"job={JOB}"
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "name one of: a trace, --job, --supply"),
        (("T", "--job", "R-1"), "name one of: a trace, --job, --supply"),
        (("T", "--since", "1d"), "--since and --until go with --supply"),
        (("T", "--format", "xml"), "--format xml: allowed are csv, parquet, lines"),
        (("T", "--format", "parquet"), "--json and Parquet need a file: name one with -o"),
        (("T", "--format", "lines"), "lines say which bench they are of: name it with --bench"),
        (
            ("--supply", "psu-a", "--until", "noon"),
            "--until noon: allowed are 2026-01-31, 2026-01-31T14:00 (local time)",
        ),
        (("--supply", "psu-a", "--since", "1h", "--until", "2h"), "there is no time between them"),
        ((TRACE, "-o", "boot.xls"), "boot.xls: what to write is told by the ending, and .xls is none of .parquet, .pq"),
    ],
)
def test_what_is_not_clear_is_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, data: tuple[str, Path], words: tuple[str, ...], said: str
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.delenv("BENCHD_CONFIG", raising=False)
    text = benchd("trace", "export", *words, *data, status=2)
    assert said in text
    assert list(tmp_path.glob("*.xls")) == []


def test_what_is_not_there_leaves_a_file_as_it_was(tmp_path: Path, data: tuple[str, Path]) -> None:
    file = tmp_path / "mine.csv"
    file.write_text("mine")
    for words, said in (
        (("none",), "trace 'none' is not in this log; `benchd trace list` shows what is"),
        (("--job", "none"), "job 'none' is not in this log; `benchd job list` shows what is"),
        (("--supply", "none"), "no readings of supply none channel 1 in that time; the log has readings of: psu-a/1"),
    ):
        assert said in benchd("trace", "export", *words, "-o", file, *data, status=1)
    assert file.read_text() == "mine"
    said = benchd("trace", "export", TRACE, "-o", tmp_path / "no" / "a.csv", *data, status=1)
    assert "there is no such folder" in said
    assert not (tmp_path / "no").exists()
