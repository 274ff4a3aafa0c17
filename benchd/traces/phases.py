"""Parts of a power-up and what went through in each: charge, energy, mean and effective current."""

from __future__ import annotations

import dataclasses
import math
from typing import Literal

import numpy as np

from benchd.traces.line import Floats, Line, bin_sigma
from benchd.traces.rest import Rest
from benchd.traces.short import Short
from benchd.traces.start import Start
from benchd.traces.uncertainty import COVERAGE, Known, from_limit, from_step

LEAST_SETTLED_S = 1.0
"""A stable end shorter than this is not yet settled, s (common practice, no source)."""

PhaseName = Literal["off", "leak", "boot", "settled", "short"]


@dataclasses.dataclass(frozen=True, slots=True)
class Phase:
    """One part. Integrals are by the trapezoidal rule over the readings (textbook), straight between them at its ends;
    those of all parts add up to the whole."""

    name: PhaseName
    """off: the output was off; leak: on, before the button; boot: from the button on; settled: the stable end; short:
    from the collapse of the voltage on."""
    from_s: float
    to_s: float
    charge_c: float = 0.0
    """∫ I dt, C."""
    charge_u_c: float = 0.0
    """Its expanded uncertainty (k = 2), C; see `_charge_u`."""
    energy_j: float = 0.0
    """∫ V·I dt, J."""
    mean_a: float = 0.0
    """∫ I dt over the time, A: a time mean; the plain mean of uneven readings is another."""
    rms_a: float = 0.0
    """√(∫ I² dt over the time), A: what heats a resistance."""
    top_a: float = 0.0
    """Highest reading, A."""

    @property
    def length_s(self) -> float:
        """How long it lasted."""
        return self.to_s - self.from_s


def find_phases(line: Line, start: Start, rest: Rest, short: Short | None, begun_s: float, known: Known) -> list[Phase]:
    """The parts of a trace that begins at `begun_s`, those without any length left out."""
    on_s, end_s = float(line.t_s[0]), float(line.t_s[-1])
    boot_s = start.button_s
    if boot_s is None:
        # Without a button a steady current is one before it, and work from the first reading on is not.
        boot_s = end_s if start.leak_a is not None else rest.start_s
    boot_s = min(max(boot_s, on_s), end_s)
    short_s = end_s if short is None else min(max(short.at_s, on_s), end_s)
    stable = rest.high_before_tail_a > 0 and rest.tail_s >= LEAST_SETTLED_S and short is None
    settled_s = max(end_s - rest.tail_s, boot_s) if stable else short_s
    edges: list[tuple[PhaseName, float, float]] = [
        ("leak", on_s, min(boot_s, short_s)),
        ("boot", min(boot_s, short_s), settled_s),
        ("settled", settled_s, short_s),
        ("short", short_s, end_s),
    ]
    half_s, amps = np.diff(line.t_s) / 2, line.current_a
    sums = [_running(half_s, x) for x in (amps, amps * line.voltage_v, amps * amps)]
    found = [_phase(line, known, name, a, b, sums) for name, a, b in edges if b > a]
    return [Phase("off", begun_s, on_s), *found] if on_s > begun_s else found


def _phase(line: Line, known: Known, name: PhaseName, a: float, b: float, sums: list[Floats]) -> Phase:
    charge, energy, square = (float(np.diff(np.interp([a, b], line.t_s, x))[0]) for x in sums)
    inside = line.current_a[(line.t_s >= a) & (line.t_s <= b)]
    mean = charge / (b - a)
    top = float(inside.max()) if len(inside) else mean
    return Phase(
        name,
        a,
        b,
        charge,
        _charge_u(line, known, mean, b - a),
        energy,
        mean,
        math.sqrt(max(square / (b - a), 0.0)),
        top,
    )


def _charge_u(line: Line, known: Known, mean_a: float, seconds: float) -> float:
    """Expanded uncertainty (k = 2) of a charge, C: the error that the accuracy allows is the same in every reading, so
    it adds up linearly; noise is independent, its mean over the time counts (JCGM 100 §5.1.2, §5.2.2)."""
    accuracy = from_limit(known.fraction_a * abs(mean_a) + known.offset_a)
    noise = bin_sigma(line, max(seconds, line.interval_s))
    return COVERAGE * seconds * math.hypot(accuracy, noise, from_step(line.resolution_a))


def _running(half_s: Floats, values: Floats) -> Floats:
    """∫ values dt from the first reading to each. `half_s`: half the times between them."""
    return np.concatenate([[0.0], np.cumsum(half_s * (values[1:] + values[:-1]))])
