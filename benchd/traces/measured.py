"""Everything that can be measured on one trace, as a table for people; and its parts."""

from __future__ import annotations

import msgspec

from benchd.traces.features import extract
from benchd.traces.picture import shown_phases
from benchd.traces.quantities import QUANTITIES
from benchd.traces.quantity_values import of
from benchd.traces.trace import Trace


class PhaseRow(msgspec.Struct, frozen=True):
    """One part of a power-up: off, leak, boot, settled or short; s after the trace's start. See `phases.Phase`."""

    name: str
    from_s: float
    to_s: float
    charge_c: float
    charge_u_c: float
    """Expanded uncertainty (k = 2), C."""
    energy_j: float
    mean_a: float
    rms_a: float
    top_a: float


class QuantityRow(msgspec.Struct, frozen=True):
    """One quantity that signature cards look at, as measured on this trace."""

    name: str
    label: str
    meaning: str
    unit: str
    """As in A, V, s, Ω, 1/s; "1" for a number or share, "%" for a share in per cent."""
    value: float
    uncertainty: float | None = None
    """Expanded (k = 2), in `unit`; None: not known."""
    stated: bool = True
    """Whether the supply's accuracy is in it."""


class Measured(msgspec.Struct, frozen=True):
    """What was measured on a trace. Quantities that it does not show are left out."""

    phases: list[PhaseRow]
    quantities: list[QuantityRow]


def measure(trace: Trace) -> Measured:
    """Measure a trace; without references. Any readings will do."""
    features = extract(trace)
    phases = [
        PhaseRow(p.name, p.from_s, p.to_s, p.charge_c, p.charge_u_c, p.energy_j, p.mean_a, p.rms_a, p.top_a)
        for p in shown_phases(trace, features)
    ]
    values = of(features, features.trip_rule)
    if values is None:
        return Measured(phases, [])
    rows = [
        QuantityRow(q.name, q.label, q.meaning, q.unit, value, values.uncertainty(q.name), values.stated(q.name))
        for q in QUANTITIES.values()
        if (value := values[q.name]) is not None
    ]
    return Measured(phases, rows)
