"""`benchd trace plot` as a user types it, without a daemon."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.store.filing import file_imported
from benchd.store.log import Log
from benchd.store.reference_rows import check_reference, keep_reference
from benchd.traces.csv_write import csv_text
from tests.cli.asking import lines
from tests.cli.test_trip import benchd
from tests.traces.test_picture import START_NS, a_trace


def filed(folder: Path, before: int = 0) -> str:
    """The id of the newest trace in the log, or of one before it."""
    with Log.open(folder / "benchd.sqlite", read_only=True) as log:
        return log.traces()[before].id


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A log with one trace, and a file with a trace that stops at 4 s after the button."""
    with Log.open(tmp_path / "benchd.sqlite") as log:
        file_imported(log, a_trace(start_ns=0), None, "file-1", START_NS)
    stalled = a_trace(rate=20.0, start_ns=0)
    stalled.samples.current_a[:] = [0.05 if 6.0 <= t / 1e9 < 9.0 else a for t, a in
                                    zip(stalled.samples.t_ns, stalled.samples.current_a, strict=True)]  # fmt: skip
    (tmp_path / "stalled.csv").write_bytes(csv_text(stalled).encode())
    return tmp_path


def test_a_filed_trace_is_drawn_with_plain_letters_where_nobody_looks(folder: Path) -> None:
    text = benchd("trace", "plot", filed(folder), "--data-dir", folder)
    assert text.isascii()
    assert "\x1b" not in text
    for wanted in (
        f"{filed(folder)}, board b-1",
        "current in A",
        "voltage in V",
        "limit 1 A",
        "button (by hand) 2.00 s",
        "phases: ",
    ):
        assert wanted in text, text
    assert max(map(len, text.splitlines())) <= 80


def test_pictures_are_written_again_and_again(folder: Path) -> None:
    for name, begin in (("a.svg", b"<?xml"), ("a.PNG", b"\x89PNG")):
        for _ in range(2):
            (told,) = lines(
                benchd("trace", "plot", filed(folder), "--to", folder / name, "--json", "--data-dir", folder)
            )
            assert (told["file"], told["traces"], told["time_from"]) == (
                str(folder / name), [filed(folder)], "the trace's start",
            )  # fmt: skip
            assert (folder / name).read_bytes().startswith(begin)


def test_files_need_no_log_and_the_divergence_from_references_is_told(folder: Path) -> None:
    good = folder / "good.csv"
    good.write_bytes(csv_text(a_trace(start_ns=0)).encode())
    file = str(folder / "stalled.csv")
    (told,) = lines(benchd("trace", "plot", file, "--reference", good, "--json", "--data-dir", folder / "none"))
    assert told["references"] == 1
    assert told["divergence"]["at_s"] == pytest.approx(4.0, abs=0.2)
    assert (told["divergence"]["current_a"], told["divergence"]["reference_a"]) == (
        pytest.approx(0.05, abs=0.01), pytest.approx(0.2, abs=0.01),
    )  # fmt: skip
    assert "X here and O there: Leaves the good one" in told["picture"]


def test_a_filed_trace_stands_on_the_references_of_its_board(folder: Path) -> None:
    benchd("trace", "import", folder / "stalled.csv", "--data-dir", folder)
    stalled, good = filed(folder), filed(folder, 1)
    with Log.open(folder / "benchd.sqlite") as log:
        keep_reference(log, check_reference(log, good, "b-1", ""), "test")
    (told,) = lines(benchd("trace", "plot", stalled, "--json", "--data-dir", folder))
    assert (told["references"], told["time_from"]) == (1, "the button")
    assert told["divergence"]["at_s"] == pytest.approx(4.0, abs=0.2)
    (told,) = lines(benchd("trace", "plot", stalled, "--alone", "--json", "--data-dir", folder))
    assert (told["references"], told["divergence"]) == (0, None)
    (told,) = lines(benchd("trace", "plot", good, "--json", "--data-dir", folder))
    assert told["references"] == 0, "it is not held against itself"


def test_before_and_after_are_overlaid(folder: Path) -> None:
    file = str(folder / "stalled.csv")
    (told,) = lines(benchd("trace", "plot", file, "--against", filed(folder), "--json", "--data-dir", folder))
    assert [name.partition(":")[0] for name in told["traces"]] == ["stalled.csv", filed(folder)]
    assert told["time_from"] == "the button"
    assert told["divergence"]["at_s"] == pytest.approx(4.0, abs=0.2)


@pytest.mark.parametrize(
    ("words", "said", "status"),
    [
        (("t-9",), "t-9: cannot be read: there is no such file, and no trace of that id", 1),
        (("gone.csv",), "gone.csv: cannot be read: there is no such file", 1),
        (("t-1", "--to", "x.pdf"), ".svg or .png", 2),
        (("t-1", "--to", "/no/such/folder/x.svg"), "cannot be written", 1),
        (("t-1",) * 9, "9 traces asked for; 1 to 8", 1),
        (("t-1", "--reference", "t-9"), "t-9: cannot be read", 1),
    ],
)
def test_what_cannot_be_is_told_in_one_line(folder: Path, words: tuple[str, ...], said: str, status: int) -> None:
    words = tuple(filed(folder) if w == "t-1" else w for w in words)
    text = benchd("trace", "plot", *words, "--data-dir", folder, status=status)
    assert said in text
    assert len(text.strip().splitlines()) == 1
