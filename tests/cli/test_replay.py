"""`benchd replay` as a user types it."""

from __future__ import annotations

import contextlib
import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import psutil
import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.jobs.job import Job
from benchd.store.filing import summarise
from benchd.store.log import Log
from benchd.store.reference_rows import check_reference, keep_reference
from benchd.store.replay_pool import WORTH_A_POOL
from benchd.traces import signatures
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Finding, Mark, Trace
from tests.cli.asking import lines
from tests.store.making import columns_block
from tests.traces import boards
from tests.traces.replays import BRIEF_SHORT, MS, START_NS, samples

HOUR_NS = 3600 * 1_000_000_000
SHORT_TRIP = Mark("tripped", START_NS + 2 * HOUR_NS + 1011 * MS, "guard", "short")


@pytest.fixture(autouse=True)
def no_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing of the person who runs the tests."""
    monkeypatch.setenv("BENCHD_CONFIG", str(tmp_path / "none.toml"))
    monkeypatch.chdir(tmp_path)


def benchd(*words: str | Path, status: int = 0) -> str:
    done = CliRunner().invoke(app, list(map(str, words)), catch_exceptions=False)
    assert done.exit_code == status, (done.stdout, done.stderr)
    return done.stdout + done.stderr


def lively(readings: Samples) -> Samples:
    """With a last digit that moves, or every reading but the first could be one that the supply repeats."""
    volts = readings.voltage_v + 0.001 * (np.arange(len(readings)) % 2)
    return Samples(readings.t_ns, volts, readings.current_a, readings.mode, readings.flags)


def file(log: Log, id: str, readings: Samples, says: str, hours: int = 0, marks: tuple[Mark, ...] = ()) -> None:
    """A filed trace whose finding was what it is given here."""
    start_ns = START_NS + hours * HOUR_NS
    conditions = Conditions(4.0, 1.0, 0.001, resolution_v=0.001, board="demo-a")
    moved = Samples(
        readings.t_ns + hours * HOUR_NS, readings.voltage_v, readings.current_a, readings.mode, readings.flags
    )
    trace = Trace(moved, start_ns, conditions, marks)
    row = summarise(trace, id, "R-1", "psu-a", 1, int(moved.t_ns[-1]), "removed", Finding(says, 0.9, ()))
    log.add_trace(row)
    log.add_block(columns_block(moved.t_ns, moved.voltage_v, moved.current_a, "psu-a", 1), "R-1", id)


def clean(scale: float = 0.6) -> Samples:
    trace = boards.read(boards.clean_boot(np.random.default_rng(7), scale), boards.Meter())
    s = trace.samples
    return Samples(s.t_ns + START_NS, s.voltage_v, s.current_a, s.mode, s.flags)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clean boot, the same that was called something else, a short that was cut, and one that was not."""
    folder = tmp_path_factory.mktemp("log")
    with Log.open(folder / "benchd.sqlite") as log:
        log.add_job(Job("R-1", board="demo-a", created_ns=1))
        file(log, "t-0", clean(), "clean-boot", 0)
        file(log, "t-1", clean(), "low-stall", 1)
        file(log, "t-2", lively(samples(*BRIEF_SHORT[:2])), "dead-short", 2, (SHORT_TRIP,))
        file(log, "t-3", lively(samples(*BRIEF_SHORT)), "clean-boot", 3)
    return folder


@pytest.fixture
def folder(kept: Path, tmp_path: Path) -> Path:
    copy = tmp_path / "benchd.sqlite"
    with sqlite3.connect(kept / "benchd.sqlite") as source, sqlite3.connect(copy) as target:
        source.backup(target)
    source.close()
    target.close()
    return tmp_path


def rows(text: str) -> dict[str, dict]:
    return {row["trace"]: row for row in lines(text) if row["kind"] == "trace"}


def summary(text: str) -> dict:
    return lines(text)[-1]


def test_todays_rules_and_reading_over_all_that_is_kept(folder: Path) -> None:
    text = benchd("replay", "--data-dir", folder, "--json")
    found = rows(text)
    assert list(found) == ["t-0", "t-1", "t-2", "t-3"]
    assert (found["t-0"]["change"], found["t-0"]["good"], found["t-0"]["changed"]) == ("same", "clean-boot", False)
    assert (found["t-1"]["flips"], found["t-1"]["signature_was"], found["t-1"]["signature_now"]) == (
        True, "low-stall", "clean-boot",
    )  # fmt: skip
    assert (found["t-2"]["change"], found["t-2"]["trip_was"]["rule"]) == ("same", "short")
    # With no plan known, the rules then are not known either: no new trip is claimed.
    assert found["t-3"]["change"] == "not-comparable"
    assert summary(text)["traces"] == 4


def test_a_changed_rule_shows_new_trips_good_boards_first(folder: Path) -> None:
    words = ("replay", "--data-dir", folder, "--rule", "over_current_a=0.9", "--rule", "short_hold_ms=40")
    found = rows(benchd(*words, "--json", "--only-changed"))
    assert found["t-3"]["change"] == "new-trip"
    assert found["t-3"]["trip_now"]["rule"] == "over-current"
    assert found["t-3"]["trip_now"]["at_s"] == 1.0
    assert found["t-2"]["change"] == "earlier"
    assert found["t-2"]["moved"]["ms"] == -11.0
    assert found["t-2"]["moved"]["energy_j"] == pytest.approx(-0.0022, rel=0.01)  # 0.2 V · 1 A · 11 ms
    text = benchd(*words)
    assert text.index("New trips on good boards (") < text.index("Trips that would come earlier (1)")
    assert text.index("Trips that would come earlier (1)") < text.index("Findings that flip (")
    assert "over-current at 1.000 s: 1 A read, above the threshold of 0.9 A" in text
    assert "short at 1.011 s -> over-current at 1.000 s (11 ms earlier, 0.0022" in text
    assert "What a replay cannot know:" in text
    assert benchd(*words, "--only-changed", "--fail-on-new-trips", status=1)


def test_a_trip_that_would_not_come_is_no_reason_to_fail(folder: Path) -> None:
    words = ("replay", "--data-dir", folder, "--trace", "t-2", "--rule", "short_hold_ms=40", "--fail-on-new-trips")
    assert rows(benchd(*words, "--json"))["t-2"]["change"] == "no-trip"
    assert "Trips that would not come (1)" in benchd(*words)


def test_a_lower_limit_holds_good_boards_back(folder: Path) -> None:
    words = ("replay", "--data-dir", folder, "--trace", "t-0", "--rule", "limit_a=0.5", "--fail-on-new-trips")
    assert "Good boards that the lower limit would hold back (1)" in benchd(*words, status=1)


def test_a_plan_of_a_file_is_tried_where_its_voltage_fits(folder: Path) -> None:
    plan = folder / "mine.toml"
    plan.write_text('format = 1\nvoltage_v = 4.2\nlimit_a = 1.0\nover_current_a = 0.95\nsource = "a test"\n')
    words = ("replay", "--data-dir", folder, "--trace", "t-3", "--json", "--plan")
    assert rows(benchd(*words, plan))["t-3"]["change"] == "new-trip"
    plan.write_text('format = 1\nvoltage_v = 12.0\nlimit_a = 1.0\nover_current_a = 0.95\nsource = "a test"\n')
    found = rows(benchd(*words, plan))["t-3"]
    assert (found["change"], found["notes"]) == (
        "not-judged", ["not judged by the rules: taken at 4 V, plan mine is for 12 V"],
    )  # fmt: skip
    plan.write_text("format = 1\nvoltage_v = 12.0\n")
    assert "limit_a: missing" in benchd(*words, plan, status=1)


def test_references_come_first_and_others_are_read_against_them(folder: Path) -> None:
    with Log.open(folder / "benchd.sqlite") as log:
        file(log, "t-4", clean(0.35), "clean-boot", 4)
        keep_reference(log, check_reference(log, "t-4", "demo-a", ""), "test")
    words = ("replay", "--data-dir", folder, "--board", "demo-a")
    found = rows(benchd(*words, "--json"))
    assert (found["t-4"]["good"], found["t-4"]["flips"]) == ("reference", False)  # not compared with itself
    # Clean when it was filed, yet it draws too much against the reference that came later: no good board.
    assert (found["t-0"]["good"], found["t-0"]["signature_now"]) == ("", "over-draw")
    text = benchd(*words, "--rule", "over_current_a=0.3", "--only-changed")
    good, _, others = text.partition("New trips on good boards (")[2].partition("New trips on other boards (")
    assert [line.split()[0] for line in good.splitlines()[1:2]] == ["t-4"]
    assert {"t-0", "t-3"} <= {line.split()[0] for line in others.splitlines() if line.strip()}, text


def test_changed_cards_flip_findings(folder: Path) -> None:
    """A clean boot that has to settle above 5 A is none any more."""
    cards = folder / "tried"
    cards.mkdir()
    shipped = (Path(signatures.__file__).parent / "cards" / "clean-boot.toml").read_text()
    stricter = '{ quantity = "peak_a", unit = "A", no_at = 5.0, full_at = 6.0 },'
    (cards / "clean-boot.toml").write_text(shipped.replace("look = [", f"look = [{stricter}", 1))
    words = ("replay", "--data-dir", folder, "--only-changed", "--cards", cards)
    found = rows(benchd(*words, "--json"))["t-0"]
    assert (found["flips"], found["signature_was"]) == (True, "clean-boot")
    assert "Findings that flip (" in benchd(*words)
    (cards / "clean-boot.toml").write_text("format = 1\n")
    assert "clean-boot.toml: " in benchd(*words, status=2)
    assert "no such folder" in benchd("replay", "--data-dir", folder, "--cards", folder / "none", status=2)


@pytest.mark.parametrize(
    ("words", "status", "told"),
    [
        (("--job", "R-9"), 1, "job 'R-9' is not in this log"),
        (("--trace", "t-9"), 1, "trace 't-9' is not in this log"),
        (("--plan", "nothing-of-the-kind"), 1, "plan 'nothing-of-the-kind' is not there"),
        (("--rule", "short_hold=5"), 1, "did you mean short_hold_ms?"),
        (("--since", "yesterday"), 2, "--since yesterday: allowed are 2026-01-31"),
        (("--board", "demo-z"), 0, "no traces to replay: none in this log is as asked"),
        (("--since", "2026-01-01T12:00"), 0, "4 traces in "),
        (("--since", "1h"), 0, "no traces to replay"),
    ],
)
def test_what_is_asked_for_is_there_or_a_sentence_says_so(
    folder: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], status: int, told: str
) -> None:
    assert told in benchd("replay", "--data-dir", folder, *words, status=status)


def test_a_damaged_trace_is_a_row_and_not_the_end(folder: Path) -> None:
    with sqlite3.connect(folder / "benchd.sqlite") as db:
        db.execute("UPDATE blocks SET data = substr(data, 1, 40) WHERE trace = 't-1'")
    db.close()
    words = ("replay", "--data-dir", folder)
    text = benchd(*words, "--json")
    assert "damaged block of readings" in rows(text)["t-1"]["error"]
    assert (summary(text)["errors"], summary(text)["traces"]) == (1, 4)
    assert "Traces that could not be replayed (1)" in benchd(*words)


def test_the_log_may_be_in_use_and_is_left_as_it_is(folder: Path) -> None:
    with Log.open(folder / "benchd.sqlite") as log:
        before = log.traces(), log.journal()
        with log.transaction():
            log.set_current_job("R-1")  # not committed while the replay runs
            assert summary(benchd("replay", "--data-dir", folder, "--json"))["traces"] == 4
        assert log.current_job() == "R-1"
        assert (log.traces(), log.journal()[:-1]) == before


# ---- several processes ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def many(kept: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """As many as make several processes worth while, one of them damaged."""
    folder = tmp_path_factory.mktemp("many")
    short = samples((0.5, 4.0, 0.3), (0.03, 0.2, 1.0), (0.5, 4.0, 0.3), rate=200)
    with Log.open(folder / "benchd.sqlite") as log, log.transaction():
        for n in range(200):
            file(log, f"t-{n:03}", short, "clean-boot", n)
    with sqlite3.connect(folder / "benchd.sqlite") as db:
        db.execute("UPDATE blocks SET data = x'00' WHERE trace = 't-150'")
    db.close()
    return folder


def test_several_processes_find_what_one_finds_in_the_same_order(many: Path) -> None:
    words = ("replay", "--data-dir", many, "--since", "2026-01-08", "--rule", "over_current_a=0.9", "--json")
    one, two = (lines(benchd(*words, "--workers", n)) for n in ("1", "2"))
    assert one[:-1] == two[:-1]
    assert (two[-1]["errors"], two[-1]["new_trips"]) == (1, len(two) - 2)
    assert len(two) > WORTH_A_POOL


@contextlib.contextmanager
def under_way(folder: Path) -> Iterator[subprocess.Popen[str]]:
    """A replay with two processes whose first outcome is out; ended at the end."""
    process = subprocess.Popen(
        [sys.executable, "-m", "benchd", "replay", "--data-dir", str(folder), "--workers", "2", "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        assert '"trace":"t-000"' in process.stdout.readline()
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def test_ctrl_c_ends_it_cleanly(many: Path) -> None:
    """The processes of the pool get the signal too, as from a terminal."""
    with under_way(many) as process:
        os.killpg(process.pid, signal.SIGINT)
        rest, said = process.communicate(timeout=30)
    assert process.returncode == 130, said
    assert "Traceback" not in said
    assert "stopped: " in said
    counts = summary(rest)
    assert 0 < counts["traces"] < counts["asked"] == 200


def test_no_process_outlives_the_one_that_started_it(many: Path) -> None:
    with under_way(many) as process:
        children = psutil.Process(process.pid).children(recursive=True)
        assert len(children) >= 2
        process.kill()
        process.wait(10)
        _, alive = psutil.wait_procs(children, timeout=20)
    assert not alive
