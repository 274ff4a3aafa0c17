"""`leak-curve`: the current before the button over the voltage, and what kind of part it looks like.

Goes by `measure` steps named `late` (at rest after each step of the voltage) and, where there are some, `early` (at
once after it). What is in current limit is shown, and not fitted: there the supply says how much flows.
"""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchd.procedures.leak_models import Fit, fits, told_apart
from benchd.procedures.record import Column, Curve, Outcome, Result
from benchd.procedures.taken import Analysed, CannotTell, Measured, Taken
from benchd.traces.trip_words import quantity
from benchd.traces.uncertainty import Known, from_step

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
    )


def _noise_a(taken: Taken, late: list[Measured], board_v: Floats, amps: Floats) -> Floats:
    """What each point is off by, by itself: scatter of both readings, the voltage's by way of the slope, and a step of
    each, which does not average away where the noise is smaller than it. Root sum of squares (JCGM 100 §5.1.2)."""
    slope_s = np.abs(np.gradient(amps, board_v)) if np.all(np.diff(board_v) > 0) else np.zeros(len(late))
    found = []
    for each, slope in zip(late, slope_s.tolist(), strict=True):
        conditions = taken.accuracy[each.side]
        n = math.sqrt(max(each.readings, 1))
        found.append(
            math.hypot(
                each.current_a.sigma / n,
                from_step(conditions.resolution_a or 0.0),
                slope * each.voltage_v.sigma / n,
                slope * from_step(conditions.resolution_v or 0.0),
            )
        )
    noise_a: Floats = np.maximum(np.array(found), LEAST_NOISE_A)
    return noise_a


def _kind(taken: Taken, points: Points) -> tuple[str, list[Fit]]:
    """What the curve looks like, and the fits, best first (empty: there was nothing to fit)."""
    nothing = np.abs(points.current_a) <= points.u_a
    if bool(np.all(nothing | points.limited)) and not bool(np.any(points.limited)):
        return ("capacitor" if _charges(taken) else "none"), []
    free = ~points.limited
    if int(np.count_nonzero(free)) < LEAST_POINTS:
        return "unclear", []
    offset_a = max((Known.of(conditions).offset_a for conditions in taken.accuracy.values()), default=0.0)
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
    risen = [one.value for one in early if one.value > one.u]
    at_rest = sum(abs(one.value) for one in late) / len(late)
    return len(risen) > len(early) / 2 and sum(risen) / len(risen) > CAPACITOR_SHARE * at_rest


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
        ideality, u = fit.values["ideality"], fit.u["ideality"]
        rows.append(Result("ideality", "Ideality of the diode", ideality, "", u))
        at_1ma = ideality * 0.02585 * math.log1p(1e-3 / fit.values["saturation_a"])
        rows.append(Result("forward_v", "Voltage at 1 mA", at_1ma, "V", text=f"It conducts 1 mA at {at_1ma:.2f} V."))
    elif fit is not None:
        volts, u_v = fit.values["volts"], math.hypot(fit.u["volts"], float(np.max(points.u_v)))
        told = f"It begins at {quantity(volts, 'V', u_v)}."
        rows.append(Result("breakdown_v", "Begins at", volts, "V", u_v, text=told))
        rows.append(Result("above_ohm", "Resistance above that", fit.values["ohm"], "Ω", fit.u["ohm"]))
    if kind == "capacitor":
        rows += _capacitance(taken)
    return rows


def _resistance(taken: Taken, points: Points, fit: Fit) -> Result:
    """The slope's resistance; the meters' gains go into it, their offsets are fitted.

    Root sum of squares of relative standard uncertainties (JCGM 100 §5.1.6), k = 2.
    """
    known = [Known.of(conditions) for conditions in taken.accuracy.values()]
    gains = max((math.hypot(k.fraction_a, k.fraction_v) / math.sqrt(3) for k in known), default=0.0)
    ohm = fit.values["ohm"]
    u_ohm = math.hypot(fit.u["ohm"], 2 * gains * ohm)
    return Result("resistance", "Resistance to ground", ohm, "Ω", u_ohm, text=f"{quantity(ohm, 'Ω', u_ohm)} to ground.")


def _capacitance(taken: Taken) -> list[Result]:
    """C = ΔQ/ΔV (any circuits text) over the readings that were recorded; nothing without them.

    Charge by the trapezoidal rule, the current at rest taken off. Its uncertainty is that of an offset of the current
    for all the time; what the offset really is was measured at rest, so that is its own uncertainty there.
    """
    rows = []
    for side, samples in taken.recorded.items():
        rest = [each.current_a for each in taken.measured if each.name == "late" and each.side == side]
        volts = [each.voltage_v.value for each in taken.measured if each.name == "late" and each.side == side]
        if len(samples) < 2 or len(volts) < 2 or max(volts) - min(volts) <= 0:
            continue
        at_rest = sum(each.value for each in rest) / len(rest)
        seconds = (samples.t_ns - samples.t_ns[0]) / 1e9
        charge_c = float(np.trapezoid(samples.current_a - at_rest, seconds))
        rise_v = float(samples.voltage_v[-1] - samples.voltage_v[0])
        if charge_c <= 0 or rise_v <= 0:
            continue
        farad = charge_c / rise_v
        noise_a = max(each.sigma for each in rest) / math.sqrt(max(len(samples), 1))
        u_farad = 2 * noise_a * float(seconds[-1]) / rise_v
        told = f"It holds {quantity(farad, 'F', u_farad or None)}."
        rows.append(Result("capacitance", "Capacitance", farad, "F", u_farad or None, text=told))
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
