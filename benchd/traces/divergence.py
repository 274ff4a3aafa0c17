"""Where a trace first leaves the band of its references.

What a shift in time explains is no divergence: phases of a boot come a little earlier or later each time. So a trace
is held against everything that the references do within `time_tolerance_s` of a moment (their envelope there, as lower
bounds of time warping use it: Keogh & Ratanamahatana, Knowledge and Information Systems 7, 2005), and has left the band
where it lies further outside of that than the uncertainties allow, for longer than one reading of the slower trace.

It is looked at in stretches of several lengths, each twice the one before: short ones see a dropout, long ones a level
that the bursts of a processor hide. Many are looked at, and some would be out by chance: the limit for one of n is that
of Student's law for `CHANCE`/n (Bonferroni), so that a good board is found to differ in about one of fifty traces.

Then the begin is looked for backwards. A trace that is level there began with that level: it is set to the bin from
which on that fits best, and before which, that it goes with the mean of its references. Any other is followed back as
long as the difference to the mean at the very same time stays significant and of the same sign, and its begin is the
bin where a step from no difference to the one found fits best. Both are least squares.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from benchd.traces.align import Curve, aligned, bin_width, curve_of
from benchd.traces.band import LONGEST_BURST_S, Band, Level, level_over, moving_mean, other_voltage
from benchd.traces.features import Features
from benchd.traces.line import Bools, Floats
from benchd.traces.rounding import amperes, figure
from benchd.traces.trace import Divergence, Trace
from benchd.traces.uncertainty import COVERAGE, from_limit

Indices = NDArray[np.int64]

CHANCE = 0.02
"""Share of good traces that may be found to leave the band by chance."""
TIME_TOLERANCE_S = 0.15
TIME_TOLERANCE_SHARE = 0.1
"""Phases of a boot come earlier or later by up to 0.15 s and 10 % of the time since the button (common practice, no
source)."""
BURSTS = 20
"""How much a processor's current scatters is known from so many bursts of each reference: 2 s of them
(`band.TEXTURE_S`) with 0.1 s each (common practice, no source)."""
LEAST_LASTS_S = 0.1
"""A shorter excursion is none, s: half-cycles of mains hum and single bursts of work (common practice, no source)."""
MEDIAN_SHARE = 0.3
"""Where a stretch lies above by one burst in it, its median is a smaller share of its mean."""
MOST_SQUARE = 9.0
"""No bin counts more than by three standard deviations."""
LEVEL_SHARE = 0.05
"""What scatters by less, as a share of itself or of the uncertainty, is level (common practice, no source)."""
WIDEST_S = 3.5
FEWEST = 4
"""Stretches are up to so many seconds long, and so long as so many lie beside each other."""


@dataclasses.dataclass(frozen=True, slots=True)
class Laid:
    """A trace on its band, over the time that both have. Columns of equal length, NaN in gaps of either."""

    curve: Curve
    band: Band
    width_s: float
    begin_s: Floats
    """Begin of each bin, s after the button."""
    current_a: Floats
    first: int
    """Which of the band's bins is the first."""

    @property
    def reference_a(self) -> Floats:
        """Mean of the references, A."""
        return self.band.mean_a[self.first : self.first + len(self.begin_s)]

    @property
    def length_s(self) -> float:
        """How much time trace and band have in common, gaps included, s."""
        return len(self.begin_s) * self.width_s

    @property
    def lasting(self) -> int:
        """So many bins are longer than a reading of the slowest trace in it, and than what is no divergence."""
        slower_s = max(self.curve.width_s, *(c.width_s for c in self.band.curves))
        return int(np.floor(max(slower_s, LEAST_LASTS_S) / self.width_s + 1e-6)) + 1

    @property
    def beyond_bursts(self) -> int:
        """So many bins are more than a burst of work touches."""
        return int(np.floor((LONGEST_BURST_S + self.width_s) / self.width_s + 1e-6)) + 1


@dataclasses.dataclass(frozen=True, slots=True)
class Parted:
    """A trace laid on another one, and where the two part."""

    laid: Laid
    divergence: Divergence | None


@dataclasses.dataclass(frozen=True, slots=True)
class _Scale:
    """The same in stretches of `bins` bins, one beginning with each bin."""

    bins: int
    current_a: Floats
    reference_a: Floats
    u_a: Floats
    """Standard uncertainty of the difference of the two, were the trace of a good board, A."""
    above: Floats
    """How far it is above all that the references do about then, over the largest `u_a` there."""
    below: Floats


@dataclasses.dataclass(frozen=True, slots=True)
class _Run:
    """Bins from `begin` to `end` in which a trace lies outside; `shown`: from here on by the envelope too."""

    scale: _Scale
    begin: int
    shown: int
    end: int


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
    band = band.at(bin_width([curve, *band.curves]))
    edges = band.edges_s
    # A bin that the switching-off cuts is a mean of both; so is one that the begin cuts.
    begin_s = max(curve.from_s, band.from_s)
    inside = (edges[:-1] >= begin_s - 1e-9) & (edges[1:] <= curve.to_s + curve.width_s / 2)
    mine = np.where(inside, curve.means(edges), np.nan)
    both = np.flatnonzero(np.isfinite(mine) & np.isfinite(band.mean_a))
    if not len(both):
        return None
    part = slice(int(both[0]), int(both[-1]) + 1)
    return Laid(curve, band, band.width_s, edges[part], mine[part], part.start)


def _scale(laid: Laid, bins: int) -> _Scale:
    """A trace on its band in stretches of so many bins."""
    band, curve = laid.band, laid.curve
    level = band.level if bins == 1 else level_over(band.curves, band.rows_a, band.texture_a, band.width_s, bins)
    u = _uncertainty(curve, band, level, bins)
    mine = moving_mean(laid.current_a, bins)
    part = slice(laid.first, laid.first + len(mine))
    middles = band.edges_s[: len(level.mean_a)] + bins * band.width_s / 2
    reach = time_tolerance_s(middles[part], band.width_s)
    first = np.searchsorted(middles, middles[part] - reach - 1e-9)
    last = np.searchsorted(middles, middles[part] + reach + 1e-9)
    unknown = np.isnan(level.mean_a)
    high = _largest(np.where(unknown, -np.inf, level.mean_a), first, last)
    low = -_largest(np.where(unknown, -np.inf, -level.mean_a), first, last)
    near = np.where(unknown[part], np.nan, _largest(np.where(unknown, 0.0, u), first, last))
    return _Scale(bins, mine, level.mean_a[part], u[part], (mine - high) / near, (low - mine) / near)


def _uncertainty(curve: Curve, band: Band, level: Level, bins: int) -> Floats:
    """Standard uncertainty of the difference between a trace and the mean of its references in each stretch, A: the
    spread of good boards, what is known of the mean, and of this trace's readings; root sum of squares (JCGM 100
    §5.1.2)."""
    reference, off_v = level.mean_a, 0.0
    if curve.set_v is not None and band.set_v:
        # A converter takes its power, so that currents go with 1/V; a resistance goes the other way.
        off_v = from_limit(abs(curve.set_v - band.set_v) / band.set_v)
    squares = level.spread_a**2 + level.u_a**2 + (off_v * reference) ** 2 + curve.noise_a(bins * band.width_s) ** 2
    u: Floats = np.sqrt(squares + curve.accuracy_a(reference) ** 2)
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


def divergence_of(laid: Laid, called: str = "") -> Divergence | None:
    """The same for a trace laid on its band already. `called`: what the band is of, in words, where it is not of good
    boards."""
    # Stretches that overlap say nearly the same: of each width as many count as lie beside each other.
    sizes = list(_sizes(laid))
    limit = _limit(sum(len(laid.begin_s) / n for n in sizes), BURSTS * len(laid.band.curves))
    found = [run for n in sizes for run in _runs(laid, _scale(laid, n), limit)]
    if not found:
        return None
    # The one that is shown soonest: narrow stretches where they show it, wide ones where it takes them.
    run = min(found, key=lambda r: (r.end, -r.shown))
    begin = _begin(laid, run)
    end = min(max(run.end, begin + laid.lasting), len(laid.begin_s))
    mine, good = _currents(laid, begin, end)
    # What boards differ by is the same in neighbouring bins, and does not average out.
    u = float(run.scale.u_a[run.shown])
    at_s = float(laid.begin_s[begin])
    return Divergence(
        round(at_s, 4),
        round(mine, 6),
        round(good, 6),
        round(COVERAGE * u, 6),
        round(abs(mine - good) / u, 2),
        _sentence(at_s, (mine, good), COVERAGE * u, len(laid.band.curves), called),
    )


def parted(trace: Trace, other: Trace, called: str, features: tuple[Features, Features] | None = None) -> Parted | None:
    """Where a trace and one other part, neither of which need be good; None when they cannot be laid on each other.

    `called`: the other, in words. Each is held against the band of the other, and the first moment that either shows
    is taken: it is the same whichever of the two is named first. Times are after the other's button, with the rises
    laid on each other.
    """
    f, g = features or (None, None)
    mine, theirs = curve_of(trace, f), curve_of(other, g)
    if mine is None or theirs is None:
        return None
    ahead, back = lay_curve(mine, Band.of_curves([theirs])), lay_curve(theirs, Band.of_curves([mine]))
    if ahead is None or back is None:
        return None
    found = divergence_of(ahead, called)
    turned = divergence_of(back)
    if turned is None:
        return Parted(ahead, found)
    # From this trace's button to the other's.
    at_s = turned.at_s + mine.zero_s - ahead.curve.zero_s
    if found is not None and _shows_it(found, turned, found.at_s - at_s):
        return Parted(ahead, found)
    pair = (turned.reference_a, turned.current_a)
    return Parted(
        ahead,
        Divergence(
            round(at_s, 4), *pair, turned.difference_u_a, turned.significance,
            _sentence(at_s, pair, turned.difference_u_a, 1, called),
        ),
    )  # fmt: skip


def _shows_it(one: Divergence, other: Divergence, later_s: float) -> bool:
    """Whether the first is the one to tell of: it comes earlier or, where they mean one moment, shows it better."""
    if abs(later_s) <= TIME_TOLERANCE_S:
        return one.significance >= other.significance
    return later_s < 0


def _currents(laid: Laid, begin: int, end: int) -> tuple[float, float]:
    """Mean currents of the trace and of its references in what showed the divergence, A. The first bin has an edge in
    it, and may be a mean of before and after: it counts where that makes the difference larger."""
    parts = [slice(begin, end), slice(min(begin + 1, end - 1), end)]
    means = [(float(np.nanmean(laid.current_a[p])), float(np.nanmean(laid.reference_a[p]))) for p in parts]
    return max(means, key=lambda m: abs(m[0] - m[1]))


def _limit(looked_at: float, bursts: int) -> float:
    """How many standard uncertainties outside one of so many stretches must lie: Student's t for `CHANCE`, from the
    normal law by the first two terms of its expansion (Abramowitz & Stegun 26.7.5)."""
    z = NormalDist().inv_cdf(1 - CHANCE / (2 * max(looked_at, 1.0)))
    more = (z**3 + z) / (4 * bursts) + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * bursts**2)
    return float(z + more)


def _sizes(laid: Laid) -> Iterator[int]:
    """How many bins the stretches have that are looked at."""
    bins = 1
    while bins == 1 or (bins * laid.width_s <= WIDEST_S and FEWEST * bins <= len(laid.begin_s)):
        yield bins
        bins *= 2


def _runs(laid: Laid, scale: _Scale, limit: float) -> Iterator[_Run]:
    """The first time above the band and the first below it, where they last.

    Above, one burst of work is nothing yet, as it may come at any time; below, a short dropout is something.
    """
    least = max(laid.lasting - scale.bins + 1, 1)
    burst = max(laid.beyond_bursts - scale.bins + 1, 1)
    difference = scale.current_a - scale.reference_a
    up = (scale.above > limit) & _throughout(laid, scale, scale.above > limit)
    for sign, hits, lasting in ((1.0, up, burst), (-1.0, scale.below > limit, least)):
        shown = _first_run(hits, lasting)
        length = lasting
        if shown is None and hits[-least:].all():
            # It ends with it, as where a trip cuts it.
            shown, length = len(hits) - least, least
        if shown is None:
            continue
        begin = shown
        while begin > 0 and sign * difference[begin - 1] > COVERAGE * scale.u_a[begin - 1]:
            begin -= 1
        yield _Run(scale, begin, shown, shown + length + scale.bins - 1)


def _throughout(laid: Laid, scale: _Scale, hits: Bools) -> Bools:
    """Which of the stretches that are told by `hits` lie above by most of their bins, and longer than one burst."""
    found = hits.copy()
    if scale.bins > 1 and hits.any():
        views = np.lib.stride_tricks.sliding_window_view(laid.current_a - laid.reference_a, scale.bins)[hits]
        least = MEDIAN_SHARE * views.mean(axis=1)
        enough = np.count_nonzero(views > least[:, None], axis=1) >= min(scale.bins, laid.beyond_bursts)
        found[hits] = enough & (np.median(views, axis=1) > least)
    return found


def _begin(laid: Laid, run: _Run) -> int:
    """The bin in which a run begins. A trace that stays level there, as one that stalls does, began with that level;
    of another the begin is where a step from 0 to the difference that is shown fits best."""
    mine = laid.current_a[run.shown : run.end]
    level, scatter = float(np.nanmean(mine)), float(np.nanstd(mine))
    u = run.scale.u_a[run.shown]
    if len(mine) > 1 and scatter <= LEVEL_SHARE * max(abs(level), float(u)):
        return _level_from(
            laid, run, level, max(scatter, LEVEL_SHARE / 2 * abs(level), laid.curve.noise_a(laid.width_s))
        )
    difference = np.nan_to_num(laid.current_a - laid.reference_a)
    step = float(difference[run.shown : run.end].mean())
    part = difference[run.begin : run.shown + run.scale.bins]
    # Squares left by "step from k on", but for a constant: Σ_{j<k} d² - (d - step)².
    left = np.concatenate([[0.0], np.cumsum(2 * part * step - step**2)])[:-1]
    return run.begin + int(np.argmin(left))


def _level_from(laid: Laid, run: _Run, level_a: float, scatter_a: float) -> int:
    """The bin from which on it fits best that the trace stays at this level, and before which, that it goes with the
    mean of its references: least sum of squares of the standard deviations."""
    until = min(run.shown + run.scale.bins, len(laid.begin_s))
    mine = laid.current_a[:until]
    before = _squares(mine - laid.reference_a[:until], _scale(laid, 1).u_a[:until])
    after = _squares(mine - level_a, np.full(until, scatter_a))
    # But for a constant: Σ_{j<k} before - after.
    return int(np.argmin(np.concatenate([[0.0], np.cumsum(before - after)])[:-1]))


def _squares(rest_a: Floats, u_a: Floats) -> Floats:
    """Squares of what is left over the uncertainty, those of a phase that comes a little early or late cut off; 0 in
    gaps."""
    squares: Floats = np.nan_to_num(np.minimum((rest_a / u_a) ** 2, MOST_SQUARE))
    return squares


def _first_run(hits: Bools, length: int) -> int | None:
    """Where the first run of so many true values begins."""
    if len(hits) < length:
        return None
    sums = np.cumsum(np.concatenate([[0], hits.astype(np.int64)]))
    full = np.flatnonzero(sums[length:] - sums[:-length] == length)
    return int(full[0]) if len(full) else None


def _sentence(at_s: float, pair_a: tuple[float, float], u_a: float, references: int, called: str) -> str:
    mine_a, good_a = pair_a
    when = f"{at_s:.2f} s after the button" if at_s >= 0 else f"{-at_s:.2f} s before the button"
    of = "the reference draws" if references == 1 else f"{references} references draw"
    of = "that one draws" if called else of
    more = "more" if mine_a > good_a else "less"
    return (
        f"Leaves {called or 'the good one'} {when}: {amperes(mine_a, u_a)} where {of} {amperes(good_a, u_a)} "
        f"({figure(abs(mine_a - good_a), u_a, 'A')} {more}; k = 2)."
    )
