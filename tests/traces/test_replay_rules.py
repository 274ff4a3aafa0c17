"""The guard's rules over stored readings."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import trapezoid

from benchd.guard.rules import Resolution, Rules
from benchd.guard.wire import RuleLimits, Stage
from benchd.reading import Flag, Mode, Reading
from benchd.traces.replay_rules import Guarding, Part, PowerUp, decide, energy_between, held, resolution_of
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions
from tests.traces.replays import BRIEF_SHORT, MS, START_NS, at, boot, samples

EXACT = Resolution(0.001, 0.001, 0.002, 0.0)


def guarding(**limits: float | None) -> Guarding:
    return Guarding(RuleLimits(**limits))


def test_a_short_is_decided_on_at_the_first_reading_after_its_hold() -> None:
    """A harmless 2 mF at 1 A would rise by 125 V/s (a quarter of i/C), so 0.2 V is too little at once."""
    decision = decide(samples(*BRIEF_SHORT), boot(), guarding(short_hold_s=0.010), EXACT)
    assert decision is not None
    assert (decision.rule, decision.stage) == ("short", "boot")
    assert decision.onset_ns == at(1.0)
    assert decision.detected_ns == at(1.011)
    assert decide(samples(*BRIEF_SHORT), boot(), guarding(short_hold_s=0.050), EXACT) is None


def test_nothing_is_decided_on_after_the_output_went_off() -> None:
    assert decide(samples(*BRIEF_SHORT), boot(until_s=1.010), guarding(), EXACT) is None
    assert decide(samples(*BRIEF_SHORT), boot(until_s=1.011), guarding(), EXACT) is not None


def test_no_readings_decide_nothing() -> None:
    assert decide(Samples.empty(), boot(), guarding(), EXACT) is None


def test_a_change_of_stage_that_the_journal_tells_late_is_no_overcurrent() -> None:
    readings = samples((1.0, 4.0, 0.02), (1.0, 4.0, 1.5))
    told_late = PowerUp((Part(START_NS, "hold", 4.0, 0.1), Part(at(1.4), "boot", 4.0, 2.0)))
    assert decide(readings, told_late, guarding(), EXACT) is None
    never_raised = PowerUp((Part(START_NS, "hold", 4.0, 0.1),))
    assert decide(readings, never_raised, guarding(), EXACT).rule == "over-current"


@pytest.mark.parametrize(
    ("asked_a", "rule"), [(0.1, None), (0.05, "over-current"), (0.2, None)], ids=["as it was", "lower", "higher"]
)
def test_a_leak_is_compared_with_the_hold_that_is_tried(asked_a: float, rule: str | None) -> None:
    readings = samples((2.0, 4.0, 0.06), (1.0, 4.0, 0.5))
    power = PowerUp((Part(START_NS, "hold", 4.0, 0.1), Part(at(2.0), "boot", 4.0, 2.0)))
    tried = Guarding(RuleLimits(), (Stage("hold", 4.0, asked_a, 1.0),))
    decision = decide(readings, power, tried, EXACT)
    assert (decision and decision.rule) == rule
    if decision:
        assert decision.stage == "hold"
        assert decision.detected_ns == at(1.0)  # when the stage is over


def test_a_hold_that_waited_for_a_hand_is_judged_when_it_went_on() -> None:
    power = PowerUp((Part(START_NS, "hold", 4.0, 0.1), Part(at(2.0), "boot", 4.0, 2.0)))
    tried = Guarding(RuleLimits(), (Stage("hold", 4.0, 0.05, 1.0, by_hand=True),))
    decision = decide(samples((2.0, 4.0, 0.06), (1.0, 4.0, 0.5)), power, tried, EXACT)
    assert decision is not None
    assert decision.detected_ns == at(1.999)


@pytest.mark.parametrize(("least_ohm", "rule"), [(1.0, "short"), (0.1, None)])
def test_a_probed_rail_is_compared_with_the_least_that_is_tried(least_ohm: float, rule: str | None) -> None:
    power = PowerUp((Part(START_NS, "probe", 0.5, 0.1),))
    tried = Guarding(RuleLimits(), (Stage("probe", 0.5, 0.1, 0.2, least_ohm=least_ohm),))
    decision = decide(samples((0.25, 0.02, 0.1)), power, tried, EXACT)  # 0.2 Ω
    assert (decision and decision.rule) == rule


@pytest.mark.parametrize(("flag", "stale_s", "rule"), [
    (Flag.GAP, 0.5, "stale"), (Flag.GAP, 1.0, None), (Flag.NONE, 0.5, None),
])  # fmt: skip
def test_readings_that_failed_are_stale_but_a_hole_in_the_log_is_not(
    flag: Flag, stale_s: float, rule: str | None
) -> None:
    readings = samples((2.0, 4.0, 0.3))
    kept = np.r_[0:1000, 1800:2000]  # 0.8 s are missing
    flags = readings.flags.copy()
    flags[1800] = flag
    readings = Samples(readings.t_ns[kept], readings.voltage_v[kept], readings.current_a[kept], readings.mode[kept],
                       flags[kept])  # fmt: skip
    decision = decide(readings, boot(), guarding(stale_s=stale_s), EXACT)
    assert (decision and decision.rule) == rule
    if decision:
        assert decision.detected_ns == at(0.999) + round(stale_s * 1e9)


reading = st.tuples(
    st.integers(1, 400),
    st.sampled_from([0.0, 0.05, 0.2, 1.0, 3.0, 4.0, -0.3, float("nan")]),
    st.sampled_from([0.0, 0.02, 0.1, 0.5, 1.0, 1.2, 2.0]),
    st.sampled_from([Mode.UNKNOWN, Mode.CV, Mode.CC, Mode.OFF]),
)


@settings(max_examples=150)
@given(st.lists(reading, min_size=1, max_size=60), st.integers(1, 5_000))
def test_it_decides_as_the_guard_does(rows: list[tuple[int, float, float, Mode]], changes_ms: int) -> None:
    """Whatever is read, restaged at a known moment: the same verdict at the same reading as when fed one by one."""
    t_ns = START_NS + np.cumsum([ms for ms, *_ in rows]) * MS
    second_ns = int(t_ns[0]) + changes_ms * MS
    limits = RuleLimits(over_current_a=1.9, energy_j=2.0, fault_j=0.5)
    live, expected, second = Rules(limits, 4.0, 1.0, EXACT, int(t_ns[0])), None, False
    for t, (_, volts, amps, mode) in zip(t_ns.tolist(), rows, strict=True):
        if t >= second_ns and not second:
            second = True
            live.restage(3.8, 0.9)  # lower, so that no reading shows the change ahead of the journal
        expected = expected or live.feed(Reading(t, volts, amps, mode, Flag.NONE, 0))
    columns = [np.array(column, float) for column in list(zip(*rows, strict=True))[1:3]]
    modes = np.array([mode for *_, mode in rows], np.uint8)
    stored = Samples(t_ns.astype(np.int64), *columns, modes, np.zeros(len(rows), np.uint8))
    power = PowerUp((Part(START_NS, "boot", 4.0, 1.0), Part(second_ns, "boot", 3.8, 0.9)))
    # What the first part cannot give shows the change by itself; this is about a moment that is known.
    beyond = (stored.current_a > 1.05) | (stored.voltage_v > 4.2)
    assume(not beyond[stored.t_ns < second_ns].any())
    decision = decide(stored, power, Guarding(limits), EXACT)
    assert (decision is None) == (expected is None)
    if decision is not None and expected is not None:
        assert decision[:4] == expected


def test_what_lies_above_a_lower_limit_is_told() -> None:
    readings = samples((1.0, 4.0, 0.3), (0.2, 4.0, 0.9), (0.5, 4.0, 0.3), (0.1, 4.0, 0.9))
    found = held(readings, boot(limit_a=2.0), 0.8, 0.001)
    assert found is not None
    assert found.from_ns == at(1.0)
    assert found.longest_s == pytest.approx(0.199)
    assert held(readings, boot(limit_a=2.0), 0.9, 0.001) is None  # at the limit, not above it
    assert held(readings, boot(limit_a=2.0), None, 0.001) is None
    assert held(readings, boot(limit_a=0.8), 0.8, 0.001) is None  # the supply had that very limit
    assert held(readings, boot(limit_a=2.0, until_s=0.9), 0.8, 0.001) is None


def test_a_hold_is_no_boot_that_a_lower_limit_holds_back() -> None:
    power = PowerUp((Part(START_NS, "hold", 4.0, 1.0), Part(at(1.5), "boot", 4.0, 2.0)))
    readings = samples((1.0, 4.0, 0.9), (1.0, 4.0, 0.3))
    assert held(readings, power, 0.8, 0.001) is None


@settings(max_examples=50)
@given(st.lists(st.tuples(st.floats(0, 5), st.floats(0, 2)), min_size=2, max_size=40))
def test_energy_is_that_of_scipy(rows: list[tuple[float, float]]) -> None:
    volts, amps = np.array(rows).T
    t_ns = START_NS + np.arange(len(rows)) * 20 * MS
    zeros = np.zeros(len(rows), np.uint8)
    stored = Samples(t_ns, volts, amps, zeros, zeros)
    expected = trapezoid(volts * amps, (t_ns - START_NS) / 1e9)
    first, last = int(t_ns[0]), int(t_ns[-1])
    assert energy_between(stored, first, last) == pytest.approx(expected, abs=1e-12)
    assert energy_between(stored, last, first) == pytest.approx(-expected, abs=1e-12)


def test_what_readings_can_tell_apart_is_of_the_trace_then_of_the_settings() -> None:
    known = Resolution(0.01, 0.01, 0.02, 0.05)
    assert resolution_of(Conditions(resolution_a=0.0001), known) == Resolution(0.01, 0.0001, 0.02, 0.05)
    assert resolution_of(Conditions()) == Resolution(0.001, 0.001, 0.002, None)
    assert resolution_of(Conditions(resolution_v=0.01)) == Resolution(0.01, 0.001, 0.02, None)
