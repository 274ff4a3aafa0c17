"""Leads against the printed tables."""

from __future__ import annotations

import pytest

from benchd.plans.leads import awg_diameter_mm, copper_ohm_per_m, pair_ohm

TABLE = [
    # gauge, diameter mm, mΩ/m at 20 °C, Ω/1000 ft: diameters by ASTM B258, resistances by IEC 60028's copper
    (14, 1.6277, 8.285, 2.525),
    (16, 1.2908, 13.174, 4.015),
    (18, 1.0237, 20.948, 6.385),
    (20, 0.8118, 33.308, 10.152),
    (22, 0.6438, 52.962, 16.143),
    (24, 0.5106, 84.213, 25.668),
    (26, 0.4049, 133.90, 40.814),
    (28, 0.3211, 212.92, 64.897),
]


@pytest.mark.parametrize(("gauge", "mm", "mohm_m", "ohm_1000ft"), TABLE)
def test_gauges(gauge: int, mm: float, mohm_m: float, ohm_1000ft: float) -> None:
    assert awg_diameter_mm(gauge) == pytest.approx(mm, rel=3e-4)
    assert copper_ohm_per_m(gauge) * 1e3 == pytest.approx(mohm_m, rel=3e-4)
    assert copper_ohm_per_m(gauge) * 304.8 == pytest.approx(ohm_1000ft, rel=3e-4)


def test_one_gauge_and_six() -> None:
    """ASTM B258: 92^(1/39) = 1.12293 from one gauge to the next, 2.005 over six."""
    assert awg_diameter_mm(21) / awg_diameter_mm(22) == pytest.approx(1.12293, rel=1e-5)
    assert awg_diameter_mm(16) / awg_diameter_mm(22) == pytest.approx(2.005, rel=3e-4)


@pytest.mark.parametrize(("celsius", "mohm"), [(0, 48.80), (20, 52.96), (40, 57.13), (60, 61.29), (75, 64.41)])
def test_warm_copper(celsius: float, mohm: float) -> None:
    """22 AWG, α20 = 0.00393/K (IEC 60028)."""
    assert copper_ohm_per_m(22, celsius) * 1e3 == pytest.approx(mohm, rel=2e-4)


@pytest.mark.parametrize(
    ("gauge", "metres", "contacts_ohm", "current_a", "volts"),
    [(20, 1.0, 0.0, 2.0, 0.1332), (18, 1.2, 0.010, 3.0, 0.1808), (22, 0.5, 0.0, 3.0, 0.1589)],
)
def test_drop_in_a_pair(gauge: int, metres: float, contacts_ohm: float, current_a: float, volts: float) -> None:
    """2·L·r·I by Ohm's law: 66.62 mΩ for 1 m of 20 AWG."""
    assert (pair_ohm(gauge, metres) + contacts_ohm) * current_a == pytest.approx(volts, rel=1e-3)
