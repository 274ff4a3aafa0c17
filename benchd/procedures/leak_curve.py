"""`leak-curve`: the current before the button over the voltage, and what kind of part it looks like.

Goes by `measure` steps named `late` (at rest after each step of the voltage) and, where there are some, `early` (at
once after it). What is in current limit is shown, and not fitted: there the supply says how much flows.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchd.procedures.coverage import Parts, step_limit
from benchd.procedures.leak_charge import charged, pooled
from benchd.procedures.leak_models import Fit, fits, told_apart
from benchd.procedures.record import Column, Curve, Outcome, Result
from benchd.procedures.resistance import of_leads
from benchd.procedures.taken import Analysed, CannotTell, Measured, Taken
from benchd.traces.trip_words import quantity
from benchd.traces.uncertainty import COVERAGE, Known, from_limit

Floats = NDArray[np.float64]
Verdict = Literal["", "good", "bad", "unclear"]

LEAST_POINTS = 5
LEAST_NOISE_A = 1e-7
"""No bench supply tells less. Our choice: nothing may be weighed as if it were exact."""
FITS_CHI2 = 4.0
"""A reduced chi-square up to this is a fit. Our choice: twice the scatter that the readings explain."""
FITS_R2 = 0.995
"""Or so much of the variance explained: real parts follow no model to the last microampere. Our choice."""
CAPACITOR_SHARE = 4.0
"""Current at once after a step against that at rest; above it, it is a capacitor that charges. Our choice."""
WARMER_SHARE = 10 / 300
"""A junction lies within 10 K of the 300 K that its ideality is told for: the rooms of benches. Our choice."""

KIND_TEXTS = {
    "none": "no current that this supply can tell from none",
    "ohmic": "ohmic: like a resistor to ground (flux, liquid, a part that has burnt through)",
    "diode-like": "diode-like: silicon conducts (a part fed backwards, a chip's protection, a leaky transistor)",
    "breakdown": "breakdown: nothing up to a voltage, then more and more (a protection diode, a damaged regulator)",
    "capacitor": "a capacitor that charges: current after each step of the voltage, none at rest",
    "unclear": "no model fits well enough to tell",
}


class Points(NamedTuple):
    """The curve as it was measured, in order of the voltage."""

    board_v: Floats
    """Voltage at the board, V: leads taken off."""
    u_v: Floats
    current_a: Floats
    u_a: Floats
    noise_a: Floats
    """What is independent from point to point, one standard deviation, A."""
    limited: NDArray[np.bool_]
    sigma_v: float = 0.0
    """Of one reading of the voltage, V."""
    none_within_a: Floats = np.zeros(0)
    """Up to here a current is not to be told from none, A."""


def analyse(taken: Taken) -> Analysed:
    """The kind, its figures, and the same curve on good boards.

    Raises CannotTell for fewer points than a model takes.
    """
    late = [each for each in taken.measured if each.name == "late"]
    if len(late) < LEAST_POINTS:
        raise CannotTell(f"{len(late)} points were measured; to tell kinds of leaks apart takes {LEAST_POINTS}")
    points = _points(taken, late)
    kind, found = _kind(taken, points)
    fit = found[0] if found and kind == found[0].kind else None
    results = [_kind_row(kind, found), *_figures(taken, points, kind, fit)]
    compared = _against(taken, points)
    results += [compared] if compared is not None else []
    told = [KIND_TEXTS[kind][0].upper() + KIND_TEXTS[kind][1:] + "."]
    told += [row.text for row in results[1:] if row.text]
    return Analysed(_outcome(kind, results), " ".join(told), tuple(results), (_curve(points, fit),))


def _points(taken: Taken, late: list[Measured]) -> Points:
    late = sorted(late, key=lambda each: each.voltage_v.value)
    lead_ohm = {side: leads.ohm if leads is not None else 0.0 for side, leads in taken.leads.items()}
    board_v = np.array([each.voltage_v.value - each.current_a.value * lead_ohm.get(each.side, 0.0) for each in late])
    amps = np.array([each.current_a.value for each in late])
    return Points(
        board_v,
        np.array([each.voltage_v.u for each in late]),
        amps,
        np.array([each.current_a.u for each in late]),
        _noise_a(taken, late, board_v, amps),
        np.array([each.in_limit for each in late]),
        pooled(late)[0],
        np.array([each.current_a.none_within for each in late]),
    )


def _noise_a(taken: Taken, late: list[Measured], board_v: Floats, amps: Floats) -> Floats:
    """What each point is off by, by itself: scatter of both readings, the voltage's by way of the slope, and what is
    left of a step of each. Root sum of squares (JCGM 100 §5.1.2)."""
    slope_s = np.abs(np.gradient(amps, board_v)) if np.all(np.diff(board_v) > 0) else np.zeros(len(late))
    scatters = {side: pooled([each for each in late if each.side == side]) for side in taken.accuracy}
    found = []
    for each, slope in zip(late, slope_s.tolist(), strict=True):
        conditions, (sigma_v, sigma_a) = taken.accuracy[each.side], scatters[each.side]
        n = math.sqrt(max(each.readings, 1))
        found.append(
            math.hypot(
                sigma_a / n,
                from_limit(step_limit(conditions.resolution_a or 0.0, sigma_a)),
                slope * sigma_v / n,
                slope * from_limit(step_limit(conditions.resolution_v or 0.0, sigma_v)),
            )
        )
    noise_a: Floats = np.maximum(np.array(found), LEAST_NOISE_A)
    return noise_a


def _kind(taken: Taken, points: Points) -> tuple[str, list[Fit]]:
    """What the curve looks like, and the fits, best first (empty: there was nothing to fit)."""
    nothing = np.abs(points.current_a) <= points.none_within_a
    if bool(np.all(nothing | points.limited)) and not bool(np.any(points.limited)):
        return ("capacitor" if _charges(taken) else "none"), []
    free = ~points.limited
    if int(np.count_nonzero(free)) < LEAST_POINTS:
        return "unclear", []
    offset_a = max((_offset_a(Known.of(each), points, free) for each in taken.accuracy.values()), default=0.0)
    found = fits(points.board_v[free], points.current_a[free], points.noise_a[free], offset_a)
    if not found or not told_apart(found):
        return "unclear", found
    best = found[0]
    return (best.kind if best.chi2 <= FITS_CHI2 or best.r2 >= FITS_R2 else "unclear"), found


def _charges(taken: Taken) -> bool:
    """Whether current flows at once after a step and none at rest."""
    early = [each.current_a for each in taken.measured if each.name == "early"]
    late = [each.current_a for each in taken.measured if each.name == "late"]
    if not early or len(early) != len(late):
        return False
    risen = [one.value for one in early if one.value > one.none_within]
    at_rest = sum(abs(one.value) for one in late) / len(late)
    return len(risen) > len(early) / 2 and sum(risen) / len(risen) > CAPACITOR_SHARE * at_rest


def _offset_a(known: Known, points: Points, free: NDArray[np.bool_]) -> float:
    """How far the line may lie off at no voltage, ± A: the current meter's offset, and the voltage meter's by way of
    the mean slope."""
    volts, amps = points.board_v[free], points.current_a[free]
    span_v = float(volts[-1] - volts[0])
    slope_s = abs(float(amps[-1] - amps[0])) / span_v if span_v > 0 else 0.0
    return math.hypot(known.offset_a, slope_s * known.offset_v)


def _kind_row(kind: str, found: list[Fit]) -> Result:
    if not found:
        return Result("kind", "Kind of leak", kind)
    weighed = ", ".join(f"{fit.kind} χ² {fit.chi2:.3g}, R² {fit.r2:.4f}" for fit in found)
    told = f"How well each model fits (reduced χ², near 1 where the readings explain the rest): {weighed}."
    return Result("kind", "Kind of leak", kind, text=told)


def _figures(taken: Taken, points: Points, kind: str, fit: Fit | None) -> list[Result]:
    top = int(np.argmax(points.board_v))
    at_v, amps, u_a = float(points.board_v[top]), float(points.current_a[top]), float(points.u_a[top])
    rows = [
        Result(
            "current_at_top", f"Current at {at_v:.3g} V", amps, "A", u_a,
            text=f"At {at_v:.3g} V it draws {quantity(amps, 'A', u_a)}"
            + (", which is the limit: it would draw more." if bool(points.limited[top]) else "."),
        )
    ]  # fmt: skip
    if fit is not None and kind == "ohmic":
        rows.append(_resistance(taken, points, fit))
    elif fit is not None and kind == "diode-like":
        ideality = fit.values["ideality"]
        rows.append(Result("ideality", "Ideality of the diode", ideality, "", _of_ideality(taken, fit)))
        at_1ma = ideality * 0.02585 * math.log1p(1e-3 / fit.values["saturation_a"])
        rows.append(Result("forward_v", "Voltage at 1 mA", at_1ma, "V", text=f"It conducts 1 mA at {at_1ma:.2f} V."))
    elif fit is not None:
        volts = fit.values["volts"]
        u_v, u_ohm = _of_voltage(taken, points, volts, fit.u["volts"]), _of_slope(taken, points, fit, volts)
        told = f"It begins at {quantity(volts, 'V', u_v)}."
        rows.append(Result("breakdown_v", "Begins at", volts, "V", u_v, text=told))
        rows.append(Result("above_ohm", "Resistance above that", fit.values["ohm"], "Ω", u_ohm))
    if kind == "capacitor":
        rows += _capacitance(taken)
    return rows


def _resistance(taken: Taken, points: Points, fit: Fit) -> Result:
    """The slope's resistance, less the leads; the meters' offsets are fitted."""
    ohm = fit.values["ohm"]
    u_ohm = _of_slope(taken, points, fit, float(points.board_v[0]))
    return Result("resistance", "Resistance to ground", ohm, "Ω", u_ohm, text=f"{quantity(ohm, 'Ω', u_ohm)} to ground.")


def _of_slope(taken: Taken, points: Points, fit: Fit, from_v: float) -> float:
    """Half of the 95 % interval of a resistance that is a slope from a voltage on, Ω: the fit's scatter, the gains, the
    leads, and that the voltages were set in steps that the meter may round alike: an error that grows along the curve
    may hide in one.

    Gains as in `resistance.from_one`: leads that these meters measured are wrong by the same share.
    """
    ohm, parts = fit.values["ohm"], Parts((), ((fit.u["ohm"] / COVERAGE, math.inf),))
    span_v = max(float(points.board_v[~points.limited][-1]) - from_v, 1e-9)
    for side, conditions in taken.accuracy.items():
        known, leads = Known.of(conditions), taken.leads.get(side)
        whole = abs(ohm + leads.ohm if leads is not None and not leads.run else ohm)
        alike = _hidden_v(known, step_limit(conditions.resolution_v or 0.0, points.sigma_v), span_v) / span_v
        parts = parts.and_(Parts((whole * known.fraction_v, whole * known.fraction_a, abs(ohm) * alike)))
        parts = parts.and_(of_leads(leads, known))
    return parts.half_width()


def _hidden_v(known: Known, limit_v: float, span_v: float) -> float:
    """How much of an error that grows along the curve may hide in the meter's rounding, ± V: a step, and less where the
    gains of setting and meter make more than one of it, since those show. Our choice, by drawn supplies."""
    step_v, grown_v = 2 * limit_v, 2 * known.fraction_v * span_v
    return step_v if grown_v <= step_v else step_v**2 / grown_v


def _of_voltage(taken: Taken, points: Points, volts: float, u_fit: float) -> float:
    """Half of the 95 % interval of a voltage along the curve, V: the fit's scatter, and the meter's gain, offset and
    step, which are the same at each point."""
    parts = Parts((), ((u_fit / COVERAGE, math.inf),))
    for conditions in taken.accuracy.values():
        known, step_v = Known.of(conditions), conditions.resolution_v or 0.0
        parts = parts.and_(Parts((known.fraction_v * abs(volts), known.offset_v, step_limit(step_v, points.sigma_v))))
    return parts.half_width()


def _of_ideality(taken: Taken, fit: Fit) -> float:
    """Half of the 95 % interval of an ideality: the fit's scatter, the gain, and the junction's temperature."""
    ideality = fit.values["ideality"]
    gain = max((Known.of(conditions).fraction_v for conditions in taken.accuracy.values()), default=0.0)
    limits = (gain * ideality, WARMER_SHARE * ideality)
    return Parts(limits, ((fit.u["ideality"] / COVERAGE, math.inf),)).half_width()


def _capacitance(taken: Taken) -> list[Result]:
    """C = ΔQ/ΔV (any circuits text) over the readings that were recorded; nothing without them."""
    rows = []
    for side, samples in taken.recorded.items():
        rest = [each for each in taken.measured if each.name == "late" and each.side == side]
        found = charged(samples, rest, taken.accuracy[side], taken.leads.get(side))
        if found is not None:
            farad, u_farad = found
            told = f"It holds {quantity(farad, 'F', u_farad)}."
            rows.append(Result("capacitance", "Capacitance", farad, "F", u_farad, text=told))
    return rows


def _against(taken: Taken, points: Points) -> Result | None:
    """The current at the highest voltage that good boards were measured at, against theirs."""
    good = [curve for curves in taken.reference.values() for curve in curves if curve.name == "leak" and curve.points()]
    expected_a = taken.plan.expected_leak_a
    at_v, amps, u_a = float(points.board_v[-1]), float(points.current_a[-1]), float(points.u_a[-1])
    if good:
        drawn = [np.array(curve.points()) for curve in good]
        at_v = min(at_v, *(float(each[:, 0].max()) for each in drawn))
        amps = float(np.interp(at_v, points.board_v, points.current_a))
        u_a = float(np.interp(at_v, points.board_v, points.u_a))
        of_good = [float(np.interp(at_v, each[:, 0], each[:, 1])) for each in drawn]
        u_good = max(float(each[:, 2].max()) for each in drawn)
        most_a, whose = max(of_good), f"{len(good)} good board{'s' * (len(good) > 1)} of this kind"
        reach = math.hypot(u_a, u_good)
    elif expected_a is not None and at_v >= 0.9 * taken.plan.voltage_v:
        most_a, whose, reach = expected_a, f"plan {taken.plan.name}", u_a
    else:
        return None
    verdict: Verdict
    if amps - reach > most_a:
        verdict, word = "bad", "more than"
    elif amps + reach <= most_a or (good and amps <= most_a + reach):
        verdict, word = "good", "no more than"
    else:
        verdict, word = "unclear", "not to be told from"
    told = f"At {at_v:.3g} V: {quantity(amps, 'A', u_a)}, {word} the {quantity(most_a, 'A')} of {whose}."
    title = "Against good boards" if good else "Against the plan"
    return Result("against", title, amps, "A", u_a, text=told, verdict=verdict)


def _outcome(kind: str, results: list[Result]) -> Outcome:
    verdicts = {row.verdict for row in results if row.verdict}
    if "bad" in verdicts:
        return "failed"
    if "good" in verdicts:
        return "passed"
    return "unclear" if kind == "unclear" or verdicts else "done"


def _curve(points: Points, fit: Fit | None) -> Curve:
    fitted: tuple[float | None, ...] = ()
    if fit is not None:
        free = iter(fit.fitted_a.tolist())
        fitted = tuple(None if limited else next(free) for limited in points.limited.tolist())
    volts = Column("voltage_v", "Voltage at the board", "V", tuple(points.board_v.tolist()), tuple(points.u_v.tolist()))
    amps = Column("current_a", "Current", "A", tuple(points.current_a.tolist()), tuple(points.u_a.tolist()))
    return Curve("leak", "Leak over voltage", (volts, amps), fitted=fitted)
