"""`benchd log rejected`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.store.follower_rows import Rejected
from benchd.store.log import Log


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with Log.open(tmp_path / "benchd.sqlite") as log:
        log.followers.advance("influxdb readings", 9, [Rejected(n, "422: partial write", f"line {n}") for n in (7, 9)])
        log.followers.advance("influxdb events", 3, [Rejected(2, "400: unable to parse", "a line")])
        log.followers.advance("mqtt", 4)
    return tmp_path


def asked(folder: Path, *words: str, status: int = 0) -> str:
    result = CliRunner().invoke(app, ["log", "rejected", "--data-dir", str(folder), *words])
    assert result.exit_code == status, result.output
    return result.output


def test_what_was_refused_is_shown_newest_first(folder: Path) -> None:
    told = asked(folder, "--limit", "2").splitlines()
    assert told[0] == "3 items were refused for good; the newest 2:"
    assert [told[1].split("  ")[1], told[2], told[4]] == [
        "influxdb events, row 2: 400: unable to parse", "  a line", "  line 9",
    ]  # fmt: skip
    assert asked(folder, "--follower", "influxdb events").startswith("1 item was refused for good:")
    assert asked(folder, "--follower", "mqtt") == "nothing was refused\n"


@pytest.mark.parametrize(
    ("follower", "rows"),
    [("influxdb", [2, 9, 7]), ("influxdb readings", [9, 7]), ("influxdb events", [2]), ("mqtt", [])],
)
def test_of_one_follower_or_one_of_its_streams(folder: Path, follower: str, rows: list[int]) -> None:
    records = [json.loads(line) for line in asked(folder, "--json", "--follower", follower).splitlines()]
    assert [r["seq"] for r in records] == rows
    for r in records:
        assert sorted(r) == ["follower", "item", "reason", "seq", "t_ns"]


def test_a_follower_that_never_ran_is_named_with_those_that_did(folder: Path) -> None:
    told = asked(folder, "--follower", "influx", status=1)
    assert "no follower 'influx' ever ran on this log; there are: influxdb, influxdb events, influxdb readings" in told


def test_nothing_was_refused_where_nothing_ran(tmp_path: Path) -> None:
    Log.open(tmp_path / "benchd.sqlite").close()
    assert asked(tmp_path) == "nothing was refused\n"
    assert "there are: none yet" in asked(tmp_path, "--follower", "mqtt", status=1)
