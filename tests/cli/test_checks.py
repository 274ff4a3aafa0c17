"""`benchd checks` and `benchd job step` as a user types them, with no daemon."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from benchd.cli.main import app
from benchd.jobs.job import Job
from benchd.store.log import Log


@pytest.fixture
def data(tmp_path: Path) -> Path:
    with Log.open(tmp_path / "benchd.sqlite") as log:
        log.add_job(Job("R-1", board="phone-main"))
        log.set_current_job("R-1")
    return tmp_path


def asked(data: Path, *words: str | Path, status: int = 0) -> Result:
    where = () if words[1] == "check" else ("--data-dir", str(data))
    done = CliRunner().invoke(app, [*map(str, words), *where])
    assert done.exit_code == status, done.output
    return done


def records(done: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_steps_are_listed_written_down_and_taken_back(data: Path) -> None:
    assert "reflowed: Reflowed  Which part?\n" in asked(data, "job", "steps").stdout
    assert records(asked(data, "job", "steps", "--json"))[0]["id"] == "looked"
    said = asked(data, "job", "step", "reflowed", "--detail", "charger chip", "--minutes", "8").stdout
    number = said.split()[1].rstrip(":")
    assert said == f"entry {number}: Reflowed: charger chip, 8 min, by command line\n"
    assert (
        f"Reflowed: charger chip, 8 min, by command line (entry {number})\n" in asked(data, "job", "show", "R-1").stdout
    )
    (back,) = records(asked(data, "job", "step-back", number, "--json"))
    assert (back["kind"], back["payload"]["seq"]) == ("step-taken-back", int(number))
    again = asked(data, "job", "step-back", number, status=1)
    assert again.stderr == f"benchd: step {number} of job R-1 was taken back already\n"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("baked",), "step = 'baked': there is no such kind of step; there are: looked, "),
        (("storage-lifted",), "Storage chip lifted: 10 checks that come first are open (Owner told"),
        (("cleaned", "--job", "R-9"), "job 'R-9' is not in the log; take it in first"),
        (("cleaned", "--effect", "T9"), "effect = 'T9': no trace of job R-1"),
        (("cleaned", "--detail", "bell \a"), "detail: Value error, the character U+0007 is not allowed"),
    ],
)
def test_a_step_that_cannot_be(data: Path, words: tuple[str, ...], told: str) -> None:
    assert told in asked(data, "job", "step", *words, status=1).stderr
    with Log.open(data / "benchd.sqlite", read_only=True) as log:
        assert log.journal(kinds=("step",)) == []


def test_a_step_without_a_job_on_the_bench(tmp_path: Path) -> None:
    Log.open(tmp_path / "benchd.sqlite").close()
    assert "no job is on the bench: name one with --job" in asked(tmp_path, "job", "step", "cleaned", status=1).stderr


def test_items_are_ticked(data: Path) -> None:
    said = asked(data, "checks", "tick", "before-power", "esd", "--note", "mat 2").stdout
    assert said.startswith("before-power: Before power: 9 open\n  [ ] looked-over: Board looked over")
    assert "  [x] esd: Wrist strap on, board on the grounded mat: mat 2\n" in said
    asked(data, "checks", "tick", "before-power", "cell-out", "--not-needed")
    first, *others = records(asked(data, "checks", "of", "--json"))
    assert (first["id"], first["open"], len(others)) == ("before-power", 8, 3)
    assert "  [-] cell-out" in asked(data, "checks", "of", "R-1").stdout
    asked(data, "checks", "tick", "before-power", "cell-out", "--open")
    assert "  [ ] cell-out" in asked(data, "checks", "of", "R-1").stdout
    assert (
        "Before power: Battery disconnected before its terminals are fed: open again, by command line\n"
        in asked(data, "job", "show", "R-1").stdout
    )
    assert "item 'fan' is not in checklist" in asked(data, "checks", "tick", "before-power", "fan", status=1).stderr
    asked(data, "checks", "tick", "before-power", "esd", "--open", "--not-needed", status=2)


def test_a_list_of_ones_own_begins_as_a_copy(data: Path) -> None:
    copied = asked(data, "checks", "copy", "after-repair", "--as", "closing").stdout
    path = data / "checklists" / "closing.toml"
    assert copied == f"{path}: edit it, then `benchd checks check {path}`\n"
    assert path.read_text().startswith("# What is looked at before a device goes home.")
    assert "it is there already" in asked(data, "checks", "copy", "after-repair", "--as", "closing", status=1).stderr
    listed = {each["name"]: each for each in records(asked(data, "checks", "list", "--json"))}
    assert (listed["closing"]["origin"], listed["before-chip"]["origin"]) == ("own", "shipped")
    assert "closing: After the repair: after-repair, 19 items (own)\n" in asked(data, "checks", "list").stdout
    shown = asked(data, "checks", "show", "closing").stdout
    assert shown.startswith(f"# own: {path}\n# What is looked at")
    assert "checklist 'x' is not there" in asked(data, "checks", "show", "x", status=1).stderr


def test_files_are_checked_wherever_they_lie(data: Path) -> None:
    good, bad, kinds = data / "good.toml", data / "bad.toml", data / "steps.toml"
    good.write_text('format = 1\ntitle = "T"\nmoment = "before-chip"\n[[item]]\nid = "a"\nlabel = "A"\n')
    bad.write_text('format = 1\ntitle = "T"\nmoment = "before"\n')
    kinds.write_text('format = 1\nhide = ["none"]\n')
    assert asked(data, "checks", "check", good).stdout == f"{good}: in order\n"
    done = asked(data, "checks", "check", good, bad, kinds, status=2)
    assert (
        f"benchd: {bad}: moment = 'before': allowed: 'before-power', 'before-chip' or 'after-repair'\n" in done.stderr
    )
    assert f"benchd: {kinds}: hide[0] = 'none': no such kind of step" in done.stderr
    kept = asked(data, "job", "steps")
    assert "the shipped kinds of steps are used" in kept.stderr
