"""Archived traces then and now: what changes, and what is not said for want of knowledge."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from benchd.guard.rules import Resolution
from benchd.guard.wire import RuleLimits, Stage
from benchd.traces.replay import Archived, Outcome, PowerUp, Trial, Trip, replay, with_trip_readings
from benchd.traces.replay_rules import Guarding, Part
from benchd.traces.samples import Samples
from benchd.traces.trace import Finding
from tests.store.making import same
from tests.traces.replays import BRIEF_SHORT, CLEAN, START_NS, archived, at, boot, samples

EXACT = Resolution(0.001, 0.001, 0.002, 0.0)
QUICK = Guarding(RuleLimits(short_hold_s=0.005))
USUAL = Guarding(RuleLimits(short_hold_s=0.010))
PATIENT = Guarding(RuleLimits(short_hold_s=0.050))
TRIPPED = Trip("short", 1.011, "boot")


def tried(case: Archived, guarding: Guarding, before: Guarding | None = None, says: Finding = CLEAN) -> Outcome:
    return replay(case, Trial("demo", guarding, before=before, asks=before is not None), says, EXACT)


def test_a_new_trip_on_a_good_board_is_told_with_its_figures() -> None:
    found = tried(archived(samples(*BRIEF_SHORT), boot()), USUAL, before=PATIENT)
    assert (found.change, found.good, found.worse_for_good) == ("new-trip", "clean-boot", True)
    assert found.trip_now is not None
    assert (found.trip_now.rule, found.trip_now.at_s, found.trip_now.stage) == ("short", 1.011, "boot")
    assert "in limit at 1 A with 0.2 V of 4 V" in found.trip_now.text
    assert found.trip_was is None


def test_what_makes_a_board_a_good_one() -> None:
    readings = samples((1.0, 4.0, 0.3))
    assert archived(readings, boot()).good == "clean-boot"
    assert archived(readings, boot(), reference=True, finding=None).good == "reference"
    assert archived(readings, boot(), trip=TRIPPED).good == ""
    assert archived(readings, boot(), finding=Finding("low-stall", 0.9, ())).good == ""
    assert archived(readings, boot(), finding=None).good == ""


def test_the_same_rules_lead_to_the_same_trip() -> None:
    found = tried(archived(samples(*BRIEF_SHORT), boot(until_s=1.012), TRIPPED), USUAL)
    assert (found.change, found.changed, found.moved) == ("same", False, None)


def test_a_trip_that_comes_earlier_lets_less_through() -> None:
    found = tried(archived(samples(*BRIEF_SHORT), boot(until_s=1.012), TRIPPED), QUICK, before=USUAL)
    assert found.change == "earlier"
    assert found.moved is not None
    assert found.moved.ms == -5.0  # 1.006 s: the first reading after a hold of 5 ms
    assert found.moved.energy_j == pytest.approx(-0.005 * 0.2 * 1.0)  # E = V·I·t


def test_a_trip_that_comes_later_is_seen_as_far_as_the_output_was_on() -> None:
    long_short = samples((1.0, 4.0, 0.3), (0.1, 0.2, 1.0))
    found = tried(archived(long_short, boot(until_s=1.09), TRIPPED), PATIENT, before=USUAL)
    assert found.change == "later"
    assert found.moved is not None
    assert found.moved.ms == 40.0
    gone = tried(archived(long_short, boot(until_s=1.012), TRIPPED), PATIENT, before=USUAL)
    assert (gone.change, gone.trip_now) == ("no-trip", None)


def test_another_rule_at_the_same_reading_is_told() -> None:
    limits = Guarding(RuleLimits(over_current_a=0.5, short_hold_s=0.05))
    was = Trip("short", 1.0, "boot")
    found = tried(archived(samples(*BRIEF_SHORT), boot(), was), limits)
    assert (found.change, found.trip_now and found.trip_now.rule) == ("other-rule", "over-current")
    unknown = tried(archived(samples(*BRIEF_SHORT), boot(), Trip("", 1.0)), limits)  # a file says when, not why
    assert unknown.change == "same"


def test_what_the_rules_do_not_lead_to_without_the_change_is_not_laid_to_it() -> None:
    case = archived(samples((2.0, 4.0, 0.3)), boot(until_s=1.5), TRIPPED)
    found = tried(case, QUICK, before=USUAL)
    assert (found.change, found.changed) == ("not-comparable", False)
    assert "it saw readings that the log has not" in found.notes[0]
    assert tried(case, USUAL).change == "no-trip"  # nothing is changed: so do today's rules


def test_a_file_that_no_guard_judged_is_compared_with_todays_rules() -> None:
    case = msgspec.structs.replace(archived(samples(*BRIEF_SHORT), boot()), guarded=False)
    assert tried(case, USUAL).change == "new-trip"  # today's rules would cut a good board
    alike = tried(case, USUAL, before=USUAL)
    assert (alike.change, alike.trip_was and alike.trip_was.at_s) == ("same", 1.011)
    assert alike.notes == ("no guard is known to have judged it: compared with what today's rules decide",)
    assert tried(case, QUICK, before=USUAL).change == "earlier"
    assert tried(case, USUAL, before=PATIENT).change == "new-trip"


def test_where_the_plan_is_not_known_no_difference_is_laid_to_todays_rules() -> None:
    unknown = Trial("", USUAL, before=USUAL)
    found = replay(archived(samples(*BRIEF_SHORT), boot()), unknown, CLEAN, EXACT)
    assert found.change == "not-comparable"


@pytest.mark.parametrize(
    ("case", "why"),
    [
        (archived(samples(*BRIEF_SHORT), None), "its set voltage or its limit is not known"),
        (archived(samples(*BRIEF_SHORT), boot(), Trip("instrument", 1.2)), "it was cut by instrument"),
        (archived(samples(*BRIEF_SHORT), boot(volts=12.0)), "taken at 12 V, plan demo is for 4 V"),
        (archived(samples(*BRIEF_SHORT), boot(), Trip("short", 1.0, "probe")), "it was cut in stage probe, which"),
    ],
)  # fmt: skip
def test_what_cannot_be_judged_is_not_but_its_finding_is(case: Archived, why: str) -> None:
    found = replay(case, Trial("demo", USUAL, voltage_v=4.0), Finding("dead-short", 0.8, ()), EXACT)
    assert (found.change, found.trip_now) == ("not-judged", None)
    assert why in found.notes[0]
    assert found.flips


def test_a_probe_is_tried_whatever_the_voltage_of_the_plan() -> None:
    power = PowerUp((Part(START_NS, "probe", 0.5, 0.1),))
    case = archived(samples((0.25, 0.02, 0.1)), power, Trip("short", 0.2, "probe"), finding=None)
    stage = Stage("probe", 0.5, 0.1, 0.2, least_ohm=1.0)
    found = replay(case, Trial("demo", Guarding(RuleLimits(), (stage,)), 4.0), CLEAN, EXACT)
    assert (found.change, found.trip_now and found.trip_now.stage) == ("same", "probe")


def test_a_lower_limit_holds_a_good_board_back_and_no_more_is_said() -> None:
    readings = samples((1.0, 4.0, 0.3), (0.2, 4.0, 0.9), (1.0, 4.0, 0.3))
    lower = Guarding(RuleLimits(), limit_a=0.8)
    found = tried(archived(readings, boot(limit_a=2.0)), lower)
    assert (found.change, found.held_from_s, found.worse_for_good, found.changed) == ("same", 1.0, True, True)
    assert found.held_longest_s == pytest.approx(0.199)
    assert "held at 0.8 A: no reading says how it would have gone on" in found.notes[0]
    cut = tried(archived(readings, boot(limit_a=2.0)), Guarding(RuleLimits(over_current_a=0.85), limit_a=0.8))
    assert (cut.change, cut.held_from_s) == ("new-trip", None)  # at the very reading


def test_a_higher_limit_is_said_to_let_more_flow() -> None:
    found = tried(archived(samples((1.0, 4.0, 0.3)), boot(limit_a=1.0)), Guarding(RuleLimits(), limit_a=2.0))
    assert found.notes == ("taken with a limit of 1 A: with 2 A more may have flowed",)


def test_findings_flip_by_their_signature() -> None:
    case = archived(samples((1.0, 4.0, 0.3)), boot())
    assert not tried(case, USUAL, says=Finding("clean-boot", 0.5, ())).flips
    flipped = tried(case, USUAL, says=Finding("over-draw", 0.7, ()))
    assert (flipped.flips, flipped.changed) == (True, True)
    assert flipped.good == "", "against references that came later it draws too much"
    assert tried(case, USUAL, says=Finding("unclear", 0.7, ())).good == "clean-boot"
    assert (flipped.signature_was, flipped.signature_now, flipped.confidence_now) == ("clean-boot", "over-draw", 0.7)
    unread = msgspec.structs.replace(case, finding=None)
    assert (tried(unread, USUAL).flips, tried(unread, USUAL).signature_was) == (True, None)


def test_limits_that_no_rule_can_work_with_are_refused() -> None:
    with pytest.raises(ValueError, match="stale_s = -1"):
        tried(archived(samples((1.0, 4.0, 0.3)), boot()), Guarding(RuleLimits(stale_s=-1)))


def test_the_readings_of_a_trip_fill_what_the_log_has_not() -> None:
    whole = samples(*BRIEF_SHORT)
    thin = Samples(whole.t_ns[::7], whole.voltage_v[::7], whole.current_a[::7], whole.mode[::7], whole.flags[::7])
    around = whole.between(at(0.9), at(1.012))
    filled = with_trip_readings(thin, around)
    assert np.all(np.diff(filled.t_ns) > 0)
    assert same(filled.between(at(0.9), at(1.012)), around)
    assert same(filled.between(0, at(0.9)), thin.between(0, at(0.9)))
    assert with_trip_readings(thin, Samples.empty()) is thin
    assert same(with_trip_readings(Samples.empty(), around), around)
    assert with_trip_readings(filled, around) is filled


def test_a_trace_without_readings_is_no_trip() -> None:
    assert tried(archived(Samples.empty(), boot()), USUAL).change == "same"
