"""Which trace lies before a step of a repair, and which after it.

A step is an entry of the kind `step`; one that was taken back (`step-taken-back`) counts as never made.

A trace that had ended when the step was written down lies before it, one that still ran or came later after it: work on
a board is done without power and written down when its effect is looked at (common practice, no source). Whoever knows
better names the first trace that shows the effect, as `effect` in the step.

Of traces of several outputs (the battery's side, the USB side) two of the same output are taken, where there are
such: what they show can be compared.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import msgspec

from benchd.jobs.job import JournalEntry


class Around(msgspec.Struct, frozen=True):
    """The traces beside a step, by id; None: there is none yet."""

    before: str | None
    after: str | None
    with_steps: tuple[int, ...] = ()
    """`seq` of other steps between the same two traces: which of them made the difference cannot be told."""


class _Span(NamedTuple):
    """A trace, in time."""

    end_ns: int
    start_ns: int
    id: str
    output: tuple[str | None, int | None]


def around(entries: Iterable[JournalEntry]) -> dict[int, Around]:
    """For each step of one job, by its `seq`: the last trace before it and the first after it."""
    entries = list(entries)
    spans = sorted(_span(entry) for entry in entries if entry.kind == "trace" and entry.trace)
    gone = taken_back(entries)
    found = {e.seq: _pair(e, spans) for e in entries if e.kind == "step" and e.t_ns not in gone}
    return {
        seq: Around(*pair, tuple(other for other, its in found.items() if other != seq and its == pair))
        for seq, pair in found.items()
    }


def taken_back(entries: Iterable[JournalEntry]) -> dict[int, JournalEntry]:
    """Entries that took a step back, by the step's `t_ns`: `seq` becomes another one when a job goes to another log."""
    return {e.payload["step_ns"]: e for e in entries if e.kind == "step-taken-back" and "step_ns" in e.payload}


def _span(entry: JournalEntry) -> _Span:
    start_ns = int(entry.payload.get("start_ns", entry.t_ns))
    end_ns = start_ns + round(entry.payload.get("duration_s", 0.0) * 1e9)
    return _Span(end_ns, start_ns, entry.trace or "", (entry.supply, entry.channel))


def _pair(step: JournalEntry, spans: list[_Span]) -> tuple[str | None, str | None]:
    """Ids of the traces before and after; `spans` by their end."""
    effect = next((span for span in spans if span.id == step.payload.get("effect")), None)
    if effect is not None:
        before = [span for span in spans if span.end_ns <= effect.start_ns]
        after = [effect]
    else:
        before = [span for span in spans if span.end_ns <= step.t_ns]
        after = [span for span in spans if span.end_ns > step.t_ns]
    for second in after:
        like = [first for first in before if first.output == second.output]
        if like:
            return like[-1].id, second.id
    return before[-1].id if before else None, after[0].id if after else None
