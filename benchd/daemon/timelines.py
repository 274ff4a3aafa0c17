"""The timeline of a job: its journal, each step with the traces beside it."""

from __future__ import annotations

from benchd.jobs.around import around, taken_back
from benchd.jobs.job import Job, JournalEntry
from benchd.store.log import Log, TraceRow
from benchd.web.step_port import FoundBeside, Timeline, TimelineEntry, TraceBeside

BESIDE = ("trace", "step", "step-taken-back")
"""Kinds of entries that decide which traces lie beside a step."""


def timeline_of(db: Log, of: Job, limit: int) -> Timeline:
    """The newest `limit` entries of a job, newest first. Raises LogError."""
    job = of.id
    entries = db.journal(job=job, limit=limit + 1)
    more = len(entries) > limit
    shown = entries[-limit:]
    version = shown[-1].seq if shown else 0
    if not any(entry.kind == "step" for entry in shown):
        return Timeline(job, version, [_line(entry) for entry in reversed(shown)], more)
    deciding = db.journal(job=job, limit=-1, kinds=BESIDE)
    beside, gone = around(deciding), taken_back(deciding)
    rows = {row.id: row for row in db.traces(job, -1)}
    lines = []
    for entry in reversed(shown):
        line = _line(entry)
        if entry.kind == "step":
            line.taken_back = entry.t_ns in gone
            if (pair := beside.get(entry.seq)) is not None:
                line.before, line.after = _short(rows.get(pair.before or "")), _short(rows.get(pair.after or ""))
                line.with_steps = pair.with_steps
        lines.append(line)
    return Timeline(job, version, lines, more)


def _line(e: JournalEntry) -> TimelineEntry:
    return TimelineEntry(e.seq, e.t_ns, e.kind, e.job, e.supply, e.channel, e.trace, e.payload)


def _short(row: TraceRow | None) -> TraceBeside | None:
    if row is None:
        return None
    found = FoundBeside(row.finding.signature, row.finding.confidence) if row.finding else None
    return TraceBeside(
        row.id, row.supply, row.channel, row.start_ns, (row.end_ns - row.start_ns) / 1e9, row.peak_a, found
    )
