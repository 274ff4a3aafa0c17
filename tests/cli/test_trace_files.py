"""`benchd trace read`, `import` and `export`: files of other programs, Parquet, and filed traces by id."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.store.log import Log
from benchd.traces.trace_file import read_file
from tests.cli.test_commands import stall_csv


def benchd(*words: str | Path, status: int = 0) -> str:
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == status, done.output
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.stdout if status == 0 else done.output


def lines(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def foreign(folder: Path) -> Path:
    """The low stall of `stall_csv` as another program might write it."""
    rows = "".join(f"{20 * n};4,000;{61 if n >= 100 else 0},0\n" for n in range(1100))
    file = folder / "foreign.csv"
    file.write_text("Model;X-1\nt (ms);U [V];I (mA)\n" + rows)
    return file


def test_files_of_every_kind_and_filed_traces_read_alike(tmp_path: Path) -> None:
    log = ("--data-dir", tmp_path / "log")
    (row,) = lines(benchd("trace", "import", stall_csv(tmp_path), "--json", *log))
    assert row["notes"] == []
    parquet = tmp_path / "a.parquet"
    benchd("trace", "export", row["trace"], "--to", parquet, *log)
    said = ("--set-voltage", "4", "--limit", "2", "--resolution", "0.001", "--button", "2")
    same = [
        lines(benchd("trace", "read", stall_csv(tmp_path), "--json", *log))[0],
        lines(benchd("trace", "read", foreign(tmp_path), "--json", *said, *log))[0],
        lines(benchd("trace", "read", parquet, "--json", *log))[0],
        lines(benchd("trace", "read", row["trace"], "--json", *log))[0],
    ]
    assert {f["signature"] for f in same} == {"low-stall"}
    assert {f["confidence"] for f in same} == {same[0]["confidence"]}
    assert [f.get("trace") for f in same] == [None, None, None, row["trace"]]
    assert same[1]["notes"] == ["passed over: 1 line above the header"]


def test_a_pipe_is_read_once(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    try:
        text = foreign(tmp_path).read_bytes()[:20_000]
        os.write(writing, text[: text.rindex(b"\n") + 1])
        os.close(writing)
        (found,) = lines(benchd("trace", "read", f"/dev/fd/{reading}", "--json"))
    finally:
        os.close(reading)
    assert found["notes"] == ["passed over: 1 line above the header"]
    assert found["button_s"] == pytest.approx(2.0, abs=0.05)


def test_a_wrong_unit_is_asked_and_the_answer_is_taken(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_text("time_s,voltage_v,current_a\n" + "".join(f"{n / 50},4,{n % 7 * 61.1}\n" for n in range(500)))
    said = benchd("trace", "read", file, status=1)
    assert "Are these mA? Say --current-unit mA, or --current-unit A if they are A" in said
    benchd("trace", "import", file, "--data-dir", tmp_path, status=1)
    assert not (tmp_path / "benchd.sqlite").exists()
    (row,) = lines(benchd("trace", "import", file, "--current-unit", "mA", "--data-dir", tmp_path, "--json"))
    assert row["peak_a"] == pytest.approx(6 * 0.0611)


def test_what_a_person_says_is_filed_with_the_trace(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_text("".join(f"{n / 50};0,061;4\n" for n in range(500)).replace(".", ","))
    told = ("--column", "time=1", "--column", "current=2", "--column", "voltage=3", "--board", "lamp", "--limit", "1",
            "--set-voltage", "4.1", "--resolution", "0.001", "--button", "0.5")  # fmt: skip
    (row,) = lines(benchd("trace", "import", file, *told, "--data-dir", tmp_path, "--json"))
    with Log.open(tmp_path / "benchd.sqlite", read_only=True) as log:
        trace = log.whole_trace(row["trace"])
    assert trace is not None
    stated = trace.conditions
    assert (stated.board, stated.limit_a, stated.set_voltage_v, stated.resolution_a) == ("lamp", 1.0, 4.1, 0.001)
    assert trace.mark_s("button") == 0.5
    assert trace.samples.current_a.tolist() == [0.061] * 500


def test_out_and_in_again_nothing_is_lost(tmp_path: Path) -> None:
    (row,) = lines(benchd("trace", "import", stall_csv(tmp_path), "--data-dir", tmp_path, "--json"))
    with Log.open(tmp_path / "benchd.sqlite", read_only=True) as log:
        whole = log.whole_trace(row["trace"])
    assert whole is not None
    for name in ("a.csv", "a.parquet"):
        benchd("trace", "export", row["trace"], "--to", tmp_path / name, "--data-dir", tmp_path)
        found = read_file(tmp_path / name).trace
        assert np.array_equal(found.samples.t_ns - found.start_ns, whole.samples.t_ns - whole.start_ns)
        assert np.array_equal(found.samples.current_a, whole.samples.current_a)
        assert found.conditions == whole.conditions
        assert found.mark_s("button") == whole.mark_s("button")
    assert benchd("trace", "export", row["trace"], "--data-dir", tmp_path) == (tmp_path / "a.csv").read_text()


def test_a_band_of_references_from_files(tmp_path: Path) -> None:
    rows = "".join(f"{n / 50},4,{0.001 if n < 100 else 0.3 if n < 400 else 0.05}\n" for n in range(800))
    good = tmp_path / "good.csv"
    good.write_text("# button_s: 2\n# set_voltage_v: 4\ntime_s,voltage_v,current_a\n" + rows)
    (found,) = lines(benchd("trace", "read", stall_csv(tmp_path), "--reference", good, "--json"))
    assert found["signature"] == "low-stall"
    said = benchd("trace", "read", stall_csv(tmp_path), "--reference", tmp_path / "none.csv", status=1)
    assert "there is no such file" in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--current-unit", "V"), "--current-unit V: allowed: A, mA, µA, nA, kA"),
        (("--column", "amps=3"), "--column amps=3: wanted WHAT=NAME or WHAT=NUMBER"),
        (("--limit", "nan"), "--limit nan: allowed: from 1e-06 to 10000 A"),
        (("--interval", "0"), "--interval 0: allowed: from 1e-06 to 3600 s"),
        (("--side", "north"), "--side north: allowed: battery, usb"),
        (("--decimal", "colon"), "--decimal 'colon': allowed: point, comma, or the character itself"),
    ],
)
def test_options_that_say_nothing_are_refused_in_one_line(tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    text = benchd("trace", "read", stall_csv(tmp_path), *words, status=1)
    assert said in text
    assert len(text.strip().splitlines()) == 1


def test_ones_own_cards(tmp_path: Path) -> None:
    file = stall_csv(tmp_path)
    assert "no-such: no such folder of cards" in benchd("trace", "read", file, "--cards", "no-such", status=2)
    (tmp_path / "cards").mkdir()
    (tmp_path / "cards" / "low-stall.toml").write_text("format = 1\n")
    said = CliRunner().invoke(app, ["trace", "read", str(file), "--cards", str(tmp_path / "cards"), "--json"])
    assert lines(said.stdout)[0]["signature"] == "low-stall"  # the shipped one is used
    assert "low-stall.toml" in said.stderr


def test_where_a_board_is_fed_is_said_in_the_file_or_by_a_person(tmp_path: Path) -> None:
    told = stall_csv(tmp_path)
    told.write_text("# side: usb\n" + told.read_text())
    for words, side in (((), "usb"), (("--side", "battery"), "battery")):
        (row,) = lines(benchd("trace", "import", told, *words, "--data-dir", tmp_path, "--json"))
        assert f"# side: {side}\n" in benchd("trace", "export", row["trace"], "--data-dir", tmp_path)
    benchd("trace", "read", told, "--side", "battery")


def test_a_name_that_is_no_file_and_no_trace(tmp_path: Path) -> None:
    said = benchd("trace", "read", "none-such", "--data-dir", tmp_path, status=1)
    assert said.startswith(f"benchd: none-such: cannot be read: there is no such file, and no log in {tmp_path}")
    benchd("trace", "import", stall_csv(tmp_path), "--data-dir", tmp_path)
    said = benchd("trace", "read", "none-such", "--data-dir", tmp_path, status=1)
    assert "no trace of that id in the log; `benchd trace list` shows what is" in said
