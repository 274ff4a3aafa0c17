"""Charging, inrush, energy, I²t and lead drop: the simulated bench and the guard's sums against textbooks and SciPy.

The formulas are in any circuits textbook; figures are computed from them, and by `scipy.integrate` where said.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest
from scipy.integrate import quad, solve_ivp

from benchd.guard.let_through import LetThrough
from benchd.guard.rules import LEAST_CHARGING_SHARE, PINNED_SHARE, charging_s
from benchd.guard.wire import RuleLimits
from benchd.plans.leads import pair_ohm
from benchd.sim.bench import Channel, Readout
from benchd.sim.board import KINDS, Kind
from benchd.sim.source import Source

NOTHING_F = 1e-12


def bench(
    kind: Kind, *, voltage_v: float, limit_a: float, source_ohm: float, lead_ohm: float, step_s: float
) -> Channel:
    """A channel with nothing in it beside what the formulas have, switched on at 0 s into a discharged board."""
    source = Source(voltage_v, limit_a, resistance_ohm=source_ohm, capacitance_f=NOTHING_F)
    channel = Channel(source, Readout(interval_s=step_s), lead_ohm=lead_ohm)
    channel.over_voltage.enabled = False
    channel.attach(kind, 0.0)
    channel.switch(True, 0.0)
    return channel


def points(channel: Channel, step_s: float, count: int) -> Iterator[tuple[float, float, float]]:
    """Time, board voltage and current at instants."""
    for number in range(1, count + 1):
        truth = channel.truth(number * step_s)
        yield number * step_s, truth.board_v, truth.current_a


@pytest.mark.parametrize(
    ("farad", "volt", "amp", "seconds"),
    # t = C·ΔV/I: 2200 µF to 4.0 V at 0.5 A takes 17.6 ms; 5 mF to 19 V at 0.1 A 0.95 s.
    [(2200e-6, 4.0, 0.5, 17.6e-3), (5e-3, 19.0, 0.1, 0.95), (470e-6, 12.0, 2.0, 2.82e-3)],
)
def test_in_limit_a_capacitor_takes_c_v_over_i(farad: float, volt: float, amp: float, seconds: float) -> None:
    channel = bench(
        Kind("c", "", bulk_f=farad), voltage_v=volt, limit_a=amp, source_ohm=1e-4, lead_ohm=1e-4, step_s=1e-4
    )
    assert channel.truth(seconds / 2).board_v == pytest.approx(volt / 2, rel=1e-3)
    assert channel.truth(seconds * 0.99).board_v < volt * 0.995
    assert channel.truth(seconds * 1.01).board_v == pytest.approx(volt, rel=1e-3)


def test_in_limit_then_exponential_as_a_solver_has_it() -> None:
    # Vx = Vs − I·R = 3.75 V at t1 = C·Vx/I = 16.50 ms, then Vs − v = I·R·e^(−(t − t1)/RC); R = 0.5 Ω, RC = 1.10 ms.
    volt, amp, ohm, farad = 4.0, 0.5, 0.5, 2200e-6
    channel = bench(Kind("c", "", bulk_f=farad), voltage_v=volt, limit_a=amp, source_ohm=0.3, lead_ohm=0.2, step_s=1e-4)
    solved = solve_ivp(
        lambda _t, v: [min(amp, (volt - v[0]) / ohm) / farad],
        (0, 0.021), [0.0], max_step=1e-4, rtol=1e-9, atol=1e-9, dense_output=True,
    )  # fmt: skip
    for t_s, board_v, current_a in points(channel, 0.5e-3, 40):
        assert board_v == pytest.approx(float(solved.sol(t_s)[0]), rel=1e-3)
        assert current_a == pytest.approx(min(amp, (volt - float(solved.sol(t_s)[0])) / ohm), rel=5e-3, abs=1e-4)
    assert channel.truth(20.041e-3).board_v == pytest.approx(3.99, rel=1e-4)


def test_a_load_slows_the_start_by_the_logarithm() -> None:
    # C·dV/dt = I − V/R: V = I·R·(1 − e^(−t/RC)), so V_set is reached after −R·C·ln(1 − V_set/(I·R)).
    volt, amp, farad = 5.0, 1.0, 1e-3
    for load in (0.5, 0.9):
        ohm = volt / (load * amp)
        kind = Kind("c", "", bulk_f=farad, leak_ohm=ohm)
        channel = bench(kind, voltage_v=volt, limit_a=amp, source_ohm=1e-4, lead_ohm=1e-4, step_s=1e-4)
        reached_s = -ohm * farad * math.log(1 - load)
        assert channel.truth(reached_s * 0.98).board_v < 0.998 * volt
        assert channel.truth(reached_s * 1.01).board_v == pytest.approx(volt, rel=1e-3)


def test_inrush_peak_charge_joule_integral_and_heat() -> None:
    # 4.0 V through 0.2 Ω into 220 µF: peak V/R = 20 A, RC = 44 µs; ∫i = CV = 0.88 mC, ∫i² = CV²/2R = 8.8 mA²s; the
    # source gives CV² = 3.52 mJ, of which ½CV² = 1.76 mJ heats R, whatever R is.
    volt, ohm, farad = 4.0, 0.2, 220e-6
    channel = bench(
        Kind("c", "", bulk_f=farad), voltage_v=volt, limit_a=1000, source_ohm=ohm / 2, lead_ohm=ohm / 2, step_s=1e-6
    )
    # The model's nothing of 1 pF charges within a picosecond.
    through = LetThrough(0, volt, channel.truth(1e-8).current_a)
    assert channel.truth(1e-8).current_a == pytest.approx(20.0, rel=0.01)
    for t_s, _board_v, current_a in points(channel, 1e-6, 500):
        through.add(round(t_s * 1e9), volt, current_a)
    assert channel.truth(1e-3).current_a == pytest.approx(0, abs=1e-3)
    tau_s = ohm * farad
    charge, _ = quad(lambda t: volt / ohm * math.exp(-t / tau_s), 0, 50 * tau_s)
    joule, _ = quad(lambda t: (volt / ohm * math.exp(-t / tau_s)) ** 2, 0, 50 * tau_s)
    assert charge == pytest.approx(0.88e-3, rel=1e-6)
    assert joule == pytest.approx(8.8e-3, rel=1e-6)
    assert through.charge_c == pytest.approx(charge, rel=2e-3)
    assert through.square_a2s == pytest.approx(joule, rel=2e-3)
    assert through.energy_j == pytest.approx(3.52e-3, rel=2e-3)
    assert through.energy_j - joule * ohm == pytest.approx(0.5 * farad * volt**2, rel=5e-3)


def test_readings_too_far_apart_see_too_much_charge() -> None:
    # The trapezoid over that pulse: exact 0.8800 mC; step 10 µs +0.43 %, 44 µs +8.2 % (h/2·coth(h/2τ), geometric sum).
    volt, ohm, farad = 4.0, 0.2, 220e-6
    tau_s = ohm * farad
    for step_s, read_c in ((1e-6, 0.88004e-3), (10e-6, 0.88378e-3), (44e-6, 0.95214e-3)):
        through = LetThrough(0, volt, volt / ohm)
        for number in range(1, round(30 * tau_s / step_s)):
            through.add(round(number * step_s * 1e9), volt, volt / ohm * math.exp(-number * step_s / tau_s))
        assert through.charge_c == pytest.approx(read_c, rel=1e-4)
        assert through.charge_c == pytest.approx(volt / ohm * step_s / 2 / math.tanh(step_s / (2 * tau_s)), rel=1e-4)


@pytest.mark.parametrize(
    ("shape", "seconds", "square_a2s"),
    # Rectangle I²t, triangle I²t/3, half-sine I²t/2, decay I²τ/2 (fuse makers' guides): 10 A.
    [
        (lambda t: 10.0, 5e-3, 0.500),
        (lambda t: 10.0 * t / 10e-3, 10e-3, 0.3333),
        (lambda t: 10.0 * math.sin(math.pi * t / 8.333e-3), 8.333e-3, 0.41665),
        (lambda t: 10.0 * math.exp(-t / 1e-3), 20e-3, 0.0500),
    ],
    ids=["rectangle", "triangle", "half-sine", "decay"],
)
def test_joule_integrals_of_the_fuse_makers_shapes(shape, seconds: float, square_a2s: float) -> None:
    through = LetThrough(0, 1.0, shape(0.0))
    for number in range(1, 2001):
        t_s = seconds * number / 2000
        through.add(round(t_s * 1e9), 1.0, shape(t_s))
    exact, _ = quad(lambda t: shape(t) ** 2, 0, seconds)
    assert exact == pytest.approx(square_a2s, rel=1e-3)
    assert through.square_a2s == pytest.approx(exact, rel=1e-3)


def test_energy_of_a_start_in_limit_is_half_c_v_squared() -> None:
    # ½CV²: 2200 µF at 4.0 V hold 17.6 mJ; in limit nothing but the leads' 20 mΩ takes any, I²·R·t = 0.088 mJ.
    channel = bench(
        Kind("c", "", bulk_f=2200e-6), voltage_v=4.0, limit_a=0.5, source_ohm=1e-4, lead_ohm=0.02, step_s=1e-4
    )
    through = LetThrough(0, 0.01, 0.5)
    for number in range(1, 181):
        reading = channel.average(number * 1e-4 + 1e-9)
        through.add(round((number - 0.5) * 1e5), reading.voltage_v, reading.current_a)
    assert through.charge_c == pytest.approx(8.8e-3, rel=5e-3)
    assert through.energy_j == pytest.approx(17.6e-3 + 0.088e-3, rel=5e-3)


def test_leads_by_their_gauge_drop_what_the_wire_table_says() -> None:
    # 20 AWG: 33.308 mΩ/m at 20 °C (ASTM B258, IEC 60028); a pair of 1 m at 2 A: 66.62 mΩ, 133.2 mV; 3.867 V of 4.000 V.
    ohm = pair_ohm(20, 1.0)
    assert ohm == pytest.approx(66.62e-3, rel=1e-3)
    assert ohm * 2.0 == pytest.approx(0.1332, rel=1e-3)
    kind = Kind("load", "", bulk_f=1e-6, leak_ohm=3.867 / 2.0)
    channel = bench(kind, voltage_v=4.0, limit_a=5.0, source_ohm=1e-6, lead_ohm=ohm, step_s=1e-3)
    truth = channel.truth(0.1)
    assert truth.current_a == pytest.approx(2.0, rel=1e-3)
    assert truth.board_v == pytest.approx(3.867, rel=1e-3)
    assert truth.terminal_v - truth.board_v == pytest.approx(ohm * truth.current_a, rel=1e-3)


def test_what_the_rules_allow_covers_the_slowest_start_that_completes() -> None:
    """The two constants of the rules, from the differential equation: for the load that just lets a start complete."""
    limits = RuleLimits()
    volt, amp, farad = 4.0, 1.0, limits.harmless_bulk_f
    ohm = volt / amp  # V_set/I: any more and the voltage is never reached
    collapse_v = limits.short_voltage_fraction * volt
    solved = solve_ivp(
        lambda _t, v: [(amp - v[0] / ohm) / farad], (0, 1.0), [0.0], rtol=1e-9, atol=1e-9, dense_output=True,
        events=lambda _t, v: v[0] - PINNED_SHARE * volt,
    )  # fmt: skip
    (through_s,) = solved.t_events[0]
    assert through_s == pytest.approx(-ohm * farad * math.log(1 - PINNED_SHARE), rel=1e-6)  # 2.3·R·C
    assert through_s < charging_s(limits, volt, amp)
    least_share = (amp - collapse_v / ohm) / amp
    assert least_share == pytest.approx(0.5)
    assert least_share >= 2 * LEAST_CHARGING_SHARE


def test_a_reversed_source_pulls_the_terminals_below_zero_and_takes_the_limit() -> None:
    # Kirchhoff: 3.8 V the wrong way round behind 0.15 Ω and 0.05 Ω of leads, 0.5 A: 0.5·0.2 − 3.8 = −3.7 V.
    channel = Channel(Source(4.0, 0.5), lead_ohm=0.05)
    channel.attach(KINDS["reversed"], 0.0)
    channel.switch(True, 0.0)
    truth = channel.truth(0.1)
    assert truth.current_a == pytest.approx(0.5, rel=1e-6)
    assert truth.terminal_v == pytest.approx(-3.7, rel=1e-3)
    channel.switch(False, 0.1)
    assert channel.truth(0.2).current_a == 0.0
    channel.connect(False, 0.2)
    assert channel.truth(2.0).terminal_v == pytest.approx(0.0, abs=0.01)
