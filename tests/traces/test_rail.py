"""The rail's resistance and its leak, with what is known of them."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from benchd.guard.wire import StageOver
from benchd.traces.rail import leak_u_a, resistance
from benchd.traces.trace import Conditions

KNOWN = Conditions(
    resolution_a=0.0001, accuracy_fraction_a=0.001, accuracy_offset_a=0.002, accuracy_fraction_v=0.0005,
    accuracy_offset_v=0.005, resolution_v=0.001,
)  # fmt: skip


def over(voltage_v: float, current_a: float, spread_v: float = 0.0, spread_a: float = 0.0, n: int = 10) -> StageOver:
    return StageOver("psu-a", 1, "probe", 0, True, 0.5, 0.1, n, voltage_v, current_a, spread_v, spread_a, False)


def with_leads(ohm: float, u_ohm: float = 0.0) -> Conditions:
    return msgspec.structs.replace(KNOWN, lead_ohm=ohm, lead_u_ohm=u_ohm)


def test_resistance_is_what_the_leads_leave_of_it() -> None:
    """0.35 V at 2.0 A are 0.175 Ω; with 66.6 mΩ of leads the short is 0.108 Ω (Ohm's law)."""
    assert resistance(over(0.35, 2.0), KNOWN).ohm == pytest.approx(0.175)
    assert resistance(over(0.35, 2.0), with_leads(0.0666)).ohm == pytest.approx(0.1084)
    assert resistance(over(0.001, 2.0), with_leads(0.0666)).ohm == 0.0, "no resistance is negative"


def test_its_uncertainty_is_what_many_measurements_spread_by() -> None:
    rng = np.random.default_rng(3)
    volts, amps, lead = 0.4, 0.08, 0.05
    n = 20_000

    def spread(limit: float) -> np.ndarray:
        return rng.uniform(-limit, limit, n)

    read_v = volts + spread(0.0005 * volts + 0.005) + spread(0.0005) + rng.normal(0, 0.003, n) / np.sqrt(10)
    read_a = amps + spread(0.001 * amps + 0.002) + spread(0.00005) + rng.normal(0, 0.0005, n) / np.sqrt(10)
    drawn = read_v / read_a - lead * (1 + spread(0.1))
    found = resistance(over(volts, amps, 0.003, 0.0005), with_leads(lead, 2 * 0.1 * lead / np.sqrt(3)))
    assert found.u_ohm == pytest.approx(2 * drawn.std(), rel=0.03)


def test_an_open_rail_has_a_bound() -> None:
    """0.5 V and no more than U = 2·2.0 mA/√3 ≈ 2.3 mA: above some 200 Ω, and never infinite."""
    found = resistance(over(0.5, 0.0), KNOWN)
    assert (found.ohm, found.u_ohm) == (None, None)
    assert found.above_ohm == pytest.approx((0.5 - 0.00609) / 0.00231, rel=0.01)
    below_zero = resistance(over(0.5, -0.001), KNOWN)
    assert below_zero.above_ohm == pytest.approx(found.above_ohm, rel=0.01)
    nothing_known = resistance(over(0.5, 0.0), Conditions())
    assert nothing_known == (None, None, None)


def test_without_a_stated_accuracy_no_uncertainty_is_claimed() -> None:
    unknown = msgspec.structs.replace(KNOWN, accuracy_fraction_v=None, accuracy_offset_v=None)
    assert resistance(over(0.4, 0.1), unknown) == (pytest.approx(4.0), None, None)
    assert leak_u_a(over(4.0, 0.01), unknown) is not None
    assert leak_u_a(over(4.0, 0.01), Conditions(resolution_a=0.001)) is None


def test_the_leak_carries_the_case_of_sixty_milliamperes() -> None:
    """60 mA within 0.05 % + 2 mA: U = 2.34 mA (JCGM 100 §4.3.7)."""
    conditions = Conditions(accuracy_fraction_a=0.0005, accuracy_offset_a=0.002)
    assert leak_u_a(over(4.0, 0.06), conditions) == pytest.approx(2.34e-3, rel=2e-3)
