"""A run against the earlier run of the same card in the same job: what has changed, and whether that can be told."""

from __future__ import annotations

import math

from benchd.procedures.record import Result, Run
from benchd.traces.trip_words import quantity

MOST_TOLD = 4
"""So many figures are named; the rest is in both runs."""


def compared(earlier: Run, now: Run) -> str:
    """One or more sentences; empty where the two have no figure in common."""
    before = {result.name: result for result in earlier.results}
    told = [
        sentence
        for result in now.results
        if (was := before.get(result.name)) is not None and (sentence := _one(was, result))
    ]
    if not told:
        return ""
    more = len(told) - MOST_TOLD
    rest = f" {more} more figures are in both runs." if more > 1 else ""
    return "Against the run before: " + " ".join(told[:MOST_TOLD]) + rest


def _one(was: Result, now: Result) -> str:
    """What one figure says; empty: nothing."""
    if isinstance(now.value, str) or isinstance(was.value, str):
        if now.value == was.value or not (isinstance(now.value, str) and isinstance(was.value, str)):
            return ""
        return f"{now.title}: {now.value}, was {was.value}."
    if now.value is None or was.value is None or now.unit != was.unit:
        return ""
    interval = _intervals(was, now)
    figures = f"{now.title}: {_said(now)}, was {_said(was)}"
    return f"{figures}{interval}."


def _said(result: Result) -> str:
    assert isinstance(result.value, float | int)
    if result.low is not None and result.high is not None:
        if result.unit == "":
            return f"{100 * result.value:.0f} % (95 %: {100 * result.low:.0f} to {100 * result.high:.0f} %)"
        return f"{result.value:.3g} (95 %: {result.low:.3g} to {result.high:.3g}) {result.unit}"
    return quantity(float(result.value), result.unit, result.u)


def _intervals(was: Result, now: Result) -> str:
    """Whether the difference can be told, and which way it went.

    Differences of two values with independent uncertainties: root sum of squares (JCGM 100 §5.1.2). The same
    instrument measured both, so a part of the uncertainty cancels: what is said to be a change is one all the more.
    """
    assert isinstance(now.value, float | int)
    assert isinstance(was.value, float | int)
    step = now.value - was.value
    if now.u is not None and was.u is not None:
        reach = math.hypot(now.u, was.u)
        if abs(step) <= reach:
            return ", no difference that can be told"
        return ", higher" if step > 0 else ", lower"
    before, after = _ends(was), _ends(now)
    if before is not None and after is not None:
        if after[0] <= before[1] and before[0] <= after[1]:
            return ", no difference that can be told"
        return ", higher" if step > 0 else ", lower"
    return "" if step else ", the same"


def _ends(result: Result) -> tuple[float, float] | None:
    return None if result.low is None or result.high is None else (result.low, result.high)
