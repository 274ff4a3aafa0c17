"""The command line as a user types it: exit status, output, effect, and what happens the second time."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd import settings
from benchd.cli.config import example_text
from benchd.jobs.job import Job
from benchd.plans import plan
from benchd.store.log import Log
from tests.cli.asking import benchd, lines, started
from tests.running import Bench, running
from tests.simulated import SimulatedSupply

CSV = "# set_voltage_v: 4.0\n# limit_a: 2.0\n# resolution_a: 0.001\n# board: pellor-p3\n# button_s: 2.0\n"


def stall_csv(folder: Path) -> Path:
    """Nothing for 2 s, then 61 mA flat for 20 s: a low stall. 50 readings/s."""
    rows = "".join(f"{n / 50:.3f},4.000,{0.061 if n >= 100 else 0.0:.3f}\n" for n in range(1100))
    file = folder / "stall.csv"
    file.write_text(CSV + "time_s,voltage_v,current_a\n" + rows)
    return file


def test_the_example_is_a_good_settings_file(tmp_path: Path) -> None:
    file = tmp_path / "benchd.toml"
    file.write_text(benchd("config", "example"))
    assert file.read_text() == example_text()
    assert lines(benchd("config", "check", "--config", file, "--json"))[0]["ok"] is True
    assert "in order" in benchd("config", "check", "--config", file)


def test_a_secret_that_cannot_be_read_is_a_fault_and_a_folder_that_is_away_a_warning(tmp_path: Path) -> None:
    """The daemon does not start without the first; copies wait for the second."""
    token, word, copies = (tmp_path / name for name in ("token", "word", "copies"))
    file = tmp_path / "benchd.toml"
    file.write_text(
        f'{example_text()}\n[influxdb]\nurl = "http://127.0.0.1:8428"\ntoken_file = "{token}"\n'
        f'[mqtt]\nhost = "127.0.0.1"\nuser = "bench"\npassword_file = "{word}"\n'
    )
    said = benchd("config", "check", "--config", file, status=2)
    assert f"influxdb.token_file = '{token}': cannot be read" in said
    assert f"mqtt.password_file = '{word}': cannot be read" in said
    token.write_text("x")
    word.write_text("x")
    file.write_text(file.read_text().replace('# backup_dir = ""', f'backup_dir = "{copies}"'))
    assert f"warning: log.backup_dir = '{copies}': there is no such folder now" in benchd(
        "config", "check", "--config", file
    )
    copies.mkdir()
    assert "warning" not in benchd("config", "check", "--config", file)


def test_the_example_names_every_setting_with_its_default(tmp_path: Path) -> None:
    """Uncommented, the example still loads: every default it shows is a value that is allowed, under its right name."""
    text = example_text()
    import tomllib

    commented = "\n".join(
        line[2:] if line.startswith("# ") and (" = " in line.split("#")[1] or line[2:3] == "[") else line
        for line in text.splitlines()
    )
    commented = commented.replace('data_dir = ""', f'data_dir = "{tmp_path}"')
    loaded = settings.from_dict(tomllib.loads(commented), "example")
    named = set(text.replace("=", " ").replace("#", " ").split())
    for model in (settings.Settings, settings.Web, settings.Plan, settings.Channel, settings.Supply,
                  settings.Influx, settings.Mqtt, settings.CaptureSettings, settings.GuardSettings,
                  plan.ProbeStage, plan.HoldStage, plan.Budget):  # fmt: skip
        for key in model.model_fields:
            if key not in {"token", "password"}:  # the files for them are what is recommended
                assert key in named or f"{key}]" in text, key
    assert loaded.capture == settings.CaptureSettings()
    assert loaded.guard == settings.GuardSettings()
    assert loaded.plan[0].probe is not None
    assert loaded.mqtt is not None
    assert loaded.influxdb is not None


def test_wrong_settings_are_refused_with_every_fault(tmp_path: Path) -> None:
    file = tmp_path / "benchd.toml"
    file.write_text(example_text() + '[[plan]]\nname = "mine"\nvoltage_mv = 4000\nlimit_a = 1.0\n')
    said = benchd("config", "check", "--config", file, status=2)
    assert "plan[0].voltage_mv: unknown key" in said
    assert "plan[0].voltage_v: missing" in said
    assert "voltage_mv" in started("run", "--config", file, status=2)
    assert lines(benchd("config", "check", "--config", file, "--json", status=2).strip())[0]["ok"] is False


def test_an_unknown_profile_is_a_fault_of_the_settings(tmp_path: Path) -> None:
    file = tmp_path / "benchd.toml"
    file.write_text(example_text().replace('profile = "generic-scpi"', 'profile = "no-such"'))
    assert "no-such" in benchd("config", "check", "--config", file, status=2)


def test_an_output_that_the_profile_does_not_have_is_a_fault_of_the_settings(tmp_path: Path) -> None:
    file = tmp_path / "benchd.toml"
    file.write_text(example_text().replace("number = 1", "number = 3"))
    assert "no channel 3" in benchd("config", "check", "--config", file, status=2)


def test_read_needs_no_log_and_prints_one_object_a_file(tmp_path: Path) -> None:
    file = stall_csv(tmp_path)
    (found,) = lines(benchd("trace", "read", file, "--json"))
    assert list(found)[:6] == ["file", "signature", "confidence", "evidence", "button_s", "alternatives"]
    assert found["signature"] == "low-stall"
    assert found["button_s"] == pytest.approx(2.0)
    assert any("0.061" in e["text"] or "61" in e["text"] for e in found["evidence"])


def test_read_names_the_bad_file_and_goes_on(tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("time_s,voltage_v,current_a\n0.0,4.0,0.0\n0.1,4.0,abc\n")
    found = lines(benchd("trace", "read", bad, stall_csv(tmp_path), "--json", status=1).strip())
    assert "bad.csv" in found[0]["error"]
    assert "3" in found[0]["error"]
    assert found[1]["signature"] == "low-stall"


def test_jobs_journal_and_imports_without_a_daemon(tmp_path: Path) -> None:
    where = ("--data-dir", tmp_path / "data")
    benchd("job", "new", "R-1042", "--device", "phone, blue", "--symptom", "no start", "--use", *where)
    again = benchd("job", "new", "R-1042", *where, status=1)
    assert "R-1042" in again
    assert lines(benchd("job", "list", "--json", *where))[0]["on_bench"] is True
    benchd("job", "note", "cleaned", *where)
    (row,) = lines(benchd("trace", "import", stall_csv(tmp_path), "--json", *where))
    assert (row["job"], row["signature"], row["readings"]) == ("R-1042", "low-stall", 1100)
    # Charge by the trapezoidal rule over 19.98 s at 61 mA and one half-step up (SI definition, Q = It).
    assert row["charge_c"] == pytest.approx(0.061 * (19.98 + 0.01), rel=1e-3)
    kinds = [entry.get("kind") for entry in lines(benchd("job", "show", "R-1042", "--json", *where))]
    assert {"job", "note", "trace"} <= set(kinds)
    (listed,) = lines(benchd("trace", "list", "--job", "R-1042", "--json", *where))
    assert listed["trace"] == row["trace"]
    out = tmp_path / "out.csv"
    benchd("trace", "export", row["trace"], "--to", out, *where)
    (again_read,) = lines(benchd("trace", "read", out, "--json"))
    assert again_read["signature"] == "low-stall"
    assert again_read["button_s"] == pytest.approx(2.0, abs=1e-3)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("job", "new", "R 1042"), "allowed are 1 to 40 letters"),
        (("job", "new", "=1+1"), "allowed are 1 to 40 letters"),
        (("job", "use", "none-such"), "none-such"),
        (("trace", "show", "none-such"), "is not in this log"),
        (("job", "note", "x"), "no job is on the bench"),
        (("job", "note", "x", "--job", "R-2"), "not in this log"),
        (("job", "note", "bell \a"), "the character U+0007 is not allowed"),
        (("job", "new", "R-2", "--device", "two\nlines"), "one line only"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    data = tmp_path / "data"
    benchd("job", "new", "R-1", "--data-dir", data)
    text = benchd(*words, "--data-dir", data, status=1)
    assert said in text
    assert len(text.strip().splitlines()) == 1


def test_make_safe_without_a_supply_says_unknown(tmp_path: Path) -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as s:
        port = s.getsockname()[1]
    file = tmp_path / "benchd.toml"
    file.write_text(example_text().replace("192.0.2.5::5025", f"127.0.0.1::{port}"))
    said = benchd("make-safe", "--config", file, "--json", status=1)
    assert '"output":"unknown"' in said


def test_help_and_version_and_supplies() -> None:
    assert "demo" in started("--help")
    assert benchd("--version").startswith("benchd ")
    assert "generic-scpi" in lines(benchd("supplies", "--json"))[-1]["profiles"]
    assert "--port" in benchd("sim", "--help")


def test_a_network_supply_is_identified_by_its_address() -> None:
    with SimulatedSupply() as sim:
        found = lines(benchd("supplies", "--identify", sim.resource, "--json"))
        (mine,) = [f for f in found if f.get("resource") == sim.resource]
    assert mine["identity"].startswith("benchd,SIM-2,")
    assert mine["profiles"][0] == "benchd-sim"
    assert not any("INTFC" in f.get("resource", "") for f in found)


def test_the_journal_says_what_happened_to_the_output(tmp_path: Path) -> None:
    on = {"output": "on", "reason": "asked", "text": "", "set_voltage_v": 4.0, "limit_a": 2.0, "latched": False}
    trip = {"rule": "short", "text": "in limit at 2 A", "off_confirmed": True}
    off = {"output": "off", "reason": "trip", "text": "short: in limit at 2 A", "set_voltage_v": None, "limit_a": None}
    with Log.open(tmp_path / "benchd.sqlite") as log:
        log.add_job(Job("R-1", created_ns=1))
        for kind, payload in (("output", on), ("trip", trip), ("output", off)):
            log.add_entry(kind, job="R-1", supply="left", channel=1, payload=payload)
    text = benchd("job", "show", "R-1", "--data-dir", tmp_path)
    assert "left channel 1: output on, as asked: 4 V, limit 2 A" in text
    assert "trip short: in limit at 2 A (output off, confirmed)" in text
    assert "left channel 1: output off, by a trip" in text


def test_run_prints_what_happens() -> None:
    with SimulatedSupply() as sim, running({"lab": Bench(sim.resource)}) as daemon:
        daemon.on("lab")
        daemon.off("lab")
        daemon.process.terminate()
        assert daemon.process.stdout is not None
        told = lines(daemon.process.stdout.read())
        assert daemon.process.wait(20) == 0
    assert [e["up"] for e in told if e["event"] == "link"] == [True]
    outputs = [(e["output"], e["reason"]) for e in told if e["event"] == "output"]
    # Between the order and reading it back nobody knows, and that is said.
    assert [o for o in outputs if o[1] == "asked"] == [("on", "asked"), ("off", "asked")]
    assert told[-1] == {"event": "done", "outputs_off_confirmed": True}


def test_run_goes_on_when_nobody_reads_what_it_prints() -> None:
    with SimulatedSupply() as sim, running({"lab": Bench(sim.resource)}) as daemon:
        assert daemon.process.stdout is not None
        daemon.process.stdout.close()
        for _ in range(3):
            daemon.on("lab")
            daemon.off("lab")
        daemon.process.terminate()
        assert daemon.process.wait(20) == 0
