"""`benchd trip` and `benchd output` as a user types them, without a daemon."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.jobs.job import Job
from benchd.store.log import Log
from tests.cli.asking import lines
from tests.store.making import T0, tripped


def benchd(*words: str | Path, status: int = 0) -> str:
    """The command in this process: pictures are slow to import."""
    done = CliRunner().invoke(app, list(map(str, words)), catch_exceptions=False)
    assert done.exit_code == status, (done.stdout, done.stderr)
    return done.stdout + done.stderr


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with Log.open(tmp_path / "benchd.sqlite") as log:
        log.add_job(Job("R-1", device="phone, <blue>", created_ns=1))
        log.add_trip(tripped(T0), "R-1", "t-1")
        log.add_trip(tripped(T0 + 10**9, confirmed=False))
    return tmp_path


def test_trips_are_listed_and_shown(folder: Path) -> None:
    where = ("--data-dir", folder)
    assert [t["trip"] for t in lines(benchd("trip", "list", "--json", *where))] == [2, 1]
    assert [t["trip"] for t in lines(benchd("trip", "list", "--job", "R-1", "--json", *where))] == [1]
    (shown,) = lines(benchd("trip", "show", "1", "--json", *where))
    assert (shown["job"], shown["rule"], shown["let_through_c"]) == ("R-1", "short", 0.002)
    text = benchd("trip", "show", "1", *where)
    assert "Energy let through:" in text
    assert "next: " in text
    assert "OUTPUT NOT CONFIRMED OFF" in benchd("trip", "list", *where)
    assert "no trips of job R-2" in benchd("trip", "list", "--job", "R-2", *where)


def test_a_picture_and_a_report_are_written_again_and_again(folder: Path) -> None:
    where = ("--data-dir", folder)
    svg, page = folder / "a.svg", folder / "a.html"
    for _ in range(2):
        benchd("trip", "show", "1", "--picture", svg, *where)
        assert svg.read_bytes().startswith(b"<?xml")
        assert lines(benchd("trip", "report", "1", "--out", page, "--json", *where)) == [{"trip": 1, "file": str(page)}]
    text = page.read_text()
    assert "phone, &lt;blue&gt;" in text
    assert "<svg" in text
    assert "power class PS1" in text  # 4 V × 1 A: at most 15 W (IEC 62368-1 section 6.2.2, from memory)


def test_a_report_has_the_plan_and_the_cautions_of_it_and_not_of_the_probe(tmp_path: Path) -> None:
    probe = msgspec.structs.replace(tripped(T0), set_voltage_v=0.5, limit_a=0.1, stage="probe")
    with Log.open(tmp_path / "benchd.sqlite") as log:
        for plan in ("phone-cell", "gone-since"):
            on = {"output": "on", "plan": plan}
            log.add_entry("output", supply=probe.supply, channel=probe.channel, payload=on)
            log.add_trip(probe)
    page = tmp_path / "a.html"
    where = ("--out", page, "--data-dir", tmp_path)
    benchd("trip", "report", "1", *where)
    assert "plan phone-cell" in page.read_text()
    assert "within ES1" in page.read_text()
    assert "0.5 V is within" not in page.read_text()
    benchd("trip", "report", "2", *where)
    assert "plan gone-since" in page.read_text()
    assert "0.5 V is within" not in page.read_text()


@pytest.mark.parametrize(
    ("words", "said", "status"),
    [
        (("trip", "show", "9"), "trip 9 is not in this log", 1),
        (("trip", "report", "9", "--out", "x.html"), "trip 9 is not in this log", 1),
        (("trip", "show", "1", "--picture", "x.pdf"), ".svg or .png", 2),
        (("trip", "show", "1", "--picture", "/no/such/folder/x.svg"), "cannot be written", 1),
        (("output", "on", "lab"), "no daemon runs", 1),
        (("output", "off", "lab"), "benchd make-safe", 1),
        (("output", "off"), "--all for every output", 2),
        (("output", "off", "lab", "--all"), "--all for every output", 2),
    ],
)
def test_what_cannot_be_is_told_in_one_line(folder: Path, words: tuple[str, ...], said: str, status: int) -> None:
    text = benchd(*words, "--data-dir", folder, status=status)
    assert said in text
    assert len(text.strip().splitlines()) == 1
