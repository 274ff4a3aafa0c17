"""Which readings are never thinned: those that a finding, a trip, a reference or the job on the bench stands on."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from benchd.store.log import Log
from benchd.traces.samples import Samples
from benchd.traces.trace import Mark

AROUND_NS = 1_000_000_000
"""So much before and after a mark, and around the readings of a trip, is kept whole."""

# Made here, while one thread imports: msgspec 0.22 crashes the process when two threads meet a type for the first time.
_MARKS = msgspec.json.Decoder(list[Mark])

Key = tuple[str, int]
"""Supply and channel."""


class Span(NamedTuple):
    """ns since the epoch, both ends inside; and why, in words that follow 'kept whole: '."""

    start_ns: int
    end_ns: int
    why: str


class _Spans:
    """The spans of one channel, found by time; they may lie in each other."""

    def __init__(self, spans: list[Span]) -> None:
        self._spans = sorted(spans)
        self._starts = np.array([s.start_ns for s in self._spans], np.int64)
        # Rising, so that the first span that can reach a time is found by halving.
        self._ends = np.maximum.accumulate(np.array([s.end_ns for s in self._spans], np.int64))

    def touching(self, start_ns: int, end_ns: int) -> list[Span]:
        low = int(np.searchsorted(self._ends, start_ns))
        high = int(np.searchsorted(self._starts, end_ns, "right"))
        return [s for s in self._spans[low:high] if s.end_ns >= start_ns]


class KeptWhole:
    """What a log's traces, trips and references protect, as it is while the journal ends with `version`."""

    def __init__(self, log: Log) -> None:
        """Raises LogError."""
        self.version = journal_end(log)
        self.job_on_bench = log.current_job()
        spans: dict[Key, list[Span]] = {}
        for key, span in [*_traces(log, self.job_on_bench), *_trips(log)]:
            spans.setdefault(key, []).append(span)
        self._spans = {key: _Spans(found) for key, found in spans.items()}

    def all_of(self, key: Key, start_ns: int, end_ns: int) -> str:
        """Why everything from start to end is kept, if one span covers it; else empty."""
        found = self._spans[key].touching(start_ns, end_ns) if key in self._spans else []
        return next((s.why for s in found if s.start_ns <= start_ns and end_ns <= s.end_ns), "")

    def among(self, key: Key, samples: Samples) -> tuple[NDArray[np.bool_], dict[str, int]]:
        """Which of these readings (one at least) are kept, and how many for which reason."""
        t_ns = samples.t_ns
        kept = np.zeros(len(t_ns), bool)
        counts: dict[str, int] = {}
        if key not in self._spans:
            return kept, counts
        for span in self._spans[key].touching(int(t_ns.min()), int(t_ns.max())):
            more = (t_ns >= span.start_ns) & (t_ns <= span.end_ns) & ~kept
            if n := int(more.sum()):
                counts[span.why] = counts.get(span.why, 0) + n
                kept |= more
        return kept, counts


def journal_end(log: Log) -> int:
    """Number of the newest journal entry: whatever changes what is kept writes one. Raises LogError."""
    return int(log.rows("SELECT coalesce(max(seq), 0) FROM journal")[0][0])


FINDING, TRIP, REFERENCE = "trace with a finding", "trip", "reference"
ON_BENCH, MARK = "job on the bench", "mark"


def _traces(log: Log, job_on_bench: str | None) -> Iterator[tuple[Key, Span]]:
    found = log.rows(
        "SELECT supply, channel, start_ns, end_ns, marks, CASE"
        " WHEN id IN (SELECT trace FROM board_references) THEN ?"
        " WHEN reason = 'tripped' OR id IN (SELECT trace FROM trips WHERE trace IS NOT NULL) THEN ?"
        " WHEN finding IS NOT NULL THEN ?"
        " WHEN job = ? THEN ? END FROM traces",
        (REFERENCE, TRIP, FINDING, job_on_bench, ON_BENCH),
    )
    for supply, channel, start_ns, end_ns, marks, why in found:
        if why is not None:
            yield (supply, channel), Span(start_ns, end_ns, why)
        else:
            for mark in _MARKS.decode(marks):
                yield (supply, channel), Span(mark.t_ns - AROUND_NS, mark.t_ns + AROUND_NS, MARK)


def _trips(log: Log) -> Iterator[tuple[Key, Span]]:
    for stored in log.trips(limit=-1):
        trip = stored.tripped
        times = [trip.onset_ns, trip.detected_ns, trip.off_sent_ns, trip.off_confirmed_ns or trip.detected_ns]
        for part in (trip.before, trip.after):
            if len(part):
                t_ns = Samples.from_block(part).t_ns
                times += [int(t_ns.min()), int(t_ns.max())]
        yield (stored.supply, stored.channel), Span(min(times) - AROUND_NS, max(times) + AROUND_NS, TRIP)
