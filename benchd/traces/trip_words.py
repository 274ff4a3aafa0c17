"""A trip in words: its figures with uncertainty, what to tell the customer, and what the next technician checks.

Uncertainties are given with two digits, and the figure to the same place (JCGM 100:2008 §7.2.6). The advice is common
practice, no source.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from benchd.traces.cards import shipped
from benchd.traces.cautions import BATTERY, INJECT, SHORT_HEAT

_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "µ"))


class Advice(NamedTuple):
    """What a rule's trip means for people."""

    customer: str
    checks: tuple[str, ...]
    cautions: tuple[str, ...] = ()


_SUPPLIES_CHECKS = (
    "Read the supply's own panel: which protection does it show?",
    "Check that nobody switched it off by hand, and the mains and the cable to it.",
    "Compare its protections with the plan: one that is set closer than the plan's trips first.",
)
ADVICE: dict[str, Advice] = {
    "short": Advice(
        "A part of the board is shorted: it took all the current that was allowed, while the voltage broke down.",
        tuple(each.text for each in shipped()["dead-short"].card.check if not each.when),
        (SHORT_HEAT, INJECT),
    ),
    "over-current": Advice(
        "The board drew more current than a board of its kind should.",
        (
            "Compare with a good board: the plan's over_current_a may be too close for it.",
            "Take off what plugs in (screen, cameras, flexes) and power again.",
            "Look for the warm part with a thermal camera, the limit kept low.",
        ),
        (SHORT_HEAT,),
    ),
    "over-voltage": Advice(
        "There was more voltage at the board than it is made for.",
        (
            "Take the leads off and measure the supply's output: does it hold what it is set to?",
            "Look for a second source: a battery or charger that feeds back into the rail.",
            "Measure the rail's protection parts (clamping diodes) before the board is powered again.",
        ),
        (BATTERY,),
    ),
    "reverse": Advice(
        "The supply was connected the wrong way round, or the board pulled the voltage to zero or below.",
        (
            "Check the polarity at the clip, with the output off.",
            "Measure in diode mode both ways round: a protection diode may be shorted now.",
            "If the polarity was right, treat it as a dead short.",
        ),
        (BATTERY,),
    ),
    "budget": Advice(
        "More energy went into the board than is allowed for this work.",
        (
            "Look which of the budgets it was: a fault's, or that of the whole time.",
            "Find what stays warm: energy into a rail that does not come up heats one part.",
        ),
        (SHORT_HEAT,),
    ),
    "stale": Advice(
        "The readings of the supply stayed out, so its output was switched off to be on the safe side. This says "
        "nothing about the device.",
        (
            "Check the cable, and that no other program talks to the supply.",
            "Look at the reading intervals of this supply: do they have long gaps?",
        ),
    ),
    "instrument": Advice(
        "A protection of the bench supply itself has tripped.",
        _SUPPLIES_CHECKS,
        (SHORT_HEAT,),
    ),
    "panel": Advice(
        "Somebody raised the voltage or the limit of the bench supply while it was on, so it was switched off to be on "
        "the safe side. This says nothing about the device.",
        (
            "Ask who changed it: at its panel, or with another program that talks to this supply.",
            "Compare the voltage that it was raised to with what the rail stands, before the board is powered again.",
            "Set what is needed in the plan; while the output is on, leave the supply's own panel alone.",
        ),
        (SHORT_HEAT,),
    ),
}
_OTHER = Advice("A protection of the bench supply acted.", _SUPPLIES_CHECKS)


def advice(rule: str) -> Advice:
    """For a rule of the guard; in general words for one that is not known here."""
    return ADVICE.get(rule, _OTHER)


def quantity(value: float | None, unit: str, u: float | None = None) -> str:
    """`12.3 ± 0.4 mJ`; `u`: expanded uncertainty (k = 2), in the unit. None: not known, and not shown."""
    if value is None or not math.isfinite(value):
        return "not known"
    scale, prefix = _scale(max(abs(value), u or 0.0) if u is None or math.isfinite(u) else abs(value), unit)
    if u is None or not 0 < u < math.inf:
        return f"{value / scale:.3g} {prefix}{unit}"
    digits = 1 - math.floor(math.log10(u / scale))  # negative: whole tens or hundreds
    numbers = (f"{round(each / scale, digits):.{max(0, digits)}f}" for each in (value, u))
    return f"{' ± '.join(numbers)} {prefix}{unit}"


def _scale(size: float, unit: str) -> tuple[float, str]:
    if "²" in unit:  # mA²s would be read as (mA)²·s
        return 1.0, ""
    return next((p for p in _PREFIXES if size >= p[0]), _PREFIXES[-1] if size else _PREFIXES[0])


def figure_rows(figures: dict[str, Any]) -> list[tuple[str, str]]:
    """What a trip's figures say, line by line: label and text with units. `figures`: `trip_figures`, or older ones."""
    f = figures
    off = "NOT CONFIRMED: the output may have stayed on"
    if f.get("off_confirmed"):
        after_ms = f.get("off_confirmed_after_ms")
        off = "confirmed" + ("" if after_ms is None else f" {after_ms:g} ms after it was sent")
    rows = [
        ("Rule", f["rule"] + (f" (stage {f['stage']})" if f.get("stage") else "")),
        ("Why", f["text"]),
        ("Set", f"{f['set_voltage_v']:g} V, limit {f['limit_a']:g} A"),
        ("Decided", _after(f.get("detected_after_ms"), "ms", "after the first reading of the fault")),
        ("Off sent", _after(f.get("off_sent_after_us"), "µs", "after the decision", "could not be sent: no link")),
        ("Off", off),
        ("Charge let through", _through(f, "c", "C")),
        ("Energy let through", _through(f, "j", "J")),
        ("I²t let through", _through(f, "a2s", "A²s")),
    ]
    if f.get("budget_j") is not None:
        share = f["let_through_j"] / f["budget_j"] if f["budget_j"] else math.inf
        rows.append(("Budget", f"{quantity(f['budget_j'], 'J')} into a fault; {share:.0%} of it was let through"))
    if f.get("on_ns"):
        rows.append(("Since power-on", f"{quantity(f['since_on_j'], 'J')}, {quantity(f['since_on_c'], 'C')}"))
    return rows


def for_customer(figures: dict[str, Any]) -> list[str]:
    """Sentences for whoever owns the device."""
    f = figures
    words = [
        "Your device was powered from a bench supply that holds current and voltage within set limits.",
        advice(f["rule"]).customer,
    ]
    if not f.get("off_confirmed"):
        words.append("The supply did not confirm that it switched off, so how long power stayed on is not known.")
    else:
        total_ms = f["detected_after_ms"] + (f["off_sent_after_us"] or 0.0) / 1e3 + f["off_confirmed_after_ms"]
        words.append(f"The output was switched off by itself, within {total_ms:.3g} ms, and was confirmed to be off.")
    if f.get("over_budget"):
        words.append(
            "That is more than is held to be harmless for such a board: parts near the fault may have got warm."
        )
    return words


def _after(value: float | None, unit: str, words: str, never: str = "not known") -> str:
    return never if value is None else f"{value:.3g} {unit} {words}"


def _through(figures: dict[str, Any], key: str, unit: str) -> str:
    name = f"let_through_{key}"
    u, most = figures.get(f"{name}_u"), figures.get(f"{name}_most")
    text = quantity(figures[name], unit, u) + (" (k = 2)" if u is not None else "")
    return text + (f"; at most {quantity(most, unit)}, what no reading saw included" if most is not None else "")
