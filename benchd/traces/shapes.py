"""From features to a score from 0 to 1 for each shape of trace that is known of.

All thresholds stand in one table, so that they can be read from a file one day. Where no source is named they are
common practice, no source.
"""

from __future__ import annotations

import dataclasses
import math

from benchd.traces.features import Features, Rest, Short
from benchd.traces.start import Start

NAMED = ("no-draw", "dead-short", "early-leak", "low-stall", "boot-loop", "clean-boot")
"""The shapes that a finding may be called by today."""
ONLY_NEAR = ("brief-kick", "mid-stall", "late-short", "limit-sag", "loose-contact")
"""Shapes that are told from those above, but not yet well enough to be called by their name."""

TRIPPED_TAKES = 0.8
"""Share of the score that a trip takes from shapes that do not trip."""


@dataclasses.dataclass(frozen=True)
class Thresholds:
    """Pairs are (no longer at all, fully) unless said otherwise."""

    move_a: tuple[float, float] = (0.005, 0.015)
    """A rise after the button that is nothing, and one that is something."""
    leak_first: tuple[float, float] = (0.3, 0.6)
    """Score of an early leak that leaves everything else as it is, and one that puts all else behind it."""
    no_draw_s: tuple[float, float] = (0.2, 1.5)
    """Nothing has to move for so long."""
    not_pressed: float = 0.8
    """Score of a board that draws nothing while nobody has marked a button: it may not have been pressed (estimate, no
    source)."""
    spell_s: tuple[float, float] = (0.03, 0.1)
    """Time with any current: a charging spike, and more than one."""
    open_line: float = 0.75
    """Score of a dead short after a quiet stretch in which nothing shows whether a board was there: it may have come
    with the clip or with the button (estimate, no source)."""
    clip_untold: float = 0.8
    """Score of a leak of which nothing but the later rise tells that it began with the clip (estimate, no source)."""
    ran_a: tuple[float, float] = (0.006, 0.012)
    """Current before a short that a meter's zero explains, and one that only a board does."""
    at_once_s: float = 0.3
    """A short so soon after the first current was there at once."""
    short_share: tuple[float, float] = (0.6, 0.9)
    """Of the readings with current, those with the voltage collapsed."""
    stall_a: tuple[float, float, float, float] = (0.018, 0.035, 0.09, 0.13)
    """Low stall: not below, fully from, fully to, not above. About 0.06 A is the usual one."""
    stall_step_a: tuple[float, float] = (0.7, 0.4)
    """A first step before a low stall, up to 1.3 s long: not above, fully up to."""
    mid_a: tuple[float, float] = (0.11, 0.16)
    """Above a low stall."""
    stall_s: tuple[float, float] = (1.5, 4.0)
    """So long flat."""
    stall_share: tuple[float, float] = (0.4, 0.7)
    """Share of the time after the button that is flat."""
    kick_s: tuple[float, float] = (2.0, 4.0)
    """Drawing for so short that it is fully, and so long that it is no longer, a kick."""
    loop_begins: tuple[float, float] = (2.2, 1.4)
    """First rise of a loop, in periods after the button."""
    boot_top_a: tuple[float, float] = (0.05, 0.12)
    """Highest current of a boot."""
    boot_busy_s: tuple[float, float] = (0.4, 1.5)
    """Time with texture."""
    boot_rungs: tuple[float, float] = (1.5, 3.0)
    """Rises from one lasting level to the next."""
    cut_boot: float = 0.62
    """Score of a boot that is still busy when the trace ends: what comes later is not known (estimate, no source)."""
    settle_s: tuple[float, float] = (0.7, 2.5)
    """Stable at the end for so long."""
    settle_ratio: tuple[float, float] = (0.9, 0.7)
    """Of the highest half second before: not settled, settled."""
    alive_a: tuple[float, float] = (0.004, 0.010)
    """After a boot, a smaller current means that the board has gone off again."""
    limit_s: tuple[float, float] = (0.05, 0.2)
    """Time at the limit with the voltage up."""
    sag: tuple[float, float] = (0.10, 0.16)
    """Fall of the voltage on the leads, share of the setting."""
    dropouts: tuple[float, float] = (0.0, 2.0)


DEFAULT = Thresholds()


def ramp(value: float, low: float, high: float) -> float:
    """0 at `low` and before, 1 at `high` and beyond, straight between; `low` may be the larger."""
    if low == high:
        return float(value >= high)
    return min(max((value - low) / (high - low), 0.0), 1.0)


def scores(f: Features, limits: Thresholds = DEFAULT) -> dict[str, float]:
    """Score of each shape. All 0 when there is nothing to judge."""
    result = dict.fromkeys((*NAMED, *ONLY_NEAR), 0.0)
    if f.start is None or f.rest is None:
        return result
    short, late = short_scores(f, limits)
    result["dead-short"], result["late-short"] = short, late
    open_ = 1 - max(short, late)
    leak = leak_score(f)
    result["early-leak"] = leak * _leak_sureness(f, limits) * open_
    # A leak has to be found before anything after it means much.
    free = open_ * (1 - 0.8 * ramp(result["early-leak"], *limits.leak_first))
    loop = _loop_score(f, limits) * free
    result["boot-loop"] = loop
    free *= 1 - 0.9 * loop
    result["no-draw"] = _no_draw_score(f, leak, limits) * free
    stall, mid = _stall_scores(f, limits)
    result["low-stall"], result["mid-stall"] = stall * free, mid * free
    if f.start.clip_untold:
        # Both rises may belong to one start that stays where it gets to.
        result["mid-stall"] = max(result["mid-stall"], limits.clip_untold * mid * open_)
    if f.start.button_by == "recogniser" and f.start.first_s == f.start.button_s:
        # The first current was taken for the button; it may have been the clip on a board that leaks.
        result["early-leak"] = max(result["early-leak"], 0.4 * result["low-stall"])
    result["brief-kick"] = _kick_score(f, limits) * free
    sag = max(ramp(f.limit_s, *limits.limit_s), ramp(f.sag, *limits.sag))
    loose = ramp(f.rest.dropouts, *limits.dropouts)
    boot = _boot_score(f, f.rest, limits) * free
    # What a higher first step and then a flat few tens of mA look like: not a boot.
    result["clean-boot"] = boot * (1 - 0.8 * sag) * (1 - 0.8 * loose) * (1 - 0.7 * stall)
    running = ramp(f.rest.sustained_a, *limits.boot_top_a) * free
    result["limit-sag"] = sag * running * 0.9
    result["loose-contact"] = loose * running * 0.9
    if f.tripped_s is not None:
        # What had to be switched off is neither nothing nor a good start.
        result["no-draw"] *= 1 - TRIPPED_TAKES
        result["clean-boot"] *= 1 - TRIPPED_TAKES
    return result


def leak_score(f: Features) -> float:
    """How surely what flows before the button is a leak: by the logarithm of the current between the largest normal
    and the least odd one, and 0.5 half-way."""
    if f.start is None or f.start.leak_a is None or f.start.leak_a <= f.normal_leak_a:
        return 0.0
    return ramp(math.log(f.start.leak_a), math.log(f.normal_leak_a), math.log(f.odd_leak_a))


def short_scores(f: Features, limits: Thresholds = DEFAULT) -> tuple[float, float]:
    """Dead short and late short."""
    s = f.short
    if s is None or f.start is None:
        return 0.0, 0.0
    share = ramp(s.share, *limits.short_share)
    pinned = 0.3 + 0.7 * ramp(s.pinned_share, 0.3, 0.8)
    set_v = f.line.set_v
    rising = ramp(s.rise_v / set_v, 0.1, 0.3) if set_v else 0.0
    if not s.to_end and s.share < 0.9:
        # The voltage came back while current flowed: a capacitor was charged, or the source was overtaken for a while.
        share *= 0.3
    whole = share * pinned * (1 - 0.8 * rising)
    if f.tripped_s is not None and f.tripped_s >= s.at_s - limits.at_once_s:
        # The guard judged every reading as it came, and switched off because of this.
        whole = max(whole, share)
    at_once = _at_once(f, s, f.start, limits)
    return whole * at_once, whole * (1 - at_once)


def _at_once(f: Features, s: Short, start: Start, limits: Thresholds) -> float:
    """1: the short was there with the first current; 0: the board had been fine."""
    slack = max(limits.at_once_s, 2 * f.line.interval_s)
    ran_s = s.at_s - (start.first_s if start.first_s is not None else s.at_s)
    if s.before_s <= slack:
        quiet = 1.0
    else:
        # The supply was on and open, or a board was on it and drew next to nothing: hard to tell.
        top_a = max(f.line.seen_a, limits.ran_a[0])
        quiet = (
            (0.0 if s.board_before else limits.open_line)
            * (1 - ramp(s.before_a - s.before_u_a, *limits.ran_a))
            * (1 - ramp(s.before_top_a, top_a, 2 * top_a))
        )
        quiet = min(quiet, 1 - ramp(ran_s, slack, 2 * slack))
    if start.button_by == "hand" and start.button_s is not None and start.button_s <= s.at_s + slack:
        # The button had been pressed with the voltage up: it was fine until then.
        pressed_after_s = start.button_s - float(f.line.t_s[0])
        quiet *= 1 - ramp(pressed_after_s, slack, 2 * slack)
    return quiet


def _leak_sureness(f: Features, limits: Thresholds) -> float:
    assert f.start is not None
    assert f.rest is not None
    start = f.start
    window_s = start.leak_to_s - start.leak_from_s
    seen = ramp(window_s, 0.1, 0.6)
    if start.leak_sure:
        return seen * (limits.clip_untold if start.clip_untold else 1.0)
    # Nothing tells whether the button had been pressed already.
    flat = start.leak_a or 0.0
    in_band = _stall_band(flat, limits)
    return seen * (0.8 - 0.2 * in_band)


def _no_draw_score(f: Features, leak: float, limits: Thresholds) -> float:
    assert f.start is not None
    assert f.rest is not None
    assert f.bins is not None
    base = max(f.start.leak_a or 0.0, 0.0)
    noise = max(4 * f.bins.sigma_a, 1.1 * f.line.resolution_a)
    rise = f.rest.sustained_a - base
    moved = ramp(rise, max(limits.move_a[0], noise), max(limits.move_a[1], 2 * noise))
    moved = max(moved, ramp(f.rest.spell_s, *limits.spell_s))
    standby = ramp(base, 0.006, f.normal_leak_a) if f.normal_leak_a > 0.006 else 0.0
    pressed = 1.0 if f.start.button_by == "hand" else limits.not_pressed
    return pressed * (1 - moved) * (1 - leak) * (1 - 0.3 * standby) * ramp(f.duration_s, *limits.no_draw_s)


def _stall_band(level_a: float, limits: Thresholds) -> float:
    a, b, c, d = limits.stall_a
    return ramp(level_a, a, b) * ramp(level_a, d, c)


def _stall_scores(f: Features, limits: Thresholds) -> tuple[float, float]:
    """Low stall and stall at a few hundred mA."""
    rest, start = f.rest, f.start
    assert rest is not None
    assert start is not None
    # What flows without a button to be seen may be the stall itself.
    base = max(start.leak_a or 0.0, 0.0) if start.leak_sure else 0.0
    texture = max(3 * rest.tail_texture_noise_a, 0.003, 0.7 * f.line.resolution_a)
    flat = ramp(rest.tail_texture_a, 2.5 * texture + 0.08 * rest.tail_a, texture + 0.03 * rest.tail_a)
    long = ramp(rest.tail_s, *limits.stall_s) * ramp(rest.tail_s / max(rest.length_s, 1e-9), *limits.stall_share)
    stays = ramp(rest.tail_a - base, 0.004, 0.012)
    above = max(rest.sustained_a, rest.high_before_tail_a)
    # A brief first step that is higher belongs to it.
    step = ramp(rest.high_s, 2.5, 1.3) * ramp(above, *limits.stall_step_a)
    never_more = max(ramp(above, 3.0 * rest.tail_a, 2.2 * rest.tail_a), step)
    # A flat line without any button could be a leak just as well.
    known = 1.0 if start.button_by == "hand" else 0.78 if start.button_s is not None else 0.55
    low = _stall_band(rest.tail_a, limits) * flat * long * stays * never_more * known
    no_more = ramp(above, 1.5 * rest.tail_a, 1.25 * rest.tail_a)
    mid = ramp(rest.tail_a, *limits.mid_a) * flat * long * stays * no_more
    return low, mid


def _loop_score(f: Features, limits: Thresholds) -> float:
    r = f.repeats
    if r is None:
        return 0.0
    count = {2: 0.4, 3: 0.8}.get(r.count, 1.0)
    even = ramp(r.scatter, 0.35, 0.15)
    # Many even intervals tell as much as the shape of the tries does.
    # A loop loops from the button on; a boot has its regular spells later.
    from_start = ramp(r.first_s / r.period_s, *limits.loop_begins)
    return count * even * from_start * max(ramp(r.height, 0.2, 0.45), ramp(r.count, 3, 6))


def _kick_score(f: Features, limits: Thresholds) -> float:
    rest, start = f.rest, f.start
    assert rest is not None
    assert start is not None
    base = max(start.leak_a or 0.0, 0.0)
    back = ramp(rest.tail_a - base, 0.012, 0.004)
    top = max(rest.high_before_tail_a, rest.sustained_a, rest.peak_a if rest.spell_s > limits.spell_s[1] else 0.0)
    short = ramp(rest.drawn_s, limits.kick_s[1], limits.kick_s[0])
    seen = ramp(top - base, 0.006, 0.015) * ramp(rest.spell_s, *limits.spell_s)
    return seen * short * back * ramp(rest.tail_s, 0.3, 1.0)


def _boot_score(f: Features, rest: Rest, limits: Thresholds) -> float:
    start = f.start
    assert start is not None
    base = max(start.leak_a or 0.0, 0.0)
    top = max(rest.high_before_tail_a, rest.sustained_a)
    # A staircase without texture is unusual, yet a slow meter shows no other.
    lively = max(ramp(rest.busy_s, *limits.boot_busy_s), 0.7 * ramp(rest.rungs, *limits.boot_rungs))
    settled = ramp(rest.tail_s, *limits.settle_s)
    lower = (
        ramp(rest.tail_a / max(rest.high_before_tail_a, 1e-9), *limits.settle_ratio) if rest.high_before_tail_a else 0.0
    )
    # Still busy when the trace ends: a boot as far as it goes.
    course = max(settled * lower, limits.cut_boot * ramp(rest.busy_s, 2.0, 4.0) * ramp(rest.steps, 2.0, 6.0))
    alive = ramp(rest.tail_a - base, *limits.alive_a)
    long = ramp(rest.drawn_s, limits.kick_s[0], limits.kick_s[1])
    return ramp(top, *limits.boot_top_a) * lively * course * alive * long
