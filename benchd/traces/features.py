"""What can be measured on a trace, each with its unit and where its formula is from."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np

from benchd.traces.line import Bools, Line, make_line, seen_step
from benchd.traces.noise import SIGMA_PER_MAD
from benchd.traces.repeats import Repeats, find_repeats
from benchd.traces.start import Bins, Level, Start, connected_before, find_levels, find_start, first_draw, make_bins
from benchd.traces.trace import Trace
from benchd.traces.uncertainty import Known

INRUSH_S = 0.2
"""Being at the limit for so long after the first current is charging of capacitors, s (common practice, no source)."""
TAIL_FRACTION = 0.25
"""Means over 0.5 s that differ by no more than this share of their level are stable (common practice, no source)."""
LASTING_S = 0.25
"""A level as long as this is a rung of a staircase, s (common practice, no source)."""
SLOW_SUPPLY_S = 0.6
"""A supply lets its voltage down within this time once its current is at the limit, s (common practice, no source)."""
ONSET_SHARE = 0.7
"""Share of a short's current from which on it has begun."""
EDGE_PINNED = 0.6
"""Share at the limit that is granted to a short with so few readings that each may be an edge."""
LAPTOP_V = 7.0
"""From here on a supply feeds an adapter input or a pack of several cells, V (common practice, no source)."""
NORMAL_LEAK_A = (0.005, 0.030)
"""Largest normal current before the button, A: at one cell, and at an adapter input, where stand-by rails are fed
(common practice, no source)."""
ODD_LEAK_A = (0.030, 0.050)
"""From here on it is a leak without doubt, A: at one cell, and at an adapter input (common practice, no source)."""


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
    dropouts: int
    """Short stretches of no current between currents while the voltage stayed."""


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
    rest: Rest | None = None
    repeats: Repeats | None = None
    short: Short | None = None
    limit_s: float = 0.0
    """Time at the current limit with the voltage still up, the first inrush left out."""
    sag: float = 0.0
    """Largest fall of the voltage that is no collapse, as a share of the setting."""
    sag_u: float = 0.0
    """Its expanded uncertainty (k = 2), likewise; that of the setting itself is not in it."""
    tripped_s: float | None
    """When the output was switched off to protect the board, s, as marked by the guard or by hand; None: not marked."""
    charge_c: float
    """∫ I dt by the trapezoidal rule, C."""
    energy_j: float
    """∫ V·I dt by the trapezoidal rule, J."""


def extract(trace: Trace) -> Features:
    """Measure a trace. Any number of readings, none included; nothing raises."""
    line = make_line(trace)
    laptop = int((line.set_v or 0.0) >= LAPTOP_V)
    measured = Features(
        readings=len(trace.samples),
        duration_s=float(line.t_s[-1] - line.t_s[0]) if len(line.t_s) else 0.0,
        rate_per_s=1 / line.interval_s if line.interval_s > 0 else 0.0,
        line=line,
        known=Known.of(trace.conditions),
        normal_leak_a=NORMAL_LEAK_A[laptop],
        odd_leak_a=ODD_LEAK_A[laptop],
        tripped_s=trace.mark_s("tripped"),
        charge_c=float(np.trapezoid(line.current_a, line.t_s)),
        energy_j=float(np.trapezoid(line.current_a * line.voltage_v, line.t_s)),
    )
    return _with_shape(trace, measured) if len(line.t_s) else measured


def _with_shape(trace: Trace, measured: Features) -> Features:
    """The same, with how the current moved while the output was on."""
    line, known, normal_a = measured.line, measured.known, measured.normal_leak_a
    bins = make_bins(line)
    levels = find_levels(bins)
    marked_s = trace.mark_s("button") if any(m.kind == "button" and m.by == "hand" for m in trace.marks) else None
    first = first_draw(line, bins, levels, normal_a)
    begin_s = marked_s if marked_s is not None else levels[first].start_s if first is not None else None
    swing_a = max(6 * bins.sigma_a, 2.5 * line.resolution_a)
    repeats = find_repeats(bins.since(begin_s - bins.width_s), bins.width_s, swing_a) if begin_s is not None else None
    start = find_start(line, bins, levels, marked_s, normal_a, repeats.low_a if repeats else None)
    limit_s, sag, sag_u = _limits(line, start, known)
    return dataclasses.replace(
        measured,
        bins=bins,
        levels=tuple(levels),
        start=start,
        leak_u_a=_leak_uncertainty(known, line, start),
        rest=find_rest(line, bins, levels, start),
        repeats=repeats,
        short=find_short(line, bins),
        limit_s=limit_s,
        sag=sag,
        sag_u=sag_u,
    )


def find_short(line: Line, bins: Bins) -> Short | None:
    """The first lasting collapse of the voltage; None without one."""
    c, i, v, t = line.collapsed, line.current_a, line.voltage_v, line.t_s
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
    # A reading is a mean over its interval: the one at the edge has a share of the short in it.
    edge = t[:onset] < t[onset] - max(0.1, 1.5 * line.interval_s)
    before = i[:onset][edge]
    recent = before[t[:onset][edge] >= t[onset] - 1.0]
    window = max(round(0.15 / line.interval_s), 2) if line.interval_s else 2
    top = 0.0
    if len(before) >= window:
        sums = np.cumsum(np.concatenate([[0.0], before]))
        top = float((sums[window:] - sums[:-window]).max() / window)
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
        float(np.median(recent)) if len(recent) else 0.0,
        2 * line.sigma_a / max(len(recent) / line.repeats, 1) ** 0.5,
        top,
        connected_before(line, bins, float(t[onset])),
        bool(during[after[-1]]),
    )


def _onset(line: Line, first: int, level_a: float) -> int:
    """Where the current of a short began: slow supplies need a while from there to the collapse at `first`."""
    onset = first
    while onset and line.current_a[onset - 1] >= ONSET_SHARE * level_a:
        if line.t_s[first] - line.t_s[onset - 1] > max(SLOW_SUPPLY_S, 1.5 * line.interval_s):
            break
        onset -= 1
    return onset


def find_rest(line: Line, bins: Bins, levels: list[Level], start: Start) -> Rest:
    """Measure what comes after the button."""
    charged_s = float(line.t_s[0]) + INRUSH_S
    begin = start.button_s if start.button_s is not None else max(start.first_s or charged_s, charged_s)
    x = bins.since(begin)
    if not len(x):
        x = bins.mean_a[-1:]
    w, sigma = bins.width_s, bins.sigma_a
    base = start.leak_a or 0.0
    nothing = base + max(0.2 * base, 0.004, 4 * sigma, 1.5 * line.resolution_a)
    stays = max(min(round(0.15 / w), 3), 2)
    held = np.min([x[k : len(x) - stays + 1 + k] for k in range(stays)], axis=0) if len(x) >= stays else x
    sustained = float(held.max())
    after = line.t_s >= begin
    group = max(round(0.5 / w), 1)
    whole = len(x) // group
    halves = x[len(x) - whole * group :].reshape(whole, group).mean(axis=1) if whole else x
    tail_n = _tail_length(halves, max(0.006, 4 * sigma, 1.5 * line.resolution_a))
    # With nothing stable at the end, its last half second stands for it.
    tail = x[len(x) - min(max(tail_n, 1) * group, len(x)) :]
    before = halves[: len(halves) - tail_n]
    scatter_n = max(group, 4)
    rows = x[: len(x) // scatter_n * scatter_n].reshape(-1, scatter_n)
    least = np.maximum(max(4 * sigma, 0.004, 0.6 * line.resolution_a), 0.05 * np.abs(rows.mean(axis=1)))
    jump = max(0.02, 0.08 * sustained, 1.5 * line.resolution_a)
    later = [k for k in levels if k.end_s > begin - 0.5]
    lasting = [k for k in later if k.length_s >= max(LASTING_S, 2 * w)]
    flat = [k for k in lasting if k.length_s >= 4 * w and k.texture_a <= max(3 * sigma, 0.003, 0.04 * k.mean_a)]
    # An edge between two flat levels is no texture, though it scatters in one or two pieces.
    edges = sum(
        b.start_s - a.end_s < LASTING_S and abs(b.mean_a - a.mean_a) > jump for a, b in itertools.pairwise(flat)
    )
    inner = bins.scatter_a[len(bins.scatter_a) - len(x) :][: rows.size].reshape(rows.shape)
    raw = np.maximum(max(4 * line.sigma_a, 0.004, line.resolution_a), 0.06 * np.abs(rows.mean(axis=1)))
    lively = (rows.std(axis=1) > least) | (np.median(inner, axis=1) > raw)
    busy_s = np.count_nonzero(lively) * scatter_n * w - 2 * edges * scatter_n * w
    noticed = base + max(0.008, 5 * line.sigma_a, 2.5 * line.resolution_a)
    run = longest_run((line.current_a > noticed) & after & (line.t_s > line.t_s[0] + INRUSH_S))
    # A single reading may have been any time between two of them.
    spell = max(run - 0.5, 0.0) * line.interval_s
    return Rest(
        begin,
        len(x) * w,
        sustained,
        float(line.current_a[after].max()) if after.any() else sustained,
        float(np.count_nonzero(x > nothing) * w),
        tail_n * group * w,
        float(tail.mean()),
        float(tail.std()),
        sigma,
        float(before.max()) if len(before) else 0.0,
        max(float(busy_s), 0.0),
        sum(abs(b.mean_a - a.mean_a) > jump for a, b in itertools.pairwise(later)),
        spell,
        float(np.count_nonzero(x > max(1.5 * float(tail.mean()), float(tail.mean()) + 0.01)) * w),
        sum(b.mean_a - a.mean_a > jump for a, b in itertools.pairwise(lasting)),
        _dropouts(line, after, nothing),
    )


def longest_run(hits: Bools) -> int:
    """Length of the longest run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], hits, [False]]).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0


def _tail_length(means: np.ndarray[tuple[int], np.dtype[np.float64]], least_a: float) -> int:
    """How many of the last means lie within `TAIL_FRACTION` (or `least_a`) of the level of the last fifth."""
    level = float(np.median(means[-max(len(means) // 5, min(len(means), 3)) :]))
    off = np.flatnonzero(np.abs(means - level) > max(TAIL_FRACTION * abs(level), least_a))
    return len(means) - (int(off[-1]) + 1 if len(off) else 0)


def _dropouts(line: Line, after: Bools, nothing_a: float) -> int:
    """Stretches of less than 0.8 s below a tenth of the usual current, between currents, with the voltage up."""
    i, t = line.current_a[after], line.t_s[after]
    flows = i[i > max(nothing_a, 0.03)]
    if len(flows) < 4 or len(i) < 6 or line.seen_a > 0.3 * float(np.median(flows)):
        return 0
    low = (i < max(line.seen_a, 0.1 * float(np.median(flows)))).astype(np.int8)
    if line.set_v is not None:
        low &= (line.voltage_v[after] > 0.9 * line.set_v).astype(np.int8)
    turns = np.diff(low)
    begins, ends = np.flatnonzero(turns == 1), np.flatnonzero(turns == -1)
    if not len(begins) or not len(ends):
        return 0
    ends = ends[ends > begins[0]]
    n = min(len(begins), len(ends))
    begins, ends = begins[:n], ends[:n]
    # It was at work right before and is so right after: the slow rise of a boot crosses the line too.
    running = 0.3 * float(np.median(flows))
    # The readings at its edges are means with a share of it in them: those beside them tell.
    before = np.maximum(i[begins], i[np.maximum(begins - 1, 0)])
    afterwards = np.maximum(i[np.minimum(ends + 1, len(i) - 1)], i[np.minimum(ends + 2, len(i) - 1)])
    held = (before > running) & (afterwards > running)
    return int(np.count_nonzero(held & (t[ends] - t[begins] < 0.8)))


def _limits(line: Line, start: Start, known: Known) -> tuple[float, float, float]:
    """Time at the limit with the voltage up, s; largest fall of the voltage, and its uncertainty, as shares of the
    setting."""
    steps = np.append(np.diff(line.t_s), line.interval_s)
    first_s = start.first_s if start.first_s is not None else float(line.t_s[0])
    # What is at the limit before the first lasting current did not last.
    charging = line.t_s < first_s + INRUSH_S
    held = line.pinned & ~line.collapsed & ~charging
    limit_s = float(np.minimum(steps, 2 * line.interval_s)[held].sum())
    if line.set_v is None:
        return limit_s, 0.0, 0.0
    volts = line.voltage_v[~line.collapsed & ~charging & (line.current_a > line.seen_a)]
    if len(volts) < 3:
        return limit_s, 0.0, 0.0
    # The second-lowest per cent, so that no single odd reading decides.
    low = float(np.percentile(volts, 2))
    # First differences are blind to the slow changes that the board makes; see `line.noise_sigma`.
    steps_v = np.diff(volts[:: line.repeats])
    sigma_v = SIGMA_PER_MAD / 2**0.5 * float(np.median(np.abs(steps_v))) if len(steps_v) else 0.0
    return limit_s, max(1 - low / line.set_v, 0.0), known.voltage_u(low, seen_step(volts), sigma_v) / line.set_v


def _leak_uncertainty(known: Known, line: Line, start: Start) -> float | None:
    if start.leak_a is None:
        return None
    return known.current_u(start.leak_a, line.resolution_a, line.sigma_a, max(start.leak_readings // line.repeats, 1))
