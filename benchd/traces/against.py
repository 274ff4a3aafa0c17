"""A trace against the references of its board: all that a finding can say of it, in figures with uncertainty."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from benchd.traces.align import Curve, curve_of
from benchd.traces.band import USUAL_A, USUAL_SHARE, Band, other_voltage, spread_of
from benchd.traces.divergence import Laid, divergence_of, lay_curve
from benchd.traces.features import Features
from benchd.traces.line import Floats
from benchd.traces.similarity import similarity_of
from benchd.traces.trace import Divergence, Trace
from benchd.traces.uncertainty import COVERAGE

AFTER_BUTTON_S = 0.3
"""The work of a boot is compared from so long after the button on, s: alignment is not better for slow supplies."""
LEAST_WORK_S = 1.0
"""A shorter stretch of work or of settled current is not compared, s (common practice, no source)."""


@dataclasses.dataclass(frozen=True, slots=True)
class Ratio:
    """A mean current over that of the references in the same stretch; `u` is expanded (k = 2), and has in it how good
    boards differ from each other. Both without a unit."""

    current_a: float
    reference_a: float
    ratio: float
    u: float
    from_s: float
    to_s: float
    """Where it was taken, s after the button."""


@dataclasses.dataclass(frozen=True, slots=True)
class Against:
    """What a trace's comparison with its references says. `why_not` is not empty where they cannot be compared; then
    nothing else is known."""

    references: int
    why_not: str = ""
    compared_s: float = 0.0
    """How much time both have in common, s."""
    similarity: float | None = None
    divergence: Divergence | None = None
    """None: it does not leave the band."""
    busy: Ratio | None = None
    """While the references were at work: from the button until they settled."""
    settled: Ratio | None = None
    """When both had settled."""
    leak_difference_a: float | None = None
    """Leak before the button, above that of the references, A."""
    leak_difference_u_a: float | None = None
    """Its expanded uncertainty (k = 2), A."""


def against(trace: Trace, band: Band, features: Features | None = None) -> Against:
    """Compare a trace with its references. `features`: as extracted from it, where somebody has them already."""
    count = len(band.curves)
    curve = curve_of(trace, features)
    if curve is None:
        return Against(count, "this trace shows no button, so that nothing says where it begins; mark the button in it")
    if told := other_voltage(curve.set_v, band.set_v):
        return Against(count, told)
    laid = lay_curve(curve, band)
    if laid is None:
        return Against(count, "this trace and the references have no time in common after the button")
    curve = laid.curve
    settled_s = min(band.settled_s, curve.to_s)
    leak = _leak(curve, band)
    return Against(
        count,
        "",
        laid.length_s,
        similarity_of(laid),
        divergence_of(laid),
        _ratio(laid, AFTER_BUTTON_S, settled_s),
        _settled(laid, max(band.settled_s, curve.settled_s)),
        *leak,
    )


def _ratio(laid: Laid, from_s: float, to_s: float) -> Ratio | None:
    """Means over one stretch, of the trace and of those references that reach over it."""
    mine = _mean(laid.curve, from_s, to_s)
    good = np.array([x for x in (_mean(c, from_s, to_s) for c in laid.band.curves) if x is not None])
    return _over(laid, mine, good, from_s, to_s)


def _settled(laid: Laid, from_s: float) -> Ratio | None:
    """The same of what each draws once it has settled; where that is does not matter, nor for how long."""
    to_s = min(laid.curve.to_s, max(c.to_s for c in laid.band.curves))
    mine = _mean(laid.curve, from_s, to_s)
    good = np.array([x for x in (_mean(c, c.settled_s, c.to_s) for c in laid.band.curves) if x is not None])
    return _over(laid, mine, good, from_s, to_s)


def _mean(curve: Curve, from_s: float, to_s: float) -> float | None:
    """Mean current over a stretch; None where the curve does not reach over it, or it is short."""
    to_s = min(to_s, curve.to_s) if to_s - curve.to_s <= 2 * curve.width_s else to_s
    if to_s - from_s < LEAST_WORK_S:
        return None
    mean = curve.mean_over(from_s, to_s)
    return mean if math.isfinite(mean) else None


def _over(laid: Laid, mine_a: float | None, good_a: Floats, from_s: float, to_s: float) -> Ratio | None:
    """The ratio with its uncertainty, by the law of propagation for a quotient (JCGM 100 §5.1.6); None where either is
    not known, or no more than nothing."""
    floor = max(laid.curve.seen_a, *(c.seen_a for c in laid.band.curves))
    if mine_a is None or not len(good_a) or not float(good_a.mean()) > floor:
        return None
    mean = float(good_a.mean())
    spread = spread_of(good_a, math.hypot(USUAL_SHARE * mean, USUAL_A))
    at = np.array([mean])
    accuracy = math.hypot(
        float(laid.curve.accuracy_a(at)[0]), max(float(c.accuracy_a(at)[0]) for c in laid.band.curves)
    )
    noise = laid.curve.noise_a(to_s - from_s)
    of_mean = math.sqrt(spread**2 * (1 + 1 / len(good_a)) + accuracy**2 + noise**2) / mean
    ratio = mine_a / mean
    # What the ratio would scatter by, were this a good board: that is what it is judged by.
    return Ratio(mine_a, mean, ratio, COVERAGE * of_mean, from_s, to_s)


def _leak(curve: Curve, band: Band) -> tuple[float | None, float | None]:
    """How much more leaks before the button, with its expanded uncertainty, A."""
    mine = curve.before_a
    good = np.array([c.before_a for c in band.curves if c.before_a is not None])
    if mine is None or not len(good):
        return None, None
    mean = float(good.mean())
    spread = spread_of(good, math.hypot(USUAL_SHARE * mean, USUAL_A))
    at = np.array([max(mine, mean)])
    accuracy = math.hypot(float(curve.accuracy_a(at)[0]), max(float(c.accuracy_a(at)[0]) for c in band.curves))
    noise = math.hypot(curve.noise_a(LEAST_WORK_S), max(c.noise_a(LEAST_WORK_S) for c in band.curves))
    return mine - mean, COVERAGE * math.sqrt(spread**2 * (1 + 1 / len(good)) + accuracy**2 + noise**2)
