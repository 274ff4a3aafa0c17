"""Whether what was measured is good: with its uncertainty, so that it may be unclear."""

from __future__ import annotations

import math
from typing import Literal

from benchd.procedures.card import Compare
from benchd.procedures.record import Outcome, Result
from benchd.procedures.taken import CannotTell
from benchd.procedures.values import Scope, measured_u, measured_value
from benchd.traces.trip_words import quantity

UNITS = {"voltage_v": "V", "current_a": "A", "power_w": "W", "resistance_ohm": "Ω"}
Verdict = Literal["good", "bad", "unclear"]
OUTCOMES: dict[Verdict, Outcome] = {"good": "passed", "bad": "failed", "unclear": "unclear"}


def judged(step: Compare, scope: Scope) -> tuple[Result, Outcome]:
    """The result of a `compare` step, and how a run ends that has only this. Raises CannotTell, NoValue."""
    name, _, what = step.what.rpartition(".")
    measured = scope.measured.get(name)
    if measured is None or what not in UNITS:
        raise CannotTell(f"{step.what}: nothing of that name was measured")
    value, u, unit = measured_value(measured, what), measured_u(measured, what), UNITS[what]
    low = -math.inf if step.above is None else scope.number(step.above)
    high = math.inf if step.below is None else scope.number(step.below)
    verdict: Verdict = "unclear"
    if low < value - u and value + u < high:
        verdict = "good"
    elif value + u < low or value - u > high:
        verdict = "bad"
    asked = " and ".join(
        f"{word} {quantity(end, unit)}" for word, end in (("above", low), ("below", high)) if math.isfinite(end)
    )
    told = f"{step.title or name}: {quantity(value, unit, u)}, asked is {asked}."
    title = step.title or name
    return Result(f"{name}_{what}", title, value, unit, u, text=told, verdict=verdict), OUTCOMES[verdict]
