"""Boards for tests: what a bench supply would read while one of them is powered.

The current a board asks for is drawn on a grid of 1 ms, then the source limits it, the leads drop it, and the meter
averages over its interval, adds noise, rounds, repeats itself and is asked at uneven times.
"""

from __future__ import annotations

import dataclasses

import numpy as np
from numpy.typing import NDArray

from benchd.reading import Mode
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Mark, Trace

GRID_S = 0.001
Curve = NDArray[np.float64]


@dataclasses.dataclass(frozen=True)
class Meter:
    """How the readings are taken. Rates per s, A, V, s."""

    rate: float = 50.0
    resolution_a: float = 0.001
    noise_a: float = 0.001
    jitter: float = 0.1
    """Share of the interval by which readings come early or late."""
    update_rate: float | None = None
    """The instrument measures only so often and repeats itself in between."""
    set_voltage_v: float = 4.0
    limit_a: float = 2.0
    lead_ohm: float = 0.08
    offset_a: float = 0.0
    tell_conditions: bool = True
    tell_button: bool = True
    tell_mode: bool = False


@dataclasses.dataclass
class Board:
    """A demand for current over time. `short_ohm` where not 0: a resistance to ground from then on."""

    demand_a: Curve
    button_s: float | None = None
    short_ohm: Curve | None = None
    off_s: float | None = None
    on_s: float = 0.0

    @property
    def length_s(self) -> float:
        return len(self.demand_a) * GRID_S


def flat(seconds: float, level_a: float) -> Curve:
    return np.full(max(round(seconds / GRID_S), 1), level_a)


def busy(rng: np.random.Generator, seconds: float, level_a: float, swing_a: float, burst_s: float = 0.12) -> Curve:
    """Work of a processor: levels that change every `burst_s` or so."""
    curve = flat(seconds, level_a)
    at = 0
    while at < len(curve):
        length = max(int(rng.exponential(burst_s) / GRID_S), 5)
        curve[at : at + length] += rng.uniform(-swing_a, swing_a)
        at += length
    return np.maximum(curve, 0.0)


def inrush(curve: Curve, peak_a: float = 1.5, tau_s: float = 0.004) -> Curve:
    out = curve.copy()
    k = np.arange(min(len(out), 40))
    out[: len(k)] += peak_a * np.exp(-k * GRID_S / tau_s)
    return out


def boot(rng: np.random.Generator, scale: float = 1.0, idle_s: float = 12.0) -> Curve:
    """Staircase, busy phase, idle."""
    u = rng.uniform
    return np.concatenate(
        [
            flat(u(0.2, 0.9), scale * u(0.06, 0.12)),
            busy(rng, u(0.6, 1.8), scale * u(0.2, 0.35), scale * 0.04),
            busy(rng, u(1.5, 4.0), scale * u(0.4, 0.6), scale * 0.15),
            busy(rng, u(3.0, 9.0), scale * u(0.65, 0.85), scale * 0.3),
            busy(rng, u(1.5, 4.0), scale * u(0.4, 0.5), scale * 0.15),
            busy(rng, idle_s, scale * u(0.18, 0.3), scale * 0.02, 0.3),
        ]
    )


def read(board: Board, meter: Meter, seed: int = 0) -> Trace:
    """The trace a supply would give of this board."""
    rng = np.random.default_rng([seed, 77])
    wanted = board.demand_a
    grid = np.arange(len(wanted)) * GRID_S
    current = np.minimum(wanted, meter.limit_a)
    volts = (
        meter.set_voltage_v - meter.lead_ohm * 0.0 - np.where(wanted > meter.limit_a, 0.35 * meter.set_voltage_v, 0.0)
    )
    if board.short_ohm is not None:
        shorted = board.short_ohm > 0
        ohm = board.short_ohm + meter.lead_ohm
        amps = np.minimum(meter.set_voltage_v / np.maximum(ohm, 1e-3), meter.limit_a)
        current = np.where(shorted, amps, current)
        volts = np.where(shorted, np.minimum(amps * ohm, meter.set_voltage_v), volts)
    off = grid < board.on_s
    if board.off_s is not None:
        off |= grid >= board.off_s
    current, volts = np.where(off, 0.0, current), np.where(off, 0.0, volts)
    limited = (current >= 0.999 * meter.limit_a) & ~off

    interval = 1 / meter.rate
    n = int(board.length_s * meter.rate)
    times = (np.arange(n) + rng.uniform(-0.5, 0.5, n) * meter.jitter) * interval + interval
    times = times[times < board.length_s]
    measured = times
    if meter.update_rate:
        measured = np.maximum(np.floor(times * meter.update_rate) / meter.update_rate, 1 / meter.update_rate)
        interval = 1 / meter.update_rate
    sums_i, sums_v = np.concatenate([[0], np.cumsum(current)]), np.concatenate([[0], np.cumsum(volts)])
    b = np.clip((measured / GRID_S).astype(int), 1, len(current))
    a = np.clip(b - max(int(interval / GRID_S), 1), 0, b - 1)
    noise = rng.normal(0, 1, len(times))
    if meter.update_rate:
        noise = rng.normal(0, 1, b.max() + 1)[b]
    i = (sums_i[b] - sums_i[a]) / (b - a) + noise * meter.noise_a + meter.offset_a
    v = (sums_v[b] - sums_v[a]) / (b - a) + noise * 0.001
    if meter.resolution_a:
        i = np.rint(i / meter.resolution_a) * meter.resolution_a
    mode = np.zeros(len(times), np.uint8)
    if meter.tell_mode:
        mode = np.where(off[b - 1], Mode.OFF, np.where(limited[b - 1], Mode.CC, Mode.CV)).astype(np.uint8)
    samples = Samples(
        np.rint(times * 1e9).astype(np.int64), np.rint(v * 1e3) / 1e3, np.round(i, 7), mode, np.zeros_like(mode)
    )
    conditions = (
        Conditions(meter.set_voltage_v, meter.limit_a, meter.resolution_a) if meter.tell_conditions else Conditions()
    )
    marks: tuple[Mark, ...] = ()
    if meter.tell_button and board.button_s is not None:
        marks = (Mark("button", round(board.button_s * 1e9), "hand"),)
    return Trace(samples, 0, conditions, marks)


# ---- boards, one function a signature; each takes its own random numbers --------------------------------------------


def no_draw(rng: np.random.Generator, scale: float = 1.0) -> Board:
    return Board(flat(rng.uniform(6, 20), rng.choice([0.0, 0.0005, 0.001, 0.003])), button_s=rng.uniform(2, 4))


def dead_short(rng: np.random.Generator, scale: float = 1.0) -> Board:
    before, pinned = rng.choice([0.0, 2.0]), rng.choice([0.4, 1.0, 4.0])
    after = rng.choice([0.0, 1.0])
    demand = flat(before + pinned + after, 0.0)
    grid = np.arange(len(demand)) * GRID_S
    short = np.where(grid >= before, rng.uniform(0.03, 0.2), 0.0)
    return Board(demand, short_ohm=short, off_s=before + pinned if after else None)


def early_leak(rng: np.random.Generator, scale: float = 1.0) -> Board:
    level = scale * rng.uniform(0.035, 0.25)
    before, window = rng.choice([0.0, 2.0]), rng.uniform(2.5, 6.0)
    then = rng.choice(["boot", "nothing", "kick"])
    after = {
        "boot": lambda: level + boot(rng, scale),
        "nothing": lambda: flat(8.0, level),
        "kick": lambda: np.concatenate([flat(0.6, level + 0.08), flat(8.0, level)]),
    }[str(then)]()
    pre = [flat(before, 0.0)] if before else []
    return Board(np.concatenate([*pre, inrush(flat(window, level)), after]), button_s=before + window)


def low_stall(rng: np.random.Generator, scale: float = 1.0) -> Board:
    level, window = rng.uniform(0.045, 0.075), rng.uniform(2.0, 5.0)
    start = [flat(rng.uniform(0.2, 0.8), rng.uniform(0.08, 0.12))] if rng.random() < 0.5 else []
    return Board(
        np.concatenate([flat(window, rng.choice([0.0, 0.001, 0.003])), *start, flat(rng.uniform(8, 40), level)]),
        button_s=window,
    )


def boot_loop(rng: np.random.Generator, scale: float = 1.0, period_s: float | None = None, tries: int = 0) -> Board:
    period = period_s or float(np.exp(rng.uniform(np.log(1.2), np.log(20.0))))
    tries = tries or int(rng.integers(4, 9))
    share = rng.uniform(0.4, 0.75)
    low, high = scale * rng.choice([0.0, 0.02, 0.05]), scale * rng.uniform(0.25, 0.6)
    window = rng.uniform(2.0, 4.0)
    parts = [flat(window, 0.001)]
    for _ in range(tries):
        on = period * share * rng.uniform(0.97, 1.03)
        parts += [
            flat(on * 0.2, high * 0.4),
            busy(rng, on * 0.8, high, high * 0.25),
            flat(period * (1 - share) * rng.uniform(0.97, 1.03), low),
        ]
    return Board(np.concatenate(parts), button_s=window)


def clean_boot(rng: np.random.Generator, scale: float = 1.0) -> Board:
    window = rng.uniform(1.5, 4.0)
    return Board(
        np.concatenate([flat(window, rng.choice([0.0, 0.001, 0.003])), boot(rng, scale, rng.uniform(6, 16))]),
        button_s=window,
    )


# ---- boards that none of the signatures of today fits ---------------------------------------------------------------


def brief_kick(rng: np.random.Generator, scale: float = 1.0) -> Board:
    window = rng.uniform(2.0, 4.0)
    kick = flat(rng.uniform(0.3, 1.0), rng.uniform(0.03, 0.15))
    return Board(np.concatenate([flat(window, 0.001), kick, flat(rng.uniform(5, 10), 0.001)]), button_s=window)


def mid_stall(rng: np.random.Generator, scale: float = 1.0) -> Board:
    window, level = rng.uniform(2.0, 4.0), rng.uniform(0.2, 0.45)
    stairs = [flat(rng.uniform(0.3, 0.8), 0.08), flat(rng.uniform(0.3, 1.0), 0.6 * level)]
    return Board(np.concatenate([flat(window, 0.001), *stairs, flat(rng.uniform(10, 25), level)]), button_s=window)


def late_short(rng: np.random.Generator, scale: float = 1.0) -> Board:
    window, good = rng.uniform(2.0, 4.0), rng.choice([0.0, 0.5, 1.5, 3.0])
    parts = [flat(window, 0.001)]
    if good:
        parts.append(busy(rng, good, 0.3, 0.1))
    pinned = rng.uniform(0.3, 3.0)
    demand = np.concatenate([*parts, flat(pinned, 0.5)])
    short = np.where(np.arange(len(demand)) * GRID_S >= window + good, rng.uniform(0.05, 0.2), 0.0)
    return Board(demand, button_s=window, short_ohm=short)


def limit_sag(rng: np.random.Generator, scale: float = 1.0) -> Board:
    """Needs a meter whose limit is about 0.8 A times scale."""
    return clean_boot(rng, scale * 1.5)


def loose_contact(rng: np.random.Generator, scale: float = 1.0) -> Board:
    board = clean_boot(rng, scale)
    start = int(board.button_s / GRID_S) + 2000
    for at in rng.uniform(start, len(board.demand_a) - 500, 7).astype(int):
        board.demand_a[at : at + int(rng.uniform(150, 450))] = 0.0
    return board
