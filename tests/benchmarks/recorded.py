"""Readings as a supply gives them, for figures of the log: power-ups of the corpus, each with its noise and clock."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import numpy as np

from benchd.reading import Block
from benchd.traces.samples import Samples
from tests.corpus.cases import make

T0 = 1_767_323_045_678_901_234
NOISE_A, STEP_A = 0.0003, 4
NOISE_V, STEP_V = 0.0005, 3
"""On top of the corpus' own, so that no two power-ups are alike: some steps of 0.1 mA and 1 mV (places of decimals)."""
LATE_S = 0.0001
"""How unevenly a computer asks, one standard deviation; as seen with the simulated supply on a machine of two cores."""


def bank(size: int, rate: float) -> list[Samples]:
    """So many different power-ups of the corpus, as they would be read at that rate."""
    return [make(3000 + n, rate).trace.samples for n in range(size)]


def power_up(of: Samples, rng: np.random.Generator, start_ns: int, rate: float) -> Samples:
    """One of the bank as it would come another time: other noise, and asked at other moments, to the ns."""
    n = len(of)
    grid = np.arange(n) * (1e9 / rate)
    late = np.abs(rng.normal(0, LATE_S * 1e9, n))
    t_ns = start_ns + np.maximum.accumulate(np.round(grid + late).astype(np.int64))
    volts = np.round(of.voltage_v + rng.normal(0, NOISE_V, n), STEP_V) + 0.0
    amps = np.round(of.current_a + rng.normal(0, NOISE_A, n), STEP_A) + 0.0
    return Samples(t_ns, volts, amps, of.mode, of.flags)


def of_length(bank: list[Samples], rng: np.random.Generator, start_ns: int, rate: float, readings: int) -> Samples:
    """So many readings: power-ups of the bank, one behind the other."""
    parts, have = [], 0
    while have < readings:
        part = bank[int(rng.integers(len(bank)))]
        parts.append(power_up(part, rng, start_ns + round(have * 1e9 / rate), rate))
        have += len(part)
    return Samples.concat(parts)[:readings]


def block_of(samples: Samples, supply: str = "bench-psu", channel: int = 1) -> Block:
    """As the guard would send them."""
    return Block(
        supply,
        channel,
        samples.t_ns.tobytes(),
        samples.voltage_v.tobytes(),
        samples.current_a.tobytes(),
        samples.mode.tobytes(),
        samples.flags.tobytes(),
        400_000,
    )


def commits(samples: Samples, every_ns: int = 250_000_000) -> Iterator[Samples]:
    """In the parts that are committed together."""
    edges = np.arange(samples.t_ns[0], samples.t_ns[-1] + every_ns + 1, every_ns)
    places = np.searchsorted(samples.t_ns, edges)
    for start, end in itertools.pairwise(places):
        if end > start:
            yield samples[int(start) : int(end)]
