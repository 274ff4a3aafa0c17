"""How a power-up begins: levels, the leak before the button, the button itself."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from typing import Literal

import numpy as np

from benchd.traces.line import Floats, Line, bin_means, bin_sigma
from benchd.traces.steps import change_points

BIN_S = 0.05
"""Width of the bins that everything but shorts and peaks is measured in, s; wider when readings are rarer."""
MOST_LEVELS_BINS = 300
"""Values that a trace is divided into to find its levels: the search takes the square of it in time."""
LEAST_STEP_A = 0.004
"""A smaller change of level is not looked for, A."""
BUTTON_STEP_A = 0.008
"""A smaller rise is not the button, A (common practice, no source)."""
BUTTON_RATIO = 1.2
"""Nor is one to less than this times the leak, with 15 mA more (common practice, no source)."""
SUSTAINED_S = 0.15
"""A shorter rise is an inrush or a spike, s (common practice, no source)."""
LATE_MARK_S = 0.7
"""A button marked by hand may lag the board's reaction by this, s (a person's reaction, common practice, no source)."""
LEAK_WINDOW_S = 1.8
"""Flat so long between the first current and a further rise: that was the connection, not the button, s."""
LEAK_WINDOW_AFTER_INRUSH_S = 1.0
"""The same where capacitors were seen charging, s."""
LEAK_FROM_START_S = 1.2
"""The same where current flows from the first reading on, s."""
LEAK_THAT_COMES_BACK_S = 0.9
"""The same where the trace ends with the very same current, flat, after what came between: a resistance draws the same
before and after, a board that has started does not (common practice, no source)."""
SAME = 0.008
"""Levels that differ by this share or less, or by what noise and step hide, are the same."""
LIKE = 0.15
"""Levels that differ by this share or less are one stretch that drifts (common practice, no source)."""
LEAST_LIKE_A = 0.006
"""So do levels that differ by this or less, A (common practice, no source)."""
FLAT_SHARE = 0.015
"""Texture up to this share of the level is flat; a leak is a resistance, a processor is not (common practice, no
source)."""
DROPPED = 0.5
"""A fall below this share of the level, before the next rise: a try that ended or a lost contact, and no leak."""
STANDBY_SEEN_A = 0.006
"""A current that is steady above this flows into a board, A; less may be the meter's zero (common practice, no
source)."""
CONNECTED_STEP_A = 0.001
"""Smallest step in a quiet current that shows a board being connected, A."""
CHARGING_A = 0.03
"""Smallest single spike in a quiet current that shows its capacitors charging, A."""
FLAT_BINS = 7
"""So many bins at least, to call them flat."""
LARGEST_LEAK_A = 0.6
"""A steadier current above this at the beginning is a board at work or a short, A (common practice, no source)."""
NORMAL_10_TO_90 = 2.5631
"""From the 10th to the 90th percentile of a normal distribution, in standard deviations."""
CHARGED_S = 0.2
"""So long after output-on the supply's own and the leads' capacitance may charge, s (common practice, no source)."""
GUARD_S = 0.1
"""Readings this near to the button do not count for the leak, s."""


@dataclasses.dataclass(frozen=True, slots=True)
class Level:
    """A stretch of nearly equal current. `texture_a`: standard deviation of the bins in it."""

    start_s: float
    end_s: float
    mean_a: float
    texture_a: float

    @property
    def length_s(self) -> float:
        return self.end_s - self.start_s


@dataclasses.dataclass(frozen=True, slots=True)
class Start:
    """`leak_*` None: there was no stretch before the button in which a leak could be seen."""

    button_s: float | None
    button_by: Literal["hand", "recogniser"] | None
    first_s: float | None
    """When current above a normal stand-by first flowed for longer than an inrush; None: never."""
    leak_a: float | None = None
    leak_from_s: float = 0.0
    leak_to_s: float = 0.0
    leak_readings: int = 0
    leak_sure: bool = True
    """The stretch lies before the button for certain: the button is marked, or a rise follows."""
    inrush: bool = False
    """A charging spike was seen at the first current: the board was connected there."""
    clip_untold: bool = False
    """The leak followed a quiet stretch, and nothing but the later rise tells that it began with the connection and
    not with the button."""
    reacted_s: float | None = None
    """When the board reacted to the button: before a mark by hand where that came late; s."""


@dataclasses.dataclass(frozen=True, slots=True)
class Bins:
    """The trace in means over `width_s`, the first beginning at `start_s`; `sigma_a`: what noise leaves in each."""

    start_s: float
    width_s: float
    mean_a: Floats
    scatter_a: Floats
    """Standard deviation of the readings within each bin; 0 where they are too few."""
    sigma_a: float

    def after(self, t_s: float) -> int:
        """Index of the first bin that lies wholly after t_s."""
        return max(math.ceil((t_s - self.start_s) / self.width_s - 1e-6), 0)

    def since(self, t_s: float) -> Floats:
        """The bins from that one on."""
        return self.mean_a[self.after(t_s) :]


def make_bins(line: Line) -> Bins:
    """The line in bins of 50 ms, or of one reading where readings are rarer, or finer where the trace is short."""
    length_s = float(line.t_s[-1] - line.t_s[0])
    width_s = max(line.interval_s, min(BIN_S, length_s / 100), 1e-6)
    # A faulty clock must not ask for a billion bins.
    width_s = max(width_s, length_s / 50_000)
    means, scatter = bin_means(line.t_s, line.current_a, width_s)
    return Bins(float(line.t_s[0]), width_s, means, scatter, bin_sigma(line, width_s))


def find_levels(bins: Bins) -> list[Level]:
    """The trace as stretches of nearly equal current."""
    x, n = bins.mean_a, len(bins.mean_a)
    group = math.ceil(n / MOST_LEVELS_BINS)
    starts = np.arange(0, n, group)
    coarse = np.add.reduceat(x, starts) / np.diff(np.append(starts, n))
    sigma = max(bins.sigma_a / math.sqrt(group), 1e-5)
    penalty = 2 * max(2 * sigma, LEAST_STEP_A / 2) ** 2 * math.log(max(len(coarse), 2))
    result, first = [], 0
    for end in change_points(coarse, penalty):
        last = min(end * group, n)
        part = x[first:last]
        result.append(
            Level(
                bins.start_s + first * bins.width_s,
                bins.start_s + last * bins.width_s,
                float(np.median(part)) if len(part) > 4 else float(part.mean()),
                float(part.std()),
            )
        )
        first = last
    return result


def first_draw(line: Line, bins: Bins, levels: Sequence[Level], normal_a: float) -> int | None:
    """Index of the first level above a normal stand-by that lasts longer than an inrush; None without one."""
    least = normal_a + max(BUTTON_STEP_A, 2 * line.resolution_a, 4 * bins.sigma_a)
    wanted_s = max(SUSTAINED_S, min(2.5 * bins.width_s, 0.35))
    flows = bins.mean_a > least
    for k, level in enumerate(levels):
        if level.mean_a <= least:
            continue
        # Levels of a long trace are coarse, and one spike lifts the whole of one: the bins in it decide.
        begin = bins.after(level.start_s)
        above = np.flatnonzero(flows[begin : max(bins.after(level.end_s), begin + 1)])
        rest = flows[begin + int(above[0]) :] if len(above) else flows[:0]
        lasts_s = (len(rest) if rest.all() else int(np.argmin(rest))) * bins.width_s
        if lasts_s >= wanted_s or k + 1 == len(levels):
            return k
    return None


def find_start(
    line: Line, bins: Bins, levels: Sequence[Level], marked_s: float | None, normal_a: float, loop_low_a: float | None
) -> Start:
    """Find leak and button. `marked_s`: the button as a person gave it; `normal_a`: largest normal stand-by current at
    this voltage; `loop_low_a`: what it falls to where it rises and falls again and again. Then a stretch with the first
    reading may be one of the pauses, and is no leak to be sure of; a later one that is not as low is a rung."""
    looping = loop_low_a is not None
    first = first_draw(line, bins, levels, normal_a)
    first_s = _edge(line, levels, first) if first is not None else None
    inrush = first is not None and first_s is not None and _inrush(line, levels[first], first_s)
    if marked_s is not None:
        leak = _before_mark(line, levels, marked_s)
        start = _start(line, marked_s, "hand", first_s, leak, True, inrush)
        return dataclasses.replace(start, reacted_s=_reaction(line, bins, marked_s, start))
    if first is None:
        whole = Level(float(line.t_s[0]), float(line.t_s[-1]), 0.0, 0.0)
        return _start(line, None, None, None, whole, False, False)
    last, rise = _plateau(line, bins, levels, first)
    plateau = Level(levels[first].start_s, levels[last].end_s, levels[last].mean_a, 0.0)
    flat = _is_flat(plateau, bins) and plateau.mean_a <= LARGEST_LEAK_A
    quiet = Level(float(line.t_s[0]), first_s or 0.0, 0.0, 0.0) if first > 0 else None
    back = not looping and flat and rise is not None and _comes_back(line, bins, levels, rise, plateau)
    if first == 0:
        least_s = LEAK_THAT_COMES_BACK_S if back else LEAK_FROM_START_S
        if looping or not flat or plateau.length_s < max(least_s, FLAT_BINS * bins.width_s):
            # It is at work from the first reading on; only a pause that comes first shows the button.
            button_s = _edge(line, levels, rise) if looping and flat and rise is not None else None
            return _start(line, button_s, "recogniser" if button_s is not None else None, first_s, None, False, inrush)
    else:
        wanted_s = LEAK_WINDOW_AFTER_INRUSH_S if inrush else LEAK_WINDOW_S
        if back:
            wanted_s = min(wanted_s, max(LEAK_THAT_COMES_BACK_S, FLAT_BINS * bins.width_s))
        pause = loop_low_a is None or abs(plateau.mean_a - loop_low_a) <= max(LEAST_LIKE_A, LIKE * plateau.mean_a)
        connection = flat and pause and plateau.length_s >= wanted_s and (rise is not None or inrush)
        if connected_before(line, bins, first_s or 0.0) or _dropped(levels, last, rise, plateau.mean_a):
            connection = False
        if not connection:
            return _start(line, first_s, "recogniser", first_s, quiet, False, inrush)
    if rise is None:
        return _start(line, None, None, first_s, plateau, False, inrush)
    button_s = _edge(line, levels, rise)
    start = _start(line, button_s, "recogniser", first_s, plateau, True, inrush)
    return dataclasses.replace(start, clip_untold=first > 0 and not inrush)


def connected_before(line: Line, bins: Bins, until_s: float) -> bool:
    """Was a board on the leads in the quiet stretch before `until_s`? A stand-by current, a step to it, or a charging
    spike shows it; without them it may have been or not."""
    begin_s, end_s = float(line.t_s[0]) + CHARGED_S, until_s - max(GUARD_S, 2 * line.interval_s)
    x = bins.since(begin_s)[: max(int((end_s - begin_s) / bins.width_s), 0)]
    if len(x) < 6:
        return False
    level = float(np.median(x))
    if level > max(STANDBY_SEEN_A, 2 * line.resolution_a):
        return True
    part = line.current_a[(line.t_s > begin_s) & (line.t_s < end_s)]
    if len(part) and float(part.max()) > level + max(CHARGING_A, 10 * line.sigma_a, 3 * line.resolution_a):
        return True
    group = math.ceil(len(x) / MOST_LEVELS_BINS)
    coarse = x[: len(x) // group * group].reshape(-1, group).mean(axis=1)
    sigma = max(bins.sigma_a / math.sqrt(group), 1e-5)
    least = max(CONNECTED_STEP_A, 1.5 * line.resolution_a, 4 * sigma)
    # Three measurements at least on either side, however often the instrument repeats each.
    fewest = 3 * max(math.ceil(line.repeats * line.interval_s / (bins.width_s * group) - 1e-6), 1)
    ends = change_points(coarse, 2 * max(2 * sigma, least / 2) ** 2 * math.log(max(len(coarse), 2)), fewest)
    if not ends:
        return False
    means = [float(coarse[a:b].mean()) for a, b in zip([0, *ends[:-1]], ends, strict=True)]
    return max(means) - min(means) >= least


def _dropped(levels: Sequence[Level], last: int, rise: int | None, base_a: float) -> bool:
    """Between a stretch and the next rise it fell to next to nothing."""
    return rise is not None and any(x.mean_a < DROPPED * base_a for x in levels[last + 1 : rise])


def _start(
    line: Line,
    button_s: float | None,
    by: Literal["hand", "recogniser"] | None,
    first_s: float | None,
    leak: Level | None,
    sure: bool,
    inrush: bool,
) -> Start:
    if leak is not None:
        end = leak.end_s - max(min(GUARD_S, 0.2 * leak.length_s), 0.0)
        # Capacitors charge at the beginning; a late part of the stretch is nearest to the leak.
        begin = max(leak.start_s + min(0.3, 0.3 * leak.length_s), end - 3.0)
        part = line.current_a[(line.t_s >= begin) & (line.t_s <= end)]
        if len(part):
            middle = float(np.median(part))
            near = part[np.abs(part - middle) <= 5 * line.sigma_a + 1.01 * line.resolution_a + 0.001]
            mean = float(near.mean()) if len(near) else middle
            return Start(button_s, by, first_s, mean, begin, end, len(part), sure, inrush)
    return Start(button_s, by, first_s, leak_sure=sure, inrush=inrush)


def _before_mark(line: Line, levels: Sequence[Level], marked_s: float) -> Level | None:
    """The last stretch before the marked button."""
    end = marked_s
    before = [Level(x.start_s, min(x.end_s, end), x.mean_a, x.texture_a) for x in levels if x.start_s < end - 0.05]
    if not before or end - float(line.t_s[0]) < max(0.2, 2 * line.interval_s):
        return None
    # A mark that came late has the board's reaction before it: a higher level, after one that lasted.
    for k in range(len(before) - 2, -1, -1):
        if end - before[k].end_s > LATE_MARK_S:
            break
        if before[k].length_s > 0.3 and any(x.mean_a > before[k].mean_a + BUTTON_STEP_A for x in before[k + 1 :]):
            del before[k + 1 :]
            break
    while len(before) >= 2 and before[-1].length_s < max(0.2, 2 * line.interval_s):
        before.pop()
    # A slow drift is cut into levels; together they are one stretch.
    whole = before.pop()
    while before and abs(before[-1].mean_a - whole.mean_a) <= max(LEAST_LIKE_A, LIKE * whole.mean_a):
        part = before.pop()
        length_s = part.length_s + whole.length_s
        mean = (part.mean_a * part.length_s + whole.mean_a * whole.length_s) / max(length_s, 1e-9)
        whole = Level(part.start_s, whole.end_s, mean, max(part.texture_a, whole.texture_a))
    return whole


def _reaction(line: Line, bins: Bins, marked_s: float, start: Start) -> float | None:
    """The rise right before a mark by hand that belongs to it: the finger on the button is quicker than the one that
    marks it. It begins after the stretch in which the leak was measured and lasts for more than one reading."""
    if start.leak_a is None:
        return None
    least = start.leak_a + max(BUTTON_STEP_A, 5 * line.sigma_a, 2 * line.resolution_a)
    a, b = np.searchsorted(line.t_s, [max(marked_s - LATE_MARK_S, start.leak_to_s), marked_s + 0.5])
    above = line.current_a[a:b] > least
    lasts = max(math.ceil(SUSTAINED_S / 3 / max(line.interval_s, 1e-6)), 2) if line.interval_s < SUSTAINED_S else 1
    if len(above) < lasts:
        return None
    runs = np.convolve(above, np.ones(lasts), "valid") >= lasts - 0.5
    first = np.flatnonzero(runs)
    at_s = float(line.t_s[a + int(first[0])]) if len(first) else marked_s
    return at_s if at_s < marked_s else None


def _plateau(line: Line, bins: Bins, levels: Sequence[Level], first: int) -> tuple[int, int | None]:
    """The last level that is still like the first lasting one, and the first later one that is a rise to stay."""
    begin_s = levels[first].start_s
    while first + 1 < len(levels) and levels[first].end_s - begin_s < max(0.3, 2.5 * bins.width_s) + 1e-6:
        # Capacitors charge in it, or it is the bin in which the current began.
        first += 1
    base = levels[first].mean_a
    like = max(LIKE * base, LEAST_LIKE_A, 1.2 * line.resolution_a, 4 * bins.sigma_a)
    last, away_s = first, 0.0
    for k in range(first + 1, len(levels)):
        sinks = 0.6 * base <= levels[k].mean_a < base
        if abs(levels[k].mean_a - base) > like and not sinks:
            # A spike is no end of it; many short levels in a row are.
            away_s += levels[k].length_s
            if away_s > SUSTAINED_S:
                break
            continue
        away_s = 0.0
        if sinks:
            # A leak that warms up or charges something large sinks slowly.
            base = levels[k].mean_a
        last = k
    for k in range(last + 1, len(levels)):
        least = max(BUTTON_RATIO * base, base + 0.015, base + 2.5 * line.resolution_a)
        stays = sum(x.length_s for x in levels[k : k + 3] if x.mean_a >= least)
        if levels[k].mean_a >= least and stays >= SUSTAINED_S:
            return last, k
    return last, None


def _comes_back(line: Line, bins: Bins, levels: Sequence[Level], rise: int, before: Level) -> bool:
    """After a rise it ends, flat, with the very current that flowed before, for as long as a leak has to be seen; and
    no limit of the supply sets it, which would be the same each time too."""
    base_a, end = before.mean_a, levels[-1].end_s
    part = (line.t_s >= before.start_s) & (line.t_s < before.end_s)
    if line.pinned[part].any():
        return False
    tail = next((k for k in range(len(levels) - 1, rise, -1) if levels[k - 1].mean_a > BUTTON_RATIO * base_a), None)
    if tail is None or end - levels[tail].start_s < LEAK_THAT_COMES_BACK_S:
        return False
    x = bins.since(levels[tail].start_s)[1:]
    whole = Level(levels[tail].start_s, end, float(np.median(x)) if len(x) else 0.0, 0.0)
    return abs(whole.mean_a - base_a) <= max(SAME * base_a, 3 * bins.sigma_a, 0.001) and _is_flat(whole, bins)


def _is_flat(plateau: Level, bins: Bins) -> bool:
    """No more texture than noise makes, about a line that may be bent; the charging at its beginning and odd bins at
    its edges left out."""
    begin = max(plateau.start_s + min(0.3, 0.3 * plateau.length_s), plateau.end_s - 4.0)
    count = int((plateau.end_s - begin) / bins.width_s)
    x = bins.since(begin)[: max(count, 1)]
    if not len(x):
        return False
    k = np.linspace(-1, 1, len(x))
    forms = [x, x - np.polyval(np.polyfit(k, x, 2), k)] if len(x) >= 2 * FLAT_BINS else [x]
    spreads = [float(np.diff(np.percentile(form, [10, 90]))[0]) / NORMAL_10_TO_90 for form in forms]
    return min(spreads) <= max(2 * bins.sigma_a, 0.003, FLAT_SHARE * abs(float(np.median(x))))


def _edge(line: Line, levels: Sequence[Level], k: int) -> float:
    """When level k begins, to the reading: the first that is half-way up from the level before."""
    if k == 0:
        return float(line.t_s[0])
    at, low, high = levels[k].start_s, levels[k - 1].mean_a, levels[k].mean_a
    reach = max(0.25, (levels[-1].end_s - levels[0].start_s) / MOST_LEVELS_BINS, 2 * line.interval_s)
    near = np.flatnonzero((line.t_s >= at - reach) & (line.t_s <= at + reach))
    above = near[line.current_a[near] >= low + 0.5 * (high - low)]
    return float(line.t_s[above[0]]) if len(above) else at


def _inrush(line: Line, level: Level, at_s: float) -> bool:
    """A spike at the first current, well above what follows: capacitors charging."""
    spike = line.current_a[(line.t_s >= at_s - 0.02) & (line.t_s < at_s + 0.06)]
    after = line.current_a[(line.t_s >= at_s + 0.06) & (line.t_s < at_s + 0.6)]
    if not len(spike) or len(after) < 5:
        return False
    usual = float(np.percentile(after, 95))
    return float(spike.max()) > 2 * usual + 0.03 + 6 * line.sigma_a
