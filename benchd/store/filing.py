"""From a trace and its finding to its row in the log: the sums that lists show, and imports from files."""

from __future__ import annotations

import msgspec
import numpy as np

from benchd.reading import Block
from benchd.store.descriptor_rows import keep_row
from benchd.store.log import Log, TraceRow, new_trace_id
from benchd.store.reference_rows import band_for
from benchd.traces.cards import Shelf
from benchd.traces.nearest import describe
from benchd.traces.samples import Samples
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Finding, Trace

DATED_NS = 946_684_800_000_000_000
"""Times from here on (2000-01-01 UTC, ns since the epoch) are dates, and not times since a start."""


def summarise(
    trace: Trace,
    id: str,
    job: str | None,
    supply: str,
    channel: int,
    end_ns: int,
    reason: str,
    finding: Finding | None,
) -> TraceRow:
    """The row of a trace. Peak A; charge C and energy J by the trapezoidal rule over the readings that are numbers."""
    s = trace.samples
    valid = np.isfinite(s.current_a) & np.isfinite(s.voltage_v)
    t_s, volts, amps = (s.t_ns[valid] - trace.start_ns) / 1e9, s.voltage_v[valid], s.current_a[valid]
    return TraceRow(
        id=id,
        job=job,
        supply=supply,
        channel=channel,
        start_ns=trace.start_ns,
        end_ns=end_ns,
        conditions=trace.conditions,
        marks=list(trace.marks),
        reason=reason,
        finding=finding,
        readings=len(s),
        peak_a=float(amps.max()) if len(amps) else 0.0,
        charge_c=float(np.trapezoid(amps, t_s)),
        energy_j=float(np.trapezoid(amps * volts, t_s)),
    )


def file_imported(
    log: Log, trace: Trace, job: str | None, supply: str, now_ns: int, cards: Shelf | None = None
) -> TraceRow:
    """File a trace that came from a file, with its finding by the bench's `cards`.

    It stands at the dates of its readings; where they are none, or lie in the future, it has just ended (`now_ns`).

    `supply` must be a name of its own for each import: the log finds a trace's readings by supply and time.
    Raises LogError.
    """
    s = trace.samples
    dated = len(s) > 0 and int(s.t_ns[0]) >= DATED_NS and int(s.t_ns[-1]) <= now_ns
    shift = now_ns - int(s.t_ns[-1]) if len(s) and not dated else 0
    end_ns = int(s.t_ns[-1]) + shift if len(s) else now_ns
    moved = Trace(
        Samples(s.t_ns + shift, s.voltage_v, s.current_a, s.mode, s.flags),
        trace.start_ns + shift,
        trace.conditions,
        tuple(msgspec.structs.replace(m, t_ns=m.t_ns + shift) for m in trace.marks),
    )
    s = moved.samples
    row = summarise(moved, new_trace_id(moved.start_ns, supply, 1), job, supply, 1, end_ns, "imported", None)
    row = msgspec.structs.replace(row, finding=read_trace(moved, cards, band_for(log, row)))
    described = describe(moved)
    t_ns, volts, amps = s.t_ns.tobytes(), s.voltage_v.tobytes(), s.current_a.tobytes()
    block = Block(supply, 1, t_ns, volts, amps, s.mode.tobytes(), s.flags.tobytes(), half_trip_ns=0)
    with log.transaction() as db:
        log.add_block(block, job, row.id)
        log.add_trace(row)
        keep_row(db, row.id, described)
    return row
