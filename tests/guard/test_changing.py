"""The rules while settings are changed under a board: capacitors hold what they had, and a short is still a short.

The readings come from the electrical model of the simulated bench, taken as `grid_bench` takes them.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from benchd.guard.rules import NS, Resolution, Rules, Verdict
from benchd.guard.waiting import ROUNDS_AFTER_ADJUST
from benchd.guard.wire import RuleLimits
from benchd.reading import Flag, Mode, Reading
from benchd.sim.bench import Channel
from tests.guard.grid_bench import Act, Meter, Story, board, clip, play, solder

ON_S = 0.5
WRITING_S = 0.004
"""From before the settings are written until they are read back."""


class Change(NamedTuple):
    """Other settings, s after the power-on."""

    after_s: float
    voltage_v: float
    limit_a: float

    def act(self) -> Act:
        def do(channel: Channel, now_s: float) -> None:
            channel.set(now_s, voltage_v=self.voltage_v, limit_a=self.limit_a)

        return Act(ON_S + self.after_s, do)


def judged(story: Story, meter: Meter, changes: list[Change], limits: RuleLimits, seed: int) -> Verdict | None:
    rules = Rules(limits, story.voltage_v, story.limit_a, meter.resolution, started_ns=round(ON_S * NS))
    steps = [
        step
        for change in changes
        for step in ((ON_S + change.after_s - WRITING_S / 2, change), (ON_S + change.after_s + WRITING_S / 2, None))
    ]
    late_s = meter.window_s / 2 if meter.way in ("instant", "whole") else 0.0
    for shown in play(story, meter, seed):
        came_s = shown.reading.t_ns / NS + late_s
        while steps and steps[0][0] <= came_s:
            at_s, change = steps.pop(0)
            if change is not None:
                rules.change(change.voltage_v, change.limit_a, round(at_s * NS))
            else:
                rules.settled(round(at_s * NS))
        if (verdict := rules.feed(shown.reading)) is not None:
            return verdict
    return None


METERS = st.builds(
    Meter,
    st.sampled_from([10, 50, 200, 500]),
    st.sampled_from([0.001, 0.01]),
    st.sampled_from([0.0001, 0.001]),
    st.sampled_from(["instant", "whole", "renewed", "unstated"]),
    st.booleans(),
    st.sampled_from([0.0, 0.02]),
)
VOLTS = st.floats(0.5, 12.0).map(lambda v: round(v, 2))
AMPS = st.floats(0.2, 3.0).map(lambda a: round(a, 2))
GAPS = st.sampled_from([0.05, 0.1, 0.4])
EASY = settings(deadline=None, report_multiple_bugs=False, phases=set(Phase) - {Phase.explain})


def changes_of(drawn: list[tuple[float, float, float]], first_s: float = 0.3) -> list[Change]:
    found, at_s = list[Change](), first_s
    for gap_s, volt, amp in drawn:
        found.append(Change(at_s, volt, amp))
        at_s += gap_s
    return found


@settings(EASY, max_examples=12)
@given(
    METERS,
    VOLTS,
    AMPS,
    st.lists(st.tuples(GAPS, VOLTS, AMPS), min_size=1, max_size=6),
    st.sampled_from([1e-6, 100e-6, 470e-6, 2e-3]),
    st.sampled_from([0.0, 0.05, 0.6]),
    st.integers(0, 1000),
)
def test_a_harmless_board_is_never_taken_for_a_fault(
    meter: Meter,
    volt: float,
    amp: float,
    drawn: list[tuple[float, float, float]],
    bulk_f: float,
    share: float,
    seed: int,
) -> None:
    """Whatever is set when: a load that every limit can carry, and as much capacitance as is believed harmless."""
    changes = changes_of(drawn)
    pairs = [(volt, amp), *((c.voltage_v, c.limit_a) for c in changes)]
    load_ohm = max(v / a for v, a in pairs) / share if share else float("inf")
    kind = board(max(v for v, _ in pairs), bulk_f, load_ohm=load_ohm)
    acts = (Act(0.1, clip(kind)), *(change.act() for change in changes))
    story = Story(volt, amp, 0.002, 0.05, acts, ON_S, ON_S + changes[-1].after_s + 1.2)
    limits = RuleLimits(over_voltage_v=1.1 * max(v for v, _ in pairs))
    assert judged(story, meter, changes, limits, seed) is None


@settings(EASY, max_examples=10)
@given(
    METERS,
    VOLTS,
    AMPS,
    st.lists(st.tuples(VOLTS, AMPS), min_size=3, max_size=3),
    st.floats(0.31, 0.6),
    st.integers(0, 1000),
)
def test_a_short_is_found_however_often_the_settings_change(
    meter: Meter, volt: float, amp: float, few: list[tuple[float, float]], short_s: float, seed: int
) -> None:
    limits = RuleLimits()
    # No sooner does the guard take up the next change: see `waiting.py`.
    gap_s = max(
        0.05,
        WRITING_S + limits.short_hold_s + 2 * meter.resolution.oldest_s,
        WRITING_S + ROUNDS_AFTER_ADJUST * meter.interval_s,
    )
    changes = changes_of([(gap_s, *few[n % 3]) for n in range(math.ceil((short_s + 2.0) / gap_s))])
    pairs = [(volt, amp), *few]
    short_ohm = min(v / a for v, a in pairs) * 0.2
    acts = (
        Act(0.1, clip(board(max(v for v, _ in pairs), 100e-6))),
        *(change.act() for change in changes),
        Act(ON_S + short_s, solder(short_ohm)),
    )
    story = Story(volt, amp, 0.002, 0.001, tuple(sorted(acts, key=lambda act: act.at_s)), ON_S, ON_S + short_s + 2.4)
    found = judged(story, meter, changes, limits, seed)
    assert found is not None
    assert found.rule in ("short", "reverse")
    assert found.onset_ns / NS >= ON_S + short_s - meter.window_s
    assert found.detected_ns / NS <= ON_S + short_s + 3 * gap_s + limits.short_hold_s + 4 * meter.window_s


def fed(rules: Rules, from_s: float, to_s: float, volt: float, amp: float, mode: Mode = Mode.CC) -> Verdict | None:
    at_s = from_s
    while at_s <= to_s:
        if (verdict := rules.feed(Reading(round(at_s * NS), volt, amp, mode, Flag.NONE, 0))) is not None:
            return verdict
        at_s += 0.01
    return None


def test_a_rail_that_is_pulled_down_trips_though_the_voltage_is_turned_up_and_down() -> None:
    rules = Rules(RuleLimits(), 4.0, 1.0)
    verdict, step = None, 0
    while verdict is None and step < 40:
        at_s = 1 + step * 0.05
        rules.change(4.0 + 0.1 * (step % 2), 1.0, round((at_s - 0.004) * NS))
        rules.settled(round((at_s - 0.002) * NS))
        verdict = fed(rules, at_s, at_s + 0.041, 3.0, 1.0)
        step += 1
    assert verdict is not None
    assert verdict.rule == "short"
    assert (verdict.detected_ns - verdict.onset_ns) / NS == pytest.approx(1.0, abs=0.03)


def test_what_charging_may_take_is_counted_by_the_limit_that_it_had() -> None:
    # 0.1 F at 5 V hold 0.5 C; at the least share of a limit of 0.1 A, 25 mA, that takes 20 s, at 1 A 2 s.
    limits = RuleLimits(harmless_bulk_f=0.1)
    rules = Rules(limits, 5.0, 0.1)
    assert fed(rules, 1.0, 11.0, 3.0, 0.1) is None  # half of it
    rules.change(5.0, 1.0, 11 * NS)
    rules.settled(11 * NS)
    verdict = fed(rules, 11.0, 20.0, 3.0, 1.0)
    assert verdict is not None
    assert verdict.detected_ns / NS == pytest.approx(12.0, abs=0.03)
    other = Rules(limits, 5.0, 1.0)
    assert fed(other, 1.0, 2.0, 3.0, 1.0) is None  # half of it
    other.change(5.0, 0.1, 2 * NS)
    other.settled(2 * NS)
    verdict = fed(other, 2.0, 20.0, 3.0, 0.1)
    assert verdict is not None
    assert verdict.detected_ns / NS == pytest.approx(12.0, abs=0.03)


def test_while_a_lower_limit_is_written_the_higher_one_still_holds() -> None:
    rules = Rules(RuleLimits(), 4.0, 2.0)
    rules.change(4.0, 0.5, NS)
    assert fed(rules, 1.0, 3.0, 3.9, 1.5, Mode.CV) is None  # a slow family takes its time
    rules.settled(3 * NS)
    verdict = fed(rules, 3.0, 4.0, 3.9, 1.5, Mode.CV)
    assert verdict is not None
    assert (verdict.rule, verdict.onset_ns) == ("over-current", 3 * NS)
    assert "above the limit of 0.5 A" in verdict.text


def test_a_mean_over_the_time_before_is_shown_for_a_while() -> None:
    rules = Rules(RuleLimits(), 4.0, 0.75, Resolution(refresh_s=0.1))
    rules.change(4.0, 0.5, NS)
    rules.settled(NS)
    assert fed(rules, 1.0, 1.19, 3.9, 0.6) is None
    assert fed(rules, 1.2, 3.0, 3.9, 0.5) is None
    rules.change(4.0, 0.4, 3 * NS)
    rules.settled(3 * NS)
    verdict = fed(rules, 3.0, 4.0, 3.9, 0.6)  # above the one before too: no mean of the two
    assert verdict is not None
    assert verdict.onset_ns == 3 * NS


def test_what_capacitors_hold_after_a_fall_is_no_other_source() -> None:
    rules = Rules(RuleLimits(), 5.0, 1.0, Resolution())
    rules.change(1.0, 1.0, NS)
    rules.settled(NS)
    assert fed(rules, 1.0, 30.0, 5.0, 0.0, Mode.CV) is None
    # 2 mF at 5 V hold 10 mC: at 50 mA back into a supply that can take it, 0.2 s.
    assert fed(rules, 30.01, 30.2, 4.0, -0.05, Mode.CV) is None
