"""Traces for tests of replays, made of stretches of constant voltage and current."""

from __future__ import annotations

import numpy as np

from benchd.reading import Mode
from benchd.traces.replay import Archived, Part, PowerUp, Trip
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Finding, Trace

START_NS = 1_767_323_045_000_000_000
MS = 1_000_000
CLEAN = Finding("clean-boot", 0.9, ())


def samples(*stretches: tuple[float, float, float], rate: float = 1000.0) -> Samples:
    """Readings from START_NS on: stretches of (seconds, V, A), whose modes are not told."""
    counts = [round(seconds * rate) for seconds, _, _ in stretches]
    n = sum(counts)
    t_ns = START_NS + np.rint(np.arange(n) * 1e9 / rate).astype(np.int64)
    volts = np.repeat([volts for _, volts, _ in stretches], counts).astype(float)
    amps = np.repeat([amps for _, _, amps in stretches], counts).astype(float)
    return Samples(t_ns, volts, amps, np.full(n, Mode.UNKNOWN, np.uint8), np.zeros(n, np.uint8))


def at(seconds: float) -> int:
    return START_NS + round(seconds * 1e9)


def boot(volts: float = 4.0, limit_a: float = 1.0, until_s: float | None = None) -> PowerUp:
    """On at one setting for all of a trace."""
    return PowerUp((Part(START_NS, "boot", volts, limit_a),), None if until_s is None else at(until_s))


def archived(
    readings: Samples,
    power: PowerUp | None = None,
    trip: Trip | None = None,
    finding: Finding | None = CLEAN,
    reference: bool = False,
) -> Archived:
    conditions = Conditions(4.0, 1.0, 0.001, resolution_v=0.001, board="demo-a")
    trace = Trace(readings, START_NS, conditions)
    return Archived("t-1", trace, "R-1", "demo-a", "psu-a", 1, power, None, trip, finding, reference)


BRIEF_SHORT = ((1.0, 4.0, 0.3), (0.03, 0.2, 1.0), (1.0, 4.0, 0.3))
"""A board that runs, a short of 0.2 Ω at 1 A for 30 ms, and runs again."""
