"""A collapse of the voltage while current flows: when, how long, and what was before it."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from benchd.traces.falls import Indices
from benchd.traces.line import COLLAPSED_V, UP, Bools, Line
from benchd.traces.start import CHARGED_S, Bins, connected_before

SLOW_SUPPLY_S = 0.6
"""A supply lets its voltage down within this time once its current is at the limit, s (common practice, no source)."""
ONSET_SHARE = 0.7
"""Share of a short's current from which on it has begun."""
MOST_CHARGES = 3
"""A voltage that collapses more often than this is no charging (common practice, no source)."""
LIMITED_S = 0.4
DOWN = 0.93
"""A voltage that was below this share of its setting for so long before a trip, but up, s (a guard waits longer than
for a short; common practice, no source)."""
DOWN_BY_HALF = 0.5
"""Share of the setting below which no board works (common practice, no source)."""
ALL_CURRENT = 0.9
"""Share of the largest current before that counts as as much."""
EDGE_PINNED = 0.6
"""Share at the limit that is granted to a short with so few readings that each may be an edge."""


@dataclasses.dataclass(frozen=True, slots=True)
class Short:
    """Voltage collapsed while current flows."""

    at_s: float
    lasts_s: float
    readings: int
    share: float
    """Of the readings with current from then on, those that are collapsed."""
    pinned_share: float
    """Of those, the ones at the current limit, 0 to 1."""
    pinned_known: bool
    """The limit or the mode says so; else it is judged from how even the current is."""
    voltage_v: float
    current_a: float
    ohm: float
    """V/I, leads included, Ω (Ohm's law)."""
    rise_v: float
    """How far the voltage rose from the first third to the last third, V: capacitors charge, shorts do not."""
    before_s: float
    """How long the output had been on."""
    before_a: float
    """Current in the second before, A."""
    before_u_a: float
    """What noise leaves of uncertainty in it (k = 2), A."""
    before_top_a: float
    """Largest current sustained before, A."""
    board_before: bool
    """A board was seen on the leads before it, with the voltage up."""
    to_end: bool
    """It lasted as long as the output was on."""
    by_guard: bool = False
    """No reading shows it; the guard, which saw more of them, switched off because of a short."""


def find_short(line: Line, bins: Bins) -> Short | None:
    """The first lasting collapse of the voltage; None without one. Capacitors that charge are none."""
    c, i, v, t = line.collapsed & ~_charging(line), line.current_a, line.voltage_v, line.t_s
    hits = np.flatnonzero(c)
    if not len(hits):
        return None
    first = int(hits[0])
    flows = i[first:] > line.seen_a
    during = c[first:]
    amps, volts = i[first:][during], v[first:][during]
    known = line.limit_a is not None or bool(np.any(line.pinned))
    if known:
        at_limit = line.pinned[first:][during]
        # A reading at the edge is a mean with what came before or after.
        pinned = float(at_limit[1:-1].mean()) if len(at_limit) > 3 else max(float(at_limit.max()), EDGE_PINNED)
    else:
        middle = float(np.median(amps))
        pinned = float(np.mean(np.abs(amps - middle) <= 0.05 * middle + 4 * line.sigma_a + line.resolution_a))
    onset = _onset(line, first, float(np.median(amps)))
    third = max(len(volts) // 3, 1)
    before_a, before_u_a, top = _before(line, onset)
    median_a, median_v = float(np.median(amps)), float(np.median(volts))
    after = np.flatnonzero(flows)
    return Short(
        float(t[onset]),
        float(t[hits[-1]] - t[onset]),
        len(hits),
        float(during[flows].mean()),
        pinned,
        known,
        median_v,
        median_a,
        max(median_v, 0.0) / median_a,
        float(np.median(volts[-third:]) - np.median(volts[:third])),
        float(t[onset] - t[0]),
        before_a,
        before_u_a,
        top,
        connected_before(line, bins, float(t[onset])),
        # The reading after the last may be a mean with a share of it.
        bool(after[-1] <= np.flatnonzero(during)[-1] + line.repeats),
    )


def _charging(line: Line) -> Bools:
    """Collapsed readings after which the voltage comes up and stays on: within `CHARGED_S` that is what capacitors do
    (i = C·dV/dt: 1 A brings 10 mF to 4 V in 40 ms), and no short. What comes back again and again is not left out."""
    c = line.collapsed
    charging = np.zeros(len(c), np.bool_)
    up = ~c & ~line.reversed & (line.voltage_v > UP * (line.set_v or 2 * COLLAPSED_V))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], c, [False]]).astype(np.int8)))
    if not 0 < len(edges) <= 2 * MOST_CHARGES:
        return charging
    for first, after in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        following = np.flatnonzero(up[after : after + 2 + math.ceil(SLOW_SUPPLY_S / max(line.interval_s, 1e-6))])
        lasts_s = (after - first) * line.interval_s
        charging[first:after] = len(following) > 0 and lasts_s <= max(CHARGED_S, 1.01 * line.interval_s)
    return charging


def _onset(line: Line, first: int, level_a: float) -> int:
    """Where the current of a short began: slow supplies need a while from there to the collapse at `first`."""
    onset = first
    while onset and line.current_a[onset - 1] >= ONSET_SHARE * level_a:
        if line.t_s[first] - line.t_s[onset - 1] > max(SLOW_SUPPLY_S, 1.5 * line.interval_s):
            break
        onset -= 1
    return onset


def short_by_guard(line: Line, bins: Bins, tripped_s: float, told: bool) -> Short | None:
    """A short that the guard switched off before any stored reading showed it whole: what is known is when, and what
    was before. Voltage and current are those of the reading that shows most of it. None where neither the guard's rule
    (`told`) nor a voltage that went down right then says so."""
    near = np.flatnonzero(np.abs(line.t_s - tripped_s) <= max(0.2, 2 * line.interval_s))
    if not len(near):
        near = np.array([int(np.argmin(np.abs(line.t_s - tripped_s)))])
    worst = int(near[np.argmin(line.voltage_v[near])])
    if limited_before(line, tripped_s):
        return None
    fell = line.set_v is not None and float(line.voltage_v[worst]) < UP * line.set_v
    more = float(line.current_a[worst]) > float(line.current_a[: max(int(near[0]), 1)].max())
    if not told and not (fell and more and worst >= len(line.t_s) - 2):
        shown = _down_with_all_current(line, near)
        if shown is None:
            return None
        worst = shown
    at_s, amps = min(tripped_s, float(line.t_s[-1])), float(line.current_a[worst])
    onset = int(np.searchsorted(line.t_s, at_s))
    before_a, before_u_a, top = _before(line, min(onset, len(line.t_s) - 1))
    volts = float(line.voltage_v[worst])
    return Short(
        at_s=at_s,
        lasts_s=0.0,
        readings=0,
        share=1.0,
        pinned_share=1.0,
        pinned_known=True,
        voltage_v=volts,
        current_a=amps,
        ohm=max(volts, 0.0) / amps if amps > 0 else 0.0,
        rise_v=0.0,
        before_s=float(at_s - line.t_s[0]),
        before_a=before_a,
        before_u_a=before_u_a,
        before_top_a=top,
        board_before=connected_before(line, bins, at_s),
        to_end=True,
        by_guard=True,
    )


def _down_with_all_current(line: Line, near: Indices) -> int | None:
    """Of the readings near a cut the first of the last few in which as much flows as ever before, at less than half of
    the voltage; None without one. What held its voltage with that current a moment ago has no leads too thin for it:
    what changed is the board's resistance."""
    if line.set_v is None:
        return None
    up = line.voltage_v > UP * line.set_v
    most_a = float(line.current_a[up].max(initial=0.0))
    down = near[(line.voltage_v[near] < DOWN_BY_HALF * line.set_v) & (near >= len(line.t_s) - 2 - 2 * line.repeats)]
    down = down[(line.current_a[down] >= ALL_CURRENT * most_a) & (line.current_a[down] > line.seen_a)]
    return int(down[0]) if len(down) and most_a > line.seen_a else None


def limited_before(line: Line, tripped_s: float) -> bool:
    """The voltage was down but up for most, for long and right before: a limit or leads that are too small, for which a
    guard switches off as well, and no short."""
    if line.set_v is None:
        return False
    begin_s = tripped_s - max(LIMITED_S, 4.5 * line.interval_s)
    part = slice(*np.searchsorted(line.t_s, [begin_s, tripped_s - 1.5 * line.interval_s]))
    volts = line.voltage_v[part]
    return len(volts) >= 2 and bool(np.all((volts > UP * line.set_v) & (volts < DOWN * line.set_v)))


def _before(line: Line, onset: int) -> tuple[float, float, float]:
    """What flowed before a short that begins with reading `onset`: in the second before it with what noise leaves of
    uncertainty in that (k = 2), and the most that lasted 0.15 s, A."""
    t, i = line.t_s, line.current_a
    # A reading is a mean over its interval: the one at the edge has a share of the short in it.
    edge = t[:onset] < t[onset] - max(0.1, (0.5 + line.repeats) * line.interval_s)
    before = i[:onset][edge]
    recent = before[t[:onset][edge] >= t[onset] - 1.0]
    window = max(round(0.15 / line.interval_s), 2) if line.interval_s else 2
    top = 0.0
    if len(before) >= window:
        sums = np.cumsum(np.concatenate([[0.0], before]))
        top = float((sums[window:] - sums[:-window]).max() / window)
    median_a = float(np.median(recent)) if len(recent) else 0.0
    return median_a, 2 * line.sigma_a / max(len(recent) / line.repeats, 1) ** 0.5, top
