"""Traces as CSV files: `time_s,voltage_v,current_a`, comment lines `# key: value` above the header.

Keys (all may be missing; empty, `none` or `unknown` also says: not known):

    set_voltage_v       what the supply was set to, V
    limit_a             its current limit, A
    resolution_a        smallest step of the current reading, A
    accuracy_fraction_a accuracy of current readings, ± (fraction of the reading + offset): the fraction
    accuracy_offset_a   the offset, A
    accuracy_fraction_v the same for voltage readings
    accuracy_offset_v   the offset, V
    board               any text; kept as data, never interpreted
    button_s, connected_s, removed_s, boot_end_s    given by a person: when, in the file's own time
    tripped_s, off_s    given by the bench: when the output was switched off

Older files have accuracy_fraction for accuracy_fraction_a.

An optional fourth column `mode` says cv, cc, off or unknown. Other comment lines are remarks and are not read, but a
key that is nearly one of the above is taken for a slip of the pen and refused.

Errors: everything wrong with a file is a `CsvError`.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import re
from pathlib import Path

import numpy as np

from benchd.reading import Mode
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Mark, MarkKind, Trace

COLUMNS = ("time_s", "voltage_v", "current_a")
MODES = {"cv": Mode.CV, "cc": Mode.CC, "off": Mode.OFF, "unknown": Mode.UNKNOWN}
WORDS = {mode: word for word, mode in MODES.items()}

LARGEST = {"time_s": 1e10, "voltage_v": 1e4, "current_a": 1e4}
"""Largest absolute value of a column, in its unit. Also keeps out 9.9E37 and 9.91E37, by which SCPI-1999 §7.2.1
says 'infinity' and 'no number'."""

CONDITION_RANGES = {
    "set_voltage_v": (0.0, 1e4),
    "limit_a": (0.0, 1e4),
    "resolution_a": (0.0, 1.0),
    "accuracy_fraction_a": (0.0, 1.0),
    "accuracy_offset_a": (0.0, 1e4),
    "accuracy_fraction_v": (0.0, 1.0),
    "accuracy_offset_v": (0.0, 1e4),
}
OLDER = {"accuracy_fraction": "accuracy_fraction_a"}
"""Keys that files of earlier versions have, and what they are called now."""
MARK_KEYS: dict[str, MarkKind] = {
    "button_s": "button",
    "connected_s": "connected",
    "removed_s": "removed",
    "boot_end_s": "boot-end",
    "tripped_s": "tripped",
    "off_s": "off",
}
BY_GUARD = ("tripped", "off")
KEYS = (*CONDITION_RANGES, "board", *MARK_KEYS)
MARK_SLACK_S = 1.0
"""A mark may lie this far outside the readings: hands and clocks are that exact."""

_COMMENT = re.compile(r"#\s*([A-Za-z][A-Za-z0-9_\- ]{0,60}?)\s*[:=]\s*(.*)")


class CsvError(ValueError):
    """A file that is not a trace. `place` is file, line and column as far as they apply."""

    def __init__(self, file: str, line: int | None, column: str | None, problem: str) -> None:
        self.file, self.line, self.column, self.problem = file, line, column, problem
        place = file + (f", line {line}" if line else "") + (f", column {column}" if column else "")
        super().__init__(f"{place}: {problem}")


@dataclasses.dataclass
class _Head:
    """What stands above the readings."""

    conditions: dict[str, float]
    marks: dict[str, tuple[float, int]]
    """Key to (time s, line number)."""
    board: str
    columns: list[str]
    lines: int


def load_csv(path: Path | str) -> Trace:
    """Read a trace from a file. t = 0 of the trace is the file's time 0. Raises CsvError."""
    name = str(path)
    try:
        raw = Path(path).read_bytes()
    except OSError as e:
        raise CsvError(name, None, None, f"cannot be read: {e.strerror or e}") from e
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        line = raw[: e.start].count(b"\n") + 1
        raise CsvError(name, line, None, f"is not UTF-8 text (byte {raw[e.start]:#04x}); save it as UTF-8") from e
    return parse_csv(text, name)


def parse_csv(text: str, name: str = "csv") -> Trace:
    """Read a trace from a file's text; `name` is what errors call it. Raises CsvError."""
    lines = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    head = _head(lines, name)
    columns, numbers = _rows(lines, head, name)
    if not numbers:
        raise CsvError(name, None, None, "has a header but no readings")
    values = {c: np.array(columns[c]) for c in head.columns if c != "mode"}
    t_ns = np.rint(values["time_s"] * 1e9).astype(np.int64)
    back = np.flatnonzero(np.diff(t_ns) <= 0)
    if len(back):
        at = int(back[0])
        was, given = (columns["time_s"][k] for k in (at, at + 1))
        raise CsvError(name, numbers[at + 1], "time_s", f"{given:g} s does not come after {was:g} s on the line before")
    modes = np.array(columns["mode"], np.uint8) if "mode" in head.columns else np.zeros(len(t_ns), np.uint8)
    samples = Samples(t_ns, values["voltage_v"], values["current_a"], modes, np.zeros(len(t_ns), np.uint8))
    marks = []
    for key, (at_s, line) in head.marks.items():
        first, last = float(values["time_s"][0]), float(values["time_s"][-1])
        if not first - MARK_SLACK_S <= at_s <= last + MARK_SLACK_S:
            raise CsvError(name, line, key, f"{at_s:g} s lies outside the readings, {first:g} to {last:g} s")
        kind = MARK_KEYS[key]
        marks.append(Mark(kind, round(at_s * 1e9), "guard" if kind in BY_GUARD else "hand"))
    conditions = Conditions(**head.conditions, board=head.board)
    return Trace(samples, 0, conditions, tuple(sorted(marks, key=lambda m: m.t_ns)))


def csv_text(trace: Trace) -> str:
    """The trace as the text of such a file: times relative to its start, exact to 1 ns. Marks made by the recogniser
    and flags of readings are left out; line breaks in the board's name become spaces."""
    out = []
    for key in CONDITION_RANGES:
        value = getattr(trace.conditions, key)
        if value is not None:
            out.append(f"# {key}: {value!r}")
    if trace.conditions.board.strip():
        out.append(f"# board: {' '.join(trace.conditions.board.split())}")
    for key, kind in MARK_KEYS.items():
        at_ns = min((m.t_ns for m in trace.marks if m.kind == kind and m.by != "recogniser"), default=None)
        if at_ns is not None:
            out.append(f"# {key}: {_seconds(at_ns - trace.start_ns)}")
    s = trace.samples
    with_mode = bool(s.mode.any())
    out.append(",".join(COLUMNS) + (",mode" if with_mode else ""))
    columns = (s.t_ns - trace.start_ns).tolist(), s.voltage_v.tolist(), s.current_a.tolist(), s.mode.tolist()
    for t, v, i, m in zip(*columns, strict=True):
        out.append(f"{_seconds(t)},{v!r},{i!r}" + (f",{WORDS[Mode(m)]}" if with_mode else ""))
    return "\n".join(out) + "\n"


def save_csv(trace: Trace, path: Path | str) -> None:
    """Write the trace to a file, see `csv_text`. Raises CsvError when it cannot be written."""
    try:
        Path(path).write_text(csv_text(trace), "utf-8", newline="\n")
    except OSError as e:
        raise CsvError(str(path), None, None, f"cannot be written: {e.strerror or e}") from e


def _seconds(ns: int) -> str:
    whole, part = divmod(abs(ns), 1_000_000_000)
    return f"{'-' if ns < 0 else ''}{whole}.{part:09d}"


def _head(lines: list[str], name: str) -> _Head:
    head = _Head({}, {}, "", [], 0)
    seen: set[str] = set()
    for number, whole in enumerate(lines, 1):
        line = whole.strip()
        if not line:
            continue
        if not line.startswith("#"):
            head.columns = _columns(line, number, name)
            head.lines = number
            return head
        found = _COMMENT.fullmatch(line)
        if found:
            key, value = found[1].lower(), found[2].strip()
            key = OLDER.get(key, key)
            if key in KEYS and key in seen:
                raise CsvError(name, number, key, "is given twice; give it once")
            seen.add(key)
            _key(head, key, value, number, name)
    raise CsvError(name, None, None, f"is empty: wanted a header line {','.join(COLUMNS)} and readings below it")


def _key(head: _Head, key: str, value: str, number: int, name: str) -> None:
    if key not in KEYS:
        near = difflib.get_close_matches(key.replace("-", "_").replace(" ", "_"), KEYS, 1, 0.72)
        if near:
            raise CsvError(name, number, None, f"unknown key {key!r}; meant {near[0]!r}? Allowed: {', '.join(KEYS)}")
        return
    if key == "board":
        head.board = value
        return
    if value.lower() in ("", "none", "unknown"):
        return
    given = _number(value)
    if given is None:
        raise CsvError(name, number, key, f"{value!r} is not a number; write it like 4.0, or leave it empty")
    if key in MARK_KEYS:
        head.marks[key] = given, number
        return
    low, high = CONDITION_RANGES[key]
    above = given >= low if key.startswith("accuracy") else given > low
    if not (above and given <= high):
        raise CsvError(name, number, key, f"{value} is out of range: above {low:g}, at most {high:g}")
    head.conditions[key] = given


def _columns(line: str, number: int, name: str) -> list[str]:
    columns = [c.strip().strip('"').lower() for c in line.split(",")]
    allowed = (*COLUMNS, "mode")
    if sorted(columns) not in (sorted(COLUMNS), sorted(allowed)):
        wrong = [c for c in columns if c not in allowed]
        missing = [c for c in COLUMNS if c not in columns]
        problem = (
            f"unknown column {wrong[0]!r}" if wrong else f"no column {missing[0]}" if missing else "a column twice"
        )
        hint = "; use a comma between columns" if ";" in line or "\t" in line else ""
        place = (wrong or missing or [next(c for c in columns if columns.count(c) > 1)])[0]
        wanted = f"wanted {','.join(COLUMNS)}[,mode]{hint}"
        raise CsvError(name, number, repr(place[:40])[1:-1], f"{problem} in header {line[:80]!r}; {wanted}")
    return columns


def _rows(lines: list[str], head: _Head, name: str) -> tuple[dict[str, list[float]], list[int]]:
    """The readings by column, and the line each stands on."""
    columns: dict[str, list[float]] = {c: [] for c in head.columns}
    numbers: list[int] = []
    sinks = [(c, columns[c].append, LARGEST.get(c, 0.0)) for c in head.columns]
    wanted = len(sinks)
    for number, line in enumerate(lines[head.lines :], head.lines + 1):
        if not line or not line.strip():
            continue
        fields = line.split(",")
        if len(fields) != wanted:
            hint = "; use a comma between columns and a point in numbers" if ";" in line else ""
            place = head.columns[len(fields)] if len(fields) < wanted else str(wanted + 1)
            raise CsvError(name, number, place, f"{len(fields)} columns, wanted {','.join(head.columns)}{hint}")
        for field, (column, put, largest) in zip(fields, sinks, strict=True):
            if column == "mode":
                mode = MODES.get(field.strip().strip('"').lower())
                if mode is None:
                    raise CsvError(name, number, column, f"{field.strip()[:40]!r}; allowed: {', '.join(MODES)}")
                put(mode)
                continue
            value = _number(field)
            if value is None or not -largest <= value <= largest:
                allowed = f"a number from {-largest:g} to {largest:g}"
                raise CsvError(name, number, column, f"{field.strip()[:40]!r} given; allowed: {allowed}")
            put(value)
        numbers.append(number)
    return columns, numbers


def _number(text: str) -> float | None:
    """A finite number, or None. Python's own `1_000` is no number here."""
    try:
        value = float(text.strip().strip('"'))
    except ValueError:
        return None
    return value if "_" not in text and math.isfinite(value) else None
