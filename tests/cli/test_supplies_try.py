"""`benchd supplies try` as a person types it: exit status, text, effect on the supply, and the saved recording."""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import tomlkit
from typer.testing import CliRunner, Result

from benchd.cli.config import example_text
from benchd.cli.main import app
from benchd.daemon.run import lock_dir
from benchd.supplies import tryout
from benchd.supplies.lock import SupplyLock
from benchd.supplies.profile import load_profile
from benchd.supplies.recording import recording_path
from benchd.supplies.recording_text import parse
from tests.simulated import SimulatedSupply
from tests.supplies.lines import LineInstrument


@pytest.fixture(scope="module")
def simulated():
    with SimulatedSupply() as sim:
        yield sim


@pytest.fixture
def sim(simulated):
    simulated.fault("NONE")
    simulated.command("*RST;*CLS")
    simulated.command("INST:NSEL 1;:VOLT 5;:CURR 2")
    return simulated


def words(sim: SimulatedSupply, *more: str | Path) -> list[str]:
    plain = ("--resource", sim.resource, "--profile", "benchd-sim", "--timeout-ms", "500")
    return ["supplies", "try", *plain, *map(str, more)]


def ran(*words: str | Path, status: int = 0, typed: str = "") -> Result:
    done = CliRunner().invoke(app, list(map(str, words)), input=typed, catch_exceptions=False)
    assert done.exit_code == status, (done.stdout, done.stderr)
    return done


def tried(sim: SimulatedSupply, *more: str | Path, status: int = 0, typed: str = "") -> Result:
    return ran(*words(sim, *more), status=status, typed=typed)


def settings_now(sim: SimulatedSupply) -> str:
    return sim.query("INST:NSEL 1;:VOLT?;:CURR?;:OUTP?")


def test_a_good_supply(sim, tmp_path):
    done = tried(sim, "--output", "--save", tmp_path, typed="yes\n")
    lines = done.stdout.splitlines()
    assert all(len(line) <= 80 for line in [*lines, *done.stderr.splitlines()] if not line.startswith("saved:"))
    assert lines[0].startswith("identification          passes  benchd SIM-2")
    passed, skipped = (sum(line[24:].startswith(verdict) for line in lines) for verdict in ("passes", "skipped"))
    assert lines[-1] == f"{passed} passed, 0 failed, {skipped} skipped; output: off"
    assert passed > 20
    assert "Take everything off its leads" in done.stderr
    assert "Is nothing connected to the leads of channel 1?" in done.stderr
    assert settings_now(sim) == "5.000;2.000;0"

    (path,) = tmp_path.rglob("*.txt")
    dialogue = parse(path.read_text("utf-8"), path.name)
    named = load_profile("benchd-sim").identity.named(dialogue.identity)
    assert named is not None
    assert path.relative_to(tmp_path).as_posix() == recording_path(dialogue, named).as_posix()
    assert path.name.endswith("_simulated.txt")  # its maker says so itself
    assert "SIM00001" not in path.read_text("utf-8")
    assert {"identification", "voltage-on", "settings-as-before"} <= {step.name for step in dialogue.steps}
    # A second time nothing is overwritten.
    done = tried(sim, "--save", tmp_path, status=1)
    assert "File exists" in done.stderr
    assert "there is such a file already" in tried(sim, "--save", path, status=2).stderr


@pytest.mark.parametrize("typed", ["", "no\n", "y\n"])
def test_only_the_word_yes_brings_power(sim, typed):
    done = tried(sim, "--output", typed=typed)
    assert "output-on               skipped not agreed to" in done.stdout
    assert "OUTP ON" not in done.stdout
    assert settings_now(sim) == "5.000;2.000;0"


def test_json_has_every_line_of_the_exchange(sim):
    records = [json.loads(line) for line in tried(sim, "--output", "--yes", "--json").stdout.splitlines()]
    by_check = {record["check"]: record for record in records if "check" in record}
    assert by_check["output-on"]["verdict"] == "passes"
    assert by_check["output-on"]["exchange"] == ["> INST:NSEL 1;:OUTP ON\\n", "> INST:NSEL 1;:OUTP?\\n", "< 1\\n"]
    assert sum("MEAS:VOLT?" in line for line in by_check["readings"]["exchange"]) == 10
    assert by_check["over-current-level"]["verdict"] == "skipped"
    assert by_check["over-current-level"]["text"]
    assert records[-1]["result"] == "passes"
    assert records[-1]["output"] == "off"
    assert records[-1]["passed"] == sum(record["verdict"] == "passes" for record in by_check.values())


def test_a_supply_that_is_deaf_to_off_is_exit_status_1_and_said_loudly(sim, monkeypatch):
    monkeypatch.setattr(tryout, "OFF_S", 0.3)  # in this process, so that a deaf supply is asked for less long
    sim.command("INST:NSEL 1;:OUTP ON")
    sim.fault("DEAF")
    done = tried(sim, "--output", "--yes", status=1)
    assert "output-off              fails" in done.stdout
    assert "THE OUTPUT MAY BE ON" in done.stdout
    assert "THE OUTPUT IS NOT CONFIRMED OFF" in done.stderr


def test_the_settings_name_the_supply_and_bound_it(sim, tmp_path):
    document = tomlkit.parse(example_text())
    supply = document["supply"][0]
    supply["name"], supply["resource"], supply["profile"] = "left", sim.resource, "benchd-sim"
    supply["channel"][0]["max_voltage_v"] = 0.5
    supply["channel"][0]["plan"] = "small"
    del supply["channel"][1:], document["supply"][1:]
    file = tmp_path / "benchd.toml"
    file.write_text(tomlkit.dumps(document) + '[[plan]]\nname = "small"\nvoltage_v = 0.5\nlimit_a = 2.0\n')
    done = ran("supplies", "try", "left", "--config", file, "--output", "--yes")
    assert "0.5 V, 0.1 A, each read back" in done.stdout
    done = ran("supplies", "try", "right", "--config", file, status=2)
    assert "no supply 'right' in the settings; there are: left" in done.stderr


def test_a_held_supply_is_refused_with_its_holder(sim):
    lock = SupplyLock(lock_dir(), sim.resource, "the guard of supply left")
    try:
        done = tried(sim, status=1)
    finally:
        lock.release()
    assert "is held by the guard of supply left" in done.stderr
    assert done.stdout == ""
    tried(sim)


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["left"], "give the name of a supply in the settings, or --resource and --profile"),
        (["--origin", "documents"], "allowed are hardware, simulated"),
        (["--profile", "no-such"], "no profile 'no-such'"),
        (["--channel", "7"], "no channel 7"),
    ],
)
def test_wrong_words_say_what_is_allowed(sim, more, told):
    done = CliRunner().invoke(app, words(sim, *more), catch_exceptions=False)
    assert done.exit_code in (1, 2)
    assert told in " ".join(done.stderr.split())
    assert settings_now(sim) == "5.000;2.000;0"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_interrupted_at_the_question_it_leaves_the_output_off_and_the_settings_as_before(sim, number):
    process = subprocess.Popen(
        [sys.executable, "-m", "benchd", *words(sim, "--output")],
        stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip
    try:
        assert process.stderr is not None
        told = b""
        ends = time.monotonic() + 30
        while b"Type yes" not in told and time.monotonic() < ends:
            if select.select([process.stderr], [], [], 0.1)[0]:
                told += os.read(process.stderr.fileno(), 4096)
        assert sim.query("INST:NSEL 1;:VOLT?") == "1.000"
        process.send_signal(number)
        _, rest = process.communicate(timeout=30)
        assert process.returncode == 130
        assert b"interrupted; the output is confirmed off" in rest
        assert settings_now(sim) == "5.000;2.000;0"
    finally:
        process.kill()
        process.communicate()


def test_an_unverified_profile_says_so_before_power(tmp_path):
    with SimulatedSupply(family="owon-spe", pace=0) as sim:
        done = ran(
            "supplies", "try", "--resource", sim.resource, "--profile", "owon-spe",
            "--output", "--save", tmp_path, "--origin", "simulated", typed="no\n",
        )  # fmt: skip
    assert load_profile("owon-spe").trust == "unverified"
    assert "UNVERIFIED" in done.stderr
    for note in load_profile("owon-spe").notes:
        assert note.split()[0] in done.stderr
    assert len(list(tmp_path.glob("owon-spe/*_simulated.txt"))) == 1


def test_the_resource_of_something_else_is_left_alone():
    """A device that is no supply gets the identification query and nothing more."""
    with LineInstrument(lambda line: [b"hello\n"]) as instrument:
        done = ran("supplies", "try", "--resource", instrument.resource, "--profile", "rigol-dp800", status=1)
        assert "identification          fails" in done.stdout
        assert "output: not touched" in done.stdout
        assert set(instrument.lines) == {"*IDN?"}
