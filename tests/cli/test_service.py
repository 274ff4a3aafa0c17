"""The systemd unit: what it says, and that systemd itself takes it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.cli.config import example_text
from benchd.cli.service import command, stop_s, unit_text
from benchd.settings import Settings, from_dict
from tests.cli.asking import benchd
from tests.daemon.making import settings
from tests.services import needs


def values(text: str) -> dict[str, str]:
    return dict(line.split("=", 1) for line in text.splitlines() if "=" in line and not line.startswith("#"))


def with_supply(**more: object) -> Settings:
    raw = settings().model_dump(mode="json")
    raw["supply"][0] |= more
    return from_dict(raw, "test")


def test_the_unit_says_what_the_daemon_needs(tmp_path: Path) -> None:
    file = tmp_path / "benchd.toml"
    file.write_text(example_text())
    found = values(benchd("service", "--config", file, "--user", "tech"))
    assert found["Type"] == "notify"
    assert found["ExecStart"] == f"{sys.executable} -m benchd run --config {file}"
    assert found["ExecStopPost"] == f"{sys.executable} -m benchd make-safe --config {file}"
    assert found["User"] == "tech"
    assert (found["KillMode"], found["Restart"], found["LimitRTPRIO"]) == ("control-group", "on-failure", "1")
    assert int(found["WatchdogSec"]) > 0
    assert int(found["OOMScoreAdjust"]) < 0
    # The daemon gives its guard 8 s, waits 5 s for traces and 2 s for the broker.
    assert int(found["TimeoutStopSec"]) >= 15


def test_relative_settings_are_named_by_their_whole_path(tmp_path: Path) -> None:
    (tmp_path / "benchd.toml").write_text(example_text())
    assert f"--config {tmp_path}/benchd.toml" in benchd("service", folder=tmp_path)


def test_a_slow_supply_is_given_its_time() -> None:
    # The first takes 0.2 s for each command (drivers/bk-9130.toml), so nothing about it is proved as soon.
    raw = settings().model_dump(mode="json")
    raw["plan"] = [plan | {"stale_ms": 10_000.0} for plan in raw["plan"]]  # its readings are slow as well
    raw["supply"][0] |= {"resource": "ASRL/dev/ttyUSB0::INSTR", "baud_rate": 9600}
    slow, quick = (from_dict(raw | {"supply": [raw["supply"][0] | {"profile": name}]}, "test")
                   for name in ("bk-9130", "generic-scpi-multi"))  # fmt: skip
    assert stop_s(slow) > stop_s(quick)


def test_who_holds_an_output_without_a_daemon_is_told_what_this_service_does() -> None:
    assert "on_daemon_loss" not in unit_text(settings(), Path("/etc/benchd.toml"), "tech")
    held = unit_text(with_supply(on_daemon_loss="hold"), Path("/etc/benchd.toml"), "tech")
    assert 'on_daemon_loss = "hold" (psu-a) does not keep' in held


def test_nothing_in_a_path_is_taken_for_a_specifier_or_a_variable() -> None:
    """systemd.service(5), COMMAND LINES: % begins a specifier, $ a variable, each doubled stands for itself."""
    assert command("/usr/bin/x", "/a b/$HOME/50%") == '/usr/bin/x "/a b/$$HOME/50%%"'
    assert command("/usr/bin/x", 'say "hi"\\') == '/usr/bin/x "say \\"hi\\"\\\\"'
    with pytest.raises(ValueError, match="control characters"):
        command("/usr/bin/x", "two\nlines")


@pytest.mark.parametrize("user", ["", "a b", "x\nExecStart=/bin/false", "-"])
def test_what_is_no_user_is_refused(user: str) -> None:
    with pytest.raises(ValueError, match="allowed is the name of a user"):
        unit_text(settings(), Path("/etc/benchd.toml"), user)


@pytest.mark.parametrize("user", ["root", "daemon"])
@pytest.mark.parametrize("folder", ["plain", "with space 50% $HOME"])
def test_systemd_takes_it(tmp_path: Path, user: str, folder: str) -> None:
    analyze = needs("systemd-analyze", "systemd")
    place = tmp_path / folder
    place.mkdir()
    unit = place / "benchd.service"
    unit.write_text(unit_text(with_supply(on_daemon_loss="hold"), place / "benchd.toml", user))
    done = subprocess.run(
        [analyze, "verify", "--man=no", str(unit)], capture_output=True, text=True, timeout=60,
        env={**os.environ, "SYSTEMD_UNIT_PATH": f"{place}:"},
    )  # fmt: skip
    said = [line for line in (done.stdout + done.stderr).splitlines() if "benchd" in line]
    assert (done.returncode, said) == (0, [])
    # And it is no reader that takes everything.
    unit.write_text(unit.read_text().replace("KillMode=control-group", "KillMode=most"))
    again = subprocess.run([analyze, "verify", "--man=no", str(unit)], capture_output=True, text=True, timeout=60)
    assert "kill mode" in again.stderr
