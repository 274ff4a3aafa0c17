"""The shipped plans: every figure has its source, and they are sane by arithmetic."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from benchd.plans.cautions import cautions, cells, power_class
from benchd.plans.plan import Plan
from benchd.plans.shelf import shipped, values_of

NAMES = ["adapter-12v", "adapter-19v", "pack-2s", "pack-3s", "phone-cell", "tablet-cell", "usb-5v"]
plans = pytest.mark.parametrize("plan", [found.plan for found in shipped().values()], ids=lambda plan: plan.name)


def test_what_is_shipped() -> None:
    assert list(shipped()) == NAMES
    assert {found.plan.name for found in shipped().values()} == set(NAMES)
    assert {found.origin for found in shipped().values()} == {"shipped"}


@plans
def test_every_figure_names_its_source(plan: Plan) -> None:
    given = values_of(plan)
    keys = {key for key in given if not isinstance(given[key], dict | str)}
    keys |= {f"{table}.{key}" for table in ("probe", "hold", "budget") for key in given[table]}
    sourced = set()
    for line in plan.source.strip().splitlines():
        names, _, words = line.partition(": ")
        assert words.endswith("."), line
        sourced |= set(names.split(", "))
    assert sourced == keys


@plans
def test_it_has_every_stage_and_protection(plan: Plan) -> None:
    assert plan.probe is not None
    assert plan.hold is not None
    assert plan.over_voltage_v is not None
    assert plan.budget.fault_j is not None
    assert plan.budget.energy_j is not None
    assert plan.cut_within_ms is not None
    assert plan.longest_on_s is not None
    assert plan.expected_leak_a is not None
    assert plan.expected_idle_a is not None
    assert plan.instrument_over_current
    assert not plan.soak
    assert plan.probe.most_j < 0.1
    assert plan.expected_idle_a[1] <= plan.limit_a
    assert plan.probe.least_ohm == pytest.approx(plan.short_voltage_fraction * plan.voltage_v / plan.limit_a, rel=0.07)
    fault_j = plan.short_voltage_fraction * plan.voltage_v * plan.limit_a * 0.1
    assert fault_j * 0.999 <= plan.budget.fault_j <= 1.5 * fault_j
    assert plan.budget.energy_j == pytest.approx(plan.voltage_v * plan.limit_a / 2 * plan.longest_on_s)


def test_cells() -> None:
    """4.25 V is the most that a classic cell may have (IEC 62133-2 annex A, from memory)."""
    for name, count in (("phone-cell", 1), ("tablet-cell", 1), ("pack-2s", 2), ("pack-3s", 3)):
        plan = shipped()[name].plan
        assert plan.over_voltage_v == count * 4.25
        assert cells(plan.voltage_v) == [count]


def test_usb() -> None:
    """USB 2.0 sections 7.2.1 (100 mA a unit, five of them) and 7.2.4.1 (10 µF at attach: 50 µC at 5 V)."""
    plan = shipped()["usb-5v"].plan
    assert plan.hold is not None
    assert (plan.hold.limit_a, plan.limit_a) == (0.1, 5 * 0.1)
    assert plan.harmless_bulk_uf * 1e-6 * plan.voltage_v >= 50e-6


@pytest.mark.parametrize(
    ("volts", "amps", "kind"), [(19, 0.8, "PS2"), (12.6, 8, "PS3"), (4.2, 2, "PS1"), (4.2, 5, "PS2"), (5, 3, "PS1")]
)
def test_power_classes(volts: float, amps: float, kind: str) -> None:
    """15 W and 100 W (IEC 62368-1 section 6.2.2, from memory)."""
    assert power_class(volts * amps) == kind
    told = cautions(Plan(name="x", voltage_v=volts, limit_a=amps))
    assert sum(f"power class {kind}" in each for each in told) == 1


@plans
def test_cautions_say_what_matters(plan: Plan) -> None:
    told = " ".join(cautions(plan))
    for words in ("Disconnect the battery", "polarity", "still heats a short", "ES1", "60 V DC", "licensed practice",
                  "Local rules come first", "from memory"):  # fmt: skip
        assert words in told
    assert ("Never charge a cell" in told) == bool(cells(plan.voltage_v))


def test_a_cell_voltage_above_the_classic_one_is_said() -> None:
    told = cautions(Plan(name="x", voltage_v=4.3, limit_a=1.0))
    assert any(each.startswith("4.3 V is above the 4.25 V that a classic lithium cell may have") for each in told)
    assert not any("is above the" in each for each in cautions(Plan(name="x", voltage_v=4.25, limit_a=1.0)))
    assert cells(5.0) == []
    assert cells(48.0) == []
    assert cells(12.0) == [3, 4]


def test_the_wheel_has_them() -> None:
    """They lie inside the package, which is what a wheel is made of; and no rule keeps them out of git."""
    root = Path(__file__).parents[2]
    built = tomllib.loads((root / "pyproject.toml").read_text("utf-8"))["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert built["packages"] == ["benchd"]
    assert {found.path.parent for found in shipped().values() if found.path} == {root / "benchd/plans/shipped"}
