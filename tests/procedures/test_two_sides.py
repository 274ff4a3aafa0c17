"""Battery and USB side at once: class of current, back-feed, what is ended at once."""

from __future__ import annotations

import asyncio

import pytest

from benchd.plans.shelf import shipped as plans
from benchd.procedures.check import Output
from benchd.procedures.engine import RunAsked, run
from benchd.procedures.record import Run, Side
from benchd.procedures.shelf import shipped
from benchd.procedures.usb_class import class_of
from tests.procedures.hands import FakeHands

CARD = shipped()["two-sides"].card


def tried(usb_a: float, battery_a: float = 0.3, idle_v: float = 0.0, charges: bool = False) -> tuple[FakeHands, Run]:
    """A board that runs from USB once that is fed, and may charge what is at its battery side, or leak to USB."""

    def battery(set_v: float, limit_a: float, _: float) -> tuple[float, float]:
        fed = "usb" in hands.now
        return (4.2, 0.0) if charges and fed else (set_v, 0.0 if fed else battery_a)

    def usb(set_v: float, limit_a: float, _: float) -> tuple[float, float]:
        return (set_v, min(usb_a, limit_a)) if "usb" in hands.now else (idle_v, 0.0)

    hands = FakeHands({"battery": battery, "usb": usb}, rate=100.0)
    hands.answers = {"ready": True}
    outputs = {"battery": Output(plans()["phone-cell"].plan, 5.0, 2.0), "usb": Output(plans()["usb-5v"].plan, 5.5, 3.0)}
    sides = (Side("battery", "psu", 1), Side("usb", "psu", 2))
    asked = RunAsked("P1", None, sides, outputs, {"longest_s": 8.0, "boot_s": 1.0, "usb_limit_a": 0.5})
    done = asyncio.run(run(CARD, asked, hands)).run
    assert hands.now == {}
    return hands, done


@pytest.mark.parametrize(
    ("amps", "name"),
    [(0.001, "suspended"), (0.09, "unconfigured"), (0.13, "unconfigured-3"), (0.46, "usb-2"), (0.85, "usb-3"),
     (1.4, "charger"), (2.9, "type-c-3")],
)  # fmt: skip
def test_classes_are_those_of_the_published_specifications(amps: float, name: str) -> None:
    """USB 2.0 §7.2.1: 100 and 500 mA; §7.2.3 with its ECN: 2.5 mA; USB 3.2 §11.4.1: 150 and 900 mA; USB BC 1.2 table
    5-2: 1.5 A; USB Type-C §4.11: 1.5 and 3 A."""
    found, _ = class_of(amps)
    assert found is not None
    assert found.name == name


def test_what_lies_at_a_limit_may_be_two_classes() -> None:
    found, other = class_of(0.499, 0.004)
    assert found is not None
    assert other is not None
    assert (found.name, other.name) == ("usb-2", "usb-3")
    assert class_of(3.5) == (None, None)


def test_a_board_that_runs_from_usb_is_read_from_both_sides() -> None:
    hands, done = tried(0.46)
    rows = {row.name: row for row in done.results}
    assert done.outcome == "done"
    assert rows["usb_class"].value == "usb-2"
    assert "USB 2.0 §7.2.1" in rows["usb_class"].text
    assert rows["battery_change"].value == pytest.approx(-0.3, abs=0.01)
    assert "a supply that takes nothing back cannot tell" in rows["battery_change"].text
    assert rows["skew"].value < 0.05  # type: ignore[operator]
    assert {curve.name for curve in done.curves} == {"course_battery", "course_usb"}
    assert [entry[:2] for entry in hands.log][-2:] == [("off", "usb"), ("off", "battery")]


def test_a_board_that_charges_the_supply_is_ended_at_once_both_outputs_off() -> None:
    hands, done = tried(0.46, charges=True)
    assert done.outcome == "refused"
    assert "the board feeds back into it" in done.text
    assert hands.at_s < 8  # long before its time is over
    assert {entry[1] for entry in hands.log if entry[0] == "off"} == {"battery", "usb"}


def test_a_usb_side_that_has_voltage_before_it_is_fed_is_a_fault() -> None:
    _, done = tried(0.1, idle_v=3.6)
    assert done.outcome == "failed"
    assert "the battery side feeds out" in done.text
