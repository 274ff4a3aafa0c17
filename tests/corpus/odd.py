"""Cases that are none of the named shapes, or say too little: an honest reading does not name them."""

from __future__ import annotations

import dataclasses
from math import inf

import numpy as np

from benchd.sim.board import Phase
from benchd.traces.samples import Samples
from tests.corpus.boards import between, boot, work_s
from tests.corpus.draw import Bench, Case, case, flat, scene, take


def _cut(made: Case, truth: str, reason: str, from_i: int, to_i: int, *also: str) -> Case:
    s = made.trace.samples
    trace = dataclasses.replace(
        made.trace,
        samples=s[from_i:to_i],
        marks=tuple(m for m in made.trace.marks if to_i <= from_i or m.t_ns <= int(s.t_ns[min(to_i, len(s)) - 1])),
    )
    return dataclasses.replace(made, trace=trace, truth=truth, reason=reason, accept=frozenset((truth, *also)))


def few_readings(b: Bench) -> Case:
    """The file was cut off after some readings of a board that starts."""
    phases = boot(b.rng, b.scale)
    s = scene(b, 1.0, ending="time")
    made = case(b, take(b, s, b.load(phases)), "unclear", "")
    n = int(b.rng.integers(0, 5))
    first = int(b.rng.integers(0, max(len(made.trace.samples) - n, 1)))
    return _cut(made, "unclear", f"{n} readings of a start", first, first + n, "no-draw" if n > 2 else "")


def settled_only(b: Bench) -> Case:
    """Recording began when the board had long been idle: its start is not in the trace."""
    phases = (Phase("idle", inf, level := 0.25 * b.scale + 0.2, level * b.rng.uniform(0.05, 0.4), 0.1),)
    s = scene(b, 0.0, window_s=b.rng.uniform(3.0, 15.0), press=False, switched=False)
    s = dataclasses.replace(s, connect_s=-1.2, auto_s=0.1, ending="time")
    shot = take(b, s, b.load(phases))
    return case(b, shot, "unclear", f"idles at {level:.2f} A all the time", "mid-stall", "early-leak", "clean-boot")


def two_tries(b: Bench) -> Case:
    """Twice up and down again: not yet a loop."""
    on_s, off_s = b.rng.uniform(1.5, 6.0), b.rng.uniform(1.0, 4.0)
    one = Phase("try", on_s, 0.5 * b.scale, 0.3 * b.scale, 0.05)
    pause = flat("pause", 0.0, 0.0, off_s)
    load = b.load((one, pause, one, pause))
    s = scene(b, 2 * (on_s + off_s) + b.rng.uniform(0.5, 6.0), ending="time")
    return case(b, take(b, s, load), "unclear", f"two tries of {on_s:.1f} s", "boot-loop")


def creeping(b: Bench) -> Case:
    """The current creeps up and up, as a part that gets hot draws it."""
    n = 25
    levels = np.linspace(0.05, 0.7, n) ** b.rng.uniform(0.7, 2.0) * b.scale
    seconds = b.rng.uniform(8.0, 25.0)
    phases = tuple(flat(f"step {k}", float(a), 0.01, seconds / n) for k, a in enumerate(levels))
    s = scene(b, seconds - 0.2, ending="time")
    also = ["early-leak"] if s.marked_s is None else []
    shot = take(b, s, b.load(phases))
    why = f"creeps up to {levels[-1]:.2f} A in {seconds:.0f} s"
    return case(b, shot, "unclear", why, "clean-boot", "mid-stall", *also)


def cell_charged(b: Bench) -> Case:
    """A cell the right way round is on the leads: it takes the limit while the voltage stays between."""
    b = dataclasses.replace(b, volts=round(b.rng.uniform(4.0, 4.4), 2))
    load = b.load(own_v=b.rng.uniform(3.2, 3.7), own_ohm=b.rng.uniform(0.08, 0.4), bulk_f=1e-6)
    s = scene(b, 0.0, window_s=between(b.rng, 1.0, 10.0), press=False, guarded=False)
    shot = take(b, s, load)
    return case(b, shot, "unclear", "a cell is being charged", "limit-sag", "early-leak", "mid-stall")


def lost_numbers(b: Bench) -> Case:
    """A clean start of which a fifth of the readings are no numbers."""
    phases = boot(b.rng, b.scale)
    s = scene(b, work_s(phases) + b.rng.uniform(4.0, 8.0), ending="time")
    made = case(b, take(b, s, b.load(phases)), "clean-boot", "a fifth of the readings are not a number", "unclear")
    old = made.trace.samples
    lost = b.rng.random(len(old)) < 0.2
    amps = np.where(lost, np.nan, old.current_a)
    volts = np.where(lost & (b.rng.random(len(old)) < 0.7), np.nan, old.voltage_v)
    samples = Samples(old.t_ns, volts, amps, old.mode, old.flags)
    return dataclasses.replace(made, trace=dataclasses.replace(made.trace, samples=samples))
