"""Inrush is not a short: starts and shorts over a grid of boards, settings and instruments, judged by the trip rules.

python -m tests.guard.grid          the whole grid (half an hour); prints what went wrong, and the table
python -m tests.guard.grid table    the part that the tests run, as the table for the docs

A start is anything that a supply which works completes: switched on into it, or clipped on while on, by a clip that
bounces, or with a load that pulls from the limit while the board boots. None may trip. A short pins the limit with the
voltage pulled down. Each must trip, not later than the first reading that can tell it from a start, given what readings
may be wrong by, and the rule's hold.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Iterator, Sequence
from itertools import product
from math import inf, log
from pathlib import Path
from typing import NamedTuple

from benchd.guard.rules import LEAST_CHARGING_SHARE, PINNED_SHARE
from benchd.guard.wire import RuleLimits
from benchd.sim.board import Phase
from tests.guard.grid_bench import (
    BULKS_F,
    LIMITS_A,
    RATES,
    SHORTS_OHM,
    STEPS,
    USUAL_BULK_F,
    VOLTAGES,
    Act,
    Meter,
    Shown,
    Story,
    board,
    clip,
    judge,
    play,
    press,
    solder,
    touch,
)

TERMINAL_F = 100e-6
"""The capacitor in the simulated supply, which charges with the board's."""
LEADS_OHM = (0.02, 0.05, 0.2)
WAYS = ("instant", "whole", "renewed", "unstated")
STARTS = ("switched on", "clipped on", "clip bounces", "boots")
SHORTS = ("there before", "comes later", "clipped on shorted", "bouncing")
HOLD_NS = round(RuleLimits().short_hold_s * 1e9)
BOUNCE_S = 0.006
"""A clip that is put on bounces for this long at most. Contacts bounce for 1 to 6 ms: common practice, no source."""
LOADS = (0.0, 0.5, 0.9)
"""Resistive load of a start, as a share of the limit when the voltage is reached."""


class Case(NamedTuple):
    """One case of the grid, by its figures."""

    how: str
    voltage_v: float
    limit_a: float
    bulk_f: float
    load: float
    """Of a start."""
    short_ohm: float
    """Of a short; inf for a start."""
    meter: Meter
    lead_ohm: float
    exact: bool
    """The plan states the board's own capacitance as the harmless one, and not the usual one."""
    seed: int

    @property
    def harmless_f(self) -> float:
        """What the plan states, F: what the supply has in itself charges with the board."""
        least = self.bulk_f + TERMINAL_F
        return least if self.exact else max(USUAL_BULK_F, least)

    @property
    def start_s(self) -> float:
        """How long the start takes: C·dV/dt = I − V/R, so −R·C·ln(1 − V/(R·I)); without a load C·V/I (any text)."""
        unloaded_s = (self.bulk_f + TERMINAL_F) * self.voltage_v / self.limit_a
        return unloaded_s * (-log(1 - self.load) / self.load if self.load else 1.0)

    @property
    def pinned_most_s(self) -> float:
        """What the rules allow for being in limit with the voltage pulled down, s."""
        return max(1.0, self.harmless_f * self.voltage_v / (LEAST_CHARGING_SHARE * self.limit_a) + 0.010)


def cases(how: str, rng: random.Random | None = None, count: int = 0) -> Iterator[Case]:
    """All cases of this kind in their order, or `count` taken by chance."""
    is_start = how in STARTS
    axes = [VOLTAGES, LIMITS_A, BULKS_F, LOADS if is_start else SHORTS_OHM, RATES, STEPS, WAYS]
    for number, point in enumerate(product(*axes)) if rng is None else ((0, None) for _ in range(count)):
        dice = rng or random.Random(f"{how} {number}")
        while True:
            volts, amps, farad, what, rate, steps, way = point or [dice.choice(axis) for axis in axes]
            meter = Meter(rate, *steps, way, dice.random() < 0.5, dice.choice((0.0, 0.03, 0.06)))
            lead = dice.choice(LEADS_OHM)
            load, ohm = (what, inf) if is_start else (0.0, what)
            case = Case(how, volts, amps, farad, load, ohm, meter, lead, dice.random() < 0.5, dice.randrange(1 << 30))
            if makes_sense(case):
                yield case
            elif point is None:
                continue
            break


def makes_sense(case: Case) -> bool:
    """Whether a supply completes this start, or the short pins the limit."""
    if case.how in STARTS:
        # What current is missing at the true limit, and what the leads drop, must leave the load enough.
        return not case.load or case.voltage_v / case.load / case.limit_a > 2 * case.lead_ohm
    settles_v = (case.short_ohm + case.lead_ohm) * case.limit_a
    # One that bounces without a collapse is a load that pulls from the limit now and then, which is no short.
    return settles_v < (0.25 if case.how == "bouncing" else 0.8) * case.voltage_v


def story(case: Case) -> Story:
    """Who does what, and when."""
    dice = random.Random(case.seed)
    interval_s = max(case.meter.interval_s, case.meter.window_s)
    on_s = interval_s * (1 + dice.random())
    done_s = on_s + 1.3 * case.start_s
    acts, until_s = (_start if case.how in STARTS else _short)(case, dice, on_s, done_s, interval_s)
    return Story(case.voltage_v, case.limit_a, case.harmless_f, case.lead_ohm, tuple(acts), on_s, until_s)


def _start(case: Case, dice: random.Random, on_s: float, done_s: float, interval_s: float) -> tuple[list[Act], float]:
    load_ohm = case.voltage_v / (case.load * case.limit_a) if case.load else inf
    if case.how == "boots":
        free_a = case.limit_a * (0.94 - case.load)
        phases = (Phase("low", 0.02, 0.2 * free_a), Phase("high", 0.3, 0.5 * free_a, 0.5 * free_a, 0.004))
        acts = [
            Act(0.0, clip(board(case.voltage_v, case.bulk_f, load_ohm=load_ohm, phases=phases))),
            Act(done_s, press),
        ]
        return acts, done_s + 0.35 + 3 * interval_s
    kind = board(case.voltage_v, case.bulk_f, load_ohm=load_ohm)
    if case.how == "switched on":
        return [Act(0.0, clip(kind))], done_s + 4 * interval_s
    at_s = on_s + TERMINAL_F * case.voltage_v / case.limit_a + interval_s * dice.uniform(2, 4)
    acts = [Act(at_s, clip(kind))]
    if case.how == "clip bounces":
        for _ in range(dice.randrange(1, 4)):
            for connected in (False, True):
                at_s += dice.uniform(0.0001, BOUNCE_S / 6)
                acts.append(Act(at_s, touch(connected)))
    return acts, at_s + 1.3 * case.start_s + 4 * interval_s


def _short(case: Case, dice: random.Random, on_s: float, done_s: float, interval_s: float) -> tuple[list[Act], float]:
    long_s = 1.2 * case.pinned_most_s + 8 * interval_s
    if (case.short_ohm + case.lead_ohm) * case.limit_a < 0.45 * case.voltage_v and case.how != "bouncing":
        margin_v = 4 * (case.meter.step_v + case.meter.resolution.noise_v)
        tells_s = margin_v * case.harmless_f / (LEAST_CHARGING_SHARE * case.limit_a)
        long_s = 0.05 + 2 * tells_s + 6 * case.short_ohm * case.bulk_f + 8 * interval_s
        long_s += case.voltage_v * case.harmless_f / (LEAST_CHARGING_SHARE * case.limit_a)
        long_s += 0.3
    if case.how == "comes later":
        good = board(case.voltage_v, case.bulk_f, load_ohm=3 * case.voltage_v / case.limit_a)
        at_s = done_s + interval_s * dice.uniform(1, 2)
        return [Act(0.0, clip(good)), Act(at_s, solder(case.short_ohm))], at_s + long_s
    kind = board(case.voltage_v, case.bulk_f, short_ohm=case.short_ohm)
    if case.how == "there before":
        return [Act(0.0, clip(kind))], on_s + long_s
    at_s = on_s + TERMINAL_F * case.voltage_v / case.limit_a + interval_s * dice.uniform(2, 4)
    acts = [Act(at_s, clip(kind))]
    if case.how == "bouncing":
        end_s = at_s + 2.5 * long_s + 20 * interval_s
        while at_s < end_s:
            for connected, longest_s in ((False, 0.006), (True, 0.009)):
                at_s += dice.uniform(0.001, longest_s)
                acts.append(Act(at_s, touch(connected)))
        return acts, end_s
    return acts, at_s + long_s


def can_tell(case: Case, shown: list[Shown]) -> int | None:
    """Number of the first reading that can tell this from a start whatever the noise, with the rule's hold over.

    From the true voltages: between two readings of a start, the voltage rises by share·I·Δt/C or more. It has surely
    been seen not to when it falls short of that by twice the error of a difference of two readings, since noise may
    hide as much as it may show. A reading may be the mean over the moment at which the clip went on, and clips bounce:
    of the readings within the hold it is only known that the voltage was not below zero at the first one. Above the
    collapse fraction there is only time to go by.
    """
    most_wrong_v = case.meter.step_v + case.meter.resolution.noise_v
    refresh_ns = round(case.meter.resolution.oldest_s * 1e9)
    slope = LEAST_CHARGING_SHARE * case.limit_a / case.harmless_f / 1e9
    known: list[tuple[int, float]] = []
    onset_ns = pinned_from_ns = None
    for number, ((t_ns, *_), true_v, in_limit) in enumerate(shown):
        if not in_limit or true_v >= PINNED_SHARE * case.voltage_v - 3 * most_wrong_v:
            pinned_from_ns = None
        elif pinned_from_ns is None:
            pinned_from_ns = t_ns
        elif t_ns - pinned_from_ns - refresh_ns > case.pinned_most_s * 1e9:
            return number
        if not in_limit or true_v >= 0.5 * case.voltage_v - most_wrong_v:
            onset_ns = None
            continue
        if onset_ns is None:
            onset_ns, known = t_ns, [(t_ns, 0.0)]
        if t_ns - onset_ns - refresh_ns <= HOLD_NS:
            continue
        known.append((t_ns, true_v))
        least_v = max(v + slope * (t_ns - at_ns - refresh_ns) for at_ns, v in known)
        if true_v < least_v - 4 * most_wrong_v:
            return number
    return None


class Outcome(NamedTuple):
    """What came of one case."""

    case: Case
    wrong: str
    """Empty where it is as it should be."""
    cut_s: float = 0.0
    """Of a short: from its beginning to the reading that decided."""
    late: int = 0
    """Of a short: so many readings after the first that can tell for certain; below zero: before."""


def tried(case: Case) -> Outcome:
    """Play one case and compare."""
    told = story(case)
    playing = play(told, case.meter, case.seed)
    if case.how in STARTS:
        found = judge(told, case.meter, (each.reading for each in playing))
        return Outcome(case, "" if found is None else f"tripped: {found[1].text}")
    if case.how == "bouncing":
        # No physics says when; it is watched for three times as long as a steady short may be pinned.
        found = judge(told, case.meter, (each.reading for each in playing))
        return Outcome(case, "missed" if found is None else "")
    shown = list(playing)
    found = judge(told, case.meter, (each.reading for each in shown))
    tells = can_tell(case, shown)
    assert tells is not None, f"watched for too short a time: {case}"
    if found is None:
        return Outcome(case, "missed")
    number, verdict = found
    late = number - tells
    wrong = f"{late} readings late: {verdict.text}" if late > 0 else ""
    if verdict.rule not in ("short", "reverse"):
        wrong = f"tripped as {verdict.rule}: {verdict.text}"
    return Outcome(case, wrong, (verdict.detected_ns - verdict.onset_ns) / 1e9, late)


def is_collapse(case: Case) -> bool:
    """Whether this short pulls the voltage below the fraction, and is not told by its time in limit alone."""
    return (case.short_ohm + case.lead_ohm) * case.limit_a < 0.45 * case.voltage_v


SEED = "inrush"
PART = {how: 400 for how in STARTS} | {"boots": 200} | {how: 400 for how in SHORTS} | {"bouncing": 60}
"""What the tests run, and the table tells: so many cases of each kind, taken by chance."""

TABLE = Path(__file__).resolve().parents[2] / "benchd" / "guard" / "INRUSH.md"
BEGIN = "<!-- table: made by `python -m tests.guard.grid table` -->\n"
END = "<!-- end of table -->\n"


def part(how: str) -> list[Outcome]:
    """The cases of this kind that the tests run."""
    return [tried(case) for case in cases(how, random.Random(f"{SEED} {how}"), PART[how])]


def table(outcomes: Sequence[Outcome]) -> str:
    """What came of it, by how often the supply is read, as Markdown."""
    lines = [
        "| readings/s | starts | of them tripped | shorts | missed | later than can be told "
        "| collapsed: cut after (half, 95 %, longest) | pinned: cut after (longest) |",
        "| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for rate in RATES:
        here = [each for each in outcomes if each.case.meter.rate == rate]
        starts = [each for each in here if each.case.how in STARTS]
        shorts = [each for each in here if each.case.how in SHORTS]
        missed = [each for each in shorts if each.wrong == "missed"]
        late = [each for each in shorts if each.late > 0]
        cuts = [each for each in shorts if each.case.how != "bouncing" and each not in missed]
        collapsed = sorted(each.cut_s for each in cuts if is_collapse(each.case))
        pinned = max(each.cut_s for each in cuts if not is_collapse(each.case))
        told = [collapsed[len(collapsed) // 2], collapsed[int(0.95 * len(collapsed))], collapsed[-1]]
        cells = [rate, len(starts), sum(bool(each.wrong) for each in starts), len(shorts), len(missed), len(late)]
        times = ", ".join(f"{each * 1e3:.0f}" for each in told)
        lines.append("| " + " | ".join(map(str, cells)) + f" | {times} ms | {pinned:.1f} s |")
    return "\n".join(lines) + "\n"


def with_table(text: str, new: str) -> str:
    """The document with its table made anew."""
    head, begin, rest = text.partition(BEGIN)
    _, end, tail = rest.partition(END)
    assert begin, f"{TABLE.name} has no line {BEGIN!r}"
    assert end, f"{TABLE.name} has no line {END!r}"
    return head + begin + "\n" + new + "\n" + end + tail


def whole() -> Iterator[Outcome]:
    """The whole grid; of bouncing shorts, which take long, a part by chance."""
    for how in (*STARTS, *SHORTS):
        few = how == "bouncing"
        for case in cases(how, random.Random(f"{SEED} whole"), 2000) if few else cases(how):
            yield tried(case)


def main(words: Sequence[str]) -> int:
    """Run it; how many cases went wrong."""
    if list(words) == ["table"]:
        outcomes = [each for how in PART for each in part(how)]
        TABLE.write_text(with_table(TABLE.read_text("utf-8"), table(outcomes)), "utf-8")
    else:
        outcomes = []
        for outcome in whole():
            outcomes.append(outcome)
            if outcome.wrong:
                print(outcome, flush=True)
        print(table(outcomes))
    return sum(bool(each.wrong) for each in outcomes)


if __name__ == "__main__":
    sys.exit(min(main(sys.argv[1:]), 1))
