"""Which past traces are nearest to one: a row of numbers for each, and an exact search over all rows.

A row (`describe`) looks at the current in bins of 0.2 s, which readings from 5 to 1000 a second can all be laid on,
from the button (else the first lasting current, else the first reading) until a little after it has settled. How long
somebody waited before and afterwards says nothing about the board. Its parts:

    levels    64 quantiles of the current: in which levels it spends its time, in whatever order
    spectrum  24 bands of the amplitude spectrum: how fast it moves between them
    order     16 means over equal parts of the stretch: what came first; half weight, for phases shift from time to time
    voltage   8 quantiles of the voltage over its setting: a short and a heavy load may have the same current
    leak      the current before the button
    length    of the stretch, as a logarithm

All are in amperes and none is normalised: a trace of the same shape at half the current is another board's. Each of
the first three is scaled so that its Euclidean length is the root mean square of what it describes: the distance of two
sets of levels is the 2-Wasserstein distance of the two distributions, that of two spectra by Parseval's theorem the
root mean square by which the magnitudes differ. So they add up without weights of their own. What voltage and length
count in amperes is common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from benchd.traces.features import Features, extract
from benchd.traces.line import Floats
from benchd.traces.trace import Trace

Row = NDArray[np.float32]

VERSION = 1
"""Rows of different versions cannot be compared; count up with every change of what is in them."""
WIDTH_S = 0.2
LONGEST_S = 300.0
"""What comes later than this is use and not start, s."""
SETTLED_S = 5.0
"""So much of a settled end counts, s."""
LEVELS, BANDS, PARTS, VOLTS = 64, 24, 16, 8
LENGTH = LEVELS + BANDS + PARTS + VOLTS + 2
"""Numbers in a row."""
ORDER_WEIGHT = 0.5
VOLTAGE_A = 0.5
"""A voltage that is collapsed throughout counts like a current that differs by this, A."""
OCTAVE_A = 0.02
"""So does a stretch twice as long, A."""
LOWEST_HZ = 1 / 64
"""Upper edge of the lowest band, Hz; the highest ends at half the rate of the bins."""


def describe(trace: Trace, features: Features | None = None) -> Row | None:
    """The row of a trace; None when its output never was on. `features`: as extracted, where somebody has them."""
    f = extract(trace) if features is None else features
    line = f.line
    valid = np.isfinite(line.current_a) & np.isfinite(line.voltage_v)
    t_s, amps, volts = line.t_s[valid], line.current_a[valid], line.voltage_v[valid]
    if not len(t_s):
        return None
    first = float(t_s[0])
    begin = _begin(f, first)
    end = min(_end(f, float(t_s[-1])), begin + LONGEST_S)
    part = (t_s >= begin) & (t_s <= end)
    if not part.any():
        part[-1] = True
    current = _binned(t_s[part], amps[part])
    share = np.clip(volts[part] / line.set_v, 0.0, 1.2) if line.set_v else np.ones(np.count_nonzero(part))
    leak = f.start.leak_a if f.start is not None and f.start.leak_sure and f.start.leak_a is not None else 0.0
    return np.concatenate(
        [
            _quantiles(current, LEVELS),
            _spectrum(current),
            ORDER_WEIGHT * _parts(current),
            VOLTAGE_A * _quantiles(share, VOLTS),
            [leak, OCTAVE_A * math.log2(len(current) * WIDTH_S)],
        ]
    ).astype(np.float32)


def nearest(row: Row, rows: NDArray[np.float32], count: int) -> tuple[NDArray[np.int64], Floats]:
    """Which of `rows` (one below the other) are nearest, nearest first, and their distances, A. Exact: each is looked
    at. Equal distances keep the order of the rows."""
    distances: Floats = np.sqrt(((rows - row) ** 2).sum(axis=1, dtype=np.float64))
    wanted = min(count, len(rows))
    if wanted < len(rows):
        # Everything at least as near as the last wanted one, so that ties are decided by order and not by chance.
        limit = np.partition(distances, wanted)[wanted] if wanted else -1.0
        near = np.flatnonzero(distances <= limit)
    else:
        near = np.arange(len(rows))
    order = near[np.argsort(distances[near], kind="stable")][:wanted]
    return order, distances[order]


def _begin(f: Features, first_s: float) -> float:
    if f.start is None:
        return first_s
    found = f.start.button_s if f.start.button_s is not None else f.start.first_s
    return first_s if found is None else found


def _end(f: Features, last_s: float) -> float:
    if f.rest is None:
        return last_s
    settled_s = f.rest.start_s + f.rest.length_s - f.rest.tail_s
    return min(last_s, settled_s + SETTLED_S)


def _binned(t_s: Floats, current_a: Floats) -> Floats:
    """Means in bins of `WIDTH_S`. Each reading stands for the time since the one before it, as an instrument measures:
    so a trace with one reading a bin is left as it is, whatever its clock does."""
    steps = np.diff(t_s, prepend=t_s[0] - WIDTH_S)
    charge = np.concatenate([[0.0], np.cumsum(np.maximum(steps, 0.0) * current_a)])
    ends = np.concatenate([[t_s[0] - WIDTH_S], np.maximum.accumulate(t_s)])
    edges = ends[0] + WIDTH_S * np.arange(max(round((ends[-1] - ends[0]) / WIDTH_S), 1) + 1)
    means: Floats = np.diff(np.interp(edges, ends, charge)) / WIDTH_S
    return means


def _quantiles(values: Floats, count: int) -> Floats:
    """Of equal shares of the time, scaled so that their length is the root mean square."""
    at = (np.arange(count) + 0.5) / count
    scaled: Floats = np.quantile(values, at) / math.sqrt(count)
    return scaled


def _spectrum(current_a: Floats) -> Floats:
    """Root mean square of the current in bands of frequency, equal in ratio, its mean left out."""
    n = len(current_a)
    squares = 2 * (np.abs(np.fft.rfft(current_a)) / n) ** 2
    if n % 2 == 0:
        squares[-1] /= 2
    hz = np.fft.rfftfreq(n, WIDTH_S)
    edges = np.geomspace(LOWEST_HZ, 0.5 / WIDTH_S, BANDS)
    band = np.searchsorted(edges, hz[1:] * (1 - 1e-9))
    rms: Floats = np.sqrt(np.bincount(np.minimum(band, BANDS - 1), squares[1:], BANDS))
    return rms


def _parts(current_a: Floats) -> Floats:
    """Means over equal parts of the time, scaled so that their length is about the root mean square."""
    charge = np.concatenate([[0.0], np.cumsum(current_a)])
    at = np.interp(np.linspace(0, len(current_a), PARTS + 1), np.arange(len(charge)), charge)
    means: Floats = np.diff(at) * PARTS / len(current_a) / math.sqrt(PARTS)
    return means
