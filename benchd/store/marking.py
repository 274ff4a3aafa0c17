"""Marks that a person sets in a filed trace: they stand before the recogniser's, and the trace is read again.

The recogniser's own mark stays beside the one by hand, so that taking that away again brings it back.
"""

from __future__ import annotations

from typing import Any, get_args

import msgspec

from benchd.store.descriptor_rows import forget_row
from benchd.store.errors import LogError
from benchd.store.log import Log, TraceRow
from benchd.store.reference_rows import band_for
from benchd.traces.cards import Shelf
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Finding, HandKind, Mark, MarkKind, Trace


class MarkError(Exception):
    """The mark cannot be set there. Text is for the operator."""


class MarkedMeanwhile(MarkError):
    """Somebody else has marked the trace since it was read: what was read would undo that. Read it again."""


class Marked(msgspec.Struct, frozen=True):
    """A trace read again with its new marks, not kept yet."""

    trace: str
    before: tuple[Mark, ...]
    """As they were in the log."""
    marks: tuple[Mark, ...]
    finding: Finding
    said: dict[str, Any]
    """For the journal: kind, at_s, was_s (s after the trace's start; None: there was none), and a sentence as text."""


def mark_again(log: Log, trace: str, kind: str, at_s: float | None, cards: Shelf | None = None) -> Marked | None:
    """Read a trace again with a mark of this kind by hand at `at_s`, s after its start, in the place of an earlier one
    by hand; None takes that away. `cards`: those of the bench. Writes nothing, so that any thread may do it.
    None: there is no such trace.

    Raises MarkError, and LogError.
    """
    if kind not in (kinds := get_args(HandKind)):
        raise MarkError(f"{kind!r} is no mark that is set by hand; there are {', '.join(kinds)}")
    row = log.trace(trace)
    if row is None:
        return None
    known: MarkKind = kind  # type: ignore[assignment]
    before = Trace(log.samples(row.supply, row.channel, row.start_ns, row.end_ns + 1), row.start_ns, row.conditions,
                   tuple(row.marks))  # fmt: skip
    if not len(before.samples):
        raise MarkError(f"the readings of trace {trace} are not in this log any more: it cannot be read again")
    kept = [m for m in row.marks if not (m.kind == kind and m.by == "hand")]
    if at_s is not None:
        kept.append(Mark(known, row.start_ns + _within(row, kind, at_s), "hand"))
    elif len(kept) == len(row.marks):
        raise MarkError(f"trace {trace} has no mark {kind} by hand to take away")
    marks = tuple(sorted(kept, key=lambda m: m.t_ns))
    after = Trace(before.samples, row.start_ns, row.conditions, marks)
    was_s, now_s = before.mark_s(known), after.mark_s(known)
    was = "there was none" if was_s is None else f"it was {was_s:.3f} s"
    if at_s is not None:
        text = f"{kind} set by hand to {now_s:.3f} s; {was}"
    else:
        text = f"{kind} by hand taken away, {was}; " + ("there is none now" if now_s is None else f"now {now_s:.3f} s")
    said = {"kind": kind, "at_s": now_s, "was_s": was_s, "text": text}
    return Marked(trace, before.marks, marks, read_trace(after, cards, band_for(log, row)), said)


def keep_marked(log: Log, marked: Marked, by: str) -> TraceRow:
    """Write it down: marks and finding in the trace, `mark` and `finding` in the journal. `by`: who asked.

    Raises MarkedMeanwhile when its marks are others by now, LogError.
    """
    with log.transaction() as db:
        row = log.trace(marked.trace)
        if row is None:
            raise LogError(f"trace {marked.trace!r} is not there any more")
        if tuple(row.marks) != marked.before:
            raise MarkedMeanwhile(f"trace {marked.trace} was marked by somebody else just now: look, and set it again")
        log.add_entry(
            "mark", job=row.job, supply=row.supply, channel=row.channel, trace=row.id, payload=marked.said | {"by": by}
        )
        # Another button makes another description, which the next search asks for.
        forget_row(db, row.id)
        log.update_finding(row.id, marked.finding, list(marked.marks))
    return msgspec.structs.replace(row, marks=list(marked.marks), finding=marked.finding)


def _within(row: TraceRow, kind: str, at_s: float) -> int:
    """ns after the trace's start."""
    length_s = (row.end_ns - row.start_ns) / 1e9
    if not 0 <= at_s <= length_s:
        raise MarkError(
            f"{kind} at {at_s:g} s is not in trace {row.id}, which goes from 0 s to {length_s:.3f} s; "
            "give seconds after its start"
        )
    return round(at_s * 1e9)
