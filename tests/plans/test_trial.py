"""Single keys of a plan changed for a trial."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.plans.plan import Budget, HoldStage, Plan, ProbeStage
from benchd.plans.trial import KEYS, MAY_BE_NONE, TrialError, changed, changes

PLAN = Plan(
    name="demo",
    voltage_v=4.0,
    limit_a=2.0,
    probe=ProbeStage(least_ohm=1.0),
    hold=HoldStage(limit_a=0.1),
    over_voltage_v=4.5,
    budget=Budget(energy_j=100.0),
)


def test_keys_are_changed_and_all_else_stays() -> None:
    values = changes(["short_hold_ms=5", "budget.fault_j = 0.5", "probe.least_ohm=0.2", "over_voltage_v=none"])
    tried = changed(PLAN, values)
    assert (tried.short_hold_ms, tried.over_voltage_v) == (5.0, None)
    assert tried.budget == Budget(energy_j=100.0, fault_j=0.5)
    assert tried.probe == ProbeStage(least_ohm=0.2)
    assert tried.model_copy(update={"short_hold_ms": 10.0, "over_voltage_v": 4.5, "budget": PLAN.budget,
                                    "probe": PLAN.probe}) == PLAN  # fmt: skip


def test_a_stage_that_the_plan_has_not_gets_none() -> None:
    plain = Plan(name="plain", voltage_v=4.0, limit_a=2.0)
    assert changed(plain, changes(["probe.least_ohm=0.2", "hold.limit_a=0.05"])) == plain


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("short_hold_ms", "'short_hold_ms': a rule is given as key=value, such as short_hold_ms=5"),
        ("short_hold=5", "short_hold: no key that can be tried; did you mean short_hold_ms?; there are: "),
        ("voltage_v=5", "voltage_v: no key that can be tried; did you mean over_voltage_v?"),
        ("short_hold_ms=5000", "short_hold_ms = 5000.0: allowed: 1000.0 or less (unit: ms)"),
        ("short_hold_ms=nan", "short_hold_ms = nan: allowed: 1000.0 or less (unit: ms)"),
        ("short_hold_ms=five", "short_hold_ms = 'five': allowed is a number, such as 5 or 0.3"),
        ("short_hold_ms=none", "short_hold_ms = none: it has to have a value; none is for: over_voltage_v, "),
        ("probe.least_ohm=-1", "probe.least_ohm = -1.0: allowed: above 0.0 (unit: Ω)"),
        ("over_current_a=inf", "over_current_a = inf: "),
        ("budget.energy_j=0", "budget.energy_j = 0.0: allowed: above 0.0 (unit: J)"),
    ],
)  # fmt: skip
def test_a_change_that_no_plan_could_have_is_refused(word: str, told: str) -> None:
    with pytest.raises(TrialError) as raised:
        changes([word])
    assert str(raised.value).startswith(told)


def test_a_key_is_given_once() -> None:
    with pytest.raises(TrialError, match="stale_ms: given twice"):
        changes(["stale_ms=500", "stale_ms=600"])


@pytest.mark.parametrize("key", KEYS)
def test_every_key_takes_some_value_and_reaches_its_plan(key: str) -> None:
    """0.3 lies in every range but those of whole milliseconds and microfarads."""
    text = {"stale_ms": "300", "harmless_bulk_uf": "300"}.get(key, "0.3")
    values = changes([f"{key}={text}"])
    table, _, name = key.rpartition(".")
    tried = changed(PLAN, values)
    assert getattr(getattr(tried, table) if table else tried, name) == float(text)
    assert tried != PLAN
    if key in MAY_BE_NONE:
        assert changes([f"{key}=none"]) == {key: None}


@given(st.sampled_from(KEYS), st.text(max_size=20))
def test_whatever_is_given_it_is_a_value_or_a_sentence(key: str, text: str) -> None:
    try:
        told = list(changes([f"{key}={text}"]))
    except TrialError as error:
        told = [str(error).split(" ")[0].rstrip(":")]
    assert told == [key]
