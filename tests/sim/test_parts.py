"""Boards with parts that are no resistors, boards with two sides, and what the hands on the bench can do to them."""

from __future__ import annotations

from itertools import pairwise
from math import exp

import pytest
from scipy.optimize import brentq

from benchd.sim.bench import Channel
from benchd.sim.board import KINDS
from benchd.sim.nonlinear import THERMAL_V
from benchd.sim.rig import Rig


def two_outputs() -> Rig:
    rig = Rig()
    rig.equip([Channel(), Channel()], 1, 0.0)
    return rig


def powered(kind: str, voltage_v: float, limit_a: float = 1.0) -> Channel:
    channel = Channel()
    channel.attach(KINDS[kind], 0.0)
    channel.set(0.0, voltage_v=voltage_v, limit_a=limit_a)
    channel.switch(True, 0.0)
    return channel


@pytest.mark.parametrize("voltage_v", [0.2, 0.5, 0.6, 0.7, 0.75])
def test_a_diode_comes_to_rest_where_its_equation_meets_the_leads(voltage_v: float) -> None:
    """Shockley's equation in line with source and leads, solved by scipy.optimize.brentq."""
    channel = powered("diode-leak", voltage_v)
    in_line_ohm = channel.lead_ohm + channel.source.resistance_ohm

    def left_over_a(board_v: float) -> float:
        return (voltage_v - board_v) / in_line_ohm - 2e-9 * (exp(board_v / (1.6 * THERMAL_V)) - 1)

    board_v = brentq(left_over_a, 0.0, voltage_v, xtol=1e-12)
    truth = channel.truth(0.5)
    assert truth.board_v == pytest.approx(board_v, abs=2e-5)
    assert truth.current_a == pytest.approx((voltage_v - board_v) / in_line_ohm, rel=0.01, abs=1e-4)


def test_a_diode_in_current_limit_takes_the_limit_at_the_voltage_of_its_equation() -> None:
    channel = powered("diode-leak", 3.0, 0.02)
    board_v = brentq(lambda v: 2e-9 * (exp(v / (1.6 * THERMAL_V)) - 1) - 0.02, 0.0, 2.0)
    truth = channel.truth(0.5)
    assert truth.current_a == pytest.approx(0.02, rel=1e-3)
    assert truth.board_v == pytest.approx(board_v, rel=0.005)


@pytest.mark.parametrize(("voltage_v", "current_a"), [(2.0, 0.0), (2.2, 0.0), (3.0, 0.05), (4.0, 0.133)])
def test_a_breakdown_takes_nothing_below_its_voltage_and_a_straight_line_above(
    voltage_v: float, current_a: float
) -> None:
    channel = powered("breakdown-leak", voltage_v)
    assert channel.truth(0.5).current_a == pytest.approx(current_a, abs=1.5e-3)


def test_a_large_capacitor_charges_in_limit_along_a_straight_line() -> None:
    """t = C·V/I (any circuits text): 0.02 F at 0.1 A is 5 V/s."""
    channel = powered("slow-charge", 4.0, 0.1)
    assert channel.truth(0.4).board_v == pytest.approx(2.0, rel=0.01)
    assert channel.truth(5.0).current_a == pytest.approx(4.0 / 20e3, rel=0.05)


def test_leads_on_each_other_show_their_own_resistance() -> None:
    channel = powered("leads", 0.5, 1.0)
    truth = channel.truth(0.1)
    assert truth.current_a == pytest.approx(1.0)
    assert truth.terminal_v / truth.current_a == pytest.approx(channel.lead_ohm + 1e-4, rel=1e-4)


def test_a_probe_that_moves_along_a_shorted_rail_finds_another_resistance() -> None:
    channel = powered("dead-short", 0.5, 1.0)
    channel.bridge(0.020, 0.1)
    truth = channel.truth(0.2)
    assert truth.terminal_v / truth.current_a == pytest.approx(channel.lead_ohm + 0.020, rel=1e-3)


def test_a_sleeper_starts_by_itself_and_wakes_now_and_then() -> None:
    channel = powered("sleeper", 4.0)
    seen = [channel.truth(0.2 * n).current_a for n in range(1, 100)]
    asleep = sorted(a for a in seen[10:] if a < 0.01)
    wakes = sum(1 for a, b in pairwise(seen[10:]) if a < 0.05 < b)
    assert wakes == 3  # 0.8 s of start, then one every 6 s: at 6.4, 12.4 and 18.4 s
    assert asleep[len(asleep) // 2] == pytest.approx(0.0018, abs=2e-4)


def test_a_board_that_starts_by_itself_does_so_again_after_a_brown_out() -> None:
    channel = powered("self-start", 4.0)
    assert channel.truth(3.0).current_a > 0.2
    channel.set(3.0, voltage_v=2.5)
    assert channel.truth(4.0).current_a < 0.01
    channel.set(4.0, voltage_v=3.1)
    assert channel.truth(5.0).current_a < 0.01  # it starts from 3.2 V on
    channel.set(5.0, voltage_v=3.3)
    assert channel.truth(8.0).current_a > 0.2


def test_a_charger_pushes_current_out_at_the_battery_side_while_its_other_side_is_fed() -> None:
    rig = two_outputs()
    battery, usb = rig.channels
    rig.attach(0, "charging", 0.0)
    rig.attach(1, "charger-input", 0.0)
    battery.set(0.0, voltage_v=3.8, limit_a=1.0)
    battery.switch(True, 0.0)
    rig.tick(1.0)
    assert battery.truth(1.0).current_a > 0.05
    usb.set(1.0, voltage_v=5.0, limit_a=1.0)
    usb.switch(True, 1.0)
    for tenth in range(10, 120):
        rig.tick(tenth / 10)
    assert usb.truth(12.0).current_a == pytest.approx(0.46, rel=0.02)
    truth = battery.truth(12.0)
    assert truth.current_a < 0.01  # the supply cannot sink: the charger carries the board
    assert truth.terminal_v > 3.85


def test_what_one_side_has_comes_through_to_the_other_that_is_off() -> None:
    rig = two_outputs()
    rig.attach(0, "self-start", 0.0)
    rig.attach(1, "back-feed", 0.0)
    rig.channels[0].set(0.0, voltage_v=4.0, limit_a=1.0)
    rig.channels[0].switch(True, 0.0)
    for tenth in range(30):
        rig.tick(tenth / 10)
    assert rig.channels[1].truth(3.0).terminal_v == pytest.approx(4.0, abs=0.2)


def test_meters_show_their_errors() -> None:
    channel = powered("leads", 0.5, 1.0)
    channel.err(0.0, 1.001, 0.004, 0.999, -0.001)
    shown_v = [channel.read(0.1 + n / 100)[0] for n in range(200)]
    shown_a = [channel.read(3.1 + n / 100)[1] for n in range(200)]
    truth = channel.truth(6.0)
    assert sum(shown_v) / 200 == pytest.approx(1.001 * truth.terminal_v + 0.004, abs=2e-4)
    assert sum(shown_a) / 200 == pytest.approx(0.999 * truth.current_a - 0.001, abs=2e-5)
