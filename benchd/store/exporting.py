"""What goes out of the log as files of other kinds, piece by piece: memory does not grow with the readings.

Lines are those that the time-series follower sends. A trace that came from another bench is written as that one's
followers send it, so that at a server its points are the same ones.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import msgspec

from benchd.jobs.job import JournalEntry
from benchd.store import codec
from benchd.store.blocks import MAX_ROW_SPAN_NS, StoredBlock
from benchd.store.errors import LogError
from benchd.store.lines import EVENT_KINDS, event_lines, reading_lines
from benchd.store.log import Log, TraceRow
from benchd.traces.csv_write import Named
from benchd.traces.long_trace import LongTrace
from benchd.traces.samples import Samples

AWAY = "@"
"""In the name of a supply: behind it stands the bench that it is at, see `unpacking`."""


class Span(NamedTuple):
    """Readings of a channel with start_ns <= t < end_ns."""

    supply: str
    channel: int
    start_ns: int
    end_ns: int


def span_of(row: TraceRow) -> Span:
    """The readings of a trace."""
    return Span(row.supply, row.channel, row.start_ns, row.end_ns + 1)


def long_trace(log: Log, row: TraceRow) -> LongTrace:
    """A filed trace, its readings still in the log."""
    return LongTrace(lambda: log.stream_samples(*span_of(row)), row.start_ns, row.conditions, tuple(row.marks))


def of_range(log: Log, span: Span) -> LongTrace:
    """All readings of a channel in some time; t = 0 is the first. Raises LogError when there is none."""
    first = next((piece for piece in log.stream_samples(*span) if len(piece)), None)
    if first is None:
        known = ", ".join(f"{s}/{c}" for s, c in log.rows("SELECT DISTINCT supply, channel FROM blocks LIMIT 20"))
        raise LogError(
            f"no readings of supply {span.supply} channel {span.channel} in that time; the log has readings of: "
            f"{known or 'nothing'}"
        )
    return LongTrace(lambda: log.stream_samples(*span), int(first.t_ns[0]))


def named(log: Log, rows: Iterable[TraceRow]) -> Iterator[Named]:
    """Traces one after the other, for a table."""
    for row in rows:
        yield Named(row.supply, row.channel, row.id, log.stream_samples(*span_of(row)))


def lines(log: Log, spans: Iterable[Span], events: Iterable[JournalEntry], bench: str) -> Iterator[str]:
    """Readings, then trips, findings and results among the `events`, in line protocol.

    Raises LogError for a damaged row.
    """
    for span in spans:
        for row in _rows(log, span):
            origin, supply = measured_at(row.supply, bench)
            for line in reading_lines(_as_of(row, supply), origin):
                yield line + "\n"
    for entry in events:
        if entry.kind in EVENT_KINDS and entry.supply is not None:
            origin, supply = measured_at(entry.supply, bench)
            for line in event_lines(msgspec.structs.replace(entry, supply=supply), origin):
                yield line + "\n"


def events_in(log: Log, span: Span) -> list[JournalEntry]:
    """The journal entries of a channel in some time."""
    found = log.journal(limit=-1, kinds=EVENT_KINDS)
    return [
        e for e in found
        if (e.supply, e.channel) == (span.supply, span.channel) and span.start_ns <= e.t_ns < span.end_ns
    ]  # fmt: skip


def measured_at(supply: str, bench: str) -> tuple[str, str]:
    """The bench that a supply is at, and its name there."""
    name, *origins = supply.split(AWAY)
    return (origins[0].partition(".")[0] if origins else bench), name


def _rows(log: Log, span: Span) -> Iterator[StoredBlock]:
    """The rows of a span, in time order, cut to it."""
    numbers = log.rows(
        "SELECT seq FROM blocks WHERE supply = ? AND channel = ? AND t0_ns >= ? AND t0_ns < ? AND t1_ns >= ?"
        " ORDER BY t0_ns, seq",
        (span.supply, span.channel, span.start_ns - MAX_ROW_SPAN_NS, span.end_ns, span.start_ns),
    )
    for (seq,) in numbers:
        found = log.rows("SELECT job, trace, half_trip_ns, dropped, data FROM blocks WHERE seq = ?", (seq,))
        if not found:
            continue  # joined with the next one just now
        job, trace, half_trip_ns, dropped, data = found[0]
        try:
            samples = codec.decode(data)
        except codec.CodecError as e:
            raise LogError(f"row {seq} of the readings: {e}; `benchd log check` says more") from e
        part = _within(samples, span)
        if len(part):
            yield StoredBlock(seq, span.supply, span.channel, job, trace, half_trip_ns, dropped, part)


def _within(samples: Samples, span: Span) -> Samples:
    kept = (samples.t_ns >= span.start_ns) & (samples.t_ns < span.end_ns)
    return samples if kept.all() else samples.where(kept)


def _as_of(row: StoredBlock, supply: str) -> StoredBlock:
    if supply == row.supply:
        return row
    return StoredBlock(
        row.seq, supply, row.channel, row.job, row.trace, row.half_trip_ns, row.dropped, row.samples, row.damage
    )
