"""Power-ups that were filed while a procedure ran, in the figures that its analysis goes by."""

from __future__ import annotations

import logging

from benchd.procedures.taken import TraceSeen
from benchd.store.log import TraceRow
from benchd.traces.features import extract
from benchd.traces.samples import Samples
from benchd.traces.trace import Trace

log = logging.getLogger("benchd")


def seen(row: TraceRow, samples: Samples, side: str) -> TraceSeen:
    """A filed power-up with its readings. For any thread. One that cannot be measured has only its row's figures."""
    found = row.finding
    trace = Trace(samples, row.start_ns, row.conditions, tuple(row.marks))
    settled_a = None
    try:
        rest = extract(trace).rest
        settled_a = rest.tail_a if rest is not None and rest.tail_s > 0 else None
    except Exception:
        log.exception("measuring trace %s for a procedure", row.id)
    began_s, end_s = trace.mark_s("button"), trace.mark_s("boot-end")
    if began_s is None:
        began_s = trace.mark_s("connected")
    boot_s = None if began_s is None or end_s is None else end_s - began_s
    return TraceSeen(
        row.id,
        row.start_ns,
        side,
        found.signature if found is not None else "",
        found.confidence if found is not None else 0.0,
        boot_s,
        row.peak_a,
        settled_a,
        {},
    )
