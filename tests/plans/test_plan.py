"""A plan says what fits together, or is refused with the figure."""

from __future__ import annotations

import itertools
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from benchd.guard.rules import LEAST_CHARGING_SHARE
from benchd.guard.stage import STAGE_READINGS
from benchd.plans.plan import HoldStage, Plan, ProbeStage

GOOD: dict[str, Any] = {"name": "phone", "voltage_v": 4.0, "limit_a": 2.0}


def refused(**keys: Any) -> str:
    with pytest.raises(ValidationError) as caught:
        Plan.model_validate({**GOOD, **keys})
    return str(caught.value)


def test_a_flat_plan_without_stages_is_as_before() -> None:
    plan = Plan.model_validate(GOOD)
    assert (plan.probe, plan.hold, plan.budget.fault_j) == (None, None, None)


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"probe": {"least_ohm": 1.0, "voltage_v": 1.0, "limit_a": 0.15}}, "may deliver 0.105 J at 5 readings/s"),
        ({"probe": {"least_ohm": 1.0, "voltage_v": 4.1, "limit_a": 0.01}}, "must not be above voltage_v = 4.0 V"),
        ({"limit_a": 0.05, "probe": {"least_ohm": 1.0}}, "probe.limit_a = 0.1 A must not be above limit_a = 0.05 A"),
        ({"hold": {"limit_a": 2.1}}, "hold.limit_a = 2.1 A must not be above limit_a = 2.0 A"),
        ({"probe": {"least_ohm": 1.0, "ms": 20.0, "limit_a": 0.05}}, "takes 20 ms, and only the second half"),
        ({"hold": {"limit_a": 0.1}, "expected_leak_a": 0.1}, "must be below hold.limit_a = 0.1 A"),
        ({"expected_idle_a": [0.5, 0.2]}, "the lower current, A, comes first"),
        ({"expected_idle_a": [0.1]}, "expected_idle_a"),
        ({"expected_idle_a": [0.1, math.nan]}, "expected_idle_a"),
        ({"budget": {"fault_j": 0.06}}, "may take 0.064 J, so that a good start would trip"),
        ({"budget": {"energy_j": 0.06}}, "budget.energy_j = 0.06 J"),
        ({"cut_within_ms": 10.0}, "cut_within_ms = 10.0 ms must be above short_hold_ms = 10.0 ms"),
        ({"limit_a": 101.0}, "less than or equal to 100"),
        ({"voltage_v": 60.1}, "less than or equal to 60"),
    ],
)
def test_what_does_not_fit_together_is_refused(keys: dict[str, Any], said: str) -> None:
    assert said in refused(**keys)


def test_es1_ends_at_60_v_dc() -> None:
    """IEC 62368-1 table 4 (from memory)."""
    assert Plan.model_validate({**GOOD, "voltage_v": 60.0}).voltage_v == 60.0


def test_a_list_from_toml_is_a_pair() -> None:
    assert Plan.model_validate({**GOOD, "expected_idle_a": [0, 0.5]}).expected_idle_a == (0.0, 0.5)


def test_the_energy_of_charging_is_that_of_the_capacitor_by_its_share() -> None:
    """2200 µF at 4.0 V hold 17.6 mJ (½CV², any circuits text)."""
    plan = Plan.model_validate({**GOOD, "harmless_bulk_uf": 2200.0})
    assert plan.charging_j * LEAST_CHARGING_SHARE == pytest.approx(17.6e-3)


def delivered_j(probe: ProbeStage, load_ohm: float, interval_s: float) -> float:
    """Into a resistor, from the limit, the voltage, and when the third reading of the last half has come."""
    seconds = probe.ms / 1e3
    in_half = 0
    for n in itertools.count(1):
        in_half += n * interval_s >= seconds / 2
        if in_half >= STAGE_READINGS and n * interval_s >= seconds:
            break
    current_a = min(probe.limit_a, probe.voltage_v / load_ohm)
    return current_a**2 * load_ohm * n * interval_s


@given(
    st.floats(0.01, 60), st.floats(0.001, 100), st.floats(20, 2000), st.floats(1e-3, 1e4), st.floats(0.001, 0.2)
)  # fmt: skip
def test_no_probe_that_is_allowed_delivers_a_tenth_of_a_joule(v, i, ms, load_ohm, interval_s) -> None:
    """Into any load, at any pace from 5 readings/s on, but for the rest of the last interval."""
    try:
        probe = ProbeStage(voltage_v=v, limit_a=i, ms=ms, least_ohm=1.0)
    except ValidationError as error:
        assert "may deliver" in str(error)  # noqa: PT017
        assert v * i * max(ms / 1e3, ms / 2e3 + 0.6) >= 0.1
        return
    late_j = v * i * interval_s
    assert delivered_j(probe, load_ohm, interval_s) < 0.1 + late_j


@given(st.sampled_from([4.0, 5.0, 12.0, 19.0]), st.floats(0.1, 5.0), st.floats(0.001, 6.0), st.floats(0.01, 20.0))
def test_a_stage_never_goes_beyond_the_boot(voltage, limit, hold_a, probe_v) -> None:
    hold, probe = HoldStage(limit_a=hold_a), {"voltage_v": probe_v, "limit_a": 0.005, "least_ohm": 1.0}
    try:
        keys = {"name": "x", "voltage_v": voltage, "limit_a": limit, "hold": hold, "probe": probe}
        plan = Plan.model_validate({**keys, "harmless_bulk_uf": 1.0})
    except ValidationError:
        assert hold_a > limit or probe_v > voltage
        return
    assert plan.hold is not None
    assert plan.probe is not None
    assert plan.hold.limit_a <= limit
    assert plan.probe.voltage_v <= voltage
