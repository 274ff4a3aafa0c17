"""Quantities that a card looks at and that are put together from several features."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import numpy as np

from benchd.traces.falls import unevenness
from benchd.traces.features import Features, Rest, Short
from benchd.traces.line import Line
from benchd.traces.repeats import Repeats
from benchd.traces.start import LEAST_LIKE_A, LIKE, Bins, Start

if TYPE_CHECKING:
    from benchd.traces.against import Against, Ratio

AT_ONCE_S = 0.3
"""A short so soon after the first current was there at once (common practice, no source)."""
RAN_A = (0.006, 0.012)
"""Current before a short that a meter's zero explains, and one that only a board does (common practice, no source)."""
OPEN_LINE = 0.75
"""How surely a short after a quiet stretch, in which nothing shows whether a board was there, was there at once: it may
have come with the clip or with the button (estimate, no source)."""
HELD = 0.95
"""Share of the setting from which on the voltage has not given way (common practice, no source)."""
LONGEST_PAUSE = 0.9
"""Share of a repetition's period that its pauses may have (common practice, no source)."""
SHORT_RULES = ("short",)
"""Rules of the guard that say that a short was met."""


@dataclasses.dataclass(frozen=True, slots=True)
class Whole:
    """A trace in which the output was on, measured; what else is known of it."""

    f: Features
    line: Line
    bins: Bins
    start: Start
    rest: Rest
    short: Short | None
    repeats: Repeats | None
    trip_rule: str = ""
    against: Against | None = None
    """Its comparison with the references of its board; None: there are none."""


def clamp(value: float, low: float, high: float) -> float:
    """0 at `low` and before, 1 at `high` and beyond, straight between; `low` may be the larger."""
    return min(max((value - low) / (high - low), 0.0), 1.0)


def leads_known(w: Whole) -> float:
    """Whether what the leads have is known: 0 or 1."""
    return float(w.f.known.lead_ohm is not None)


def lead_drop_v(w: Whole) -> float | None:
    """What the leads take at the highest lasting current, V (Ohm's law); None: not known what they have."""
    ohm = w.f.known.lead_ohm
    return None if ohm is None else ohm * w.rest.sustained_a


def lead_drop_u(w: Whole) -> float:
    """Its expanded uncertainty (k = 2) by that of the leads, V."""
    return w.f.known.lead_u_ohm * w.rest.sustained_a


def board_sag(w: Whole) -> float | None:
    """Per cent of the setting."""
    return None if w.f.board_sag is None else 100 * w.f.board_sag


def short_board_ohm(w: Whole) -> float | None:
    """What the short itself has, Ω, not below 0; None without a short, or where the leads are not known."""
    ohm = w.f.known.lead_ohm
    return None if w.short is None or ohm is None else max(w.short.ohm - ohm, 0.0)


def base_a(w: Whole) -> float:
    """What flows before the button, A; 0 where that could not be seen."""
    return max(w.start.leak_a or 0.0, 0.0)


def lowest_v(w: Whole) -> float | None:
    """Lowest voltage while current flows, the lowest two readings of a hundred left out, V."""
    flows = np.abs(w.line.current_a) > w.line.seen_a
    return float(np.percentile(w.line.voltage_v[flows], 2)) if flows.any() else None


def backwards(w: Whole) -> float:
    """Readings with a current below zero, %."""
    return 100 * w.f.backwards_share


def unusable(w: Whole) -> float:
    """Readings that could not be used, %."""
    return 100 * w.line.sound.lost_share


def blur_a(w: Whole) -> float:
    """What four standard deviations of the noise, or one step of the reading, look like, A."""
    return max(4 * w.bins.sigma_a, 1.1 * w.line.resolution_a)


def rise_clear_a(w: Whole) -> float:
    """The lasting rise over what flowed before, less what noise and step beyond 5 mA may have made of it, A."""
    return w.rest.sustained_a - base_a(w) - max(blur_a(w) - 0.005, 0.0)


def leak_excess(w: Whole) -> float:
    """Where the current before the button lies between the largest normal and the least odd one, by its logarithm: 0
    to 1. What the meter reads with the output off is no leak."""
    f = w.f
    leak_a = (w.start.leak_a or 0.0) - max(w.line.zero_a, 0.0)
    if leak_a <= f.normal_leak_a:
        return 0.0
    return clamp(math.log(leak_a), math.log(f.normal_leak_a), math.log(f.odd_leak_a))


def leak_is_pause(w: Whole) -> float:
    """1: what flows before the recognised button is as low as the pauses of the repetition that follows, and no longer
    than one may be, so that it may be one of them."""
    if w.repeats is None or w.start.leak_a is None or w.start.button_by == "hand":
        return 0.0
    begin_s, end_s = w.start.first_s, w.start.button_s
    if begin_s is not None and end_s is not None and end_s - begin_s > LONGEST_PAUSE * w.repeats.period_s:
        return 0.0
    return float(abs(w.start.leak_a - w.repeats.low_a) <= max(LEAST_LIKE_A, LIKE * w.start.leak_a))


def leak_held(w: Whole) -> float | None:
    """Of the readings that the leak is taken from, those with the voltage at 90 % of its setting or more, %. Where it
    is down the supply limits, and the board would take more."""
    if w.start.leak_a is None or not w.line.set_v:
        return None
    t_s = w.line.t_s
    volts = w.line.voltage_v[(t_s >= w.start.leak_from_s) & (t_s <= w.start.leak_to_s)]
    return 100 * float(np.mean(volts >= 0.9 * w.line.set_v)) if len(volts) else None


def height_a(w: Whole) -> float:
    """Highest lasting current: over some bins, or over half a second before the stable end, A."""
    return max(w.rest.sustained_a, w.rest.high_before_tail_a)


def tail_above_leak_a(w: Whole) -> float:
    """The stable end over what flowed before the button, A. What flows without a button to be seen may be the stall
    itself, and is not taken off."""
    return w.rest.tail_a - (base_a(w) if w.start.leak_sure else 0.0)


def tail_roughness(w: Whole) -> float:
    """Scatter of the stable end over what noise, step and 3 % of the level make of a flat one."""
    flat = max(3 * w.rest.tail_texture_noise_a, 0.003, 0.7 * w.line.resolution_a) + 0.03 * max(w.rest.tail_a, 0.0)
    return w.rest.tail_texture_a / flat


def kick_top_a(w: Whole) -> float:
    """Highest current over what flowed before; a single reading counts where more than a spike was seen, A."""
    peak = w.rest.peak_a if w.rest.spell_s > 0.1 else 0.0
    return max(height_a(w), peak) - base_a(w)


def tail_u(w: Whole) -> float:
    """Expanded uncertainty of the mean of the stable end, A."""
    readings = round(w.rest.tail_s / w.line.interval_s / w.line.repeats) if w.line.interval_s else 1
    return w.f.known.current_u(w.rest.tail_a, w.line.resolution_a, w.line.sigma_a, max(readings, 1))


def short_share(w: Whole) -> float | None:
    """Of the readings with current, those with the voltage collapsed, %."""
    return 100 * w.short.share if w.short else None


def short_stays(w: Whole) -> float | None:
    """1: the voltage did not come back while current flowed. Else a capacitor was charged, or the source was overtaken
    for a while."""
    return float(w.short.to_end or w.short.share >= 0.9) if w.short else None


def short_rise(w: Whole) -> float | None:
    """How far the voltage rose during it, as a share of the setting."""
    if w.short is None:
        return None
    return w.short.rise_v / w.line.set_v if w.line.set_v else 0.0


def tripped_by_short(w: Whole) -> float:
    """1: the guard judged every reading as it came, and cut because of a short; 0 too where it cut because the limit
    was held for too long with the voltage up."""
    if w.f.tripped_at_limit:
        return 0.0
    if w.trip_rule in SHORT_RULES:
        return 1.0
    cut = w.f.tripped_s is not None and w.short is not None and w.f.tripped_s >= w.short.at_s - AT_ONCE_S
    return float(cut and not w.trip_rule)


def told_short(w: Whole) -> float:
    """1: the guard's mark says that it cut because of a short, and the voltage was not up all the while."""
    return float(w.trip_rule in SHORT_RULES and not w.f.tripped_at_limit)


def tail_liveliness(w: Whole) -> float | None:
    """What the board itself moves by at the end, noise taken off, over the level."""
    rough_a = w.rest.tail_rough_a
    return rough_a / w.rest.tail_a if rough_a is not None and w.rest.tail_a > 0 else None


def short_at_once(w: Whole) -> float | None:
    """1: the short was there with the first current; 0: the board had been fine."""
    s, start, line = w.short, w.start, w.line
    if s is None:
        return _cut_at_once(w)
    slack = max(AT_ONCE_S, 2 * line.interval_s)
    ran_s = s.at_s - (start.first_s if start.first_s is not None else s.at_s)
    if _ran_before(line, s):
        return 0.0
    if s.before_s <= slack:
        quiet = 1.0
    else:
        # The supply was on and open, or a board was on it and drew next to nothing: hard to tell.
        top_a = max(line.seen_a, RAN_A[0])
        quiet = (
            (0.0 if s.board_before else OPEN_LINE)
            * (1 - clamp(s.before_a - s.before_u_a, *RAN_A))
            * (1 - clamp(s.before_top_a, top_a, 2 * top_a))
        )
        quiet = min(quiet, 1 - clamp(ran_s, slack, 2 * slack))
    if start.button_by == "hand" and start.button_s is not None and start.button_s <= s.at_s + slack:
        # The button had been pressed with the voltage up: it was fine until then.
        pressed_after_s = start.button_s - float(line.t_s[0])
        quiet *= 1 - clamp(pressed_after_s, slack, 2 * slack)
    return quiet


def _ran_before(line: Line, s: Short) -> bool:
    """A reading of a current that is no zero error, with the voltage up. Not the last one before the short: voltage and
    current of a reading need not be taken at one moment. Of a mean with a share of the short in it, the voltage lacks
    the same share."""
    onset = max(int(np.searchsorted(line.t_s, s.at_s)) - line.repeats, 0)
    volts, amps = line.voltage_v[:onset], line.current_a[:onset]
    runs = (volts > HELD * (line.set_v or math.inf)) & (amps > max(line.seen_a, RAN_A[1], (1 - HELD) * 2 * s.current_a))
    return bool(runs.any())


def _cut_at_once(w: Whole) -> float | None:
    """The same where the guard cut before a reading of the short was kept."""
    if w.f.tripped_s is None:
        return None
    slack = max(AT_ONCE_S, 2 * w.line.interval_s)
    on_s = w.f.tripped_s - float(w.line.t_s[0])
    ran_s = w.f.tripped_s - w.start.first_s if w.start.first_s is not None else 0.0
    if ran_s > slack:
        return 0.0
    return 1.0 if on_s <= slack else OPEN_LINE


def first_fall_s(w: Whole) -> float | None:
    """When the current first fell to nothing amid work while the voltage stayed, s."""
    return next((x.at_s for x in w.rest.falls if x.amid_work and not x.starved), None)


def last_fall_s(w: Whole) -> float | None:
    """When it last did, s."""
    return next((x.at_s for x in reversed(w.rest.falls) if x.amid_work and not x.starved), None)


def fall_scatter(w: Whole) -> float | None:
    """How uneven the times between falls to nothing are; None with fewer than three."""
    return unevenness(w.rest.falls)


def standby_share(w: Whole) -> float:
    """What flows before the button, between 6 mA and the largest normal current there: 0 to 1."""
    return clamp(base_a(w), 0.006, w.f.normal_leak_a) if w.f.normal_leak_a > 0.006 else 0.0


def references(w: Whole) -> float:
    """How many traces of good boards it can be compared with."""
    return 0.0 if w.against is None or w.against.why_not else float(w.against.references)


def over(ratio: Ratio | None) -> float | None:
    """A mean current over that of the references."""
    return ratio.ratio if ratio else None


def over_clear(ratio: Ratio | None) -> float | None:
    """By how many of its expanded uncertainties that ratio is above 1; good boards differ by less than one."""
    return (ratio.ratio - 1) / ratio.u if ratio and ratio.u > 0 else None


def over_u(ratio: Ratio | None) -> float | None:
    """Expanded uncertainty (k = 2) of that ratio."""
    return ratio.u if ratio else None
