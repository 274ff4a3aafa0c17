"""From the button to the end: how high, how long, how lively, and what it comes to."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Sequence

import numpy as np

from benchd.traces.falls import Dropout, Fall, find_dropouts, find_falls
from benchd.traces.line import Bools, Floats, Line
from benchd.traces.source import INRUSH_S, Source
from benchd.traces.start import BIN_S, Bins, Level, Start
from benchd.traces.uncertainty import from_step

TAIL_FRACTION = 0.25
"""Means over 0.5 s that differ by no more than this share of their level are stable (common practice, no source)."""
LASTING_S = 0.25
"""A level as long as this is a rung of a staircase, s (common practice, no source)."""
BUSY_SHARE = 0.05
"""Means over 50 ms that scatter by this share of their level are a processor at work (common practice, no source)."""
MOST_REPEATED = 4
"""Up to so many readings that are all alike may be one that is shown again."""
LEAST_ROUGH = 8
"""So many readings at least, to tell texture from noise."""
MOST_ROUGH = 5000
"""More readings than this do not make the texture better known."""


@dataclasses.dataclass(frozen=True, slots=True)
class Rest:
    """From the button (or the first current, or the first reading) to the end of the output being on."""

    start_s: float
    length_s: float
    sustained_a: float
    """Largest current that stayed for two or three bins."""
    peak_a: float
    """Largest reading."""
    drawn_s: float
    """Time above what flowed before the button."""
    tail_s: float
    """Length of the stable end."""
    tail_a: float
    """Its mean."""
    tail_texture_a: float
    """Standard deviation of its bins."""
    tail_texture_noise_a: float
    """What noise and step alone would make of it."""
    high_before_tail_a: float
    """Largest mean over 0.5 s before the tail; 0 without one."""
    busy_s: float
    """Time in which bins scatter well above noise, the edges between flat levels left out."""
    steps: int
    """Changes of level by more than 20 mA and 8 % of the sustained peak."""
    spell_s: float
    """Longest run of readings above what flowed before the button, the charging at output-on left out."""
    high_s: float
    """Time above 1.5 times the tail."""
    rungs: int
    """Such rises from one lasting level to the next."""
    lost: tuple[Dropout, ...]
    """Short stretches of no current between currents while the voltage stayed."""
    falls: tuple[Fall, ...]
    """Where the current fell to nothing, for a moment or to stay."""
    peak_s: float
    """When the largest reading was."""
    tail_rough_a: float | None
    """What the board itself moves by at the end, A: standard deviation of readings with noise taken off; None: too few
    readings."""

    @property
    def dropouts(self) -> int:
        """How many short stretches of no current there were."""
        return len(self.lost)

    @property
    def lost_work(self) -> int:
        """Falls to nothing amid work, the source holding its voltage."""
        return sum(x.amid_work and not x.starved for x in self.falls)

    @property
    def starved_falls(self) -> int:
        """Falls to nothing right after the source was at its limit or its voltage down."""
        return sum(x.starved for x in self.falls)


def find_rest(line: Line, bins: Bins, levels: Sequence[Level], start: Start, source: Source | None) -> Rest:
    """Measure what comes after the button."""
    charged_s = float(line.t_s[0]) + INRUSH_S
    begin = start.button_s if start.button_s is not None else max(start.first_s or charged_s, charged_s)
    if start.reacted_s is not None:
        begin = start.reacted_s - bins.width_s
    x = bins.since(begin)
    if not len(x):
        x = bins.mean_a[-1:]
    w, sigma = bins.width_s, bins.sigma_a
    base = start.leak_a or 0.0
    nothing = base + max(0.2 * base, 0.004, 4 * sigma, 1.5 * line.resolution_a)
    sustained = _sustained(x, w)
    after = line.t_s >= begin
    group = max(round(0.5 / w), 1)
    tail_n, high_before = _tail(x, group, max(0.006, 4 * sigma, 1.5 * line.resolution_a))
    # With nothing stable at the end, its last half second stands for it.
    tail = x[len(x) - min(tail_n or group, len(x)) :]
    tail_a = float(tail.mean())
    jump = max(0.02, 0.08 * sustained, 1.5 * line.resolution_a)
    later = [k for k in levels if k.end_s > begin - 0.5]
    lasting = [k for k in later if k.length_s >= max(LASTING_S, 2 * w)]
    peak = int(np.argmax(np.where(after, line.current_a, -np.inf))) if after.any() else -1
    return Rest(
        begin,
        len(x) * w,
        sustained,
        float(line.current_a[peak]) if after.any() else sustained,
        float(np.count_nonzero(x > nothing) * w),
        tail_n * w,
        tail_a,
        float(tail.std()),
        sigma,
        high_before,
        _busy_s(line, bins, x, lasting, jump),
        sum(abs(b.mean_a - a.mean_a) > jump for a, b in itertools.pairwise(later)),
        _spell_s(line, base, after),
        float(np.count_nonzero(x > max(1.5 * tail_a, tail_a + 0.01)) * w),
        sum(b.mean_a - a.mean_a > jump for a, b in itertools.pairwise(lasting)),
        find_dropouts(line, after, nothing),
        find_falls(line, after, nothing, source),
        float(line.t_s[peak]),
        # The first bin may have a share of what was before.
        _roughness(line, (len(tail) - 1) * w),
    )


def _sustained(x: Floats, width_s: float) -> float:
    """Largest current that two or three bins in a row reach, A."""
    stays = max(min(round(0.15 / width_s), 3), 2)
    if len(x) < stays:
        return float(x.max())
    return float(np.min([x[k : len(x) - stays + 1 + k] for k in range(stays)], axis=0).max())


def _tail(x: Floats, group: int, least_a: float) -> tuple[int, float]:
    """How many bins at the end are stable, and the largest mean over half a second before them; 0 without one."""
    whole = len(x) // group
    halves = x[len(x) - whole * group :].reshape(whole, group).mean(axis=1) if whole else x
    stable = _tail_length(halves, least_a)
    before = halves[: len(halves) - stable]
    n = stable * group if whole else stable
    if n:
        # The first half second may hold the step down or up to the stable level: the bins up to there are none of it.
        tail = x[len(x) - n :]
        level = float(np.median(tail))
        off = np.flatnonzero(np.abs(tail[:group] - level) > max(TAIL_FRACTION * abs(level), least_a))
        if len(off) and n > 2 * group:
            n -= int(off[-1]) + 1
    return n, float(before.max()) if len(before) else 0.0


def _busy_s(line: Line, bins: Bins, x: Floats, lasting: list[Level], jump: float) -> float:
    """Time in which bins, or the readings in them, scatter well above noise, the edges between flat levels left out."""
    w, sigma = bins.width_s, bins.sigma_a
    scatter_n = max(round(0.5 / w), 4)
    rows = x[: len(x) // scatter_n * scatter_n].reshape(-1, scatter_n)
    # What moves within a bin averages out as the root of its width.
    share = BUSY_SHARE * min(math.sqrt(BIN_S / w), 1.0)
    least = np.maximum(max(4 * sigma, 0.004, 0.6 * line.resolution_a), share * np.abs(rows.mean(axis=1)))
    flat = [k for k in lasting if k.length_s >= 4 * w and k.texture_a <= max(3 * sigma, 0.003, 0.04 * k.mean_a)]
    # An edge between two flat levels is no texture, though it scatters in one or two pieces.
    begun_s, row_s = bins.start_s + w * (len(bins.mean_a) - len(x)), w * scatter_n
    edges = [
        b.start_s + shift
        for a, b in itertools.pairwise(flat)
        if b.start_s - a.end_s < LASTING_S and abs(b.mean_a - a.mean_a) > jump
        for shift in (-1.5 * w, 1.5 * w)
    ]
    at_edge = np.isin(np.arange(len(rows)), np.floor((np.array(edges) - begun_s) / row_s))
    inner = bins.scatter_a[len(bins.scatter_a) - len(x) :][: rows.size].reshape(rows.shape)
    raw = np.maximum(max(4 * line.sigma_a, 0.004, line.resolution_a), 0.06 * np.abs(rows.mean(axis=1)))
    lively = (rows.std(axis=1) > least) | (np.median(inner, axis=1) > raw)
    return float(np.count_nonzero(lively & ~at_edge)) * row_s


def _spell_s(line: Line, base_a: float, after: Bools) -> float:
    """Longest time above what flowed before the button, s."""
    noticed = base_a + max(0.008, 5 * line.sigma_a, 2.5 * line.resolution_a)
    hits = (line.current_a > noticed) & after & (line.t_s > line.t_s[0] + INRUSH_S)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], hits, [False]]).astype(np.int8)))
    if not len(edges):
        return 0.0
    longest = int(np.argmax(edges[1::2] - edges[::2]))
    a, b = int(edges[2 * longest]), int(edges[2 * longest + 1])
    run = b - a
    if run <= MOST_REPEATED and np.ptp(line.current_a[a:b]) == 0 and np.ptp(line.voltage_v[a:b]) == 0:
        # The instrument was asked faster than it measures: one reading, shown again.
        run = 1
    # A single reading may have been any time between two of them.
    return (run - 0.5) * line.interval_s


def _roughness(line: Line, tail_s: float) -> float | None:
    """Standard deviation of the readings of the last `tail_s` about a straight line, with noise and step taken off in
    squares, A: what the board itself moves by. None with too few readings."""
    first = int(np.searchsorted(line.t_s, line.t_s[-1] - tail_s))
    i = line.current_a[first :: max(line.repeats, (len(line.t_s) - first) // MOST_ROUGH)]
    if len(i) < LEAST_ROUGH:
        return None
    # Sums and no dot products: those of numpy wake threads, which on a busy machine takes longer than the sum.
    k = np.linspace(-1, 1, len(i))
    about = i - i.mean()
    about -= float((about * k).sum()) / float((k * k).sum()) * k
    noise = max(line.sigma_a, from_step(line.resolution_a))
    return math.sqrt(max(float((about * about).sum()) / (len(i) - 2) - noise**2, 0.0))


def _tail_length(means: Floats, least_a: float) -> int:
    """How many of the last means lie within `TAIL_FRACTION` (or `least_a`) of the level of the last fifth."""
    level = float(np.median(means[-max(len(means) // 5, min(len(means), 3)) :]))
    off = np.flatnonzero(np.abs(means - level) > max(TAIL_FRACTION * abs(level), least_a))
    return len(means) - (int(off[-1]) + 1 if len(off) else 0)
