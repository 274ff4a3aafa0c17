"""Cases of boards that start, whatever becomes of it: clean starts, loops, too much, too little from the bench."""

from __future__ import annotations

import dataclasses
from math import inf

import numpy as np

from benchd.sim.board import Phase
from tests.corpus.boards import Load, between, boot, work_s
from tests.corpus.draw import Bench, Case, case, flat, scene, take
from tests.corpus.meter import draw


def clean_boot(b: Bench) -> Case:
    rng = b.rng
    phases = boot(rng, b.scale)
    idle_s = rng.uniform(2.0, 9.0)
    s = scene(b, work_s(phases) + idle_s)
    by_itself = rng.random() < 0.1
    if by_itself:
        s = dataclasses.replace(s, button_s=None, marked_s=None, auto_s=rng.uniform(0.0, 0.5), hold_limit_a=None)
    shot = take(b, s, b.load(phases))
    also = _small(b, idle_s)
    if by_itself and phases[0].seconds > 0.8:
        # Nothing tells its first rung from what flows before a button.
        also += ["early-leak", "unclear"]
    why = f"starts{' by itself' if by_itself else ''}, {idle_s:.1f} s of idle"
    return case(b, shot, "clean-boot", why, *also)


def _small(b: Bench, idle_s: float) -> list[str]:
    """What else is honest of a start that is small beside what the instrument can see, or was left early."""
    also = []
    if 0.4 * b.scale < 8 * b.seen_a or b.scale < 0.25:
        also.append("unclear")
    if idle_s < 2.5 + b.covers_s:
        also.append("unclear")
    return also


def cut_boot(b: Bench) -> Case:
    """A start that is left, or unclipped, while the board is at work."""
    rng = b.rng
    phases = boot(rng, b.scale, seconds=between(rng, 4.0, 14.0))
    share = rng.uniform(0.15, 0.9)
    s = scene(b, share * work_s(phases))
    shot = take(b, s, b.load(phases))
    also = ["unclear"]
    last, in_it_s = _phase_at(phases, share * work_s(phases))
    if share * work_s(phases) < 2.5:
        also += ["brief-kick", "low-stall", "mid-stall"]
    elif in_it_s > 1.5 and last.burst_a < 0.45 * last.level_a:
        # Hardly any work shows in what it had come to.
        also.append("mid-stall")
    return case(b, shot, "clean-boot", f"a start of which {share:.0%} was waited for", *also)


def _phase_at(phases: tuple[Phase, ...], after_s: float) -> tuple[Phase, float]:
    """The phase that a start is in so long after the button, and since when, s."""
    for phase in phases:
        if after_s < phase.seconds:
            return phase, after_s
        after_s -= phase.seconds
    return phases[-1], after_s


def gives_up(b: Bench) -> Case:
    """It starts, works for some seconds and goes off for good: none of the named shapes."""
    rng = b.rng
    phases = tuple(p for p in boot(rng, b.scale) if p.seconds < inf)
    quiet_s = rng.uniform(2.0, 8.0)
    s = scene(b, work_s(phases) + quiet_s)
    shot = take(b, s, b.load(phases))
    why = f"works for {work_s(phases):.1f} s, then nothing for {quiet_s:.1f} s"
    return case(b, shot, "unclear", why, "brief-kick" if work_s(phases) < 3.0 else "")


def boot_loop(b: Bench) -> Case:
    rng = b.rng
    period_s = between(rng, 0.7, 22.0)
    tries = min(int(rng.integers(1, 9)), max(int(70 / period_s), 1))
    work = [p for p in boot(rng, b.scale * rng.uniform(0.2, 1.1)) if p.seconds < inf]
    pause = between(rng, 0.04, 0.55)
    scale = period_s * (1 - pause) / sum(p.seconds for p in work)
    work = [dataclasses.replace(p, seconds=p.seconds * scale, slot_s=min(p.slot_s, 0.2 * period_s)) for p in work]
    work = work[-int(rng.integers(1, len(work) + 1)) :]
    low_a = float(rng.choice([0.0, 0.012, 0.03])) * min(b.scale, 1.0)
    phases = (*work, flat("reset", low_a, seconds=pause * period_s))
    period_s = sum(p.seconds for p in phases)
    load = b.load(phases, again=True)
    load.sway = float(rng.choice([0.0, 0.03, 0.12]))
    s = scene(b, tries * period_s * rng.uniform(0.98, 1.04), hold_limit_a=None)
    shot = take(b, s, load)
    also: list[str] = []
    seen = shot.starts - 1
    """Whole tries: the last one may have just begun."""
    top_a = max(p.level_a for p in work)
    if seen < 3:
        also.append("unclear")
    if seen < 2:
        also += ["clean-boot", "brief-kick" if period_s < 3 else ""]
    if pause * period_s < 1.2 * b.covers_s or top_a < 8 * b.seen_a or period_s < 6 * b.covers_s:
        also.append("unclear")
    if pause * period_s < 0.7 * b.covers_s:
        also += ["clean-boot", "mid-stall", "loose-contact"]
    why = f"{shot.starts} starts, one every {period_s:.2f} s, {pause * period_s:.2f} s of it the pause"
    return case(b, shot, "boot-loop", why, *also)


def over_draw(b: Bench) -> Case:
    """Once in three as good as its references, else well above them."""
    rng = b.rng
    phases = boot(rng, b.scale)
    factor = float(rng.uniform(1.12, 2.0) if rng.random() < 0.67 else rng.uniform(0.93, 1.05))
    more = tuple(dataclasses.replace(p, level_a=p.level_a * factor, burst_a=p.burst_a * factor) for p in phases)
    limit_a = round(max(b.limit_a, 2.2 * b.scale * factor), 2)
    good = Bench(rng, b.family, b.meter, b.volts, limit_a, b.scale)
    kind = good.kind(phases)
    idle_s = rng.uniform(3.0, 8.0)
    references = []
    for _ in range(int(rng.integers(1, 4))):
        meter = b.meter if rng.random() < 0.6 else draw(rng)
        other = dataclasses.replace(good, meter=dataclasses.replace(meter, told="all"))
        # A good board of the same sort takes a little more or less.
        like = rng.normal(1, 0.02)
        own = tuple(dataclasses.replace(p, level_a=p.level_a * like) for p in phases)
        load = Load(dataclasses.replace(kind, phases=own), int(rng.integers(1 << 30)))
        references.append(take(other, scene(other, work_s(phases) + idle_s), load).trace)
    load = Load(dataclasses.replace(kind, phases=more), int(rng.integers(1 << 30)))
    s = scene(good, work_s(phases) + idle_s)
    shot = take(good, s, load)
    truth = "over-draw" if factor > 1.1 else "clean-boot"
    also = _small(b, idle_s)
    if 1.1 < factor < 1.35:
        also.append("clean-boot")
    made = case(b, shot, truth, f"{factor:.2f} times what its {len(references)} references take", *also)
    return dataclasses.replace(made, references=tuple(references))


def limit_sag(b: Bench) -> Case:
    """The bench cannot give what the board takes: the limit is too low, or the leads are too long."""
    rng = b.rng
    phases = boot(rng, b.scale)
    busy = [p for p in phases if p.name.startswith("work")]
    mean_a = max(p.level_a + 0.4 * p.burst_a for p in busy)
    after_s = work_s(phases) + rng.uniform(2.0, 6.0)
    if rng.random() < 0.35:
        return _long_leads(b, phases, mean_a, after_s)
    # A limit between the mean of the work and its peaks.
    limit_a = round(mean_a * rng.uniform(0.6, 1.05), 2)
    short_of = Bench(rng, b.family, b.meter, b.volts, limit_a, b.scale)
    load = short_of.load(phases, bulk_f=between(rng, 200e-6, 5e-3))
    load.throttle_v = b.volts * rng.uniform(0.82, 0.95)
    load.held = bool(rng.random() < 0.6)
    s = scene(short_of, after_s, hold_limit_a=None, auto_s=rng.uniform(0.2, 1.5) if rng.random() < 0.4 else None)
    if s.auto_s is not None:
        s = dataclasses.replace(s, button_s=None, marked_s=None)
    shot = take(short_of, s, load)
    fell_out = not load.held and (shot.starts > 1 or load.life.value != "running")
    also = ["unclear"] if shot.tripped or fell_out or mean_a < 8 * b.seen_a else []
    if fell_out:
        also += ["boot-loop" if shot.starts > 2 else "brief-kick"]
    at_limit_s = _time_at_limit(shot.trace.samples.current_a, shot.trace.samples.voltage_v, limit_a, b)
    if at_limit_s < 0.25:
        also += ["unclear", "clean-boot"]
    why = f"limit {limit_a} A for peaks of {mean_a:.2f} A, {at_limit_s:.2f} s of readings at it; starts: {shot.starts}"
    return case(b, shot, "limit-sag", f"{why}; trip: {shot.tripped or 'none'}", *also)


def _time_at_limit(amps: np.ndarray, volts: np.ndarray, limit_a: float, b: Bench) -> float:
    at = (amps > 0.95 * limit_a) & (volts > 0.4 * b.volts)
    return float(np.count_nonzero(at)) / b.meter.rate


def _long_leads(b: Bench, phases: tuple[Phase, ...], mean_a: float, after_s: float) -> Case:
    rng = b.rng
    share = rng.uniform(0.08, 0.28)
    """Of the voltage, lost on the leads while it works."""
    sensing = dataclasses.replace(b, meter=dataclasses.replace(b.meter, at_board=True))
    load = sensing.load(phases, brownout_v=0.5 * b.volts)
    s = scene(sensing, after_s, lead_ohm=share * b.volts / mean_a, hold_limit_a=None)
    s = dataclasses.replace(s, limit_a=round(4 * b.limit_a, 2))
    shot = take(sensing, s, load)
    also = ["unclear", "clean-boot"] if share < 0.17 else []
    if shot.tripped or mean_a < 8 * b.seen_a:
        also.append("unclear")
    if load.life.value != "running":
        # A peak took more than such leads can carry, and the board fell out.
        also += ["unclear", "brief-kick"]
    return case(b, shot, "limit-sag", f"the leads take {share:.0%} of the voltage while it works", *also)


def loose_contact(b: Bench) -> Case:
    rng = b.rng
    phases = boot(rng, b.scale)
    after_s = work_s(phases) + rng.uniform(3.0, 8.0)
    s = scene(b, after_s, hold_limit_a=None)
    n = int(rng.integers(2, 10))
    length_s = between(rng, 0.03, 0.6)
    begin_s = (s.button_s or 0.0) + 1.0
    # Not while it is unclipped anyway, and so far apart that each is one.
    at_s = np.sort(rng.uniform(begin_s, s.end_s - 1.0, n))
    opens = [(float(t), float(t + length_s * rng.uniform(0.5, 1.5))) for t in at_s]
    opens = [(t, e) for k, (t, e) in enumerate(opens) if k + 1 == len(opens) or e + 0.25 < opens[k + 1][0]]
    load = b.load(phases)
    load.held = bool(rng.random() < 0.75)
    s = dataclasses.replace(s, opens=tuple(opens), auto_s=rng.uniform(0.05, 0.6) if not load.held else None)
    if s.auto_s is not None:
        s = dataclasses.replace(s, button_s=None, marked_s=None)
    shot = take(b, s, load)
    also = []
    if length_s < b.covers_s or len(opens) < 3:
        also += ["unclear", "clean-boot"] if load.held else ["unclear", "clean-boot", "boot-loop"]
    if not load.held:
        also += ["unclear", "boot-loop"]
    idle = next(p for p in phases if p.seconds == inf)
    if idle.level_a < 5 * b.seen_a or 0.4 * b.scale < 8 * b.seen_a:
        also.append("unclear")
    then = "fed by its own cell meanwhile" if load.held else "and starts anew"
    return case(b, shot, "loose-contact", f"{len(opens)} times open for about {length_s:.2f} s, {then}", *also)
