"""Cases at 5 V, where no button is: what a plugged-in device or board takes, and its faults there.

Levels: USB 2.0 section 7.2.1 and its suspend-current ECN (2.5 mA, 100 mA, 500 mA), USB 3.2 section 11.4.1 (150 and
900 mA), USB BC 1.2 section 4 (1.5 A), USB Type-C section 4.11 (1.5 A, 3 A).
"""

from __future__ import annotations

import dataclasses
from math import inf

import numpy as np

from benchd.sim.board import Phase
from tests.corpus.bench import Scene
from tests.corpus.boards import Family, between, boot, work_s
from tests.corpus.draw import Bench, Case, bench, case, flat, scene, take
from tests.corpus.faults import from_the_start

PORT = Family("usb", (4.9, 5.2), (0.3, 0.8), (1.0, 3.4), (1e-6, 60e-6), (0.0, 0.002), 0.030, 0.050)


def _port(rng: np.random.Generator, rate: float | None) -> Bench:
    return bench(rng, rate, PORT)


def _plugged(b: Bench, seconds: float, **more: object) -> Scene:
    """It is plugged in, and nobody presses anything."""
    s = scene(b, 0.0, window_s=seconds, press=False, **more)
    by_itself_s = float(b.rng.uniform(0.02, 0.3))
    connect_s = s.connect_s if s.connect_s >= 0 or b.rng.random() < 0.5 else 0.4
    return dataclasses.replace(s, auto_s=by_itself_s, connect_s=connect_s)


def nothing(rng: np.random.Generator, rate: float | None = None) -> Case:
    b = _port(rng, rate)
    draws_a = float(rng.choice([0.0, rng.uniform(0.0002, 0.0024)]))
    load = b.load(standby_ohm=b.volts / draws_a if draws_a else inf)
    seconds = rng.uniform(2.0, 12.0)
    shot = take(b, _plugged(b, seconds), load)
    also = ["no-draw"]
    if b.meter.seen_a > 0.004 or abs(b.meter.offset_a) > 0.001:
        also.append("unclear")
    return case(b, shot, "usb-nothing", f"{draws_a:.4f} A at {b.volts} V", *also)


def unconfigured(rng: np.random.Generator, rate: float | None = None) -> Case:
    b = _port(rng, rate)
    level_a = between(rng, 0.02, 0.095)
    seconds = rng.uniform(2.5, 15.0)
    load = b.load((flat("attached", level_a, ripple=rng.uniform(0.01, 0.2)),), standby_ohm=inf)
    shot = take(b, _plugged(b, seconds), load)
    also = ["low-stall"]
    if level_a < 5 * b.seen_a:
        also.append("unclear")
    return case(b, shot, "usb-unconfigured", f"{level_a:.3f} A for {seconds:.1f} s at {b.volts} V", *also)


def enumerated(rng: np.random.Generator, rate: float | None = None) -> Case:
    b = _port(rng, rate)
    level_a = between(rng, 0.16, 0.85)
    first_s = between(rng, 0.1, 2.5)
    seconds = rng.uniform(3.0, 14.0)
    ripple = float(rng.choice([0.01, 0.05, 0.3]))
    load = b.load((flat("attached", rng.uniform(0.03, 0.095), 0.1, first_s), flat("configured", level_a, ripple)))
    shot = take(b, _plugged(b, first_s + seconds), load)
    also = ["unclear"] if seconds < 4.0 else []
    if ripple < 0.1:
        also.append("mid-stall")
    else:
        also.append("clean-boot")
    if abs(level_a * (1 + ripple) - 0.5) < 0.1 or level_a > 0.8:
        also.append("unclear")
    return case(b, shot, "usb-enumerated", f"{level_a:.3f} A after {first_s:.1f} s at {b.volts} V", *also)


def charging(rng: np.random.Generator, rate: float | None = None) -> Case:
    b = _port(rng, rate)
    level_a = float(rng.choice([between(rng, 1.02, 1.5), between(rng, 1.6, 3.0)]))
    b = dataclasses.replace(b, limit_a=round(level_a * rng.uniform(1.2, 1.6), 2))
    steps = [flat("attached", rng.uniform(0.05, 0.095), 0.1, between(rng, 0.2, 2.0))]
    if rng.random() < 0.5:
        steps.append(flat("configured", rng.uniform(0.3, 0.5), 0.05, between(rng, 0.3, 2.0)))
    load = b.load((*steps, flat("charging", level_a, 0.03)))
    seconds = rng.uniform(4.0, 14.0)
    shot = take(b, _plugged(b, sum(p.seconds for p in steps) + seconds), load)
    return case(b, shot, "usb-charging", f"{level_a:.2f} A at {b.volts} V", "mid-stall")


def shorted(rng: np.random.Generator, rate: float | None = None) -> Case:
    b = _port(rng, rate)
    ohm = between(rng, 0.02, 0.2 * b.volts / b.limit_a)
    s = from_the_start(scene(b, 0.0, window_s=between(rng, 0.3, 6.0), press=False))
    shot = take(b, s, b.load(short_ohm=ohm))
    also = ["unclear"] if s.limit_a * (ohm + s.lead_ohm) > 0.25 * b.volts else []
    return case(b, shot, "dead-short", f"{ohm:.3f} Ω at {b.volts} V", *also)


def loop(rng: np.random.Generator, rate: float | None = None) -> Case:
    """A logo that comes and goes."""
    b = _port(rng, rate)
    high_a, low_a = rng.uniform(0.2, 0.9), rng.uniform(0.0, 0.09)
    on_s, off_s = between(rng, 0.8, 7.0), between(rng, 0.5, 5.0)
    tries = int(rng.integers(3, 8))
    phases = (
        Phase("low", off_s, low_a, low_a * 0.1, 0.05),
        Phase("high", on_s, high_a, high_a * rng.uniform(0.05, 0.5), 0.05),
    )
    load = b.load(phases, again=True)
    load.sway = float(rng.choice([0.0, 0.05]))
    shot = take(b, _plugged(b, tries * (on_s + off_s) * 1.02), load)
    also = ["unclear"] if shot.starts < 4 or min(on_s, off_s) < 2 * b.covers_s else []
    return case(b, shot, "boot-loop", f"{shot.starts} times, every {on_s + off_s:.1f} s, at {b.volts} V", *also)


def computer(rng: np.random.Generator, rate: float | None = None) -> Case:
    """A small computer that is fed with 5 V and starts by itself."""
    b = _port(rng, rate)
    phases = boot(rng, b.scale)
    idle_s = rng.uniform(3.0, 8.0)
    shot = take(b, _plugged(b, work_s(phases) + idle_s), b.load(phases))
    return case(b, shot, "clean-boot", f"starts by itself at {b.volts} V", "usb-enumerated", "usb-charging", "unclear")
