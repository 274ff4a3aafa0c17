"""CSV as RFC 4180 has it, in pieces, and safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import io
import weakref
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.reading import Mode
from benchd.traces.csv_write import Named, cell, csv_pieces, csv_text, range_pieces, table_pieces
from benchd.traces.csvfile import parse_csv
from benchd.traces.long_trace import LongTrace
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Mark, Trace

START_NS = 1_714_558_272_345_678_901
"""2024-05-01T10:11:12.345678901Z"""


def readings(n: int, mode: Mode = Mode.CV) -> Samples:
    t = START_NS + np.arange(n, dtype=np.int64) * 20_000_001
    amps = np.linspace(-0.001, 0.3, n)
    return Samples(t, np.full(n, 4.0), amps, np.full(n, mode, np.uint8), np.zeros(n, np.uint8))


def strict(text: str) -> list[list[str]]:
    """Records by Python's own reader of RFC 4180, which raises for what is not."""
    return list(csv.reader(io.StringIO(text, newline=""), strict=True))


def test_every_line_ends_with_cr_lf_and_none_has_another_break() -> None:
    """RFC 4180 §2, 1."""
    text = csv_text(Trace(readings(50), START_NS, Conditions(board="a\r\nb"), (Mark("button", START_NS, "hand"),)))
    assert text.endswith("\r\n")
    assert "\r" not in text.replace("\r\n", "")
    assert "\n" not in text.replace("\r\n", "")


@given(st.text())
def test_a_text_comes_back_from_its_cell_with_at_most_an_apostrophe(text: str) -> None:
    """RFC 4180 §2, 5 to 7: as another reader has it."""
    (record,) = strict(f"{cell(text)},x\r\n")
    assert record[1] == "x"
    assert record[0] in (text, "'" + text)
    # OWASP, CSV Injection: cells must not begin with these.
    assert not record[0].startswith(("=", "+", "-", "@", "\t", "\r"))


@pytest.mark.parametrize("board", ["x,=1+1", 'say "on", =cmd()', "=SUM(A1) lamp, 2nd", "a;b", "é ü"])
def test_a_remark_is_one_cell_and_is_read_again(board: str) -> None:
    text = csv_text(Trace(readings(5), START_NS, Conditions(board=board)))
    assert [record for record in strict(text) if record[0].startswith("# board")] == [[f"# board: {board}"]]
    assert not [c for record in strict(text) for c in record if c.startswith(("=", "+", "@"))]
    assert parse_csv(text).conditions.board == board


def test_a_range_has_dates_to_the_ns_that_are_read_again() -> None:
    text = "".join(range_pieces(LongTrace(lambda: [readings(40)[:7], readings(40)[7:]], START_NS)))
    assert strict(text)[0] == ["time", "voltage_v", "current_a", "mode"]
    assert strict(text)[1] == ["2024-05-01T10:11:12.345678901Z", "4.0", "-0.001", "cv"]
    again = parse_csv(text)
    assert again.start_ns == START_NS
    for name in ("t_ns", "voltage_v", "current_a", "mode"):
        assert np.array_equal(getattr(again.samples, name), getattr(readings(40), name))


def test_a_table_of_traces_says_whose_each_reading_is() -> None:
    text = "".join(table_pieces(iter([
        Named("psu-a", 1, "T-1", [readings(2), readings(1)]), Named("psu@b", 2, "T,2", [readings(1, Mode.UNKNOWN)]),
    ])))  # fmt: skip
    assert strict(text) == [
        ["supply", "channel", "trace", "time", "voltage_v", "current_a", "mode"],
        ["psu-a", "1", "T-1", "2024-05-01T10:11:12.345678901Z", "4.0", "-0.001", "cv"],
        ["psu-a", "1", "T-1", "2024-05-01T10:11:12.365678902Z", "4.0", "0.3", "cv"],
        ["psu-a", "1", "T-1", "2024-05-01T10:11:12.345678901Z", "4.0", "-0.001", "cv"],
        ["psu@b", "2", "T,2", "2024-05-01T10:11:12.345678901Z", "4.0", "-0.001", "unknown"],
    ]


def test_pieces_are_written_one_after_the_other_and_none_is_kept() -> None:
    kept: list[weakref.ref[np.ndarray]] = []

    def pieces() -> Iterator[Samples]:
        for _ in range(5):
            assert sum(each() is not None for each in kept) <= 1
            part = readings(30)
            kept.append(weakref.ref(part.t_ns))
            yield part

    text = "".join(csv_pieces(LongTrace(pieces, START_NS)))
    assert text.count("\r\n") == 5 * 30 + 2
