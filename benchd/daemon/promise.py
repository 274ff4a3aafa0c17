"""How soon a short is cut on this supply, at worst, and whether that is what the plan asks for. Pure.

From the onset to OFF on the wire, for a short that takes the voltage below the plan's share of its setting:

- it counts from the collapse of the voltage: before that the capacitance on the rail discharges into the short, which
  takes RC or so (0.1 ms for 1 mF and 0.1 Ω);
- the reading that first shows it comes up to one interval later, and may be as old as the supply's refresh
  (where that is not known: UNKNOWN_REFRESH_S);
- the rule waits for its hold, and until a harmless capacitance would have risen by more than the short's own voltage
  and what two readings can be wrong (see `benchd.guard.rules`); it decides at the first reading after that;
- a reading is of some moment within its round trip, and is known at its end;
- then the guard takes GUARD_S, and the supply may want a rest before an order.

With even readings this is N·T + L: N readings of interval T, and the delays L (derived). Readings that are lost on the
way make it longer, up to the rule `stale`; so does a stage whose settings are being written.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from benchd.guard.rules import LEAST_CHARGING_SHARE, Resolution
from benchd.plans.plan import Plan

GUARD_S = 0.001
"""From the reply to OFF on the wire, s: what the benchmark `trip` allows on a loaded machine."""

LONG_GAP = 3.0
"""A gap of so many intervals is no pace of a supply. Our choice."""


class Pace(NamedTuple):
    """How readings of one output come in, s."""

    interval_s: float
    longest_s: float
    """The longest time from one reading to the next, for whatever reason."""
    round_trip_s: float
    measured: bool = True
    """False: as its family's profile leads to expect."""
    held_up: bool = False
    """Readings came late because this computer was busy."""


class Promise(NamedTuple):
    """What can be promised."""

    cut_within_ms: float
    asked_ms: float | None
    """The plan's; None: it asks for nothing."""
    limit_a: float
    text: str
    measured: bool

    @property
    def kept(self) -> bool:
        """Whether it is what the plan asks for."""
        return self.asked_ms is None or self.cut_within_ms <= self.asked_ms

    def told(self) -> dict[str, Any]:
        """As `ChannelView.promise`."""
        return {**self._asdict(), "kept": self.kept}


def promise(plan: Plan, pace: Pace, resolution: Resolution, limit_a: float, rest_s: float = 0.0) -> Promise:
    """`limit_a`: the limit in force, A. `rest_s`: what the supply wants before an order, s."""
    worst_s = cut_within_s(plan, pace, resolution, limit_a, rest_s)
    ms = math.ceil(worst_s * 1e3 - 1e-6)
    how_many = 1 / pace.interval_s if pace.interval_s > 0 else math.inf
    gives = f"this supply gives {how_many:.3g} readings/s at its slowest lately"
    if not pace.measured:
        gives = f"by its profile this supply gives about {how_many:.3g} readings/s"
    text = f"{gives}: a short is cut within {ms} ms; the limit of {limit_a:g} A holds meanwhile"
    if plan.cut_within_ms is not None and ms > plan.cut_within_ms:
        text += f". Plan {plan.name!r} asks for {plan.cut_within_ms:g} ms, which cannot be kept: {_remedy(pace)}"
    return Promise(float(ms), plan.cut_within_ms, limit_a, text, pace.measured)


def _remedy(pace: Pace) -> str:
    """A supply that is only slow is slow evenly; long gaps may come of what else runs on this computer."""
    if pace.held_up or pace.longest_s > LONG_GAP * pace.interval_s:
        return "use a quicker supply or relieve this computer"
    return "use a quicker supply, or a lower limit"


def cut_within_s(plan: Plan, pace: Pace, resolution: Resolution, limit_a: float, rest_s: float = 0.0) -> float:
    """The longest from the onset of a short to OFF on the wire, s."""
    rise_v_per_s = LEAST_CHARGING_SHARE * limit_a / (plan.harmless_bulk_uf / 1e6)
    # Two readings of a voltage that stands still differ by the margin at most; the rule asks for that much more.
    credit_v = plan.short_voltage_fraction * plan.voltage_v + 2 * resolution.rise_margin_v
    wait_s = max(plan.short_hold_ms / 1e3, credit_v / rise_v_per_s) + resolution.oldest_s
    if pace.longest_s > pace.interval_s:
        decided_s = wait_s + pace.longest_s
    else:
        decided_s = (math.floor(wait_s / pace.interval_s + 1e-9) + 1) * pace.interval_s
    seen_s = resolution.oldest_s + max(pace.longest_s, pace.interval_s)
    return seen_s + decided_s + pace.round_trip_s + GUARD_S + rest_s
