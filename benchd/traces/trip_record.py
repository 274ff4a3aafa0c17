"""A trip as figures: what decided, how soon, and what went through, with uncertainty and against the plan's budget."""

from __future__ import annotations

from typing import Any

import numpy as np

from benchd.guard.wire import Tripped
from benchd.traces.let_through import Moments, Steps, Through, let_through
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions
from benchd.traces.uncertainty import Known

MOST_BEFORE = 200
"""So many readings up to the decision come with a trip at most: `Tripped.before`."""


def trip_figures(trip: Tripped, conditions: Conditions | None = None) -> dict[str, Any]:
    """A trip as JSON, units in the names. `conditions`: how well the readings are known; None: not known.

    `let_through_*`: from the onset until OFF was confirmed, or given up; `_u`: expanded uncertainty (k = 2), null
    where the supply's accuracy is not stated; `_most`: upper bound, null where OFF was not confirmed. `since_on_*`:
    since the output went on. `over_budget`: more energy than the plan thinks harmless; null without such a figure.
    """
    confirmed = trip.off_confirmed_ns
    figures: dict[str, Any] = {
        "rule": trip.rule,
        "text": trip.text,
        "stage": trip.stage,
        "on_ns": trip.on_ns or None,
        "onset_ns": trip.onset_ns,
        "detected_ns": trip.detected_ns,
        "off_sent_ns": trip.off_sent_ns,
        "off_confirmed_ns": confirmed,
        "detected_after_ms": round((trip.detected_ns - trip.onset_ns) / 1e6, 3),
        # A supply that is off by itself is sent OFF first, and asked why afterwards.
        "off_sent_after_us": max(0.0, round((trip.off_sent_ns - trip.detected_ns) / 1e3, 1)) if trip.off_sent else None,
        "off_confirmed": confirmed is not None,
        "off_confirmed_after_ms": None if confirmed is None else round((confirmed - trip.off_sent_ns) / 1e6, 3),
        "set_voltage_v": trip.set_voltage_v,
        "limit_a": trip.limit_a,
        "since_on_c": trip.since_on_c,
        "since_on_j": trip.since_on_j,
        "since_on_a2s": trip.since_on_a2s,
        "budget_j": trip.budget_j,
        "over_budget": None if trip.budget_j is None else trip.let_through_j > trip.budget_j,
    }
    return figures | _through(trip, conditions or Conditions())


def trip_samples(trip: Tripped) -> Samples:
    """The readings around a trip, in order."""
    return Samples.concat([Samples.from_block(trip.before), Samples.from_block(trip.after)])


def _through(trip: Tripped, conditions: Conditions) -> dict[str, Any]:
    """The sums are the guard's, which saw every reading; how well they are known is of the readings kept."""
    samples = trip_samples(trip)
    half_trip_s = max(trip.before.half_trip_ns, trip.after.half_trip_ns) / 1e9
    kept = let_through(
        samples,
        Moments(_good_ns(trip, samples), trip.onset_ns, trip.off_sent_ns, trip.off_confirmed_ns),
        Known.of(conditions),
        Steps(conditions.resolution_v or 0.0, conditions.resolution_a or 0.0, half_trip_s),
        trip.set_voltage_v,
        trip.limit_a,
    )
    figures: dict[str, Any] = {}
    for unit, whole, part in (
        ("c", trip.let_through_c, kept.charge_c),
        ("j", trip.let_through_j, kept.energy_j),
        ("a2s", trip.let_through_a2s, kept.square_a2s),
    ):
        figures |= _figures(f"let_through_{unit}", whole, part)
    return figures


def _figures(name: str, whole: float, part: Through) -> dict[str, Any]:
    # A fault that is longer than the readings kept: the shorter part's uncertainty grows with the sum, since nearly all
    # of it is the accuracy, which is the same in every reading.
    share = max(1.0, whole / part.value) if part.value > 0 else 1.0
    return {
        name: whole,
        f"{name}_u": None if part.u is None else part.u * share,
        f"{name}_most": None if part.most is None else part.most + max(0.0, whole - part.value),
    }


def _good_ns(trip: Tripped, samples: Samples) -> int | None:
    """The last reading before the onset, or power-on where there was none since; None: not known."""
    earlier = samples.t_ns[np.isfinite(samples.current_a) & (samples.t_ns < trip.onset_ns)]
    if len(earlier):
        return max(int(earlier[-1]), min(trip.on_ns, trip.onset_ns))
    # As many as are kept at most: those before them, the good ones among them, are not there any more.
    whole = len(trip.before) < MOST_BEFORE and 0 < trip.on_ns <= trip.onset_ns
    return trip.on_ns if whole else None
