"""A trace made ready to be measured: times in s, its step and noise, the part with the output on, means over bins."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import NDArray

from benchd.reading import Mode
from benchd.traces.noise import GRID_A, SIGMA_PER_MAD
from benchd.traces.sound import Gaps, Sound, find_gaps, usable
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
OFF_SHARE, OFF_V = 0.1, 0.2
"""Below this share of the setting, or in V where that is not known, with next to no current, the output is off."""
LEAST_NOISE_A = 0.001
"""Noise that readings of exactly 0 may hide, A (common practice, no source)."""
LARGEST_NOISE_A = 0.008
"""Scatter above this is the board at work and not the supply's reading, A (common practice, no source: some mA)."""
FEW = 60
"""With fewer readings than this none is left out for being repeated."""
QUIET_PIECE = 10
"""So many readings a piece of the trace needs, to tell that it is quieter than others."""
QUIET_RATIO = 0.4
"""Spread of the second-quietest piece over the usual one below which it is not chance."""
CLIPPED = (0.3, 0.8)
"""Share of readings that are exactly 0 in noise about zero with its negative half cut off: half, give or take a zero
error (common practice, no source)."""
PINNED = 0.93
"""Share of the limit from which a current is at it: readings of a limited current scatter below the setting."""
REVERSED_V, REVERSED_SHARE = 0.05, 0.01
"""A voltage below zero by more than the larger of this, in V, and this share of the setting is no error of a reading:
offsets in supplies' accuracies are 2 to 30 mV."""
UP = 0.7
"""Share of the setting from which the voltage is up: boards run from there on (common practice, no source)."""
CONSTANT_POWER = 1.6
"""A converter takes its power from a falling voltage too, I = P/V, down to where it stops; that it stops below `UP` of
its usual voltage at the latest leaves 1/0.7, and some for noise."""
RESISTIVE = 0.6
"""With its voltage below `COLLAPSED` of the setting a resistance takes less than that share of its current; for meters
that lag, some more."""
LEAST_ZERO = 5
"""So many readings with the output off show the meter's zero."""
EDGE, EDGE_FALL = 4, 0.02
"""Up to so many readings before it is low belong to a voltage that falls, where they lie this share below what it was;
an instrument may show each measurement several times."""
BEFORE_S = 0.5
"""What flowed so long before a switch-off is what could flow after it, s (common practice, no source)."""
MOST_NOISE_READINGS = 10_000
"""More readings than this do not make the noise better known."""


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
    """Longest time between two readings."""
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
    reversed: Bools
    """Voltage below zero while current flows: the board is the wrong way round, or another source is on the leads."""
    let_down_s: float | None
    """When the output went off without anything in the trace saying so: from then on the voltage only decays, which is
    no part of the columns. None: it did not."""
    sound: Sound
    gaps: Gaps
    zero_a: float = 0.0
    """What the meter reads with the output off, before it came on: its zero, A; 0 where that was not seen."""


def make_line(trace: Trace) -> Line:
    """Measure what every feature needs. Works on any number of readings, whatever is in them."""
    c = trace.conditions
    s, sound = usable(trace.samples)
    t = (s.t_ns - trace.start_ns) / 1e9
    v, i = s.voltage_v, s.current_a
    steps = np.diff(t)
    interval = float(np.median(some(steps))) if len(steps) else 0.0
    step = c.resolution_a if c.resolution_a else seen_step(i)
    repeats = repeat_count(v, i)
    # A quiet line looks repeated too; with few readings leaving some out costs more than it brings.
    sigma = min(noise_sigma(i[::repeats] if len(i) >= FEW * repeats else i, step), LARGEST_NOISE_A)
    quiet_a = max(LEAST_SEEN_A, 5 * sigma, 1.5 * step)
    set_v = c.set_voltage_v or _guess_set_voltage(v, i, quiet_a)
    flows_a = max(quiet_a, min(SHORT_FLOWS_A, 0.5 * (c.limit_a or SHORT_FLOWS_A)))
    pinned = (s.mode == Mode.CC) & (i > quiet_a)
    if c.limit_a:
        pinned = pinned | (i >= PINNED * c.limit_a)
    off = s.mode == Mode.OFF
    off = off | ((np.abs(v) < (OFF_SHARE * set_v if set_v is not None else OFF_V)) & (i < flows_a))
    ends = let_down(t, v, i, pinned, set_v) if set_v is not None else None
    if ends is not None:
        off[ends:] = True
    on = np.flatnonzero(~off)
    part = slice(int(on[0]), int(on[-1]) + 1) if len(on) else slice(0, 0)
    v_on, i_on, on_on = v[part], i[part], ~off[part]
    backwards = v_on < -max(REVERSED_V, REVERSED_SHARE * (set_v or 0.0))
    collapsed = ~backwards & (v_on < (COLLAPSED * set_v if set_v else COLLAPSED_V)) & (i_on > flows_a)
    return Line(
        t[part],
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
        pinned[part] & on_on,
        collapsed & on_on,
        backwards & (i_on > flows_a) & on_on,
        float(t[ends]) if ends is not None else None,
        sound,
        find_gaps(t, interval),
        float(np.median(i[: part.start])) if part.start >= LEAST_ZERO else 0.0,
    )


def let_down(t_s: Floats, volts: Floats, amps: Floats, pinned: Bools, set_v: float) -> int | None:
    """Index of the first reading after the output was switched off with a board on it: from there to the end the
    voltage falls and never rises, while no more flows than flowed before. None where it did not end so.

    A short pulls the voltage down as well, but with all the current that the supply gives: at its limit, and above what
    flowed before. What a capacitor gives while it discharges is not at any limit.
    """
    up = np.flatnonzero(volts >= UP * set_v)
    if not len(up) or up[-1] + 1 >= len(volts):
        return None
    first = int(up[-1]) + 1
    # The reading at the edge is a mean with a share of the fall in it.
    edge = max(first - EDGE, 1)
    usual_v = float(np.median(volts[max(edge - 10, 0) : edge]))
    while first > edge and volts[first - 1] < (1 - EDGE_FALL) * usual_v:
        first -= 1
    v, i = volts[first:], amps[first:]
    low = v < COLLAPSED * set_v
    if not low.any() or bool(np.any(np.diff(v) > 0.02 * set_v)) or bool(np.any(pinned[first:])):
        return None
    before = amps[np.searchsorted(t_s, t_s[first] - BEFORE_S) : first]
    most = float(np.percentile(before, 90)) if len(before) else 0.0
    # Below where converters stop only what a resistance takes is left, and that falls with the voltage.
    allowed = np.where(low, RESISTIVE, CONSTANT_POWER) * max(most, LEAST_SEEN_A)
    falls = float(v[-1]) < 0.5 * float(v[0]) or float(v[-1]) < 0.1 * set_v
    return first if falls and bool(np.all(i <= allowed)) else None


def some(values: Floats, most: int = MOST_NOISE_READINGS) -> Floats:
    """The values, or every second, third … of them where they are more: enough for a median."""
    return values[:: max(len(values) // most, 1)]


def seen_step(current_a: Floats) -> float:
    """The coarsest usual step that all readings lie on, A; 0 when they lie on none."""
    part = some(current_a, 2000)
    for step in GRID_A:
        of_it = part / step
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
    a fifth of them are quieter than. Where rounding to `step_a` hides the noise, the root mean square about the median
    counts, no deviation as more than one step. For the MAD see Rousseeuw & Croux, JASA 88 (1993).

    White noise makes the quietest of large pieces half as loud as that or more. A still quieter one shows that the
    board was at work in most of the trace, and counts instead. Of a long trace a part of each piece is looked at.
    """
    n = len(current_a)
    if n < 4:
        return 0.0
    pieces = int(min(max(n // 10, 1), 40))
    size = n // pieces
    rows = current_a[: pieces * size].reshape(pieces, size)
    if n > MOST_NOISE_READINGS:
        size = MOST_NOISE_READINGS // pieces
        rows = np.ascontiguousarray(rows[:, :size])
    clipped = _clipped_sigma(rows)
    if clipped > 2 * step_a:
        return clipped
    away = np.abs(rows - np.median(rows, axis=1, keepdims=True))
    about = SIGMA_PER_MAD * np.median(away, axis=1)
    differences = np.diff(rows, axis=1)
    middle = np.median(differences, axis=1, keepdims=True)
    between = SIGMA_PER_MAD / np.sqrt(2) * np.median(np.abs(differences - middle), axis=1)
    level, drift = float(np.quantile(about, 0.2)), float(np.quantile(between, 0.2))
    # The quietest fifth of small pieces lies below the truth; fitted to 4000 draws of white noise, good to 3 %.
    small = 1 + 1.2 / math.sqrt(size) + 2.5 / size
    sigma = (min(level, drift) if drift > 0 else level) * small
    spread = rows.std(axis=1)
    usual = sigma
    if sigma < step_a / 2:
        # Most readings of quiet pieces lie on one step: the next one is noise, and what is further off is not.
        usual = max(sigma, float(np.quantile(np.sqrt(np.mean(np.minimum(away, step_a) ** 2, axis=1)), 0.2)))
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


def bin_means(t_s: Floats, values: Floats, width_s: float) -> tuple[Floats, Floats]:
    """Means over bins of `width_s` from the first time on, where a bin without readings repeats the one before it; and
    the standard deviation of the readings in each, 0 where there are fewer than four."""
    index = ((t_s - t_s[0]) / width_s).astype(np.int64)
    # Times ascend, so each bin is one stretch of readings.
    begins = np.concatenate([[0], np.flatnonzero(np.diff(index)) + 1])
    counts = np.diff(np.append(begins, len(index)))
    means = np.add.reduceat(values, begins) / counts
    squares = np.add.reduceat((values - np.repeat(means, counts)) ** 2, begins)
    spread = np.where(counts >= 4, np.sqrt(squares / np.maximum(counts - 1, 1)), 0.0)
    bins = np.arange(int(index[-1]) + 1)
    filled = np.searchsorted(index[begins], bins, side="right") - 1
    scatter = np.zeros(len(bins))
    scatter[index[begins]] = spread
    return means[filled], scatter


def bin_sigma(line: Line, width_s: float) -> float:
    """Standard deviation that noise and step leave in a mean over `width_s`, A."""
    readings = max(width_s / line.interval_s / line.repeats, 1.0) if line.interval_s else 1.0
    # A quiet reading stays on one step however often it is read, so rounding does not average out.
    rounding = from_step(line.resolution_a) if line.sigma_a < line.resolution_a / 2 else 0.0
    return float(np.hypot(line.sigma_a / np.sqrt(readings), rounding))


def _guess_set_voltage(v: Floats, i: Floats, quiet_a: float) -> float | None:
    """Where little flows the voltage is at its setting; None when no reading is like that."""
    quiet = v[(i < quiet_a) & (v > 0.5)]
    high = float(np.percentile(some(v), 95)) if len(v) else 0.0
    # A reading or two on the way down to a short say nothing about the setting.
    stays = np.count_nonzero(v >= 0.9 * high) >= 3
    if len(quiet) >= 3 and not (stays and float(np.median(some(quiet))) < UP * high):
        # Lower than where more flows: those are on the way up, or down after a switch-off.
        return float(np.median(some(quiet)))
    return high if high > COLLAPSED_V and stays else None
