"""`benchd plans` as a user types it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from benchd.cli.main import app

SETTINGS = """\
data_dir = "{data}"
[[plan]]
name = "press"
voltage_v = 24.0
limit_a = 2.0
[[supply]]
name = "a"
resource = "TCPIP0::192.0.2.5::5025::SOCKET"
profile = "benchd-sim"
[[supply.channel]]
max_voltage_v = 5.0
max_limit_a = 3.0
plan = "phone-cell"
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    file = tmp_path / "benchd.toml"
    file.write_text(SETTINGS.format(data=tmp_path / "data"))
    return file


def asked(*words: str | Path, status: int = 0) -> Result:
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == status, done.output
    return done


def records(done: Result) -> list[dict[str, Any]]:
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_list(config: Path) -> None:
    listed = {each["name"]: each for each in records(asked("plans", "list", "--config", config, "--json"))}
    assert (listed["press"]["origin"], listed["press"]["file"]) == ("settings", None)
    assert listed["press"]["values"] == {"name": "press", "voltage_v": 24.0, "limit_a": 2.0}
    assert listed["phone-cell"]["origin"] == "shipped"
    said = asked("plans", "list", "-c", config).stdout
    assert "phone-cell: 4 V, 2 A (shipped)  Phone board" in said
    assert "press: 24 V, 2 A (settings)\n" in said


def test_show(config: Path) -> None:
    (shown,) = records(asked("plans", "show", "press", "-c", config, "--json"))
    assert any("power class PS2" in each for each in shown["cautions"])
    said = asked("plans", "show", "press", "-c", config).stdout
    assert said.startswith('# settings: benchd.toml\nformat = 1\nname = "press"\nvoltage_v = 24.0\n')
    assert "# caution: Up to 48 W (24 V × 2 A): power class PS2" in said
    assert "there are: adapter-12v," in asked("plans", "show", "no", "-c", config, status=1).stderr


def test_copy_edit_and_check(config: Path, tmp_path: Path) -> None:
    asked("plans", "copy", "phone-cell", "-c", config)
    file = tmp_path / "data" / "plans" / "phone-cell.toml"
    assert f"{file}: in order" in asked("plans", "check", file).stdout
    assert "is there already" in asked("plans", "copy", "phone-cell", "-c", config, status=1).stderr
    (copied,) = records(asked("plans", "copy", "press", "--as", "my-press", "-c", config, "--json"))
    assert copied["file"] == str(tmp_path / "data" / "plans" / "my-press.toml")
    assert "(own, before the shipped one)" in asked("plans", "list", "-c", config).stdout
    file.write_text(file.read_text().replace("voltage_v = 4.0\n", "voltage_v = 61\n"))
    done = asked("plans", "check", file, copied["file"], status=2)
    assert f"benchd: {file}: voltage_v = 61: allowed: 60.0 or less (unit: V)" in done.stderr
    assert f"{copied['file']}: in order" in done.stdout
    checked = records(asked("plans", "check", file, copied["file"], "--json", status=2))
    assert [each["ok"] for each in checked] == [False, True]
    assert "the shipped plan phone-cell is used" in asked("plans", "list", "-c", config).stderr


def test_a_plan_of_ones_own_that_does_not_fit_is_a_warning_and_keeps_no_bench_from_starting(
    config: Path, tmp_path: Path
) -> None:
    asked("plans", "copy", "phone-cell", "-c", config)
    file = tmp_path / "data" / "plans" / "phone-cell.toml"
    file.write_text(file.read_text().replace("limit_a = 2.0\n", "limit_a = 3.5\n"))
    (checked,) = records(asked("config", "check", "-c", config, "--json"))
    assert (checked["ok"], checked["faults"]) == (True, [])
    assert checked["warnings"] == [
        "supply a channel 1: plan 'phone-cell' asks for 3.5 A, the channel's max_limit_a is 3.0 A; it will not be "
        "powered with it"
    ]
    file.write_text("format = 1\n")
    said = asked("config", "check", "-c", config).stdout
    assert "in order" in said
    assert "warning: " in said
    assert "the shipped plan phone-cell is used" in said


def test_without_any_settings_the_users_own_and_the_shipped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("BENCHD_CONFIG", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "share"))
    (copied,) = records(asked("plans", "copy", "usb-5v", "--json"))
    assert copied["file"] == str(tmp_path / "share" / "benchd" / "plans" / "usb-5v.toml")
    listed = {each["name"]: each["origin"] for each in records(asked("plans", "list", "--json"))}
    assert (listed["usb-5v"], listed["pack-2s"], len(listed)) == ("own", "shipped", 7)
