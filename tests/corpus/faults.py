"""Cases of boards that are at fault from the start: nothing, shorts, leaks, stalls, kicks."""

from __future__ import annotations

import dataclasses
from math import inf

import numpy as np

from benchd.sim.board import Phase
from tests.corpus.bench import Scene, nothing
from tests.corpus.boards import between, boot, rungs, work_s
from tests.corpus.draw import Bench, Case, case, flat, scene, take


def no_draw(b: Bench) -> Case:
    rng = b.rng
    pressed = rng.random() < 0.6
    after_s = rng.uniform(0.8, 14.0)
    s = scene(b, after_s, press=pressed)
    if rng.random() < 0.25:
        shot = take(b, s, nothing())
        standby_a = 0.0
    else:
        load = b.load(bulk_f=between(rng, 1e-9, 300e-6))
        shot = take(b, s, load)
        standby_a = b.volts / load.kind.standby_ohm
    also = ["unclear"] if shot.trace.samples.t_ns.size < 5 or s.end_s < 2.0 else []
    if standby_a > 0.8 * b.family.normal_leak_a:
        also.append("early-leak")
    return case(b, shot, "no-draw", f"stand-by {standby_a:.4f} A, nothing else moves", *also)


def from_the_start(s: Scene) -> Scene:
    """A guard would have tripped before a trace that begins with the short: nobody guarded that one."""
    return dataclasses.replace(s, guarded=False) if s.connect_s < 0 else s


def dead_short(b: Bench) -> Case:
    rng = b.rng
    ohm = between(rng, 0.01, 0.35 * b.volts / b.limit_a)
    pinned_s = between(rng, 0.3, 8.0)
    s = from_the_start(scene(b, 0.0, window_s=pinned_s, press=False))
    if rng.random() < 0.2 and s.connect_s >= 0:
        # The probe before a power-up: so little that nothing conducts.
        end_s = s.connect_s + max(0.3, 4 / b.meter.rate)
        s = dataclasses.replace(s, volts=0.5, limit_a=0.1, end_s=end_s, hold_limit_a=None)
        ohm = between(rng, 0.01, 0.8)
    shot = take(b, s, b.load(short_ohm=ohm))
    volts = s.limit_a * (ohm + s.lead_ohm)
    also = []
    if volts > 0.25 * s.volts:
        also = ["unclear", "limit-sag"]
    if volts > 0.45 * s.volts:
        also.append("early-leak")
    reason = f"{ohm:.3f} Ω from the clip on, {volts:.2f} V of {s.volts} V at the limit; trip: {shot.tripped or 'none'}"
    if not len(shot.trace.samples):
        also.append("unclear")
    return case(b, shot, "dead-short", reason, *also)


def early_leak(b: Bench) -> Case:
    rng = b.rng
    f = b.family
    leak_a = between(rng, f.normal_leak_a, min(0.4 * b.limit_a, 0.8))
    window_s = rng.uniform(0.5, 5.0)
    then = str(rng.choice(["boot", "nothing", "kick", "low", "not pressed"]))
    phases: tuple[Phase, ...] = ()
    after_s = rng.uniform(3.0, 9.0)
    if then == "boot":
        phases = boot(rng, b.scale)
        after_s = work_s(phases) + rng.uniform(2.0, 6.0)
    elif then == "kick":
        phases = (flat("kick", rng.uniform(0.03, 0.15), seconds=rng.uniform(0.2, 0.9)),)
    elif then == "low":
        phases = (*rungs(rng, 0.2)[:1], flat("stalled", rng.uniform(0.045, 0.075)))
    s = scene(b, after_s, window_s=window_s, press=then != "not pressed")
    if leak_a > 0.2 * b.limit_a:
        s = dataclasses.replace(s, hold_limit_a=None)
    load = b.load(phases, leak_ohm=b.volts / leak_a)
    shot = take(b, s, load)
    total_a = leak_a + b.volts / load.kind.standby_ohm
    what = {"boot": "clean-boot", "nothing": "no-draw", "kick": "brief-kick", "low": "low-stall"}.get(then, "no-draw")
    also: list[str] = []
    if total_a < f.odd_leak_a * 1.1 + b.seen_a:
        also = [what, "unclear"]
    if window_s < 1.0 + b.covers_s:
        also += [what, "unclear"]
    if s.marked_s is None and then in ("nothing", "not pressed", "low", "kick"):
        # Flat from the clip on, and nobody says that the button was not pressed: it may be a stall as well.
        also += ["unclear", "low-stall" if total_a < 0.14 else "mid-stall"]
    if s.marked_s is None and then in ("boot", "kick", "low"):
        # What comes before the button may be the first rung of a start, unless the connection is seen apart from it.
        also += ["unclear"] + ([what] if s.connect_s < 0 or not s.says_connected else [])
    if shot.tripped:
        also += ["unclear", "limit-sag"]
    return case(b, shot, "early-leak", f"{total_a:.4f} A for {window_s:.1f} s before the button, then {then}", *also)


def low_stall(b: Bench) -> Case:
    rng = b.rng
    level_a = between(rng, 0.02, 0.14)
    long_s = between(rng, 1.5, 25.0)
    first: tuple[Phase, ...] = ()
    if rng.random() < 0.5:
        first = (Phase("first", rng.uniform(0.15, 1.1), level_a * rng.uniform(0.4, 3.0), 0.02, 0.02),)
    load = b.load((*first, flat("stalled", level_a, ripple=between(rng, 0.004, 0.06))))
    s = scene(b, sum(p.seconds for p in first) + long_s, window_s=rng.uniform(0.8, 5.0))
    shot = take(b, s, load)
    standby_a = b.volts / load.kind.standby_ohm
    also: list[str] = []
    if long_s < 4.0 + b.covers_s:
        also.append("unclear")
    if level_a < 0.038 + standby_a or level_a < 4 * b.seen_a:
        also.append("unclear")
    if level_a > 0.085:
        also += ["unclear", "mid-stall"]
    if s.marked_s is None and (s.connect_s < 0 or level_a - standby_a < 3 * b.seen_a):
        also += ["unclear", "early-leak"] if s.connect_s >= 0 else ["unclear"]
    return case(b, shot, "low-stall", f"{level_a:.4f} A for {long_s:.1f} s", *also)


def mid_stall(b: Bench) -> Case:
    rng = b.rng
    level_a = between(rng, 0.11, min(0.55 * b.limit_a, 0.9))
    long_s = between(rng, 2.0, 20.0)
    steps = rungs(rng, level_a * 1.4)
    steps = [dataclasses.replace(p, level_a=min(p.level_a, 0.9 * level_a)) for p in steps]
    load = b.load((*steps, flat("stalled", level_a, ripple=between(rng, 0.003, 0.05))))
    s = scene(b, sum(p.seconds for p in steps) + long_s)
    shot = take(b, s, load)
    also: list[str] = []
    if long_s < 4.0 + b.covers_s or level_a < 8 * b.seen_a:
        also.append("unclear")
    if level_a < 0.16:
        also += ["unclear", "low-stall"]
    if s.marked_s is None and s.connect_s >= 0 and steps[0].seconds > 0.8:
        also += ["unclear"]
    if sum(p.seconds for p in steps) > 0.4 * long_s:
        also.append("unclear")
    return case(b, shot, "mid-stall", f"up to {level_a:.3f} A, then flat for {long_s:.1f} s", *also)


def brief_kick(b: Bench) -> Case:
    rng = b.rng
    level_a, seconds = between(rng, 0.015, 0.5), between(rng, 0.1, 2.2)
    level_a = min(level_a, 0.5 * b.limit_a)
    kick = Phase("kick", seconds, level_a, level_a * rng.uniform(0, 0.6), 0.02)
    if rng.random() < 0.4:
        half = dataclasses.replace(kick, seconds=seconds / 2)
        phases: tuple[Phase, ...] = (dataclasses.replace(half, level_a=level_a * rng.uniform(0.3, 0.8)), half)
    else:
        phases = (kick,)
    load = b.load(phases)
    quiet_s = rng.uniform(1.0, 9.0)
    s = scene(b, seconds + quiet_s)
    shot = take(b, s, load)
    also: list[str] = []
    if seconds < 1.5 * b.covers_s or level_a < 4 * b.seen_a:
        also += ["unclear", "no-draw"]
    if seconds > 1.3 or quiet_s < 1.5 + b.covers_s:
        also.append("unclear")
    if s.marked_s is None and (s.connect_s < 0 or seconds < 0.25):
        # It might be capacitors that charge.
        also.append("unclear")
    if s.ending in ("removed", "outside", "off") and quiet_s < 2.5:
        also.append("unclear")
    return case(b, shot, "brief-kick", f"{level_a:.3f} A for {seconds:.2f} s, then nothing for {quiet_s:.1f} s", *also)


def late_short(b: Bench) -> Case:
    rng = b.rng
    good_s = float(rng.choice([0.0, between(rng, 0.1, 9.0)], p=[0.25, 0.75]))
    # With less the model's board counts as discharged, and the rail as let go.
    ohm = between(rng, 0.03 / b.limit_a, 0.3 * b.volts / b.limit_a)
    good = [p for p in boot(rng, b.scale) if p.seconds < inf]
    total_s = sum(p.seconds for p in good)
    good = [dataclasses.replace(p, seconds=p.seconds * good_s / total_s) for p in good] if good_s else []
    load = b.load((*good, Phase("short rail", inf, 0.0)), rail_phase="short rail", rail_short_ohm=ohm)
    s = scene(b, good_s + between(rng, 0.4, 5.0))
    shot = take(b, s, load)
    standby_a = b.volts / load.kind.standby_ohm
    volts = s.limit_a * (ohm + s.lead_ohm)
    also: list[str] = []
    ran = good_s > 2 * b.covers_s and good[0].level_a > 3 * b.seen_a
    if not ran and s.marked_s is None:
        # Nothing shows that a board was there before: what is seen is a short after a quiet line.
        also += ["dead-short", "unclear"]
    elif not ran and standby_a < b.seen_a:
        also.append("unclear")
    if volts > 0.25 * s.volts:
        also += ["unclear", "limit-sag"]
    if s.hold_limit_a and s.hold_limit_a < 1.5 * b.scale:
        also.append("unclear")
    if good_s and not shot.starts:
        also.append("unclear")
    why = f"fine for {good_s:.2f} s after the button, then {ohm:.3f} Ω; trip: {shot.tripped or 'none'}"
    return case(b, shot, "late-short", why, *also)


def reversed_board(b: Bench) -> Case:
    """A charged cell the wrong way round: negative volts, or nearly none, with the limit pinned."""
    load = b.load(own_v=-b.rng.uniform(0.5, 1.0) * min(b.volts, 4.2), own_ohm=b.rng.uniform(0.05, 0.4), bulk_f=1e-6)
    s = from_the_start(scene(b, 0.0, window_s=between(b.rng, 0.3, 4.0), press=False))
    shot = take(b, s, load)
    lowest = float(np.min(shot.trace.samples.voltage_v, initial=0.0))
    also = ["dead-short"] if lowest > -0.03 * b.volts else []
    return case(b, shot, "unclear", f"a reversed cell: {lowest:.2f} V at the lowest", *also)
