"""What can be measured on a trace, each with its unit and where its formula is from.

`extract` measures everything, with no state and no clock; any readings will do. What stands where:

| feature | home |
| --- | --- |
| readings that cannot be used, gaps | `sound` |
| the board taken off the leads | `ending` |
| step, noise floor, repeated readings, at the limit, collapsed, wrong way round, switched off from outside | `line` |
| bins, levels, leak before the button, the button | `start` |
| plateaus and the steps between them | `plateaus` |
| peak, settled mean, texture, busy time, time with current | `rest` |
| falls to nothing, dropouts | `falls` |
| repetition: period, count, height | `repeats` |
| short | `short` |
| reversed polarity, current backwards | `polarity` |
| resistance of source and leads, sag at the supply and at the board, time at the limit | `source` |
| charge, energy, mean and effective current of each phase | `phases` |
| uncertainties (JCGM 100, k = 2) | `uncertainty` |
"""

from __future__ import annotations

import dataclasses

import numpy as np

from benchd.traces.ending import taken_off, until
from benchd.traces.falls import Dropout, Fall, unevenness
from benchd.traces.line import Line, make_line
from benchd.traces.phases import Phase, find_phases
from benchd.traces.plateaus import Plateau, Step, find_plateaus, find_steps
from benchd.traces.polarity import Reversed, backwards_share, find_reversed
from benchd.traces.repeats import Repeats, find_repeats, of_even_falls
from benchd.traces.rest import Rest, find_rest
from benchd.traces.short import Short, find_short, limited_before, short_by_guard
from benchd.traces.source import Source, find_source, find_supplied
from benchd.traces.start import Bins, Level, Start, find_levels, find_start, first_draw, make_bins
from benchd.traces.trace import Trace
from benchd.traces.uncertainty import Known

__all__ = [
    "Bins",
    "Dropout",
    "Fall",
    "Features",
    "Level",
    "Line",
    "Phase",
    "Plateau",
    "Repeats",
    "Rest",
    "Reversed",
    "Short",
    "Source",
    "Start",
    "Step",
    "extract",
]

LAPTOP_V = 7.0
"""From here on a supply feeds an adapter input or a pack of several cells, V (common practice, no source)."""
NORMAL_LEAK_A = (0.005, 0.030)
"""Largest normal current before the button, A: at one cell, and at an adapter input, where stand-by rails are fed
(common practice, no source)."""
ODD_LEAK_A = (0.030, 0.050)
"""From here on it is a leak without doubt, A: at one cell, and at an adapter input (common practice, no source)."""
SHORT_RULES = ("short",)
"""Rules of the guard that say that a short was met."""


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class Features:
    """Everything a signature looks at. What has a default is not there when the output never was on."""

    readings: int
    duration_s: float
    """Of the part with the output on."""
    rate_per_s: float
    line: Line
    bins: Bins | None = None
    levels: tuple[Level, ...] = ()
    start: Start | None = None
    leak_u_a: float | None = None
    """Expanded uncertainty (k = 2) of the leak, A. JCGM 100, see `uncertainty.expanded`."""
    known: Known
    """What says how well the readings are known."""
    normal_leak_a: float
    odd_leak_a: float
    plateaus: tuple[Plateau, ...] = ()
    steps: tuple[Step, ...] = ()
    rest: Rest | None = None
    settled_u_a: float | None = None
    """Expanded uncertainty (k = 2) of the mean of the stable end, `rest.tail_a`, A."""
    repeats: Repeats | None = None
    short: Short | None = None
    reversed: Reversed | None = None
    backwards_share: float = 0.0
    """Share of the readings with a current below zero, 0 to 1."""
    source: Source | None = None
    """Resistance of source and leads; None: too little current moved to see it."""
    limit_s: float = 0.0
    """Time at the current limit with the voltage still up, the first inrush left out, s."""
    starved_s: float = 0.0
    """Time in which the voltage was lower than resistance explains, collapse and inrush left out, s."""
    sag: float = 0.0
    """Largest fall of the voltage that is no collapse, as a share of the setting."""
    sag_u: float = 0.0
    """Its expanded uncertainty (k = 2), likewise; that of the setting itself is not in it."""
    board_sag: float | None = None
    """The fall at the board, leads taken off, likewise; None: what they have is not known."""
    board_sag_u: float = 0.0
    phases: tuple[Phase, ...] = ()
    removed_s: float | None = None
    """When the board was taken off the leads, s: everything is measured up to there. None: not, or not to be told."""
    tripped_s: float | None
    """When the output was switched off to protect the board, s, as marked by the guard or by hand; None: not marked."""
    trip_rule: str = ""
    """The guard's rule that did it; empty: not told."""
    tripped_at_limit: bool = False
    """The voltage was down but up for most, for long and right before: a limit or leads that are too small, for which a
    guard switches off as for a short."""
    charge_c: float
    """∫ I dt by the trapezoidal rule while the output was on, C; what flowed after the board was taken off is in it."""
    energy_j: float
    """∫ V·I dt likewise, J."""


def extract(trace: Trace) -> Features:
    """Measure a trace. Any number of readings, none included; nothing raises."""
    line = whole = make_line(trace)
    removed_s = taken_off(line, trace) if len(line.t_s) > 1 else None
    if removed_s is not None:
        line = until(line, removed_s)
    # What is read says it where nothing tells the setting.
    usual_v = line.set_v or (float(np.median(line.voltage_v)) if len(line.t_s) else 0.0)
    laptop = int(usual_v >= LAPTOP_V)
    tripped = next((m for m in trace.marks if m.kind == "tripped" and m.why), None)
    measured = Features(
        readings=len(trace.samples),
        duration_s=float(line.t_s[-1] - line.t_s[0]) if len(line.t_s) else 0.0,
        rate_per_s=1 / line.interval_s if line.interval_s > 0 else 0.0,
        line=line,
        known=Known.of(trace.conditions),
        normal_leak_a=NORMAL_LEAK_A[laptop],
        odd_leak_a=ODD_LEAK_A[laptop],
        removed_s=removed_s,
        tripped_s=trace.mark_s("tripped"),
        trip_rule=tripped.why if tripped else "",
        charge_c=float(np.trapezoid(whole.current_a, whole.t_s)),
        energy_j=float(np.trapezoid(whole.current_a * whole.voltage_v, whole.t_s)),
        backwards_share=backwards_share(line),
        reversed=find_reversed(line),
    )
    # One single reading says nothing, unless it is what the guard switched off for.
    least = 1 if line.collapsed.any() and measured.tripped_s is not None else 2
    return _with_shape(trace, measured) if len(line.t_s) >= least else measured


def _with_shape(trace: Trace, measured: Features) -> Features:
    """The same, with how the current moved while the output was on."""
    line, known = measured.line, measured.known
    bins = make_bins(line)
    levels = tuple(find_levels(bins))
    start, repeats = _start(trace, measured, bins, levels)
    source = find_source(line, known)
    rest = find_rest(line, bins, levels, start, source)
    if repeats is None and (uneven := unevenness(rest.falls)) is not None:
        after = bins.since(rest.start_s)
        repeats = of_even_falls(after, bins.width_s, [x.at_s - rest.start_s for x in rest.falls], uneven)
    short = find_short(line, bins)
    if short is None and measured.tripped_s is not None and measured.trip_rule in ("", *SHORT_RULES):
        short = short_by_guard(line, bins, measured.tripped_s, told=measured.trip_rule in SHORT_RULES)
    at_limit = measured.tripped_s is not None and short is None and limited_before(line, measured.tripped_s)
    supplied = find_supplied(line, start, source, known)
    plateaus = find_plateaus(line, bins, levels, known)
    begun_s = (float(trace.samples.t_ns.min()) - trace.start_ns) / 1e9
    return dataclasses.replace(
        measured,
        bins=bins,
        levels=levels,
        start=start,
        leak_u_a=_mean_u(known, line, start.leak_a, start.leak_readings),
        plateaus=plateaus,
        steps=find_steps(line, bins, plateaus),
        rest=rest,
        settled_u_a=_mean_u(known, line, rest.tail_a, round(rest.tail_s * measured.rate_per_s)),
        repeats=repeats,
        short=short,
        tripped_at_limit=at_limit,
        source=source,
        limit_s=supplied.limit_s,
        starved_s=supplied.starved_s,
        sag=supplied.sag,
        sag_u=supplied.sag_u,
        board_sag=supplied.board_sag,
        board_sag_u=supplied.board_sag_u,
        phases=tuple(find_phases(line, start, rest, short, min(begun_s, float(line.t_s[0])), known)),
    )


def _start(trace: Trace, measured: Features, bins: Bins, levels: tuple[Level, ...]) -> tuple[Start, Repeats | None]:
    """The beginning, and the repetition, of which each needs the other."""
    line, normal_a = measured.line, measured.normal_leak_a
    marked_s = trace.mark_s("button") if any(m.kind == "button" and m.by == "hand" for m in trace.marks) else None
    first = first_draw(line, bins, levels, normal_a)
    begin_s = marked_s if marked_s is not None else levels[first].start_s if first is not None else None
    swing_a = max(6 * bins.sigma_a, 2.5 * line.resolution_a)
    repeats = find_repeats(bins.since(begin_s - bins.width_s), bins.width_s, swing_a) if begin_s is not None else None
    return find_start(line, bins, levels, marked_s, normal_a, repeats.low_a if repeats else None), repeats


def _mean_u(known: Known, line: Line, mean_a: float | None, readings: int) -> float | None:
    """Expanded uncertainty (k = 2) of a mean of so many readings, A. JCGM 100, see `uncertainty.expanded`."""
    if mean_a is None:
        return None
    return known.current_u(mean_a, line.resolution_a, line.sigma_a, max(readings // line.repeats, 1))
