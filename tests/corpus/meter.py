"""How a bench supply's readings are made of what the model does: refresh, aperture, noise, steps, uneven asking."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from benchd.reading import Mode
from benchd.sim.bench import Channel
from benchd.sim.source import Mode as Regulation
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions

STEPS_A = (0.0001, 0.0002, 0.0005, 0.001, 0.001, 0.002, 0.005, 0.01)
STEPS_V = (0.0001, 0.001, 0.001, 0.01, 0.01, 0.1)
MODES = {Regulation.OFF: Mode.OFF, Regulation.CV: Mode.CV, Regulation.CC: Mode.CC, Regulation.IDLE: Mode.CV}


@dataclasses.dataclass(frozen=True)
class Meter:
    """One instrument and how it is asked. Rates per s, times in s, A, V."""

    rate: float
    step_a: float
    step_v: float
    noise_a: float
    noise_v: float
    refresh_s: float
    """It measures so often, and repeats itself in between; 0: it measures when asked."""
    aperture_s: float
    """Each measurement is a mean over so long."""
    jitter: float
    """Share of the interval by which it is asked early or late."""
    late: float
    """Share of answers that come one to three intervals late, the ones due meanwhile being left out."""
    offset_a: float
    gain: float
    floor: bool
    """Shows no negative current."""
    says_mode: bool
    at_board: bool
    """Sense leads: the voltage is measured at the board."""
    told: str
    """Which conditions the trace carries: "all", "no-step", "no-limit", "none"."""

    @property
    def grid_s(self) -> float:
        """Step of the model's averages, s: fine enough for the aperture, and no finer than it needs to be."""
        return min(max(min(self.aperture_s, 1 / self.rate) / 2, 0.001 if self.rate > 300 else 0.0025), 0.02)

    @property
    def seen_a(self) -> float:
        """A change of less than this is within what a reading may be wrong by, A (steps, and five times the noise)."""
        return max(2 * self.step_a, 5 * self.noise_a, 0.002)

    def conditions(self, set_voltage_v: float, limit_a: float, board: str = "") -> Conditions:
        """As a trace of this instrument would carry them."""
        if self.told == "none":
            return Conditions(board=board)
        step = self.step_a if self.told == "all" else None
        limit = None if self.told == "no-limit" else limit_a
        return Conditions(set_voltage_v, limit, step, board=board)


def pick(rng: np.random.Generator, weighted: dict[float, float]) -> float:
    """One of the keys, by their weights."""
    keys, weights = list(weighted), np.array(list(weighted.values()))
    return float(keys[int(rng.choice(len(keys), p=weights / weights.sum()))])


RATES = {
    5: 14,
    6.7: 3,
    8: 4,
    10: 9,
    14: 3,
    20: 15,
    25: 8,
    33: 7,
    50: 14,
    80: 4,
    100: 11,
    200: 5,
    350: 2,
    500: 3,
    1000: 2,
}


def draw(rng: np.random.Generator, rate: float | None = None) -> Meter:
    """An instrument at random; `rate` per s where it is to be of one class."""
    if rate is None:
        rate = pick(rng, RATES) * rng.uniform(0.93, 1.05)
    step_a = float(rng.choice(STEPS_A))
    interval_s = 1 / rate
    refresh_s = 0.0
    if rng.random() < 0.3:
        refresh_s = min(interval_s * rng.uniform(0.6, 5.0), 0.22)
    own_s = refresh_s or interval_s
    aperture_s = own_s if rng.random() < 0.6 else max(own_s * rng.uniform(0.1, 0.9), 0.001)
    return Meter(
        rate=rate,
        step_a=step_a,
        step_v=float(rng.choice(STEPS_V)),
        noise_a=float(min(max(step_a * rng.uniform(0.05, 0.6), math.exp(rng.normal(math.log(0.0003), 0.9))), 0.003)),
        noise_v=float(math.exp(rng.uniform(math.log(0.0002), math.log(0.005)))),
        refresh_s=refresh_s,
        aperture_s=aperture_s,
        jitter=float(rng.choice([0.0, 0.02, 0.1, 0.3])),
        late=float(rng.choice([0.0, 0.0, 0.0, 0.01, 0.04])),
        offset_a=float(rng.normal(0, 0.001) if rng.random() < 0.5 else 0.0),
        gain=1 + float(rng.normal(0, 0.002)),
        floor=bool(rng.random() < 0.3),
        says_mode=bool(rng.random() < 0.45),
        at_board=bool(rng.random() < 0.15),
        told=str(rng.choice(["all", "no-step", "no-limit", "none"], p=[0.72, 0.14, 0.07, 0.07])),
    )


class Recorder:
    """Reads a channel through a meter while it runs on a grid of time."""

    def __init__(self, channel: Channel, meter: Meter, rng: np.random.Generator, from_s: float) -> None:
        self.meter = meter
        self._channel = channel
        self._rng = rng
        self._from_s = from_s
        self._grid_s = meter.grid_s
        channel.readout.interval_s = self._grid_s
        self._sums = [(0.0, 0.0)]
        self._asked_s = self._next_asked(from_s)
        self._measured_s = from_s + meter.refresh_s
        self._shown = (0.0, 0.0, Mode.UNKNOWN)
        self.rows: list[tuple[float, float, float, Mode]] = []

    def _next_asked(self, now_s: float) -> float:
        m, interval_s = self.meter, 1 / self.meter.rate
        steps = 1 + int(self._rng.integers(1, 4)) if self._rng.random() < m.late else 1
        return now_s + interval_s * (steps + m.jitter * self._rng.uniform(-0.5, 0.5))

    def step(self, now_s: float) -> tuple[float, float, float, Mode] | None:
        """The model has gone on by one step of the grid, to `now_s`. The reading taken at it, if one was."""
        average = self._channel.average(now_s + 1e-9)
        # Off the board, the sense leads hang on the clip.
        at_board = self.meter.at_board and self._channel.connected
        volts = self._channel.board_v if at_board else average.voltage_v
        v_sum, i_sum = self._sums[-1]
        self._sums.append((v_sum + volts, i_sum + average.current_a))
        m = self.meter
        if m.refresh_s and now_s >= self._measured_s:
            self._measured_s += m.refresh_s
            self._shown = self._measure()
        if now_s < self._asked_s:
            return None
        self._asked_s = max(self._next_asked(self._asked_s), now_s)
        if not m.refresh_s:
            self._shown = self._measure()
        if now_s < self._from_s:
            return None
        row = (now_s, *self._shown)
        self.rows.append(row)
        return row

    def _measure(self) -> tuple[float, float, Mode]:
        m = self.meter
        n = min(max(round(m.aperture_s / self._grid_s), 1), len(self._sums) - 1)
        (v1, i1), (v0, i0) = self._sums[-1], self._sums[-1 - n]
        amps = (i1 - i0) / n * m.gain + m.offset_a + self._rng.normal(0, m.noise_a)
        volts = (v1 - v0) / n + self._rng.normal(0, m.noise_v)
        amps, volts = round(amps / m.step_a) * m.step_a, round(volts / m.step_v) * m.step_v
        mode = MODES[self._channel.source.mode] if m.says_mode else Mode.UNKNOWN
        return round(volts, 6), round(max(amps, 0.0) if m.floor else amps, 7), mode

    def samples(self, start_ns: int) -> Samples:
        """The readings as columns; time 0 of the run is `start_ns`."""
        t, v, i, mode = (np.array(c) for c in zip(*self.rows, strict=True)) if self.rows else (np.empty(0),) * 4
        return Samples(
            start_ns + np.rint(t * 1e9).astype(np.int64),
            v.astype(float),
            i.astype(float),
            mode.astype(np.uint8),
            np.zeros(len(t), np.uint8),
        )
