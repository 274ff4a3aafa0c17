"""From a plan to what the guard is asked for."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.daemon.power import asked, over_current_delay_s, reduced, rule_limits, within
from benchd.guard.limits import check_limits
from benchd.guard.wire import RuleLimits, Stage
from benchd.plans.plan import Plan
from benchd.procedures.hands import Bounds


def plan(**more: Any) -> Plan:
    return Plan.model_validate(
        {
            "name": "phone", "voltage_v": 4.0, "limit_a": 2.0,
            "probe": {"voltage_v": 0.5, "limit_a": 0.1, "ms": 200.0, "least_ohm": 2.0},
            "hold": {"limit_a": 0.2, "seconds": 1.5, "by_hand": True}, **more,
        }
    )  # fmt: skip


def test_every_protection_of_a_plan_gets_to_the_rules_in_their_units() -> None:
    full = plan(
        over_voltage_v=4.5, over_current_a=1.9, short_voltage_fraction=0.4, short_hold_ms=20.0, limit_hold_ms=1500.0,
        harmless_bulk_uf=500.0, stale_ms=800.0, longest_on_s=60.0,
        budget={"energy_j": 100.0, "square_a2s": 50.0, "fault_j": 2.0},
    )  # fmt: skip
    assert rule_limits(full) == RuleLimits(
        over_current_a=1.9, over_voltage_v=4.5, short_voltage_fraction=0.4, short_hold_s=0.02, harmless_bulk_f=0.0005,
        stale_s=0.8, limit_hold_s=1.5, energy_j=100.0, square_a2s=50.0, fault_j=2.0, longest_on_s=60.0,
    )  # fmt: skip
    check_limits(rule_limits(full))
    never = rule_limits(plan(limit_hold_ms=0.0))
    assert (never.limit_hold_s, never.energy_j, never.longest_on_s) == (None, None, None)
    check_limits(never)


def test_stages_come_in_their_order_and_the_probe_knows_the_leads() -> None:
    """The supply sees 2 Ω of rail and 0.07 Ω of leads as 2.07 Ω."""
    ask = asked(plan(), lead_ohm=0.07)
    assert ask.before == (
        Stage("probe", 0.5, 0.1, 0.2, 2.07),
        Stage("hold", 4.0, 0.2, 1.5, by_hand=True),
    )
    assert (ask.voltage_v, ask.limit_a) == (4.0, 2.0)
    assert asked(plan(probe=None)).before[0].name == "hold"
    assert asked(plan(probe=None, hold=None)).before == ()


@pytest.mark.parametrize("wrong", [4.001, 0.0, -1.0, math.nan, math.inf])
def test_nobody_gets_more_than_the_plan(wrong: float) -> None:
    with pytest.raises(ValueError, match=r"voltage_v = .* V was asked for; allowed with plan 'phone' is above 0 V, up"):
        reduced(plan(), voltage_v=wrong)
    with pytest.raises(ValueError, match=r"limit_a = .* A was asked for; .* up to its 2 A"):
        reduced(plan(), limit_a=wrong)


@given(voltage_v=st.floats(0.01, 4.0), limit_a=st.floats(0.01, 2.0))
def test_less_is_less_in_every_stage(voltage_v: float, limit_a: float) -> None:
    ask = asked(reduced(plan(over_current_a=1.5), voltage_v, limit_a))
    assert (ask.voltage_v, ask.limit_a) == (voltage_v, limit_a)
    assert all(0 < stage.voltage_v <= voltage_v and 0 < stage.limit_a <= limit_a for stage in ask.before)
    # A rule that the supply's own limit keeps from ever acting is no rule.
    assert ask.rules.over_current_a is None or ask.rules.over_current_a <= limit_a


def test_a_plan_as_it_is_stays_as_it_is() -> None:
    assert reduced(plan()) == plan()


def test_the_supplys_own_over_current_waits_for_twice_the_longest_harmless_start() -> None:
    """2000 µF to 4 V with a quarter of 0.2 A take C·V/I = 0.16 s (any circuits text); with the hold, twice: 0.34 s."""
    assert over_current_delay_s(plan()) is None, "only where the plan asks for it"
    assert over_current_delay_s(plan(instrument_over_current=True)) == 0.5
    slow = plan(instrument_over_current=True, hold={"limit_a": 0.05})
    assert over_current_delay_s(slow) == pytest.approx(2 * (0.002 * 4 / (0.25 * 0.05) + 0.01))
    assert over_current_delay_s(plan(instrument_over_current=True, hold=None)) == 0.5


def test_a_run_that_sets_its_own_settings_works_at_its_limit() -> None:
    """The supply's own over-current protection would end it there; with the plan's stages it is a start as any."""
    protected = plan(instrument_over_current=True)
    assert within(protected, 1.0, 0.1, Bounds(4.0, 0.1), 0.0).over_current_delay_s is None
    shorted = Bounds(0.5, 1.0, injection=True, power_w=0.5, energy_j=9.0, longest_on_s=9.0)
    assert within(protected, 0.5, 1.0, shorted, 0.0).over_current_delay_s is None
    started = within(protected, 4.0, 2.0, Bounds(4.0, 2.0, stages=True), 0.0)
    assert started.over_current_delay_s == over_current_delay_s(protected)
    assert [stage.name for stage in started.before] == ["probe", "hold"]


def test_a_board_that_starts_by_itself_has_no_hold() -> None:
    before = within(plan(), 4.0, 2.0, Bounds(4.0, 2.0, stages=True, hold=False), 0.0).before
    assert [stage.name for stage in before] == ["probe"]
