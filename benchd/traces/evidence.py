"""The facts that a finding stands on, as sentences with figures, units and uncertainties; and what weakens it."""

from __future__ import annotations

import math
from collections.abc import Callable

from benchd.traces.features import Features, Rest, Short
from benchd.traces.start import Start
from benchd.traces.trace import Evidence

FEW_READINGS = 20
SHORT_S = 3.0
SLOW_PER_S = 9.0
LONG_GAP_S = 1.0
SLOW_KEEPS, GAP_KEEPS, UNTOLD_KEEPS = 0.94, 0.9, 0.94
"""Share of the sureness that is left with slow readings, with readings missing, and with the settings not known: from
counts of right findings on 1200 made-up traces."""


def quality(f: Features) -> tuple[float, list[str]]:
    """A factor up to 1 for how much a trace can carry, and sentences on what it lacks."""
    factor = 1.0
    doubts: list[str] = []
    if f.start is None:
        return 0.5, doubts
    collapsed = f.short is not None and f.short.share > 0.5
    cut = collapsed and f.tripped_s is not None
    if len(f.line.t_s) < FEW_READINGS and not (cut or (collapsed and len(f.line.t_s) >= 5)):
        factor *= 0.7
        doubts.append(f"Only {len(f.line.t_s)} readings with the output on: little to judge by.")
    if f.duration_s < SHORT_S and not collapsed:
        factor *= 0.7
        doubts.append(f"Only {f.duration_s:.2g} s with the output on: what comes later is not known.")
    if 0 < f.rate_per_s < SLOW_PER_S and not cut:
        factor *= SLOW_KEEPS
        doubts.append(f"{f.rate_per_s:.1f} readings/s: anything shorter than {2 / f.rate_per_s:.1g} s is not seen.")
    if f.line.longest_gap_s > max(LONG_GAP_S, 5 * f.line.interval_s):
        factor *= GAP_KEEPS
        doubts.append(f"Readings are missing for up to {f.line.longest_gap_s:.1f} s.")
    if f.line.set_v is None or (f.short is not None and not f.short.pinned_known):
        factor *= 1.0 if cut else UNTOLD_KEEPS
        doubts.append("Set voltage or current limit are not known: they are judged from the readings.")
    return factor, doubts


def evidence_for(f: Features, signature: str, nearest: str | None) -> list[Evidence]:
    """Evidence for a signature. For `unclear` that of the nearest shape; without one, what there is to say."""
    if f.start is None or f.rest is None:
        return [_nothing_on(f)]
    shape = signature if signature != "unclear" else nearest
    maker = _MAKERS.get(shape or "", _general)
    found = maker(f, f.start, f.rest)
    return found or _general(f, f.start, f.rest)


def _nothing_on(f: Features) -> Evidence:
    if not f.readings:
        return Evidence("The trace has no readings.", "readings", 0)
    if len(f.line.t_s):
        return Evidence("One single reading with the output on says nothing.", "readings", len(f.line.t_s))
    return Evidence(
        f"In {f.readings} readings the voltage never came: the output was off, or its leads are open before the "
        "measurement.",
        "readings",
        f.readings,
    )


def milliamps(value_a: float) -> str:
    """A current in the unit a technician would say it in."""
    return f"{value_a:.2f} A" if abs(value_a) >= 0.9995 else f"{value_a * 1e3:.3g} mA"


def within(value_a: float, u_a: float) -> str:
    """A current and its uncertainty, rounded to two digits of the uncertainty (JCGM 100:2008 §7.2.6)."""
    if not u_a > 0:
        return milliamps(value_a)
    scale, unit = (1.0, "A") if max(abs(value_a), u_a) >= 0.9995 else (1e3, "mA")
    digits = min(max(1 - math.floor(math.log10(u_a * scale)), 0), 4)
    return f"{value_a * scale:.{digits}f} {unit} ± {u_a * scale:.{digits}f} {unit}"


def coverage(stated: bool) -> str:
    """What stands behind a ±: the coverage factor, and whether the supply's accuracy is in it."""
    return "k = 2" if stated else "k = 2, accuracy of the supply not stated"


def _leak(f: Features, start: Start) -> Evidence | None:
    if start.leak_a is None or f.leak_u_a is None:
        return None
    window_s = start.leak_to_s - start.leak_from_s
    when = "before the button" if start.button_s is not None else "with no button to be seen"
    return Evidence(
        f"{within(start.leak_a, f.leak_u_a)} ({coverage(f.known.current_stated)}) flow {when}, "
        f"over {window_s:.1f} s; up to {f.normal_leak_a * 1e3:.0f} mA is normal here.",
        "current before the button",
        start.leak_a,
        "A",
        f.leak_u_a,
    )


def _tail_u(f: Features, rest: Rest) -> float:
    """Expanded uncertainty of the mean of the stable end, A."""
    readings = round(rest.tail_s / f.line.interval_s / f.line.repeats) if f.line.interval_s else 1
    return f.known.current_u(rest.tail_a, f.line.resolution_a, f.line.sigma_a, max(readings, 1))


def _button(start: Start) -> Evidence | None:
    if start.button_s is None:
        return None
    how = "as marked" if start.button_by == "hand" else "recognised from the first lasting rise"
    return Evidence(f"The button is at {start.button_s:.2f} s, {how}.", "button", start.button_s, "s")


def _kept(*found: Evidence | None) -> list[Evidence]:
    return [e for e in found if e is not None]


def _peak(f: Features, rest: Rest) -> Evidence:
    # A mean over a bin; what its noise and step leave is in `sigma_a` of the bins.
    lasting_u = f.known.current_u(rest.sustained_a, 0.0, f.bins.sigma_a if f.bins else f.line.sigma_a)
    highest_u = f.known.current_u(rest.peak_a, f.line.resolution_a, f.line.sigma_a)
    return Evidence(
        f"The highest lasting current is {within(rest.sustained_a, lasting_u)}, the highest reading "
        f"{within(rest.peak_a, highest_u)} ({coverage(f.known.current_stated)}).",
        "highest lasting current",
        rest.sustained_a,
        "A",
        lasting_u,
    )


def _no_draw(f: Features, start: Start, rest: Rest) -> list[Evidence]:
    moved = Evidence(
        f"Over {rest.length_s:.1f} s no lasting current above {milliamps(max(rest.sustained_a, 0.0))} flows; noise is "
        f"{f.line.sigma_a * 1e3:.2g} mA, the step of the reading {f.line.resolution_a * 1e3:.2g} mA.",
        "highest lasting current",
        rest.sustained_a,
        "A",
    )
    volts = f.line.voltage_v.max() if len(f.line.voltage_v) else 0.0
    there = Evidence(f"The voltage was there: up to {volts:.2f} V.", "highest voltage", float(volts), "V")
    pressed = _button(start) or Evidence("No button is marked, and none could be seen: was it pressed?")
    return _kept(moved, there, pressed, _leak(f, start))


def _short(f: Features, start: Start, rest: Rest) -> list[Evidence]:
    s = f.short
    if s is None:
        return []
    of = f" of {f.line.set_v:.2f} V set" if f.line.set_v else ""
    found = [
        Evidence(
            f"The voltage is down to {s.voltage_v:.2f} V{of} in {s.share:.0%} of the readings with current.",
            "voltage",
            s.voltage_v,
            "V",
        ),
        Evidence(_pinned_text(f, s), "current", s.current_a, "A"),
        Evidence(
            f"That is {s.ohm:.2f} Ω, leads included, and {s.voltage_v * s.current_a:.2g} W of heat.",
            "resistance",
            s.ohm,
            "Ω",
        ),
    ]
    first_s = start.first_s if start.first_s is not None else s.at_s
    if s.before_s > 0.3 and (s.at_s - first_s > 0.3 or start.button_by == "hand"):
        found.append(
            Evidence(
                f"Before it, for {s.before_s:.1f} s, {milliamps(s.before_a)} flowed.", "current before", s.before_a, "A"
            )
        )
    else:
        found.append(Evidence("It is there with the first current.", "time of the collapse", s.at_s, "s"))
    if f.tripped_s is not None:
        found.append(
            Evidence(f"The output was switched off at {f.tripped_s:.3f} s to protect it.", "trip", f.tripped_s, "s")
        )
    return found


def _pinned_text(f: Features, s: Short) -> str:
    if f.line.limit_a:
        return (
            f"{milliamps(s.current_a)} flow, limit {milliamps(f.line.limit_a)}: pinned in {s.pinned_share:.0%} of them."
        )
    if s.pinned_known:
        return f"{milliamps(s.current_a)} flow, and the supply says that it limits in {s.pinned_share:.0%} of them."
    return f"{milliamps(s.current_a)} flow, {'evenly' if s.pinned_share >= 1 else 'unevenly'}; the limit is not known."


def _early_leak(f: Features, start: Start, rest: Rest) -> list[Evidence]:
    found = _kept(_leak(f, start), _button(start))
    if start.button_s is None:
        found.append(Evidence("No further rise follows that could be the button: the current may also be its result."))
    else:
        found.append(
            Evidence(
                f"After the button it goes up to {milliamps(rest.sustained_a)}.",
                "highest lasting current",
                rest.sustained_a,
                "A",
            )
        )
    return found


def _stall(f: Features, start: Start, rest: Rest) -> list[Evidence]:
    u_a = _tail_u(f, rest)
    flat = Evidence(
        f"For the last {rest.tail_s:.1f} s of {rest.length_s:.1f} s it stays at {within(rest.tail_a, u_a)} "
        f"({coverage(f.known.current_stated)}), scattering by {rest.tail_texture_a * 1e3:.2g} mA.",
        "level",
        rest.tail_a,
        "A",
        u_a,
    )
    return _kept(flat, _peak(f, rest), _button(start), _leak(f, start))


def _loop(f: Features, start: Start, rest: Rest) -> list[Evidence]:
    r = f.repeats
    if r is None:
        return []
    again = Evidence(
        f"It rises {r.count} times, every {r.period_s:.2f} s ± {r.uncertainty_s:.2g} s (k = 2).",
        "period",
        r.period_s,
        "s",
        r.uncertainty_s,
    )
    swing = Evidence(
        f"Each try goes up to {milliamps(r.high_a)} and falls back to {milliamps(max(r.low_a, 0.0))}.",
        "height",
        r.high_a,
        "A",
    )
    alike = Evidence(
        f"The autocorrelation at that period is {r.height:.2f} (chance stays below 0.3).", "autocorrelation", r.height
    )
    return _kept(again, swing, alike, _button(start), _leak(f, start))


def _boot(f: Features, start: Start, rest: Rest) -> list[Evidence]:
    course = Evidence(
        f"{rest.steps} changes of level and {rest.busy_s:.1f} s of busy texture within {rest.length_s:.1f} s.",
        "busy time",
        rest.busy_s,
        "s",
    )
    if rest.tail_s > 0.5 and rest.high_before_tail_a > rest.tail_a:
        u_a = _tail_u(f, rest)
        end = Evidence(
            f"Then it settles at {within(rest.tail_a, u_a)} ({coverage(f.known.current_stated)}) for "
            f"{rest.tail_s:.1f} s, below the {milliamps(rest.high_before_tail_a)} of its busiest half second.",
            "settled current",
            rest.tail_a,
            "A",
            u_a,
        )
    else:
        end = Evidence(
            f"It has not settled by the end of the trace: {milliamps(rest.tail_a)} at last.",
            "last current",
            rest.tail_a,
            "A",
        )
    return _kept(course, _peak(f, rest), end, _limited(f), _dropouts(rest), _button(start), _leak(f, start))


def _limited(f: Features) -> Evidence | None:
    if f.limit_s >= 0.05:
        return Evidence(
            f"For {f.limit_s:.2f} s the current is at the limit with the voltage up.",
            "time at the limit",
            f.limit_s,
            "s",
        )
    if f.sag >= 0.1:
        return Evidence(
            f"The voltage falls by {f.sag:.1%} ± {f.sag_u:.1%} of its setting ({coverage(f.known.voltage_stated)}).",
            "fall of the voltage",
            f.sag,
            "",
            f.sag_u,
        )
    return None


def _dropouts(rest: Rest) -> Evidence | None:
    if rest.dropouts < 2:
        return None
    return Evidence(
        f"{rest.dropouts} times the current drops out for a moment while the voltage stays.", "dropouts", rest.dropouts
    )


def _kick(f: Features, start: Start, rest: Rest) -> list[Evidence]:
    kick = Evidence(
        f"Current flows for {rest.drawn_s:.2f} s, up to {milliamps(rest.peak_a)}, then "
        f"{milliamps(max(rest.tail_a, 0.0))} to the end.",
        "time with current",
        rest.drawn_s,
        "s",
    )
    return _kept(kick, _button(start), _leak(f, start))


def _general(f: Features, start: Start, rest: Rest) -> list[Evidence]:
    return _kept(_peak(f, rest), *_boot(f, start, rest))


_MAKERS: dict[str, Callable[[Features, Start, Rest], list[Evidence]]] = {
    "no-draw": _no_draw,
    "dead-short": _short,
    "late-short": _short,
    "early-leak": _early_leak,
    "low-stall": _stall,
    "mid-stall": _stall,
    "boot-loop": _loop,
    "clean-boot": _boot,
    "limit-sag": _boot,
    "loose-contact": _boot,
    "brief-kick": _kick,
}
