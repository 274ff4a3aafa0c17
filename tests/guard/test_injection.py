"""Power into a rail that is known to be shorted, what else may feed an output, and how each is bounded."""

from __future__ import annotations

import pytest

from benchd.guard.back_feed import voltage_before
from benchd.guard.envelope import check_envelope
from benchd.guard.rules import NS, Resolution, Rules, Verdict, check_limits
from benchd.guard.states import ChannelState
from benchd.guard.wire import Adjust, Answer, ChannelConfig, PowerOn, RuleLimits, Stage, Tripped
from benchd.reading import Flag, Mode, Reading

from .fakes import Bench, FakeSupply
from .test_stages import HOLD, answer, tripped, wait_off

INTO_A_SHORT = RuleLimits(collapse_allowed=True, energy_j=5.0, longest_on_s=60.0, power_w=2.0, over_voltage_v=1.2)
CONFIG = ChannelConfig(1, 20.0, 3.0)


def reading(at_s: float, volt: float, amp: float, mode: Mode = Mode.CC) -> Reading:
    return Reading(round(at_s * NS), volt, amp, mode, Flag.NONE, 0)


def fed(rules: Rules, *points: tuple[float, float, float], step_s: float = 0.01) -> Verdict | None:
    """Each for so many seconds at this voltage and current."""
    at_s = 1.0
    for seconds, volt, amp in points:
        for _ in range(round(seconds / step_s)):
            at_s += step_s
            if (verdict := rules.feed(reading(at_s, volt, amp))) is not None:
                return verdict
    return None


def test_a_collapsed_a_pinned_and_a_bouncing_rail_decide_nothing_there() -> None:
    rules = Rules(INTO_A_SHORT, 1.0, 2.0, Resolution(), NS)
    bounces = [(0.03, 0.02, 2.0), (0.01, 1.0, 0.0)] * 20
    assert fed(rules, (5.0, 0.02, 2.0), (5.0, 0.8, 0.5), *bounces) is None
    assert Rules(RuleLimits(), 1.0, 2.0, Resolution(), NS).feed(reading(1.0, 0.02, 2.0)) is None
    assert fed(Rules(RuleLimits(), 1.0, 2.0, Resolution(), NS), (5.0, 0.02, 2.0)) is not None


@pytest.mark.parametrize(
    ("points", "rule", "words"),
    [
        ([(1.0, -0.5, 2.0)], "reverse", "-0.5 V at 2 A in limit: the polarity is reversed"),
        ([(1.0, 1.3, 0.1)], "over-voltage", "1.3 V read"),
        ([(1.0, 0.1, 2.5)], "over-current", "above the limit of 2 A"),
        ([(30.0, 0.5, 2.0)], "budget", "more than the 5 J that the plan allows"),
        ([(1.0, 1.05, 2.0)], "budget", "2.1 W (1.05 V, 2 A) read, above the threshold of 2 W"),
    ],
)
def test_all_other_rules_stay(points: list[tuple[float, float, float]], rule: str, words: str) -> None:
    verdict = fed(Rules(INTO_A_SHORT, 1.0, 2.0, Resolution(), NS), *points)
    assert verdict is not None
    assert verdict.rule == rule
    assert words in verdict.text
    stale = Rules(INTO_A_SHORT, 1.0, 2.0, Resolution(), NS).idle(3 * NS)
    assert stale is not None


def test_power_is_too_much_only_beyond_what_the_reading_may_be_wrong_by() -> None:
    limits = RuleLimits(power_w=10.0)
    # 5 V at 2 A; 20 mV and 10 mA of offset and 0.1 % of each: 2·0.02 + 5·0.01 + 2·0.002·10 W, steps and noise besides.
    exact, poor = Resolution(0.0, 0.0, 0.0), Resolution(0.0, 0.0, 0.0, 0.0, 0.02, 0.01, 0.002)
    assert Rules(limits, 5.0, 3.0, exact).feed(reading(1, 5.0, 2.0)) is None
    assert Rules(limits, 5.0, 3.0, exact).feed(reading(1, 5.0, 2.001)) is not None
    assert Rules(limits, 5.0, 3.0, poor).feed(reading(1, 5.0, 2.02)) is None
    assert Rules(limits, 5.0, 3.0, poor).feed(reading(1, 5.0, 2.03)) is not None


@pytest.mark.parametrize("missing", ["energy_j", "longest_on_s", "power_w"])
def test_a_collapse_is_allowed_only_within_energy_time_and_power(missing: str) -> None:
    limits = {"energy_j": 1.0, "longest_on_s": 1.0, "power_w": 1.0}
    check_limits(RuleLimits(collapse_allowed=True, **limits))
    del limits[missing]
    with pytest.raises(ValueError, match=missing):
        check_limits(RuleLimits(collapse_allowed=True, **limits))


@pytest.mark.parametrize(
    ("most_v", "most_a", "before", "delay_s", "words"),
    [
        (1.0, 2.0, (), None, ""),
        (1.0, 2.1, (), None, "up to 1 V at up to 2.1 A was asked for, which is 2.1 W; allowed is power_w = 2.0 W"),
        (1.0, 2.0, (Stage("hold", 0.5, 0.1, 1.0),), None, "with stages before it"),
        (1.0, 2.0, (), 0.5, "over_current_delay_s"),
    ],
)
def test_the_settings_cannot_give_more_power_than_allowed(
    most_v: float, most_a: float, before: tuple[Stage, ...], delay_s: float | None, words: str
) -> None:
    command = PowerOn(1, "bench", 1, 0.5, 0.5, INTO_A_SHORT, "", before, delay_s, most_v, most_a)
    assert words in check_envelope(CONFIG, command)
    assert (check_envelope(CONFIG, command) == "") == (not words)


def test_a_shorted_rail_is_fed_adjusted_and_its_energy_ends_it_with_right_figures() -> None:
    fake = FakeSupply()
    fake.shorted.add(1)
    with Bench(fake) as bench:
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.OFF)
        limits = RuleLimits(collapse_allowed=True, energy_j=0.05, longest_on_s=60.0, power_w=2.0)
        bench.thread.post(PowerOn(1, "bench", 1, 0.5, 0.5, limits, most_voltage_v=1.0, most_limit_a=2.0))
        assert answer(bench, 1) == Answer(1, True)
        bench.thread.post(Adjust(2, "bench", 1, 1.0, 1.0))
        assert answer(bench, 2) == Answer(2, True)
        trip = tripped(bench)
        assert trip.rule == "budget"
        assert trip.since_on_j >= 0.05
        # 0.2 V at 1 A, 0.2 W: what goes in after the decision is that of the few ms until it is off.
        assert trip.since_on_j == pytest.approx(0.05, abs=0.02)
        assert 0 <= trip.let_through_j <= 0.02
        assert trip.let_through_c == pytest.approx(trip.let_through_j / 0.2, rel=0.01)
        assert (trip.set_voltage_v, trip.limit_a) == (1.0, 1.0)


def test_longest_on_ends_it_without_a_trip() -> None:
    fake = FakeSupply()
    fake.shorted.add(1)
    with Bench(fake) as bench:
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.OFF)
        limits = RuleLimits(collapse_allowed=True, energy_j=5.0, longest_on_s=0.1, power_w=2.0)
        bench.thread.post(PowerOn(1, "bench", 1, 1.0, 1.0, limits))
        assert answer(bench, 1).ok
        wait_off(bench)
        assert bench.thread.channels[1].reason == "on-time"
        assert not bench.of(Tripped)


# ---- another source --------------------------------------------------------------------------------------------------


def test_current_that_flows_back_for_longer_than_a_capacitor_gives_it_is_another_source() -> None:
    # 2 mF at 4 V hold 8 mC: at 0.1 A, 80 ms; and no sooner than the 0.1 s of a regulator that recovers.
    verdict = fed(Rules(RuleLimits(), 4.0, 1.0, Resolution(), NS), (1.0, 4.0, -0.1))
    assert verdict is not None
    assert verdict.rule == "reverse"
    assert (verdict.detected_ns - verdict.onset_ns) / NS == pytest.approx(0.11, abs=0.001)
    assert "-0.1 A at 4 V, backwards for 0.11 s: 0.011 C flowed back" in verdict.text
    again = [(0.07, 4.0, -0.1), (0.02, 4.0, 0.1)] * 20
    assert fed(Rules(RuleLimits(), 4.0, 1.0, Resolution(), NS), *again) is None
    assert fed(Rules(RuleLimits(), 4.0, 1.0, Resolution(), NS), (20.0, 4.0, -0.02)) is None
    poor = Resolution(zero_a=0.05)
    assert fed(Rules(RuleLimits(), 4.0, 1.0, poor, NS), (20.0, 4.0, -0.05)) is None


def test_more_voltage_than_was_ever_set_is_another_source() -> None:
    rules = Rules(RuleLimits(), 3.3, 1.0, Resolution(), NS)
    verdict = fed(rules, (1.0, 3.3, 0.1), (1.9, 4.2, 0.0), (0.1, 3.3, 0.1), (5.0, 4.2, 0.0))
    assert verdict is not None
    assert verdict.rule == "reverse"
    assert verdict.onset_ns / NS == pytest.approx(4.01, abs=0.001)
    assert "4.2 V read for 2.01 s, though no more than 3.3 V was set: a battery" in verdict.text
    assert fed(Rules(RuleLimits(), 4.0, 1.0, Resolution(), NS), (20.0, 4.25, 0.0)) is None


def off_readings(*volts: float) -> list[Reading]:
    return [reading(1 + 0.2 * number, volt, 0.0, Mode.OFF) for number, volt in enumerate(volts)]


def test_what_an_output_shows_before_it_goes_on() -> None:
    *earlier, now = off_readings(3.7, 3.7, 3.7)
    assert "3.7 V is at its terminals though it is off" in voltage_before(now, earlier, 0.3, 0.006)
    assert "a battery or another source is connected; disconnect it" in voltage_before(now, earlier, 0.3, 0.006)
    *earlier, now = off_readings(2.0, 1.8, 1.6)
    assert "It falls, from 2 V 0.4 s ago: charged capacitors; wait" in voltage_before(now, earlier, 0.3, 0.006)
    assert voltage_before(off_readings(0.3)[0], [], 0.3, 0.006) == ""
    assert "disconnect" in voltage_before(off_readings(-3.7)[0], [], 0.3, 0.006)
    assert "no number" in voltage_before(off_readings(float("nan"))[0], [], 0.3, 0.006)


def test_a_power_on_that_asks_for_it_is_refused_with_another_source_on_the_leads() -> None:
    with Bench() as bench:
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.OFF)
        bench.fake.fed_v[1] = 3.7
        asked = [
            PowerOn(n, "bench", 1, 4.0, 1.0, RuleLimits(), most_before_v=most) for n, most in ((1, 0.3), (2, None))
        ]
        bench.thread.post(asked[0])
        found = answer(bench, 1)
        assert "4 V at 1 A was asked for, but 3.7 V is at its terminals though it is off" in found.error
        assert "disconnect it" in found.error
        assert bench.thread.channels[1].state is ChannelState.OFF
        assert ("prepare", 1) not in bench.fake.calls
        bench.thread.post(asked[1])
        assert answer(bench, 2).ok


@pytest.mark.parametrize("most_v", [0.0, -1.0, float("nan"), float("inf")])
def test_most_before_is_a_voltage(most_v: float) -> None:
    command = PowerOn(1, "bench", 1, 4.0, 1.0, RuleLimits(), before=(HOLD,), most_before_v=most_v)
    assert "most_before_v" in check_envelope(CONFIG, command)
