"""Where a current that flows falls to nothing: for a moment or to stay, and whether the voltage went with it."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from benchd.traces.line import Bools, Floats, Line, seen_step, some
from benchd.traces.noise import SIGMA_PER_MAD
from benchd.traces.source import INRUSH_S, Source
from benchd.traces.uncertainty import from_step

Indices = np.ndarray[tuple[int], np.dtype[np.intp]]

RUNNING_A = 0.03
"""Less than this is not running, A (common practice, no source)."""
NOTHING_SHARE = 0.1
"""Of the usual current; what falls below it has fallen to nothing (common practice, no source)."""
HELD_SHARE = 0.3
"""Of the usual current; it ran right before and runs right after (common practice, no source)."""
SEEN_SHARE = 0.5
"""What noise and step hide must be no more than this share of a current, for its end to be seen."""
LONGEST_DROPOUT_S = 0.8
"""A longer one is a board that went off and came again, s (common practice, no source)."""
LONGEST_DIP = 3
"""A dip of more readings than this is a level."""
STAYS = 0.9
"""Share of the setting above which the voltage has stayed."""
DIP = 0.01
"""The voltage went with the current where it was lower by this share of the setting than resistance explains: well
above the step and scatter of a reading (common practice, no source)."""
LEAST_FALLS = 3
"""Fewer say nothing of a period."""
MOST_UNSEEN = 0.34
"""So many falls may have gone unseen for each that was seen."""
WORKED_S = 0.5
"""A board that works for so long on either side of a fall was at work, and is no sleeper that wakes up, s (common
practice, no source)."""
DIP_SIGMAS = 6.0
"""And by so many standard deviations of a voltage reading."""


@dataclasses.dataclass(frozen=True, slots=True)
class Dropout:
    """No current for a moment, between currents, while the voltage stayed: the contact was lost, not the source."""

    at_s: float
    lasts_s: float


@dataclasses.dataclass(frozen=True, slots=True)
class Fall:
    """The current fell from running to nothing and stayed there for two readings at least."""

    at_s: float
    from_a: float
    starved: bool
    """The source did not hold its voltage right before, or was at its limit: the board stopped for want of supply."""
    lasts_s: float = 0.0
    amid_work: bool = False
    """It was at work for `WORKED_S` before and came back to work for as long: a board that runs does not do that by
    itself; it lost its supply, or started anew."""


def find_dropouts(line: Line, after: Bools, nothing_a: float) -> tuple[Dropout, ...]:
    """Stretches of up to `LONGEST_DROPOUT_S` below a tenth of the usual current, between currents, with the voltage
    up."""
    i, t = line.current_a[after], line.t_s[after]
    usual = _usual(line, i, nothing_a)
    if usual is None:
        return ()
    low = i < max(line.seen_a, NOTHING_SHARE * usual)
    if line.set_v is not None:
        low &= line.voltage_v[after] > STAYS * line.set_v
    begins, ends = _runs(low)
    held = max(HELD_SHARE * usual, line.seen_a / SEEN_SHARE)
    # The readings at its edges are means with a share of it in them: those beside them tell. The slow rise of a boot
    # crosses the line too.
    before = np.maximum(i[begins - 1], i[np.maximum(begins - 2, 0)])
    afterwards = np.maximum(i[ends], i[np.minimum(ends + 1, len(i) - 1)])
    lasts = t[ends - 1] - t[begins - 1]
    real = (before > held) & (afterwards > held) & (lasts < LONGEST_DROPOUT_S)
    n = int(np.count_nonzero(real))
    if n and _dips(i, low, held, int(begins[real][0]), int(ends[real][-1])) > n:
        return ()
    return tuple(
        Dropout(float(a), float(n)) for a, n in zip(t[begins][real].tolist(), lasts[real].tolist(), strict=True)
    )


def find_falls(line: Line, after: Bools, nothing_a: float, source: Source | None) -> tuple[Fall, ...]:
    """All falls to nothing after the inrush. Where the voltage dipped with the current the source is at fault; where it
    stayed, the board or the contact."""
    part = after & (line.t_s > line.t_s[0] + INRUSH_S)
    i, t, v = line.current_a[part], line.t_s[part], line.voltage_v[part]
    usual = _usual(line, i, nothing_a)
    if usual is None:
        return ()
    low = i < max(line.seen_a, NOTHING_SHARE * usual, nothing_a)
    begins, ends = _runs(low, open_end=True)
    short_of = _short_of(line, v, i, source) | line.pinned[part]
    # A meter that averages lets it down over several readings.
    first = np.minimum(np.searchsorted(t, t[begins] - max(0.1, 2.5 * line.interval_s)), begins - 1)
    held = max(HELD_SHARE * usual, line.seen_a / SEEN_SHARE)
    found = []
    for n, (a, k, end) in enumerate(zip(first.tolist(), begins.tolist(), ends.tolist(), strict=True)):
        from_a = float(i[max(a, int(ends[n - 1]) if n else 0) : k].max(initial=0.0))
        if from_a <= held or end - k < 2:
            continue
        worked_s = t[k] - t[int(ends[n - 1]) if n else 0]
        stop = int(begins[n + 1]) if n + 1 < len(begins) else len(i)
        works_s = t[stop - 1] - t[end] if end < len(i) and i[end:stop].max() > held else 0.0
        lasts_s = float(t[min(end, len(i) - 1)] - t[k])
        amid_work = bool(min(worked_s, works_s) >= WORKED_S)
        # Let go of, a source holds its voltage again; where it does not, the output was switched off.
        starved = bool(short_of[a : k + 1].any() and not short_of[k:end].all())
        found.append(Fall(float(t[k]), from_a, starved, lasts_s, amid_work))
    return tuple(found)


def unevenness(falls: Sequence[Fall]) -> float | None:
    """Standard deviation of the times between falls over their mean, where one of them may have gone unseen (in a gap);
    None with fewer than three falls."""
    if len(falls) < LEAST_FALLS:
        return None
    each = np.diff([x.at_s for x in falls])
    times = np.maximum(np.rint(each / np.median(each)), 1)
    if float(times.mean()) <= 1 + MOST_UNSEEN:
        each = each / times
    return float(each.std(ddof=1) / each.mean())


def _dips(amps: Floats, low: Bools, held_a: float, first: int, last: int) -> int:
    """How often the current dips for a moment from running to something between that and nothing. Where it does so more
    often than it drops to nothing, that is work that scatters, and no contact that opens."""
    begins, ends = _runs(amps[first:last] < held_a)
    lows = np.concatenate([[0], np.cumsum(low[first:last])])
    return int(np.count_nonzero((lows[ends] == lows[begins]) & (ends - begins <= LONGEST_DIP)))


def _usual(line: Line, amps: Floats, nothing_a: float) -> float | None:
    """Median of what flows; None where too little does to tell nothing from something."""
    flows = amps[amps > max(nothing_a, RUNNING_A)]
    if len(flows) < 4 or len(amps) < 6:
        return None
    usual, high = (float(x) for x in np.percentile(some(flows), [50, 90]))
    return usual if line.seen_a <= SEEN_SHARE * high else None


def _runs(low: Bools, open_end: bool = False) -> tuple[Indices, Indices]:
    """First index of each run of true values and the index after it; a run with the first reading is left out, and one
    with the last too, unless the end may be open."""
    turns = np.diff(low.astype(np.int8))
    begins, ends = np.flatnonzero(turns == 1) + 1, np.flatnonzero(turns == -1) + 1
    if len(begins) and len(ends):
        ends = ends[ends > begins[0]]
    elif not open_end or not len(begins):
        return begins[:0], ends[:0]
    if open_end and len(ends) < len(begins):
        ends = np.append(ends, len(low))
    n = min(len(begins), len(ends))
    return begins[:n], ends[:n]


def _short_of(line: Line, volts: Floats, amps: Floats, source: Source | None) -> Bools:
    """Readings in which the voltage is lower than the resistance of source and leads explains, by little at least: a
    reading of a slow meter has only a share of the dip in it."""
    if line.set_v is None or len(volts) < 6:
        return np.zeros(len(volts), np.bool_)
    ohm = source.ohm if source is not None else 0.0
    level = volts + ohm * amps
    part = some(level)
    usual = float(np.median(part))
    scale = max(SIGMA_PER_MAD * float(np.median(np.abs(part - usual))), from_step(seen_step(volts)))
    return level < usual - max(DIP_SIGMAS * scale, DIP * line.set_v)
