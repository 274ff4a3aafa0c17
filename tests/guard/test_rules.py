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
    for t_ms in range(100):
        pinned = t_ms % 8 != 7  # never longer than 7 ms
        assert rules.feed(reading(t_ms / 1000, 0.3 if pinned else 3.9, 1.0 if pinned else 0.4)) is None
    assert rules.let_through is not None or t_ms % 8 == 7


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
            assert verdict.rule in ("short", "over-current", "over-voltage")
