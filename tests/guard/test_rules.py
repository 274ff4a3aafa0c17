"""The trip rules against the textbook's capacitor, at every rate, with noise and steps; let-through against SciPy."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import trapezoid

from benchd.guard.rules import LetThrough, Resolution, Rules, Verdict, check_limits
from benchd.guard.wire import RuleLimits
from benchd.reading import Flag, Mode, Reading

RATES = [5, 10, 50, 200, 1000]
MS = 1_000_000
RESOLUTION = Resolution(0.001, 0.001, 0.002)
COARSE = Resolution(0.01, 0.01, 0.02)


def reading(t_s: float, voltage: float, current: float, mode: Mode = Mode.UNKNOWN) -> Reading:
    return Reading(round(t_s * 1e9), voltage, current, mode, Flag.NONE, 50_000)


def charging(t_s: float, set_v: float, limit_a: float, farad: float, load_a: float = 0.0) -> tuple[float, float]:
    """A capacitor on a source in limit: V = (I − I_load)·t/C up to the setting (textbook i = C·dV/dt)."""
    voltage = (limit_a - load_a) * t_s / farad
    return (voltage, limit_a) if voltage < set_v else (set_v, load_a)


def stepped(value: float, step: float, noise: float, dice: random.Random) -> float:
    return round((value + dice.uniform(-noise, noise)) / step) * step


def run(
    rules: Rules, rate: float, source, seconds: float, resolution: Resolution, seed: int
) -> tuple[Verdict | None, int]:
    """Feed readings until a verdict; how many were fed."""
    dice = random.Random(seed)
    first = dice.random() / rate  # the reading falls anywhere in its interval
    count = max(3, round(seconds * rate))
    for number in range(count):
        t_s = first + number / rate
        voltage, current = source(t_s)
        fed = reading(
            t_s,
            stepped(voltage, resolution.voltage_v, resolution.noise_v, dice),
            stepped(current, resolution.current_a, resolution.current_a, dice),
        )
        verdict = rules.feed(fed)
        if verdict is not None:
            return verdict, number + 1
    return None, count


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("resolution", [RESOLUTION, COARSE], ids=["1mV", "10mV"])
@pytest.mark.parametrize(("farad", "limit_a", "load_a"), [(220e-6, 1.0, 0.0), (2e-3, 1.0, 0.3), (2e-3, 0.1, 0.05)])
def test_charging_a_harmless_capacitance_does_not_trip(
    rate: int, resolution: Resolution, farad: float, limit_a: float, load_a: float
) -> None:
    for seed in range(5):
        rules = Rules(RuleLimits(), 4.0, limit_a, resolution)
        verdict, _ = run(rules, rate, lambda t: charging(t, 4.0, limit_a, farad, load_a), 0.5, resolution, seed)
        assert verdict is None, verdict


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("resolution", [RESOLUTION, COARSE], ids=["1mV", "10mV"])
@pytest.mark.parametrize("limit_a", [0.1, 1.0])
def test_a_short_of_0_2_ohm_trips_at_the_first_reading_that_can_tell(
    rate: int, resolution: Resolution, limit_a: float
) -> None:
    limits = RuleLimits()
    # rise_least(Δt) = share·I·Δt/C must exceed what two readings may be wrong by (twice: it may have "risen" so far).
    slope = 0.25 * limit_a / limits.harmless_bulk_f
    tells_after_s = max(limits.short_hold_s, 2 * resolution.rise_margin_v / slope)
    for seed in range(5):
        rules = Rules(limits, 4.0, limit_a, resolution)
        verdict, fed = run(rules, rate, lambda t: (0.2 * limit_a, limit_a), 1.0, resolution, seed)
        assert verdict is not None
        assert verdict.rule == "short"
        assert fed == pytest.approx(math.ceil(tells_after_s * rate + 1e-9) + 1, abs=max(1, tells_after_s * rate / 2))
        assert fed >= 2
        assert verdict.detected_ns - verdict.onset_ns > limits.short_hold_s * 1e9
        assert verdict.detected_ns - verdict.onset_ns <= tells_after_s * 1e9 + 1e9 / rate + 1


@pytest.mark.parametrize("rate", [50, 1000])
def test_a_capacitance_far_above_the_harmless_one_trips(rate: int) -> None:
    rules = Rules(RuleLimits(), 4.0, 0.1, RESOLUTION)
    verdict, _ = run(rules, rate, lambda t: charging(t, 4.0, 0.1, 0.1), 1.0, RESOLUTION, 1)
    assert verdict is not None
    assert verdict.rule == "short"


def test_a_rail_that_rises_and_then_sticks_trips_when_its_credit_is_used_up() -> None:
    rules = Rules(RuleLimits(), 4.0, 1.0, RESOLUTION)
    # Rises to 1 V in 2 ms and stays. Credit: V·C/(share·I) = 1·0.002/0.25 = 8 ms, less than the hold of 10 ms.
    verdict, _ = run(rules, 1000, lambda t: (min(500 * t, 1.0), 1.0), 0.1, RESOLUTION, 1)
    assert verdict is not None
    assert verdict.detected_ns - verdict.onset_ns < 13 * MS


def test_a_late_short_trips_after_the_hold() -> None:
    rules = Rules(RuleLimits(), 4.0, 1.5, RESOLUTION)
    verdict, _ = run(rules, 1000, lambda t: (4.0, 0.4) if t < 0.1 else (0.3, 1.5), 0.2, RESOLUTION, 3)
    assert verdict is not None
    assert 0.0995 < verdict.onset_ns / 1e9 < 0.1015
    assert 10 * MS < verdict.detected_ns - verdict.onset_ns <= 12 * MS


def test_recovery_in_between_begins_anew() -> None:
    rules = Rules(RuleLimits(), 4.0, 1.0, RESOLUTION)
    for t_ms in range(1000):
        pinned = t_ms % 50 < 7  # shorter than the hold, and most of the time there is nothing
        assert rules.feed(reading(t_ms / 1000, 0.3 if pinned else 3.9, 1.0 if pinned else 0.4)) is None


@pytest.mark.parametrize("period_ms", [2, 8, 20, 60])
def test_a_short_that_lets_go_again_and_again_trips(period_ms: int) -> None:
    rules = Rules(RuleLimits(short_hold_s=0.05), 4.0, 1.0, RESOLUTION)
    for t_ms in range(2000):
        pinned = t_ms % period_ms < period_ms / 2  # never as long as the hold
        verdict = rules.feed(reading(t_ms / 1000, 0.3 if pinned else 3.9, 1.0 if pinned else 0.4))
        if verdict is not None:
            break
    assert verdict is not None
    assert verdict.rule == "short"
    assert "collapsed" in verdict.text
    # Collapsed for longer than charging may take: 2 mF · 4 V / (0.25 · 1 A) = 32 ms, and the hold.
    assert verdict.detected_ns > (32 + 50) * MS


@pytest.mark.parametrize("rate", RATES)
def test_pinned_above_the_collapse_trips_after_its_own_hold(rate: int) -> None:
    # 2.4 V of 4 V is not collapsed (half), and no start stays there for a second with 2 mF at 1 A.
    rules = Rules(RuleLimits(limit_hold_s=1.0), 4.0, 1.0, RESOLUTION)
    verdict, _ = run(rules, rate, lambda t: (2.4, 1.0), 3.0, RESOLUTION, 4)
    assert verdict is not None
    assert verdict.rule == "short"
    assert 1.0 < (verdict.detected_ns - verdict.onset_ns) / 1e9 <= 1.0 + 1.01 / rate
    never = Rules(RuleLimits(limit_hold_s=None), 4.0, 1.0, RESOLUTION)
    assert run(never, rate, lambda t: (2.4, 1.0), 3.0, RESOLUTION, 4)[0] is None


@pytest.mark.parametrize("volts", [-0.1, -3.7])
def test_a_negative_voltage_in_limit_is_reversed_polarity_at_the_first_reading(volts: float) -> None:
    for probing in (False, True):
        rules = Rules(RuleLimits(), 4.0, 1.0, RESOLUTION, probing=probing)
        verdict = rules.feed(reading(0.001, volts, 1.0, Mode.CC))
        assert verdict is not None
        assert verdict.rule == "reverse"
    # Not in limit: a meter's offset, or nothing on the leads.
    assert Rules(RuleLimits(), 4.0, 1.0, RESOLUTION).feed(reading(0.001, volts, 0.0)) is None


def test_no_voltage_at_all_in_limit_is_told_as_reverse_where_a_bare_short_would_show_some() -> None:
    for limit_a, rule in ((2.0, "reverse"), (0.1, "short")):  # 10 mΩ: 20 mV can be told from nothing, 1 mV cannot
        rules = Rules(RuleLimits(), 4.0, limit_a, RESOLUTION)
        verdict, _ = run(rules, 200, lambda t, a=limit_a: (0.0, a), 1.0, Resolution(1e-3, 1e-3, 1e-9), 1)
        assert verdict is not None
        assert verdict.rule == rule


def test_energy_and_square_since_on_are_bounded() -> None:
    # 4 V · 0.5 A for 5 s are 10 J; 0.5² A² · 40 s are 10 A²s.
    for limits, after_s in ((RuleLimits(energy_j=10.0), 5.0), (RuleLimits(square_a2s=10.0), 40.0)):
        rules = Rules(limits, 4.0, 1.0, RESOLUTION, started_ns=1)
        for number in range(10_000):
            verdict = rules.feed(reading(number / 100, 4.0, 0.5))
            if verdict is not None:
                break
        assert verdict is not None
        assert verdict.rule == "budget"
        assert verdict.detected_ns / 1e9 == pytest.approx(after_s, abs=0.02)


def test_energy_since_on_counts_over_the_stages_and_a_new_stage_begins_its_episodes_anew() -> None:
    rules = Rules(RuleLimits(energy_j=1.0), 4.0, 1.0, RESOLUTION, started_ns=1)
    assert rules.feed(reading(0.1, 0.3, 1.0)) is None
    rules.restage(4.0, 2.0)
    assert rules.let_through is None
    assert rules.feed(reading(0.2, 0.3, 1.0)) is None  # the first reading of this stage: an onset, no more
    assert rules.since_on is not None
    assert rules.since_on.energy_j == pytest.approx(0.3 * 0.2, rel=1e-6)


def test_energy_into_a_rail_that_rises_just_fast_enough_is_bounded() -> None:
    rules = Rules(RuleLimits(fault_j=0.002, harmless_bulk_f=0.01), 4.0, 1.0, RESOLUTION)
    verdict, _ = run(rules, 1000, lambda t: charging(t, 4.0, 1.0, 0.01), 0.1, RESOLUTION, 1)
    assert verdict is not None
    assert verdict.rule == "budget"
    # In limit at 1 A, v = t·I/C: ½·I²·t²/C = 2 mJ at 6.3 ms (the first reading comes up to 1 ms after the start).
    assert verdict.detected_ns / 1e9 == pytest.approx(0.0063, abs=0.0012)


def test_a_current_above_the_limit_that_was_set_trips_when_it_lasts() -> None:
    rules = Rules(RuleLimits(), 4.0, 1.0, RESOLUTION)
    for number in range(100):
        verdict = rules.feed(reading(number / 100, 4.0, 1.3))
        if verdict is not None:
            break
    assert verdict is not None
    assert verdict.rule == "over-current"
    assert 50 * MS < verdict.detected_ns - verdict.onset_ns <= 61 * MS


def test_a_probe_is_not_cut_by_the_collapse_that_it_is_there_to_measure() -> None:
    rules = Rules(RuleLimits(), 0.5, 0.1, RESOLUTION, probing=True)
    assert run(rules, 100, lambda t: (0.02, 0.1), 2.0, RESOLUTION, 1)[0] is None


def test_low_voltage_out_of_limit_is_no_short() -> None:
    rules = Rules(RuleLimits(), 4.0, 1.0, RESOLUTION)
    for t_ms in range(200):
        assert rules.feed(reading(t_ms / 1000, 0.1, 0.2, Mode.CV)) is None


def test_the_supply_s_own_word_for_in_limit_counts() -> None:
    rules = Rules(RuleLimits(), 4.0, 1.0, RESOLUTION)
    verdicts = [rules.feed(reading(t_ms / 1000, 0.1, 0.9, Mode.CC)) for t_ms in range(20)]
    assert [verdict.rule for verdict in verdicts if verdict][:1] == ["short"]


def test_a_supply_that_holds_less_than_its_limit_says_is_in_limit_when_its_voltage_has_collapsed() -> None:
    # 5 % below: programming and reading error together, and the supply does not say its mode.
    rules = Rules(RuleLimits(), 4.0, 1.0, RESOLUTION)
    verdicts = [rules.feed(reading(t_ms / 1000, 0.1, 0.95, Mode.UNKNOWN)) for t_ms in range(20)]
    assert [verdict.rule for verdict in verdicts if verdict][:1] == ["short"]


def test_repeated_readings_of_a_slow_meter_are_not_taken_for_a_voltage_that_stands_still() -> None:
    # Renewed ten times a second, asked 200 times: the charging capacitor shows the same figure for 100 ms.
    slow = RESOLUTION._replace(refresh_s=0.1)

    def shown(t_s: float) -> tuple[float, float]:
        return charging(max(0.0, math.floor(t_s * 10) / 10 - 0.05), 19.0, 0.1, 2e-3)

    patient = Rules(RuleLimits(), 19.0, 0.1, slow)
    assert run(patient, 200, shown, 1.0, slow, 5)[0] is None
    shorted = Rules(RuleLimits(), 19.0, 0.1, slow)
    verdict, _ = run(shorted, 200, lambda t: (0.02, 0.1), 1.0, slow, 5)
    assert verdict is not None
    assert verdict.detected_ns - verdict.onset_ns <= 125 * MS


def test_over_current_decides_at_one_reading_beyond_the_resolution() -> None:
    rules = Rules(RuleLimits(over_current_a=1.2), 4.0, 2.0, RESOLUTION)
    assert rules.feed(reading(0, 4.0, 1.2005)) is None
    verdict = rules.feed(reading(0.001, 4.0, 1.25))
    assert verdict is not None
    assert (verdict.rule, verdict.onset_ns, verdict.detected_ns) == ("over-current", MS, MS)
    assert verdict.text == "1.25 A read, above the threshold of 1.2 A"


def test_over_voltage_decides_at_one_reading_and_infinity_counts() -> None:
    rules = Rules(RuleLimits(over_voltage_v=4.4), 4.0, 2.0, RESOLUTION)
    assert rules.feed(reading(0, 4.4, 0.1)) is None
    verdict = rules.feed(reading(0.001, math.inf, 0.1))
    assert verdict is not None
    assert verdict.rule == "over-voltage"


def test_stale_counts_from_the_last_valid_reading() -> None:
    rules = Rules(RuleLimits(stale_s=0.5), 4.0, 1.0, RESOLUTION, started_ns=1_000 * MS)
    assert rules.idle(1_499 * MS) is None
    assert rules.feed(reading(1.4, 4.0, 0.2)) is None
    assert rules.feed(reading(1.8, math.nan, 0.2)) is None  # says nothing, so it does not count
    assert rules.idle(1_899 * MS) is None
    verdict = rules.idle(1_900 * MS)
    assert verdict is not None
    assert (verdict.rule, verdict.onset_ns, verdict.detected_ns) == ("stale", 1_400 * MS, 1_900 * MS)
    assert "0.500 s" in verdict.text


@pytest.mark.parametrize(
    ("limits", "name"),
    [
        (RuleLimits(over_current_a=math.nan), "over_current_a"),
        (RuleLimits(over_current_a=-1), "over_current_a"),
        (RuleLimits(over_voltage_v=math.inf), "over_voltage_v"),
        (RuleLimits(short_voltage_fraction=math.nan), "short_voltage_fraction"),
        (RuleLimits(short_voltage_fraction=0), "short_voltage_fraction"),
        (RuleLimits(short_hold_s=-0.1), "short_hold_s"),
        (RuleLimits(harmless_bulk_f=0), "harmless_bulk_f"),
        (RuleLimits(harmless_bulk_f=math.nan), "harmless_bulk_f"),
        (RuleLimits(stale_s=0), "stale_s"),
        (RuleLimits(stale_s=math.nan), "stale_s"),
    ],
)
def test_limits_that_no_rule_can_work_with_are_named(limits: RuleLimits, name: str) -> None:
    with pytest.raises(ValueError, match=f"^{name} = "):
        check_limits(limits)


def test_let_through_of_a_decaying_pulse_matches_scipy_and_the_closed_form() -> None:
    # i = (V/R)·e^(−t/RC): ∫i = C·V, ∫i² = C·V²/2R (textbook); 4 V, 2 Ω, 2200 µF: 8.8 mC, 8.8 mA²s.
    volt, ohm, farad = 4.0, 2.0, 2200e-6
    times = [n * 20e-6 for n in range(2500)]
    amps = [volt / ohm * math.exp(-t / (ohm * farad)) for t in times]
    through = LetThrough(0, volt, amps[0])
    for t, i in zip(times[1:], amps[1:], strict=True):
        through.add(round(t * 1e9), volt, i)
    assert through.charge_c == pytest.approx(trapezoid(amps, times), rel=1e-9)
    assert through.energy_j == pytest.approx(trapezoid([volt * i for i in amps], times), rel=1e-9)
    assert through.square_a2s == pytest.approx(trapezoid([i * i for i in amps], times), rel=1e-9)
    assert through.charge_c == pytest.approx(farad * volt, rel=1e-3)
    assert through.square_a2s == pytest.approx(farad * volt * volt / (2 * ohm), rel=1e-3)


def test_let_through_holds_the_last_values_until_off() -> None:
    through = LetThrough(0, 2.0, 3.0)
    through.hold_until(100 * MS)
    assert through.charge_c == pytest.approx(0.3)
    assert through.energy_j == pytest.approx(0.6)
    assert through.square_a2s == pytest.approx(0.9)
    through.add(50 * MS, 0.0, 0.0)  # earlier than what was counted: adds nothing
    through.hold_until(200 * MS)
    assert through.charge_c == pytest.approx(0.3)


def test_let_through_of_a_short_counts_from_its_onset() -> None:
    rules = Rules(RuleLimits(), 4.0, 1.0, RESOLUTION)
    verdict = None
    t_ms = 0
    while verdict is None:
        verdict = rules.feed(reading(t_ms / 1000, 0.2, 1.0) if t_ms >= 5 else reading(t_ms / 1000, 4.0, 0.1))
        t_ms += 1
    assert rules.let_through is not None
    seconds = (verdict.detected_ns - verdict.onset_ns) / 1e9
    assert verdict.onset_ns == 5 * MS
    assert rules.let_through.charge_c == pytest.approx(1.0 * seconds)
    assert rules.let_through.energy_j == pytest.approx(0.2 * seconds)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0, 1),
            st.floats(allow_nan=True, allow_infinity=True),
            st.floats(allow_nan=True, allow_infinity=True),
            st.sampled_from(list(Mode)),
        ),
        max_size=50,
    )
)
def test_no_reading_upsets_the_rules(rows: list[tuple[float, float, float, Mode]]) -> None:
    rules = Rules(RuleLimits(over_current_a=2, over_voltage_v=5), 4.0, 1.0)
    t_ns = 0
    for gap_s, voltage, current, mode in rows:
        t_ns += round(gap_s * 1e9)
        verdict = rules.feed(Reading(t_ns, voltage, current, mode, Flag.NONE, 0))
        if verdict is None:
            assert not (current > 2.001 and voltage == voltage)
            assert not (voltage > 5.001 and current == current)
        else:
            assert verdict.onset_ns <= verdict.detected_ns == t_ns
            assert verdict.rule in ("short", "over-current", "over-voltage", "reverse")
