"""`benchd signatures` as a user types it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from benchd.cli.main import app
from benchd.traces.cards import shipped
from tests.cli.test_plans import SETTINGS
from tests.traces.test_cards import OWN, written


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """Settings with a data folder, in which one's own cards lie."""
    (tmp_path / "data").mkdir()
    written(tmp_path / "data" / "cards")
    file = tmp_path / "benchd.toml"
    file.write_text(SETTINGS.format(data=tmp_path / "data"))
    return file


def asked(*words: str | Path, status: int = 0) -> Result:
    done = CliRunner().invoke(app, ["signatures", *(str(word) for word in words)])
    assert done.exit_code == status, done.output
    return done


def records(done: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_list(config: Path) -> None:
    listed = {each["id"]: each for each in records(asked("list", "-c", config, "--json"))}
    assert set(listed) == {*shipped(), "my-stall"}
    assert (listed["my-stall"]["origin"], listed["my-stall"]["version"]) == ("own", 3)
    assert listed["my-stall"]["card"]["look"][0]["quantity"] == "tail_a"
    said = asked("list", "--config", config).stdout
    assert "my-stall@3 (own; battery or adapter side): Our controller's stall. Flat at 0.3 A.\n" in said
    assert "no-draw@1 (shipped; any side): Nothing is drawn." in said


def test_a_card_that_cannot_be_used_is_told_beside_the_list(config: Path) -> None:
    written(config.parent / "data" / "cards", OWN.replace("version = 3", "version = 0"))
    done = asked("list", "-c", config)
    assert "my-stall.toml: version = 0: allowed: 1 or more; it is not used" in done.stderr
    assert "my-stall" not in done.stdout


def test_show(config: Path) -> None:
    said = asked("show", "my-stall", "-c", config).stdout
    assert "  tail_a: against it at 0.25 A, for it at 0.28 A\n" in said
    assert "gives way to dead-short: up to 90%, from a score of 0 to 1\n" in said
    assert "caution: Disconnect the battery" in said
    (shown,) = records(asked("show", "boot-loop", "--json"))
    assert shown["card"]["check"][0]["text"].startswith("Power with a stiff supply")
    assert "there are: boot-loop, brief-kick," in asked("show", "none", status=1).stderr


def test_check(tmp_path: Path) -> None:
    good, bad = written(tmp_path), written(tmp_path, "format = 1\nversion = 'one'\n", "bad")
    circle = written(tmp_path, OWN.replace('id = "my-stall"', 'id = "dead-short"').replace(
        'to = ["dead-short"]', 'to = ["no-draw"]'), "dead-short")  # fmt: skip
    done = asked("check", good, bad, circle, status=2)
    assert f"{good}: in order\n" in done.stdout
    assert f"benchd: {bad}: version = 'one': allowed: a whole number" in done.stderr
    assert f"benchd: {circle}: yields_to: " in done.stderr
    told = {each["file"]: each for each in records(asked("check", good, bad, circle, "--json", status=2))}
    assert [told[str(path)]["ok"] for path in (good, bad, circle)] == [True, False, False]
    assert asked("check", *(found.path for found in shipped().values())).exit_code == 0


def test_a_folder_of_cards_that_is_not_there(tmp_path: Path) -> None:
    assert "no such folder of cards" in asked("list", "--cards", tmp_path / "none", status=2).stderr


def test_quantities() -> None:
    assert "tail_a (A): level: mean of the stable end\n" in asked("quantities").stdout
    assert {"name", "unit", "label", "meaning"} == set(records(asked("quantities", "--json"))[0])


def test_copy(config: Path) -> None:
    own = config.parent / "data" / "cards" / "low-stall.toml"
    (said,) = records(asked("copy", "low-stall", "-c", config, "--json"))
    assert said == {"id": "low-stall", "file": str(own)}
    assert own.read_text("utf-8") == shipped()["low-stall"].path.read_text("utf-8")
    own.write_text(own.read_text("utf-8").replace("version = 1", "version = 2", 1))
    assert "low-stall@2 (own, before the shipped one" in asked("list", "-c", config).stdout
    assert "it is there already" in asked("copy", "low-stall", "-c", config, status=1).stderr
    assert "version = 2" in own.read_text("utf-8")
    assert "there are: boot-loop" in asked("copy", "nothing", "-c", config, status=1).stderr
