"""The model of source, leads and board against formulas from circuits textbooks, and the protections in model time."""

from __future__ import annotations

import math
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from benchd.sim.bench import Bits, Channel, Readout
from benchd.sim.board import KINDS, Kind
from benchd.sim.circuit import Network
from benchd.sim.source import Mode, Source

NOTHING_F = 1e-12
"""Output capacitance for cases whose formula has none."""


def channel_with(
    board: Kind,
    *,
    resistance_ohm: float,
    voltage_v: float = 4.0,
    limit_a: float = 1000.0,
    lead_ohm: float | None = None,
) -> Channel:
    """A switched-off channel with everything discharged; the resistance is shared out between source and leads."""
    lead_ohm = resistance_ohm / 2 if lead_ohm is None else lead_ohm
    source = Source(voltage_v, limit_a, resistance_ohm=resistance_ohm - lead_ohm, capacitance_f=NOTHING_F)
    channel = Channel(source=source, readout=Readout(interval_s=1e-5), lead_ohm=lead_ohm)
    channel.over_voltage.enabled = False
    channel.attach(board, 0.0)
    return channel


def test_constant_current_charges_a_capacitor_linearly() -> None:
    # t = C·V/I: 2200 µF to 4.0 V at 0.5 A take 17.6 ms.
    channel = channel_with(Kind("c", "", bulk_f=2200e-6), resistance_ohm=1e-4, limit_a=0.5)
    channel.switch(True, 0.0)
    assert channel.truth(0.0088).board_v == pytest.approx(2.0, rel=0.001)
    assert channel.truth(0.0176).board_v == pytest.approx(4.0, rel=0.001)
    assert channel.truth(0.0180).current_a == pytest.approx(0.0, abs=0.001)


def test_limit_then_exponential_approach() -> None:
    # In limit until Vs - I·R = 3.75 V at t1 = C·3.75/I = 16.50 ms, then Vs - v = I·R·exp(-(t - t1)/RC), RC = 1.1 ms.
    channel = channel_with(Kind("c", "", bulk_f=2200e-6), resistance_ohm=0.5, limit_a=0.5)
    channel.switch(True, 0.0)
    assert channel.truth(0.01650).board_v == pytest.approx(3.75, rel=1e-4)
    for after_s, board_v in ((0.017508, 3.90), (0.020041, 3.99)):
        assert channel.truth(after_s).board_v == pytest.approx(board_v, rel=1e-4)
    assert channel.source.mode is Mode.CV


def test_inrush_into_a_capacitor() -> None:
    # i(t) = V/R·exp(-t/RC): 4.0 V through 0.2 Ω into 220 µF start with 20 A, RC = 44 µs, i(RC) = 7.358 A.
    channel = channel_with(Kind("c", "", bulk_f=220e-6), resistance_ohm=0.2)
    channel.switch(True, 0.0)
    assert channel.truth(1e-8).current_a == pytest.approx(20.0, rel=0.01)
    assert channel.truth(44e-6).current_a == pytest.approx(7.358, rel=0.001)
    assert channel.truth(202.6e-6).current_a == pytest.approx(0.2, rel=0.005)


def test_readings_add_up_to_the_charge_and_the_energy() -> None:
    # Q = C·V = 0.88 mC. The source's C·V² = 3.52 mJ less what heats its own 10 mΩ: R·∫i² = R·C·V²/(2·0.2 Ω) = 0.088 mJ.
    channel = channel_with(Kind("c", "", bulk_f=220e-6), resistance_ohm=0.2, lead_ohm=0.19)
    channel.switch(True, 0.0)
    charge_c = energy_j = 0.0
    for interval in range(1, 101):
        reading = channel.average(interval * 1e-5 + 1e-9)
        charge_c += reading.current_a * 1e-5
        energy_j += reading.current_a * reading.voltage_v * 1e-5
    assert charge_c == pytest.approx(0.88e-3, rel=0.001)
    # The product of two averages over 10 µs is short of the average of the product.
    assert energy_j == pytest.approx(3.52e-3 - 0.088e-3, rel=0.003)


def test_short_is_limited_and_collapses() -> None:
    # Ohm's law: 0.5 A into 0.15 Ω of board and 0.05 Ω of leads leaves 0.1 V at the terminals, 0.075 V at the board.
    channel = Channel(lead_ohm=0.05)
    channel.attach(KINDS["dead-short"], 0.0)
    channel.set(0.0, voltage_v=4.0, limit_a=0.5)
    channel.switch(True, 0.0)
    truth = channel.truth(0.1)
    assert truth.current_a == 0.5
    assert truth.terminal_v == pytest.approx(0.1, rel=1e-3)
    assert truth.board_v == pytest.approx(0.075, rel=1e-3)
    assert channel.condition() == Bits.LIMITING


def test_output_off_falls_with_the_bleeder() -> None:
    # A charged capacitor on a resistor: v = V·exp(-t/RC).
    channel = Channel(source=Source(4.0, 1.0, capacitance_f=100e-6, bleed_ohm=470.0))
    channel.over_voltage.enabled = False
    channel.switch(True, 0.0)
    channel.switch(False, 1.0)
    assert channel.truth(1.047).terminal_v == pytest.approx(4.0 * math.exp(-1), rel=0.001)
    assert channel.truth(1.047).current_a == 0.0


def test_network_agrees_with_a_numerical_solver() -> None:
    terminal_s, terminal_f, leads_s, board_s, board_f = 100.0, 100e-6, 20.0, 0.3, 220e-6
    feed_a, draw_a = 400.0, -0.8

    def slope(_t: float, volts: list[float]) -> list[float]:
        across_a = leads_s * (volts[0] - volts[1])
        return [
            (feed_a - terminal_s * volts[0] - across_a) / terminal_f,
            (draw_a - board_s * volts[1] + across_a) / board_f,
        ]

    motion = Network.of(terminal_s, terminal_f, leads_s, board_s, board_f).motion(1.0, 0.2, feed_a, draw_a)
    for seconds in (1e-6, 1e-5, 1e-4, 1e-3):
        solved = solve_ivp(slope, (0, seconds), [1.0, 0.2], method="LSODA", rtol=1e-10, atol=1e-12)
        assert motion.after(seconds) == pytest.approx(solved.y[:, -1], rel=1e-6)


def test_constant_power_load_takes_more_current_at_less_voltage() -> None:
    # P = V·I: a converter keeps its power, so at 3.4 V it takes 4.0/3.4 of its current at 4.0 V.
    currents_a = []
    for voltage_v in (4.0, 3.4):
        channel = Channel(lead_ohm=1e-4)
        channel.attach(KINDS["low-stall"], 0.0)
        channel.set(0.0, voltage_v=voltage_v, limit_a=1.0)
        channel.switch(True, 0.0)
        channel.press(1.0)
        standby_a = voltage_v * 0.0012 / 4.0
        currents_a.append(channel.truth(3.0).current_a - standby_a)
    assert currents_a[1] / currents_a[0] == pytest.approx(4.0 / 3.4, rel=0.005)


def test_board_drops_out_when_the_limit_is_too_small_and_needs_its_button_again() -> None:
    channel = Channel()
    channel.attach(KINDS["clean"], 0.0)
    channel.set(0.0, voltage_v=4.0, limit_a=0.15)
    channel.switch(True, 0.0)
    assert channel.press(1.0)
    lowest_v = min(channel.truth(1.0 + step * 0.001).board_v for step in range(3000))
    # It recovers at (0.15 A)/(320 µF), so a look every 1 ms finds it within half a volt of where it dropped out.
    assert lowest_v < KINDS["clean"].brownout_v + 0.5
    truth = channel.truth(6.0)
    assert truth.board_v == pytest.approx(4.0, abs=0.01)
    assert truth.current_a < 0.002


def test_over_voltage_protection_waits_for_its_delay() -> None:
    channel = Channel()
    channel.over_voltage.level, channel.over_voltage.delay_s = 5.0, 0.02
    channel.set(0.0, voltage_v=6.0, limit_a=1.0)
    channel.switch(True, 1.0)
    # Linear charge of the output capacitor: 5.0 V after C·V/I = 0.5 ms.
    crossing_s = 1.0 + channel.source.capacitance_f * 5.0 / 1.0
    assert channel.truth(crossing_s + 0.0199).output
    assert not channel.truth(crossing_s + 0.0201).output
    assert channel.over_voltage.tripped
    assert channel.condition() == Bits.OVER_VOLTAGE


def test_over_current_protection_ignores_an_inrush_shorter_than_its_delay() -> None:
    channel = Channel()
    channel.attach(KINDS["clean"], 0.0)
    channel.protect(channel.over_current, 0.0, enabled=True, delay_s=0.05)
    channel.set(0.0, voltage_v=4.0, limit_a=0.5)
    channel.switch(True, 0.0)
    # (100 + 220) µF · 4 V / 0.5 A = 2.56 ms in limit.
    assert channel.truth(0.002).current_a == 0.5
    assert channel.truth(1.0).output
    channel.attach(KINDS["dead-short"], 1.0)
    assert channel.truth(1.0495).output
    assert not channel.truth(1.051).output
    assert channel.over_current.tripped
    channel.protect(channel.over_current, 2.0, tripped=False)
    assert not channel.truth(2.0).output


def test_over_current_level_below_the_limit_trips_as_well() -> None:
    channel = Channel()
    channel.attach(KINDS["leak-only"], 0.0)
    channel.protect(channel.over_current, 0.0, enabled=True, delay_s=0.1, level=0.03)
    channel.set(0.0, voltage_v=4.0, limit_a=2.0)
    channel.switch(True, 0.0)
    assert not channel.truth(0.2).output


def test_unplugging_a_settled_board_leaves_no_current() -> None:
    channel = Channel()
    channel.attach(KINDS["leak"], 0.0)
    channel.set(0.0, voltage_v=4.0, limit_a=1.0)
    channel.switch(True, 0.0)
    assert channel.truth(1.0).current_a == pytest.approx(0.0462, rel=0.01)
    channel.connect(False, 1.0)
    truth = channel.truth(2.0)
    assert truth.current_a == pytest.approx(0.0, abs=1e-4)
    assert truth.terminal_v == pytest.approx(4.0, abs=1e-3)
    assert truth.board_v < 0.1


def test_readings_are_rounded_noisy_and_the_same_for_the_same_seed() -> None:
    def readings() -> list[tuple[float, float]]:
        channel = Channel(seed=7)
        channel.attach(KINDS["leak-only"], 0.0)
        channel.set(0.0, voltage_v=4.0, limit_a=1.0)
        channel.switch(True, 0.0)
        return [channel.read(1.0 + step * 0.001) for step in range(400)]

    first = readings()
    assert first == readings()
    currents = [current_a for _, current_a in first]
    assert all(abs(a * 1e4 - round(a * 1e4)) < 1e-6 for a in currents)
    mean_a = sum(currents) / len(currents)
    spread_a = math.sqrt(sum((a - mean_a) ** 2 for a in currents) / len(currents))
    # Noise of 50 µA rms and the rounding's own 100 µA/√12 add in squares.
    assert spread_a == pytest.approx(math.hypot(50e-6, 100e-6 / math.sqrt(12)), rel=0.15)


def test_readings_stay_the_same_within_one_interval() -> None:
    channel = Channel(readout=Readout(interval_s=0.1))
    channel.set(0.0, voltage_v=4.0)
    channel.switch(True, 0.0)
    assert channel.read(0.21) == channel.read(0.29)
    assert len({channel.read(0.3 + step * 0.1) for step in range(50)}) > 1


def test_a_gap_of_an_hour_is_caught_up_with_at_once() -> None:
    channel = Channel()
    channel.attach(KINDS["loop"], 0.0)
    channel.set(0.0, voltage_v=4.0, limit_a=2.0)
    channel.switch(True, 0.0)
    channel.press(1.0)
    channel.advance(10.0)
    begin_s = time.process_time()
    channel.advance(3600.0)
    assert time.process_time() - begin_s < 5.0
    assert channel.truth(3600.0).output


def test_time_that_stands_still_or_goes_back_changes_nothing() -> None:
    channel = Channel()
    channel.set(1.0, voltage_v=4.0)
    channel.switch(True, 1.0)
    before = channel.truth(2.0)
    assert channel.truth(2.0) == before
    assert channel.truth(0.5) == before


ACTION = st.one_of(
    st.tuples(st.just("voltage"), st.sampled_from([0.0, 0.5, 2.9, 3.2, 4.0, 12.0, 32.0])),
    st.tuples(st.just("limit"), st.sampled_from([0.0, 0.001, 0.06, 0.2, 1.0, 6.0])),
    st.tuples(st.just("switch"), st.booleans()),
    st.tuples(st.just("connect"), st.booleans()),
    st.tuples(st.just("press"), st.none()),
    st.tuples(st.just("attach"), st.sampled_from(sorted(KINDS))),
    st.tuples(st.just("over-current"), st.booleans()),
    st.tuples(st.just("over-voltage level"), st.sampled_from([3.9, 4.0, 5.0])),
)


def act(channel: Channel, action: str, value: object, now_s: float) -> None:
    match action, value:
        case "voltage", float(volts):
            channel.set(now_s, voltage_v=volts)
        case "limit", float(amperes):
            channel.set(now_s, limit_a=amperes)
        case "switch", bool(on):
            channel.switch(on, now_s)
        case "connect", bool(on):
            channel.connect(on, now_s)
        case "press", None:
            channel.press(now_s)
        case "attach", str(name):
            channel.attach(KINDS[name], now_s)
        case "over-current", bool(on):
            channel.protect(channel.over_current, now_s, enabled=on, tripped=False)
        case "over-voltage level", float(volts):
            channel.protect(channel.over_voltage, now_s, level=volts, tripped=False)
        case _:
            raise AssertionError(f"{action} {value}")


@given(st.lists(st.tuples(ACTION, st.sampled_from([0.0, 1e-6, 1e-4, 0.01, 0.3, 30.0])), max_size=12))
@settings(max_examples=100, deadline=None)
def test_whatever_is_done_the_model_obeys_its_own_limits(script: list[tuple[tuple[str, object], float]]) -> None:
    """No more current than the limit, no voltage beyond the settings and a board's own, and no endless stepping."""
    channel = Channel()
    now_s = highest_v = lowest_v = 0.0
    begin_s = time.process_time()
    for (action, value), pause_s in script:
        act(channel, action, value, now_s)
        now_s += pause_s
        highest_v = max(highest_v, channel.source.voltage_v)
        lowest_v = min(lowest_v, channel.board.kind.own_v)
        truth = channel.truth(now_s)
        assert channel.now_s >= now_s
        assert -1e-6 <= truth.current_a <= channel.source.limit_a + 1e-3
        assert lowest_v - 1e-6 <= truth.terminal_v <= highest_v + 1e-3
        assert lowest_v - 1e-6 <= truth.board_v <= highest_v + 1e-3
        assert truth.output or truth.current_a == 0.0
        assert channel.average(now_s).current_a <= 6.0 + 1e-3
    assert time.process_time() - begin_s < 10.0
