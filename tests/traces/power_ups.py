"""Power-ups of one board, for tests of references: its phases have the same levels each time, give or take a little,
and bursts of their own."""

from __future__ import annotations

import numpy as np

from benchd.traces.trace import Trace
from tests.traces.boards import GRID_S, Board, Curve, Meter, busy, flat, read

WINDOW_S = 2.5
"""From the first reading to the button."""


def good(seed: int, level: float = 1.0, time_jitter: float = 0.03) -> Board:
    """A start that settles after some 8 s: levels within 3 %, times within `time_jitter`."""
    rng = np.random.default_rng([seed, 4711])

    def seconds(usual: float) -> float:
        return usual * rng.uniform(1 - time_jitter, 1 + time_jitter)

    level *= 1 + rng.uniform(-0.03, 0.03)
    parts = [
        flat(WINDOW_S, 0.001),
        flat(seconds(0.5), 0.09 * level),
        busy(rng, seconds(1.0), 0.27 * level, 0.03 * level, 0.05),
        busy(rng, seconds(2.5), 0.5 * level, 0.1 * level, 0.05),
        busy(rng, seconds(4.0), 0.75 * level, 0.15 * level, 0.05),
        busy(rng, 8.0, 0.24 * level, 0.02 * level, 0.1),
    ]
    return Board(np.concatenate(parts), button_s=WINDOW_S)


def stopped(seed: int, at_s: float, level_a: float) -> Board:
    """The same, but from `at_s` after the button on it only draws `level_a`."""
    board = good(seed)
    board.demand_a[round((WINDOW_S + at_s) / GRID_S) :] = level_a
    return board


def trace(board: Board, seed: int, rate: float = 50.0, **meter: float | bool) -> Trace:
    """Readings of it."""
    return read(board, Meter(rate=rate, **meter), seed)  # type: ignore[arg-type]


def flat_trace(current_a: Curve, interval_s: float = 0.2, set_v: float = 5.0) -> Trace:
    """Readings as given, the whole of them the start of something."""
    from benchd.traces.samples import Samples
    from benchd.traces.trace import Conditions, Mark

    n = len(current_a)
    zeros = np.zeros(n, np.uint8)
    t_ns = np.rint(np.arange(n) * interval_s * 1e9).astype(np.int64)
    samples = Samples(t_ns, np.full(n, set_v), np.asarray(current_a, float), zeros, zeros)
    return Trace(samples, 0, Conditions(set_voltage_v=set_v), (Mark("button", 0, "hand"),))
