"""What the trip rules compare a reading with, made of the settings in force: see `rules.py` for what each is for."""

from __future__ import annotations

from typing import NamedTuple

from benchd.guard.let_through import NS
from benchd.guard.limits import charging_share
from benchd.guard.resolution import Resolution
from benchd.guard.wire import RuleLimits

IN_LIMIT_SHARE = 0.1
"""A current within this share of the limit counts as in limit where the voltage has collapsed and the supply does not
say so itself. Our choice: programming and reading may each be wrong by some percent, and nothing but its limit holds a
supply that is on at a fraction of its voltage."""

PINNED_SHARE = 0.9
"""In limit below this share of the setting, the voltage is pulled down by the load. Our choice: a start whose load
just lets it complete, R = V_set/I_limit, gets here in 2.3 · R · C (1 − e^−t/RC = 0.9), within the 4 · R · C allowed."""

OVER_LIMIT_SHARE = 0.1
"""Above the limit by more than this share it is not the one that was set. Our choice, wider than accuracies."""

SOME_SHARE = 0.1
"""Less current than this share of the limit does not pull a supply's voltage down: it is off, or charging itself."""

LEAST_SHORT_OHM = 0.01
REVERSED_V = 0.05
REVERSED_SHARE = 0.01
"""A voltage below zero by more than this, or this share of the setting, is no error of a reading: offsets in the
accuracies of the shipped profiles are 2 to 30 mV."""


class InForce(NamedTuple):
    """Voltages in V and limits in A between which the settings are: one pair, or two while they are being changed."""

    low_v: float
    high_v: float
    low_a: float
    high_a: float


class Thresholds(NamedTuple):
    """Where the settings are being changed, each is the one of the two that decides later."""

    collapse_v: float
    """In limit below this the voltage has collapsed."""
    pinned_v: float
    """In limit below this it is pulled down."""
    in_limit_a: float
    over_limit_a: float
    some_a: float
    """Less than this pulls nothing down."""
    gives_a: float
    """What can be counted on to come while in limit."""
    start_ans: float
    """A start needs no more than this: limit times time, A·ns."""
    charge_v_per_ns: float
    """The least rise of a harmless capacitance."""
    reversed_v: float
    zero_v: float
    """Below this there is no voltage at all, where the least short would show some."""


def thresholds(limits: RuleLimits, resolution: Resolution, now: InForce, collapse_decides: bool) -> Thresholds:
    """For the settings in force. Without `collapse_decides` a low voltage says nothing."""
    infinity, step_a = float("inf"), resolution.current_a
    margin_v = resolution.rise_margin_v
    near_limit_a = now.high_a * (1 - IN_LIMIT_SHARE) - 2 * step_a
    share = charging_share(limits)
    tells_zero = now.low_a * LEAST_SHORT_OHM > resolution.voltage_v + resolution.noise_v
    pins = collapse_decides and limits.limit_hold_s is not None
    return Thresholds(
        collapse_v=limits.short_voltage_fraction * now.low_v if collapse_decides else -infinity,
        pinned_v=PINNED_SHARE * now.low_v - margin_v if pins else -infinity,
        in_limit_a=max(near_limit_a, now.high_a / 2),  # a limit of few steps must not make 0 A 'in limit'
        over_limit_a=now.high_a * (1 + OVER_LIMIT_SHARE) + 2 * step_a,
        some_a=SOME_SHARE * now.high_a + step_a,
        gives_a=now.low_a,
        start_ans=limits.harmless_bulk_f * now.high_v / share * NS,
        charge_v_per_ns=share * now.low_a / limits.harmless_bulk_f / NS,
        reversed_v=-max(REVERSED_V, REVERSED_SHARE * now.high_v, margin_v),
        zero_v=resolution.voltage_v / 2 if tells_zero else -infinity,
    )
