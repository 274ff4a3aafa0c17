"""Many lines of a CSV file at once, where each is as expected: numbers, stamps of one form, known modes.

It is a matter of speed only. Whatever is not as expected gives None, and the lines are then read one by one.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchd.reading import Mode
from benchd.traces.csv_layout import Layout

LARGEST = {"time": 1e10, "voltage": 1e4, "current": 1e4}
"""Largest absolute value, in s, V, A."""
MODES = {"cv": Mode.CV, "cc": Mode.CC, "off": Mode.OFF, "unknown": Mode.UNKNOWN}
SECONDS = slice(17, 19)
"""Where the seconds stand in an RFC 3339 stamp."""

_PLAIN_STAMP = re.compile(r"(?:19[7-9]\d|2[01]\d\d)-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d{1,9})?Z?")


class Part(NamedTuple):
    """Readings in columns: ns, V, A, and the mode's number."""

    t_ns: NDArray[np.int64]
    volts: NDArray[np.float64]
    amps: NDArray[np.float64]
    modes: NDArray[np.uint8]


def at_once(lines: Sequence[str], layout: Layout, scales: Mapping[str, float], time_ns: float | None) -> Part | None:
    """The readings of lines. `scales`: what one of a column is in V or A. `time_ns`: what one of the column of times is
    in ns; None: times are not read, and are 0. Order of times is not looked at."""
    blanks = layout.delimiter == " "
    text = "\n".join(lines)
    if not lines or '"' in text or (layout.decimal == "," and "." in text):
        return None
    if not blanks and {line.count(layout.delimiter) for line in lines} != {layout.width - 1}:
        return None
    modes = _modes(lines, layout)
    stamped = layout.stamped and time_ns is not None
    times = _stamps(_cells(lines, layout, layout.columns["time"].index)) if stamped else np.zeros(len(lines), np.int64)
    if modes is None or times is None or (stamped and "date" in layout.columns):
        return None
    numbers = [layout.columns[q].index for q in ("voltage", "current")]
    if time_ns is not None and not stamped:
        numbers.append(layout.columns["time"].index)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # lines that hold nothing
            table = np.loadtxt(text.replace(",", ".").split("\n") if layout.decimal == "," else lines, comments=None,
                               delimiter=None if blanks else layout.delimiter, usecols=numbers, ndmin=2)  # fmt: skip
    except (ValueError, IndexError, UserWarning):
        return None
    if len(table) != len(lines):
        return None
    volts, amps = table[:, 0] * scales["voltage"], table[:, 1] * scales["current"]
    if (np.abs(volts) > LARGEST["voltage"]).any() or (np.abs(amps) > LARGEST["current"]).any():
        return None
    if time_ns is not None and not stamped:
        given = table[:, 2] * time_ns
        if not (np.abs(given) <= LARGEST["time"] * 1e9).all():
            return None
        times = np.rint(given).astype(np.int64)
    return Part(times, volts, amps, modes)


def _cells(lines: Sequence[str], layout: Layout, column: int) -> list[str]:
    by = None if layout.delimiter == " " else layout.delimiter
    return [line.split(by, column + 1)[column] for line in lines]


def _modes(lines: Sequence[str], layout: Layout) -> NDArray[np.uint8] | None:
    column = layout.columns.get("mode")
    if column is None:
        return np.zeros(len(lines), np.uint8)
    try:
        return np.array([MODES[cell.strip().lower()] for cell in _cells(lines, layout, column.index)], np.uint8)
    except (KeyError, IndexError):
        return None


def _stamps(cells: list[str]) -> NDArray[np.int64] | None:
    """RFC 3339 stamps in UTC or without a zone, all of one form, in ns since the epoch."""
    if not all(map(_PLAIN_STAMP.fullmatch, cells)) or len({cell[-1] == "Z" for cell in cells}) != 1:
        return None
    if any(cell[SECONDS] == "60" for cell in cells):
        return None
    try:
        moments = np.array([cell.removesuffix("Z") for cell in cells], "datetime64[ns]")
    except ValueError:
        return None
    return moments.astype(np.int64)
