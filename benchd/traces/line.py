"""A trace made ready to be measured: times in s, its step and noise, the part with the output on, means over bins."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import NDArray

from benchd.reading import Mode
from benchd.traces.noise import GRID_A, SIGMA_PER_MAD
from benchd.traces.trace import Trace
from benchd.traces.uncertainty import from_step

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LEAST_SEEN_A = 0.002
"""A smaller current is never taken for a draw, A (common practice, no source: bench supplies' zero)."""
COLLAPSED = 0.33
"""Share of the set voltage below which it has collapsed (10 to 20 % at the limit is common practice, no source; leads
and a limit well above 1 A need the rest, and below a third no board runs)."""
SHORT_FLOWS_A = 0.03
"""A voltage that is low while less than this flows is only on its way up, A (common practice, no source)."""
COLLAPSED_V = 1.5
"""The same where nothing says what the setting is, V: a lithium cell is empty at 2.5 to 3 V, and no board is fed with
less (common practice, no source)."""
LEAST_NOISE_A = 0.001
"""Noise that readings of exactly 0 may hide, A (common practice, no source)."""
LARGEST_NOISE_A = 0.008
"""Scatter above this is the board at work and not the supply's reading, A (common practice, no source: some mA)."""
QUIET_PIECE = 10
"""So many readings a piece of the trace needs, to tell that it is quieter than others."""
QUIET_RATIO = 0.4
"""Spread of the second-quietest piece over the usual one below which it is not chance."""
CLIPPED = (0.3, 0.8)
"""Share of readings that are exactly 0 in noise about zero with its negative half cut off: half, give or take a zero
error (common practice, no source)."""
PINNED = 0.93
"""Share of the limit from which a current is at it: readings of a limited current scatter below the setting."""


@dataclasses.dataclass(frozen=True, slots=True)
class Line:
    """Columns over the part of the trace in which the output was on (`t_s` from the trace's start), and what is known
    of how they were read. Nothing in them when the output never was on."""

    t_s: Floats
    voltage_v: Floats
    current_a: Floats
    interval_s: float
    """Median time between readings."""
    longest_gap_s: float
    resolution_a: float
    """Step of the current reading, as given or as seen; 0 when it has none that can be seen."""
    repeats: int
    """Readings in a row that are one measurement: the instrument was asked faster than it measures."""
    sigma_a: float
    """Standard deviation of one reading of a quiet current."""
    seen_a: float
    """A single reading above this is a draw."""
    set_v: float | None
    limit_a: float | None
    pinned: Bools
    """At the current limit, as far as that can be known."""
    collapsed: Bools
    """Voltage far below its setting while current flows."""


def make_line(trace: Trace) -> Line:
    """Measure what every feature needs. Works on any number of readings."""
    s, c = trace.samples, trace.conditions
    t = (s.t_ns - trace.start_ns) / 1e9
    v, i = s.voltage_v, s.current_a
    steps = np.diff(t)
    interval = float(np.median(steps)) if len(steps) else 0.0
    step = c.resolution_a if c.resolution_a else seen_step(i)
    repeats = repeat_count(v, i)
    sigma = min(noise_sigma(i[::repeats], step), LARGEST_NOISE_A)
    quiet_a = max(LEAST_SEEN_A, 5 * sigma, 1.5 * step)
    set_v = c.set_voltage_v or _guess_set_voltage(v, i, quiet_a)
    flows = max(quiet_a, min(SHORT_FLOWS_A, 0.5 * (c.limit_a or SHORT_FLOWS_A)))
    off = s.mode == Mode.OFF
    if set_v is not None:
        off = off | ((v < 0.1 * set_v) & (i < flows))
    on = np.flatnonzero(~off)
    part = slice(int(on[0]), int(on[-1]) + 1) if len(on) else slice(0, 0)
    t_on, v_on, i_on, off_on = t[part], v[part], i[part], off[part]
    pinned = (s.mode[part] == Mode.CC) & (i_on > quiet_a)
    if c.limit_a:
        pinned = pinned | (i_on >= PINNED * c.limit_a)
    collapsed = (v_on < (COLLAPSED * set_v if set_v else COLLAPSED_V)) & (i_on > flows)
    return Line(
        t_on,
        v_on,
        i_on,
        interval,
        float(steps.max()) if len(steps) else 0.0,
        step,
        repeats,
        sigma,
        quiet_a,
        set_v,
        c.limit_a,
        pinned & ~off_on,
        collapsed & ~off_on,
    )


def seen_step(current_a: Floats) -> float:
    """The coarsest usual step that all readings lie on, A; 0 when they lie on none."""
    some = current_a[:: max(len(current_a) // 2000, 1)]
    for step in GRID_A:
        of_it = some / step
        if np.all(np.abs(of_it - np.rint(of_it)) < 1e-3):
            return step
    return 0.0


def repeat_count(voltage_v: Floats, current_a: Floats) -> int:
    """Mean length of runs of the very same voltage and current, 1 to 20. A line too quiet for its steps looks the same
    as an instrument that repeats itself, and does no harm here."""
    if len(current_a) < 4:
        return 1
    runs = 1 + int(np.count_nonzero((np.diff(current_a) != 0) | (np.diff(voltage_v) != 0)))
    return int(min(max(round(len(current_a) / runs), 1), 20))


def noise_sigma(current_a: Floats, step_a: float = 0.0) -> float:
    """Standard deviation of a reading where the current is quiet, A.

    In up to 40 pieces of the trace, of 10 readings or more each: 1.4826·MAD about the piece's median, and 1.0484·MAD of
    its first differences (the same for white noise, and blind to a drifting level). Of the pieces that one counts which
    a fifth of them are quieter than. Where rounding to `step_a` hides the noise, the plain standard deviation of such
    a piece counts. For the MAD see Rousseeuw & Croux, JASA 88 (1993).

    White noise makes the quietest of large pieces half as loud as that or more. A still quieter one shows that the
    board was at work in most of the trace, and counts instead.
    """
    n = len(current_a)
    if n < 4:
        return 0.0
    pieces = int(min(max(n // 10, 1), 40))
    size = n // pieces
    rows = current_a[: pieces * size].reshape(pieces, size)
    clipped = _clipped_sigma(rows)
    if clipped > 2 * step_a:
        return clipped
    about = SIGMA_PER_MAD * np.median(np.abs(rows - np.median(rows, axis=1, keepdims=True)), axis=1)
    differences = np.diff(rows, axis=1)
    middle = np.median(differences, axis=1, keepdims=True)
    between = SIGMA_PER_MAD / np.sqrt(2) * np.median(np.abs(differences - middle), axis=1)
    level, drift = float(np.quantile(about, 0.2)), float(np.quantile(between, 0.2))
    # The quietest fifth of small pieces lies below the truth; fitted to 4000 draws of white noise, good to 3 %.
    small = 1 + 1.2 / math.sqrt(size) + 2.5 / size
    sigma = (min(level, drift) if drift > 0 else level) * small
    spread = rows.std(axis=1)
    usual = max(sigma, float(np.quantile(spread, 0.2))) if sigma < step_a / 2 else sigma
    if size >= QUIET_PIECE and pieces >= 4:
        # Zeros alone may hide noise where readings below zero are cut off.
        quietest = max(float(np.sort(np.where(rows.any(axis=1), spread, LEAST_NOISE_A))[1]), from_step(step_a))
        if quietest < QUIET_RATIO * usual:
            return quietest
    return usual


def _clipped_sigma(rows: Floats) -> float:
    """Standard deviation of noise about zero whose negative half a supply shows as 0, A; 0 when it does not look so:
    the root mean square of its positive half, in the piece of the trace that is most often 0."""
    zeros = np.count_nonzero(rows == 0, axis=1) / rows.shape[1]
    at = int(np.argmax(zeros * (zeros < CLIPPED[1])))
    piece = rows[at]
    # In noise zeros and others alternate; at an edge of a current they do not.
    changes = np.count_nonzero(np.diff(piece == 0)) / len(piece)
    if not CLIPPED[0] <= zeros[at] < CLIPPED[1] or float(rows.min()) < 0 or changes < CLIPPED[0] / 2:
        return 0.0
    sigma = float(np.sqrt(np.mean(piece[piece > 0] ** 2)))
    return sigma if sigma <= LARGEST_NOISE_A else 0.0


def bin_means(t_s: Floats, values: Floats, width_s: float) -> Floats:
    """Means over bins of `width_s` from the first time on; a bin without readings repeats the one before it."""
    index = ((t_s - t_s[0]) / width_s).astype(np.int64)
    counts = np.bincount(index)
    sums = np.bincount(index, weights=values)
    filled = np.maximum.accumulate(np.where(counts > 0, np.arange(len(counts)), 0))
    means: Floats = (sums / np.maximum(counts, 1))[filled]
    return means


def bin_scatter(t_s: Floats, values: Floats, width_s: float, means: Floats) -> Floats:
    """Standard deviation of the readings in each bin of `bin_means`; 0 where there are fewer than four."""
    index = ((t_s - t_s[0]) / width_s).astype(np.int64)
    counts = np.bincount(index)
    squares = np.bincount(index, weights=(values - means[index]) ** 2)
    scatter: Floats = np.where(counts >= 4, np.sqrt(squares / np.maximum(counts - 1, 1)), 0.0)
    return scatter


def bin_sigma(line: Line, width_s: float) -> float:
    """Standard deviation that noise and step leave in a mean over `width_s`, A."""
    readings = max(width_s / line.interval_s / line.repeats, 1.0) if line.interval_s else 1.0
    # A quiet reading stays on one step however often it is read, so rounding does not average out.
    rounding = from_step(line.resolution_a) if line.sigma_a < line.resolution_a / 2 else 0.0
    return float(np.hypot(line.sigma_a / np.sqrt(readings), rounding))


def _guess_set_voltage(v: Floats, i: Floats, quiet_a: float) -> float | None:
    """Where little flows the voltage is at its setting; None when no reading is like that."""
    quiet = v[(i < quiet_a) & (v > 0.5)]
    if len(quiet) >= 3:
        return float(np.median(quiet))
    high = float(np.percentile(v, 95)) if len(v) else 0.0
    # A reading or two on the way down to a short say nothing about the setting.
    stays = np.count_nonzero(v >= 0.9 * high) >= 3
    return high if high > COLLAPSED_V and stays else None
