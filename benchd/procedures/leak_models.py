"""What a current that grows with the voltage may be: the models, fitted by least squares and weighed. Pure.

Each model is fitted by weighted least squares (scipy.optimize.least_squares). How well it fits is the reduced
chi-square of the residuals (any text on data analysis). Models with different numbers of parameters are compared by the
Akaike information criterion with the correction for few points (AICc; K. Burnham and D. Anderson, Model Selection and
Multimodel Inference, 2002).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Kind = Literal["ohmic", "diode-like", "breakdown"]

THERMAL_V = 0.02585
"""k·T/q at 300 K, V (CODATA constants; from memory)."""
TELLS_APART = 6.0
"""AICc of the second best model above the best by so much: the best is it (Burnham and Anderson, 2002: models 4 to 7
above have considerably less support)."""


class Fit(NamedTuple):
    """One model, fitted."""

    kind: Kind
    values: dict[str, float]
    """ohm; saturation_a, ideality, leak_s; volts, ohm, leak_s; and of each offset_a."""
    u: dict[str, float]
    """Expanded (k = 2), from the scatter of the residuals alone."""
    fitted_a: Floats
    chi2: float
    """Reduced: near 1 where the model fits within what the readings can tell."""
    r2: float
    """Share of the variance that the model explains; 1 is all."""
    aicc: float


class _Model(NamedTuple):
    kind: Kind
    names: tuple[str, ...]
    current_a: Callable[[Floats, Floats], Floats]
    """Of parameters (as fitted) and voltages."""
    starts: Callable[[Floats, Floats], list[Floats]]
    natural: Callable[[Floats], Floats]
    """Parameters as fitted -> as named."""


def fits(volts: Floats, amps: Floats, noise_a: Floats, offset_a: float = 0.0) -> list[Fit]:
    """All models over the same points, the best first (by AICc).

    A resistor is part of the other two models: noise alone makes them fit a little better now and then, so they come
    before it only where they are told apart from it.

    `noise_a`: standard deviation of each mean current that is independent from point to point, A. `offset_a`: the meter
    may be off by so much at each point alike, ± A; it is fitted too, held by that (rectangular: JCGM 100 §4.3.7).
    Raises ValueError for less than 5 points or lengths that differ.
    """
    if not (len(volts) == len(amps) == len(noise_a) and len(volts) >= 5):
        raise ValueError(f"{len(volts)} points: a curve takes at least 5, with as many currents and uncertainties")
    held_a = max(offset_a / math.sqrt(3), 1e-9)
    found = [fit for model in MODELS if (fit := _fit(model, volts, amps, noise_a, held_a)) is not None]
    return sorted(found, key=lambda fit: fit.aicc - (TELLS_APART if fit.kind == "ohmic" else 0.0))


def told_apart(found: list[Fit]) -> bool:
    """Whether the best stands alone. What follows Ohm's law is fitted by the other two as well: where it comes first,
    it is it."""
    if found[0].kind == "ohmic":
        return True
    return all(rival.aicc - found[0].aicc >= TELLS_APART for rival in found[1:])


def _fit(model: _Model, volts: Floats, amps: Floats, noise_a: Floats, held_a: float) -> Fit | None:
    from scipy.optimize import least_squares  # 0.4 s to import

    def left_over(p: Floats) -> Floats:
        return np.append((model.current_a(p[:-1], volts) + p[-1] * held_a - amps) / noise_a, p[-1])

    best = None
    for start in model.starts(volts, amps):
        try:
            result = least_squares(left_over, np.append(start, 0.0), max_nfev=400)
        except ValueError:
            continue  # no finite residual from that start
        if np.all(np.isfinite(result.x)) and (best is None or result.cost < best.cost):
            best = result
    if best is None:
        return None
    points, count = len(volts), len(model.names)
    fitted_a = model.current_a(best.x[:-1], volts) + best.x[-1] * held_a
    squares, free = float(2 * best.cost), max(points - count, 1)
    aicc = squares + 2 * count + 2 * count * (count + 1) / max(points - count - 1, 1)
    left, all_ = float(np.sum((amps - fitted_a) ** 2)), float(np.sum((amps - amps.mean()) ** 2))

    def named(p: Floats) -> Floats:
        return np.append(model.natural(p[:-1]), p[-1] * held_a)

    names = (*model.names, "offset_a")
    spread = _spread(named, best.x, best.jac, max(squares / free, 1.0))
    return Fit(
        model.kind,
        dict(zip(names, map(float, named(best.x)), strict=True)),
        dict(zip(names, spread, strict=True)),
        fitted_a,
        squares / free,
        1 - left / all_ if all_ > 0 else 0.0,
        aicc,
    )


def _spread(named: Callable[[Floats], Floats], at: Floats, jacobian: Floats, scale: float) -> list[float]:
    """Expanded uncertainties of the named parameters.

    (JᵀJ)⁻¹ times the reduced chi-square where that is above 1, carried over to the names by the first order of the
    Taylor series (JCGM 100 §5.1.2). A parameter that makes no difference has none.
    """
    matters = np.linalg.norm(jacobian, axis=0) > 1e-9 * max(float(np.linalg.norm(jacobian)), 1e-30)
    covariance = np.zeros((len(at), len(at)))
    kept = np.flatnonzero(matters)
    covariance[np.ix_(kept, kept)] = np.linalg.pinv(jacobian[:, kept].T @ jacobian[:, kept]) * scale
    step = 1e-6 * np.maximum(np.abs(at), 1e-3)
    slopes = np.column_stack(
        [(named(at + step * unit) - named(at - step * unit)) / (2 * step[n]) for n, unit in enumerate(np.eye(len(at)))]
    )
    variances: Floats = np.einsum("ij,jk,ik->i", slopes, covariance, slopes)
    return [2 * math.sqrt(max(float(v), 0.0)) if math.isfinite(v) else math.inf for v in variances]


def _ohmic_start(volts: Floats, amps: Floats) -> list[Floats]:
    squares = max(float(np.dot(volts, volts)), 1e-30)
    return [np.array([float(np.dot(volts, amps)) / squares])]


def _diode(p: Floats, volts: Floats) -> Floats:
    """ln Is, ln n, ln G of a resistor beside it: I = Is·(e^(V/(n·Vt)) - 1) + G·V (Shockley equation)."""
    nvt_v = math.exp(min(max(float(p[1]), -3.0), 4.0)) * THERMAL_V
    exponent = np.clip(volts / nvt_v, -50, 200)
    through_a: Floats = np.exp(np.clip(np.log(np.expm1(np.maximum(exponent, 1e-9))) + p[0], -200, 50))
    beside_a: Floats = np.exp(np.clip(p[2], -60, 10)) * volts
    return through_a + beside_a


def _diode_start(volts: Floats, amps: Floats) -> list[Floats]:
    top, high_a = float(volts[-1]), max(float(amps[-1]), 1e-9)
    leak = math.log(max(high_a * 1e-4 / max(top, 1e-6), 1e-12))
    return [
        np.array([math.log(high_a) - top / (ideality * THERMAL_V), math.log(ideality), leak])
        for ideality in (1.0, 2.0, 5.0, 12.0)
    ]


def _breakdown(p: Floats, volts: Floats) -> Floats:
    """Vb, ln G above it, ln G below: nothing (but a resistor) below a voltage, a straight line above."""
    above_a: Floats = np.exp(np.clip(p[1], -40, 10)) * np.maximum(volts - p[0], 0.0)
    beside_a: Floats = np.exp(np.clip(p[2], -60, 10)) * volts
    return above_a + beside_a


def _breakdown_start(volts: Floats, amps: Floats) -> list[Floats]:
    span = float(volts[-1] - volts[0])
    high_a = max(float(amps[-1]), 1e-9)
    leak = math.log(max(high_a * 1e-4 / max(float(volts[-1]), 1e-6), 1e-12))
    starts = []
    for share in (0.2, 0.4, 0.6, 0.8):
        at = float(volts[0]) + share * span
        starts.append(np.array([at, math.log(high_a / max(float(volts[-1]) - at, 1e-6)), leak]))
    return starts


def _ohmic(p: Floats, volts: Floats) -> Floats:
    current_a: Floats = p[0] * volts
    return current_a


def _diode_values(p: Floats) -> Floats:
    values: Floats = np.exp(np.clip(p, -200, 50))
    return values


MODELS = (
    _Model("ohmic", ("ohm",), _ohmic, _ohmic_start, lambda p: np.array([1 / p[0] if p[0] else math.inf])),
    _Model(
        "diode-like",
        ("saturation_a", "ideality", "leak_s"),
        _diode,
        _diode_start,
        _diode_values,
    ),
    _Model(
        "breakdown",
        ("volts", "ohm", "leak_s"),
        _breakdown,
        _breakdown_start,
        lambda p: np.array([p[0], math.exp(-float(np.clip(p[1], -40, 10))), math.exp(float(np.clip(p[2], -60, 10)))]),
    ),
)
