"""Where a trace first leaves the band of its references.

What a shift in time explains is no divergence: phases of a boot come a little earlier or later each time. So a trace
is held against everything that the references do within `time_tolerance_s` of a moment (their envelope there, as lower
bounds of time warping use it: Keogh & Ratanamahatana, Knowledge and Information Systems 7, 2005), and has left the band
where it lies further outside of that than the uncertainties allow, for longer than one reading of the slower trace.

It is looked at in bins of several widths, each twice the one before: narrow ones see a short dropout, wide ones a
level that the bursts of a processor hide. Many bins are looked at, and some would be out by chance: the limit for one
of n is that of a normal law for `CHANCE`/n (Bonferroni), so that a good board is found to differ in about one of a
hundred traces.

Then the begin is looked for backwards, as long as the difference to the mean at the very same time stays significant
and of the same sign, and set to the bin where a step from no difference to the one found fits best (least squares).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from benchd.traces.align import Curve, aligned, bin_width, curve_of
from benchd.traces.band import Band, other_voltage
from benchd.traces.features import Features
from benchd.traces.line import Bools, Floats
from benchd.traces.trace import Divergence, Trace
from benchd.traces.uncertainty import COVERAGE, from_limit

Indices = NDArray[np.int64]

CHANCE = 0.01
"""Share of good traces that may be found to leave the band by chance."""
TIME_TOLERANCE_S = 0.15
TIME_TOLERANCE_SHARE = 0.1
"""Phases of a boot come earlier or later by up to 0.15 s and 10 % of the time since the button (common practice, no
source)."""
LEAST_LASTS_S = 0.1
"""A shorter excursion is none, s: half-cycles of mains hum and single bursts of work (common practice, no source)."""
WIDEST_S = 3.5
FEWEST_BINS = 4
"""Bins are widened up to so many seconds, and so long as there are so many of them."""


@dataclasses.dataclass(frozen=True, slots=True)
class Laid:
    """A trace on its band: both in the same bins, where both are known. Columns of equal length, none empty."""

    curve: Curve
    band: Band
    width_s: float
    begin_s: Floats
    """Begin of each bin, s after the button."""
    current_a: Floats
    reference_a: Floats
    u_a: Floats
    """Standard uncertainty of the difference of the two, were the trace of a good board, A."""
    low_a: Floats
    high_a: Floats
    """The envelope of the mean of the references within the tolerance of time."""
    u_near_a: Floats
    """Largest `u_a` within it."""

    @property
    def length_s(self) -> float:
        """How much time trace and band have in common, s."""
        return len(self.begin_s) * self.width_s

    @property
    def slower_s(self) -> float:
        """Time of one reading of the slowest trace in it, s."""
        return max(self.curve.width_s, *(c.width_s for c in self.band.curves))


@dataclasses.dataclass(frozen=True, slots=True)
class _Run:
    """Bins in which a trace lies outside: `begin` by the mean at the same time, `shown` by the envelope."""

    laid: Laid
    begin: int
    shown: int
    end: int
    sign: float


def time_tolerance_s(t_s: Floats, width_s: float) -> Floats:
    """So much earlier or later may something be that happens `t_s` after the button; one bin at least."""
    tolerance: Floats = np.maximum(TIME_TOLERANCE_S, width_s) + TIME_TOLERANCE_SHARE * np.maximum(t_s, 0.0)
    return tolerance


def lay(trace: Trace, band: Band, features: Features | None = None) -> Laid | None:
    """Lay a trace on a band; None when it shows no button, has another voltage, or they have no time in common."""
    curve = curve_of(trace, features)
    return None if curve is None else lay_curve(curve, band)


def lay_curve(curve: Curve, band: Band) -> Laid | None:
    """The same for a curve."""
    if other_voltage(curve.set_v, band.set_v):
        return None
    curve = aligned(curve, band.finest)
    return _laid(curve, band.at(bin_width([curve, *band.curves])))


def _laid(curve: Curve, band: Band) -> Laid | None:
    width, edges = band.width_s, band.edges_s
    mine = curve.means(edges)
    # A bin that the switching-off cuts is a mean of both; so is one that the begin cuts.
    inside = (edges[:-1] >= curve.from_s - 1e-9) & (edges[1:] <= curve.to_s + curve.width_s / 2)
    both = np.flatnonzero(np.isfinite(mine) & np.isfinite(band.mean_a) & inside)
    if not len(both):
        return None
    known = np.flatnonzero(np.isfinite(band.mean_a))
    u = _uncertainty(curve, band)
    middles = band.t_s
    reach = time_tolerance_s(middles[both], width)
    first = np.searchsorted(middles[known], middles[both] - reach - 1e-9)
    last = np.searchsorted(middles[known], middles[both] + reach + 1e-9)
    reference = band.mean_a[known]
    return Laid(
        curve,
        band,
        width,
        edges[:-1][both],
        mine[both],
        band.mean_a[both],
        u[both],
        -_largest(-reference, first, last),
        _largest(reference, first, last),
        _largest(u[known], first, last),
    )


def _uncertainty(curve: Curve, band: Band) -> Floats:
    """Standard uncertainty of the difference between a trace and the mean of its references in each bin, A: the spread
    of good boards, what is known of the mean, and of this trace's readings; root sum of squares (JCGM 100 §5.1.2)."""
    reference, off_v = band.mean_a, 0.0
    if curve.set_v is not None and band.set_v:
        # A converter takes its power, so that currents go with 1/V; a resistance goes the other way.
        off_v = from_limit(abs(curve.set_v - band.set_v) / band.set_v)
    squares = band.spread_a**2 + band.u_a**2 + (off_v * reference) ** 2 + curve.noise_a(band.width_s) ** 2
    u: Floats = np.sqrt(squares + curve.accuracy_a(np.nan_to_num(reference)) ** 2)
    return u


def _largest(values: Floats, first: Indices, last: Indices) -> Floats:
    """Largest of values[first:last] for each pair, none of them empty, from maxima over powers of two."""
    table = [values]
    while 2 ** len(table) <= len(values):
        half, before = 2 ** (len(table) - 1), table[-1]
        table.append(np.maximum(before[:-half], before[half:]))
    level = np.frexp(last - first)[1] - 1
    found: Floats = np.empty(len(first))
    for k in np.unique(level):
        at = level == k
        found[at] = np.maximum(table[k][first[at]], table[k][last[at] - 2**k])
    return found


def first_divergence(trace: Trace, band: Band, features: Features | None = None) -> Divergence | None:
    """Where the trace first leaves the band; None when it does not, or cannot be laid on it (`against` says which)."""
    laid = lay(trace, band, features)
    return None if laid is None else divergence_of(laid)


def divergence_of(laid: Laid) -> Divergence | None:
    """The same for a trace laid on its band already."""
    scales = list(_scales(laid))
    looked_at = sum(len(s.begin_s) for s in scales)
    limit = NormalDist().inv_cdf(1 - CHANCE / (2 * looked_at))
    found = [(_begin(laid, run), run) for s in scales for run in _runs(s, limit)]
    if not found:
        return None
    # Of those that begin together, the one that shows it soonest.
    at, run = min(found, key=lambda x: (x[0], float(x[1].laid.begin_s[x[1].end - 1]) + x[1].laid.width_s))
    scale, part = run.laid, slice(run.begin, run.end)
    mine, good = float(scale.current_a[part].mean()), float(scale.reference_a[part].mean())
    # What boards differ by is the same in neighbouring bins, and does not average out.
    u = float(np.sqrt(np.mean(scale.u_a[part] ** 2)))
    at_s = float(laid.begin_s[at])
    return Divergence(
        round(at_s, 4),
        round(mine, 6),
        round(good, 6),
        round(COVERAGE * u, 6),
        round(abs(mine - good) / u, 2),
        _sentence(at_s, mine, good, COVERAGE * u, len(laid.band.curves)),
    )


def _scales(laid: Laid) -> Iterator[Laid]:
    """The same in wider and wider bins."""
    yield laid
    width = 2 * laid.width_s
    while width <= max(WIDEST_S, laid.width_s) and laid.length_s >= FEWEST_BINS * width:
        if (wider := _laid(laid.curve, laid.band.at(width))) is not None:
            yield wider
        width *= 2


def _runs(laid: Laid, limit: float) -> Iterator[_Run]:
    """The first stretch above the band and the first below it, where they last."""
    lasting = int(np.floor(max(laid.slower_s, LEAST_LASTS_S) / laid.width_s + 1e-6)) + 1
    difference = laid.current_a - laid.reference_a
    outside = {
        1.0: laid.current_a - laid.high_a > limit * laid.u_near_a,
        -1.0: laid.low_a - laid.current_a > limit * laid.u_near_a,
    }
    for sign, hits in outside.items():
        shown = _first_run(hits, lasting)
        if shown is None:
            continue
        begin = shown
        while begin > 0 and sign * difference[begin - 1] > COVERAGE * laid.u_a[begin - 1]:
            begin -= 1
        yield _Run(laid, begin, shown, shown + lasting, sign)


def _begin(fine: Laid, run: _Run) -> int:
    """The narrow bin in which a run begins: where a step from 0 to its difference fits best, about its first bin."""
    scale = run.laid
    step = float(np.mean((scale.current_a - scale.reference_a)[run.begin : run.end]))
    from_s = float(scale.begin_s[run.begin])
    first = int(np.searchsorted(fine.begin_s, from_s - scale.width_s / 2 - 1e-9))
    last = int(np.searchsorted(fine.begin_s, from_s + scale.width_s - 1e-9))
    difference = (fine.current_a - fine.reference_a)[first : max(last, first + 1)]
    # Squares left by "step from k on", but for a constant: Σ_{j<k} d² - (d - step)².
    left = np.concatenate([[0.0], np.cumsum(2 * difference * step - step**2)])[:-1]
    return min(first + int(np.argmin(left)), len(fine.begin_s) - 1)


def _first_run(hits: Bools, length: int) -> int | None:
    """Where the first run of so many true values begins."""
    if len(hits) < length:
        return None
    sums = np.cumsum(np.concatenate([[0], hits.astype(np.int64)]))
    full = np.flatnonzero(sums[length:] - sums[:-length] == length)
    return int(full[0]) if len(full) else None


def _sentence(at_s: float, mine_a: float, good_a: float, u_a: float, references: int) -> str:
    when = f"{at_s:.2f} s after the button" if at_s >= 0 else f"{-at_s:.2f} s before the button"
    of = "the reference draws" if references == 1 else f"{references} references draw"
    more = "more" if mine_a > good_a else "less"
    return (
        f"Leaves the good one {when}: {mine_a:.3f} A where {of} {good_a:.3f} A "
        f"({abs(mine_a - good_a):.3f} A {more}, ± {u_a:.3f} A)."
    )
