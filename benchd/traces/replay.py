"""What would have come of an archived trace with other rules, plans or cards: its trip and finding, then and now. Pure.

What no replay can know, and what is said with its results: `CANNOT_KNOW`.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import msgspec
import numpy as np

from benchd.guard.rules import NS, Resolution
from benchd.traces.replay_rules import (
    Decision,
    Guarding,
    Held,
    Part,
    PowerUp,
    decide,
    energy_between,
    held,
    resolution_of,
)
from benchd.traces.samples import Samples
from benchd.traces.trace import Finding, Trace

CANNOT_KNOW = (
    "What flowed after the output was cut, or above the limit that the supply had: a later trip lets more through than "
    "is shown, and so does a higher limit.",
    "What the guard read and the log has not: where the rules as they were do not lead to the trip that was, the trace "
    "is called not comparable.",
    "What went in before a board was clipped to an output that was on: a budget may have been spent earlier.",
    "The exact moment at which a stage began: the journal has it to some hundredths of a second.",
)
"""The foot of the table."""

NOT_BY_READINGS = ("instrument", "panel")
"""Rules by which a trip was decided on what the supply said of itself: no readings lead to it."""
PLAN_FITS_SHARE = 0.25
"""A plan is tried on traces whose voltage differs from its own by no more than this share of it. Our choice: the cells
of one pack lie within it, 3.3 V and 5 V do not."""

Change = Literal["same", "new-trip", "no-trip", "earlier", "later", "other-rule", "not-comparable", "not-judged"]


class Trip(msgspec.Struct, frozen=True):
    """A trip, as it was or as it would be."""

    rule: str
    at_s: float
    """After the trace's start, s."""
    stage: str = ""
    text: str = ""


class Archived(msgspec.Struct, frozen=True):
    """A trace with what the log knows of its power-up."""

    id: str
    trace: Trace
    job: str | None = None
    board: str = ""
    """Kind of board."""
    supply: str = ""
    channel: int = 1
    power: PowerUp | None = None
    """None: the voltage or the limit that it was taken with is not known."""
    seen: Samples | None = None
    """The readings since power-on, for the rules; None: those of the trace."""
    trip: Trip | None = None
    finding: Finding | None = None
    reference: bool = False
    guarded: bool = True
    """A guard judged it when it was taken; a file from elsewhere had none that is known of."""

    @property
    def good(self) -> Literal["reference", "clean-boot", ""]:
        """Why the board counts as a good one; empty: it does not."""
        if self.reference:
            return "reference"
        clean = self.finding is not None and self.finding.signature == "clean-boot" and self.trip is None
        return "clean-boot" if clean else ""


class Trial(NamedTuple):
    """The rules that one trace is tried with."""

    plan: str
    """Name of the plan they are of; empty: the rules' own defaults."""
    guarding: Guarding
    voltage_v: float | None = None
    """Of the plan, where it is asked for in place of the one that the trace was powered with."""
    before: Guarding | None = None
    """Without what is asked for: its own plan as it is today, else the rules' defaults. None: `guarding` is that of its
    own plan."""
    asks: bool = False
    """Something other than today's plans is asked for."""


class Moved(msgspec.Struct, frozen=True):
    """How much earlier or later a trip would come."""

    ms: float
    """Later by so much, ms; negative: earlier."""
    energy_j: float
    """So much more would have gone in until the decision, J; negative: less."""


class Outcome(msgspec.Struct, frozen=True, kw_only=True):
    """One trace, then and now."""

    trace: str
    job: str | None = None
    board: str = ""
    good: Literal["reference", "clean-boot", ""] = ""
    plan: str = ""
    change: Change = "not-judged"
    """Of the trip."""
    trip_was: Trip | None = None
    trip_now: Trip | None = None
    moved: Moved | None = None
    held_from_s: float | None = None
    """From then on it drew more than the limit that is tried would have given, s after the trace's start."""
    held_longest_s: float | None = None
    """For so long in one stretch, s."""
    signature_was: str | None = None
    confidence_was: float | None = None
    signature_now: str | None = None
    confidence_now: float | None = None
    notes: tuple[str, ...] = ()
    error: str = ""
    """Why it could not be replayed."""

    @property
    def flips(self) -> bool:
        """It says something else than it did."""
        return not self.error and self.signature_now != self.signature_was

    @property
    def changed(self) -> bool:
        """Anything that a person would want to look at: a trip, a finding, a lower limit reached, or an error."""
        trip = self.change in ("new-trip", "no-trip", "earlier", "later", "other-rule")
        return trip or self.flips or self.held_from_s is not None or bool(self.error)

    @property
    def worse_for_good(self) -> bool:
        """A good board that would not start as it did."""
        return bool(self.good) and (self.change == "new-trip" or self.held_from_s is not None)


def replay(case: Archived, trial: Trial, now: Finding, known: Resolution | None = None) -> Outcome:
    """Try a trace. `now`: what it says today; `known`: of its supply, where that is in the settings.

    Raises ValueError for limits that no rule can work with.
    """
    # A clean boot as it was filed, and since then a reference that it draws too much against: no good board.
    good = "" if case.good == "clean-boot" and now.signature == "over-draw" else case.good
    outcome = Outcome(
        trace=case.id,
        job=case.job,
        board=case.board,
        good=good,
        plan=trial.plan,
        trip_was=case.trip,
        signature_was=case.finding.signature if case.finding else None,
        confidence_was=case.finding.confidence if case.finding else None,
        signature_now=now.signature,
        confidence_now=now.confidence,
    )
    why_not = _not_judged(case, trial)
    if why_not or case.power is None:
        return msgspec.structs.replace(outcome, notes=(why_not,))
    return _judged(case, case.power, trial, resolution_of(case.trace.conditions, known), outcome)


def with_trip_readings(samples: Samples, around: Samples) -> Samples:
    """The readings of a trace and those kept with its trip, each once: of a supply that hands back arrays, the log has
    not the very readings that the guard decided on."""
    if not len(around):
        return samples
    new = around.t_ns >= 0 if not len(samples) else ~np.isin(around.t_ns, samples.t_ns)
    if not new.any():
        return samples
    whole = Samples.concat([samples, _chosen(around, new)])
    return _chosen(whole, np.argsort(whole.t_ns, kind="stable"))


# ---- within ---------------------------------------------------------------------------------------------------------


def _not_judged(case: Archived, trial: Trial) -> str:
    """Why the rules cannot be tried on it; empty where they can."""
    if case.power is None:
        return "not judged by the rules: its set voltage or its limit is not known"
    if case.trip is not None and case.trip.rule in NOT_BY_READINGS:
        return f"not judged by the rules: it was cut by {case.trip.rule}, which no readings show"
    last, stages = case.power.parts[-1], [stage.name for stage in trial.guarding.stages]
    if case.trip is not None and case.trip.stage in ("probe", "hold") and case.trip.stage not in stages:
        of = f"plan {trial.plan}" if trial.plan else "what its plan says today"
        return f"not judged by the rules: it was cut in stage {case.trip.stage}, which is not in {of}"
    asked_v = last.voltage_v if trial.voltage_v is None or last.stage == "probe" else trial.voltage_v
    if not abs(last.voltage_v - asked_v) <= PLAN_FITS_SHARE * asked_v:
        return f"not judged by the rules: taken at {last.voltage_v:g} V, plan {trial.plan} is for {asked_v:g} V"
    return ""


def _judged(case: Archived, power: PowerUp, trial: Trial, resolution: Resolution, outcome: Outcome) -> Outcome:
    trace, notes = case.trace, list[str]()
    seen = trace.samples if case.seen is None else case.seen
    decision = decide(seen, power, trial.guarding, resolution)

    def before() -> Decision | None:
        return decide(seen, power, trial.before or trial.guarding, resolution)

    if not case.guarded and case.trip is None and trial.asks:
        case = msgspec.structs.replace(case, trip=_trip(before(), trace.start_ns))
        notes.append("no guard is known to have judged it: compared with what today's rules decide")
    change = _change(case, decision)
    if change != "same" and case.guarded and trial.before is not None and _alike(before(), decision):
        change = "not-comparable"
        notes.append(
            "not comparable: without the change the rules decide here just as with it, not as the guard did: it saw "
            "readings that the log has not, or had other rules then"
        )
    beyond = held(seen, power, trial.guarding.limit_a, resolution.current_a)
    if beyond is not None and decision is not None and decision.detected_ns <= beyond.from_ns:
        beyond = None  # cut before
    return msgspec.structs.replace(
        outcome,
        change=change,
        trip_was=case.trip,
        trip_now=_trip(decision, trace.start_ns),
        moved=_moved(case, decision) if change in ("earlier", "later", "other-rule") else None,
        held_from_s=_s(beyond.from_ns, trace.start_ns) if beyond else None,
        held_longest_s=beyond.longest_s if beyond else None,
        notes=(*notes, *_notes(power, trial, beyond)),
    )


def _change(case: Archived, decision: Decision | None) -> Change:
    was = case.trip
    if was is None:
        return "same" if decision is None else "new-trip"
    if decision is None:
        return "no-trip"
    later_s = _s(decision.detected_ns, case.trace.start_ns) - was.at_s
    if abs(later_s) * 1e6 < 1:  # marks of files have micro-seconds
        return "same" if was.rule in (decision.rule, "") else "other-rule"
    return "later" if later_s > 0 else "earlier"


def _alike(one: Decision | None, other: Decision | None) -> bool:
    if one is None or other is None:
        return one is other
    return (one.rule, one.detected_ns) == (other.rule, other.detected_ns)


def _moved(case: Archived, decision: Decision | None) -> Moved:
    assert case.trip is not None
    assert decision is not None
    was_ns = case.trace.start_ns + round(case.trip.at_s * NS)
    energy_j = energy_between(case.trace.samples if case.seen is None else case.seen, was_ns, decision.detected_ns)
    return Moved(round((decision.detected_ns - was_ns) / 1e6, 3), energy_j)


def _notes(power: PowerUp, trial: Trial, beyond: Held | None) -> list[str]:
    notes = []
    limit_a, had = trial.guarding.limit_a, power.parts[-1]
    if limit_a is not None and limit_a > had.limit_a and had.stage != "probe":
        notes.append(f"taken with a limit of {had.limit_a:g} A: with {limit_a:g} A more may have flowed")
    if beyond is not None:
        notes.append(f"from then on held at {beyond.limit_a:g} A: no reading says how it would have gone on")
    return notes


def _trip(decision: Decision | None, start_ns: int) -> Trip | None:
    if decision is None:
        return None
    return Trip(decision.rule, round(_s(decision.detected_ns, start_ns), 6), decision.stage, decision.text)


def _s(t_ns: int, start_ns: int) -> float:
    return (t_ns - start_ns) / NS


def _chosen(samples: Samples, which: np.ndarray) -> Samples:
    return Samples(
        samples.t_ns[which], samples.voltage_v[which], samples.current_a[which], samples.mode[which],
        samples.flags[which],
    )  # fmt: skip


__all__ = ["CANNOT_KNOW", "Archived", "Moved", "Outcome", "Part", "PowerUp", "Trial", "Trip", "replay"]
