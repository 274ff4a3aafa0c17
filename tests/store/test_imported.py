"""Traces from files in the log."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.store.filing import file_imported
from benchd.store.log import Log
from benchd.traces.csvfile import parse_csv

HEAD = "time,voltage_v,current_a\n"
NOW_NS = 1_800_000_000_000_000_000


@pytest.mark.parametrize(
    ("rows", "start_ns"),
    [
        ("2026-01-02T10:00:00Z,4,0.1\n2026-01-02T10:00:00.5Z,4,0.1\n", 1_767_348_000_000_000_000),
        ("0,4,0.1\n0.5,4,0.1\n", NOW_NS - 500_000_000),  # no date: it has just ended
        ("2126-01-02T10:00:00Z,4,0.1\n2126-01-02T10:00:00.5Z,4,0.1\n", NOW_NS - 500_000_000),  # a clock that is wrong
    ],
)
def test_a_dated_file_keeps_its_date(tmp_path: Path, rows: str, start_ns: int) -> None:
    with Log.open(tmp_path / "benchd.sqlite") as log:
        row = file_imported(log, parse_csv(HEAD + rows), None, "file-1", NOW_NS)
        assert (row.start_ns, row.end_ns) == (start_ns, start_ns + 500_000_000)
        whole = log.whole_trace(row.id)
        assert whole is not None
        assert whole.samples.t_ns.tolist() == [start_ns, start_ns + 500_000_000]
