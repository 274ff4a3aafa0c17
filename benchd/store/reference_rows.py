"""Which traces are references: taken of good boards, by kind of board; and the bands that they make."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict

import msgspec

from benchd.jobs.job import JournalEntry
from benchd.store.errors import LogError
from benchd.store.log import Log, TraceRow
from benchd.traces.align import Curve, curve_of
from benchd.traces.band import Band, other_voltage

MOST_REFERENCES = 20
"""The newest so many of a board make its band; more would hardly make it narrower, and each takes time to load."""
MOST_CURVES = 100
"""References that are kept ready in memory."""
LONGEST_NAME = 120
"""Characters of a board's name, as for a job."""


class ReferenceFault(ValueError):
    """This trace cannot be a reference, or is none. Text is for the operator."""


class Reference(msgspec.Struct, frozen=True):
    """A trace of a good board."""

    trace: str
    board: str
    """Kind of board."""
    note: str
    added_ns: int


class Checked(msgspec.Struct, frozen=True):
    """A reference that may be kept."""

    reference: Reference
    row: TraceRow
    doubt: str
    """What speaks against it, for a person; empty: nothing."""


def board_of(log: Log, row: TraceRow) -> str:
    """The kind of board of a trace: its reference's, else its job's, else as its file said; empty: not known."""
    if (known := reference(log, row.id)) is not None:
        return known.board
    job = log.job(row.job) if row.job is not None else None
    return (job.board if job is not None else "") or row.conditions.board


def other_filed(log: Log, kept: Reference) -> int:
    """How many other traces of its board were filed with a finding, which they keep.
    Raises LogError."""
    return sum(row.id != kept.trace and row.finding is not None for row in log.traces(limit=-1, board=kept.board))


def check_reference(log: Log, trace: str, board: str, note: str) -> Checked:
    """See whether a trace can be a reference for `board` (empty: that of its job, else of its file). Writes nothing.

    Raises ReferenceFault when it cannot, LogError.
    """
    row, whole = log.trace(trace), log.whole_trace(trace)
    if row is None or whole is None:
        raise ReferenceFault(f"trace {trace!r} is not in this log; `benchd trace list` shows what is")
    board = board.strip() or board_of(log, row)
    if not board:
        raise ReferenceFault(
            f"trace {trace} does not say which kind of board it is of: give it with --board, or with the job"
        )
    if len(board) > LONGEST_NAME:
        raise ReferenceFault(f"the board's name has {len(board)} characters; allowed are {LONGEST_NAME}")
    if curve_of(whole) is None:
        raise ReferenceFault(
            f"trace {trace} shows no button, so that nothing can be laid on it: mark it with "
            f"`benchd trace mark {trace} button SECONDS`, or take another trace"
        )
    doubt = ""
    if row.finding is not None and row.finding.signature != "clean-boot":
        doubt = f"it reads as {row.finding.signature}, not as a clean boot: is this board known to be good?"
    return Checked(Reference(trace, board, note.strip(), time.time_ns()), row, doubt)


def keep_reference(log: Log, checked: Checked, by: str) -> Reference:
    """Write it down, with a journal entry `reference`; one that is there already gets the new board and note.

    Raises LogError.
    """
    kept, row = checked.reference, checked.row
    with log.transaction() as db:
        if log.trace(kept.trace) is None:
            raise LogError(f"trace {kept.trace!r} is not there any more")
        db.execute("INSERT OR REPLACE INTO board_references VALUES (?, ?, ?, ?)", msgspec.structs.astuple(kept))
        text = f"trace {kept.trace} is a reference for {kept.board}" + (f": {kept.note}" if kept.note else "")
        _enter(log, row, {"board": kept.board, "note": kept.note, "by": by, "text": text})
    return kept


def remove_reference(log: Log, trace: str, by: str) -> Reference:
    """Take a trace off the references; the trace stays. With a journal entry `reference`.

    Raises ReferenceFault when it is none, LogError.
    """
    with log.transaction() as db:
        gone = reference(log, trace)
        if gone is None:
            raise ReferenceFault(f"trace {trace!r} is no reference; `benchd reference list` shows what is")
        db.execute("DELETE FROM board_references WHERE trace = ?", (trace,))
        text = f"trace {trace} is no reference for {gone.board} any more"
        _enter(log, log.trace(trace), {"board": None, "note": "", "by": by, "text": text}, trace)
    return gone


def _enter(log: Log, row: TraceRow | None, facts: dict[str, str | None], trace: str = "") -> JournalEntry:
    if row is None:
        return log.add_entry("reference", trace=trace, payload=facts)
    return log.add_entry("reference", job=row.job, supply=row.supply, channel=row.channel, trace=row.id, payload=facts)


def references(log: Log, board: str | None = None) -> list[Reference]:
    """All references, of one board if given, newest first. Raises LogError."""
    where, args = ("WHERE board = ?", [board]) if board is not None else ("", [])
    sql = f"SELECT trace, board, note, added_ns FROM board_references {where} ORDER BY added_ns DESC, trace"  # noqa: S608
    return [Reference(*row) for row in log.rows(sql, args)]


def reference(log: Log, trace: str) -> Reference | None:
    """The reference that this trace is. Raises LogError."""
    found = log.rows("SELECT trace, board, note, added_ns FROM board_references WHERE trace = ?", (trace,))
    return Reference(*found[0]) if found else None


def band_for(log: Log, row: TraceRow, bands: Bands | None = None) -> Band | None:
    """The band that a trace of this row is to be read with, itself left out; None when there is none. `bands`: where
    somebody keeps them. Raises LogError."""
    return (bands or Bands()).of(log, board_of(log, row), row.conditions.set_voltage_v, row.id)


class Bands:
    """Makes bands of the references in a log, and keeps what is needed for them. May be used from any thread."""

    def __init__(self) -> None:
        self._curves: OrderedDict[tuple[str, str], Curve | None] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, log: Log, board: str, set_v: float | None = None, without: str = "") -> Band | None:
        """The band of the references of a board that were powered with about `set_v`, but for the trace `without`;
        None when there are none. Raises LogError."""
        if not board:
            return None
        curves = []
        for known in references(log, board):
            if known.trace == without or (row := log.trace(known.trace)) is None:
                continue
            curve = self._curve(log, row)
            if curve is not None and not other_voltage(curve.set_v, set_v):
                curves.append(curve)
            if len(curves) == MOST_REFERENCES:
                break
        # With no voltage asked for, the newest reference says which.
        alike = [c for c in curves if not other_voltage(c.set_v, curves[0].set_v)]
        return Band.of_curves(alike) if alike else None

    def _curve(self, log: Log, row: TraceRow) -> Curve | None:
        # With other marks it is another curve.
        key = (row.id, msgspec.json.encode(row.marks).decode())
        with self._lock:
            if key in self._curves:
                self._curves.move_to_end(key)
                return self._curves[key]
        whole = log.whole_trace(row.id)
        curve = None if whole is None else curve_of(whole)
        with self._lock:
            self._curves[key] = curve
            while len(self._curves) > MOST_CURVES:
                self._curves.popitem(last=False)
        return curve
