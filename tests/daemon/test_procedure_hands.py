"""What a run of a procedure does to the outputs, and what ends it."""

from __future__ import annotations

import asyncio
import threading
from typing import Any

import msgspec
import pytest

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.procedure_hands import ProcedureHands, SideInUse
from benchd.daemon.tap import MOST_WAITING, Tap
from benchd.guard.wire import LinkChanged
from benchd.plans.plan import Plan
from benchd.procedures.hands import Bounds, Cut, Progress, Question
from benchd.procedures.record import Happened, LeadSet, Run, Side
from benchd.reading import OutputState
from benchd.store.log import Log
from benchd.supplies.clock import now_ns
from benchd.web.port import Refused
from tests.daemon.making import MS, FakeGuard, S, off, on, past, readings, trip

RUN = Run("20261127-1-leak", "leak-curve", 1, "Leak curve", None, 1, (Side("main", "psu-a", 1),), "phone", {})
LOW = Bounds(2.0, 0.1)


def hands_over(core: Core, bench: Bench, *, traces: bool = False, plan: str = "phone", roles: Any = ("main",)) -> Any:
    """Hands of a run that has output 1, 2, ... in these roles; and what it keeps."""
    sides, kept = {}, []
    found = core.plans.named(plan)
    assert isinstance(found, Plan)
    for number, role in enumerate(roles, 1):
        watch = core.watches["psu-a", number]
        tap = Tap(f"psu-a/{number}", RUN.id, RUN.title, "R-1", traces)
        sides[role] = SideInUse(role, watch, found, tap, None)
    hands = ProcedureHands(core, bench, RUN, sides, lambda run, state: kept.append((run, state)))
    for side in sides.values():
        side.tap.cut = hands.cut
        side.watch.tap = side.tap
    return hands, kept


@pytest.fixture
def hands(core: Core, bench: Bench) -> ProcedureHands:
    """With output 1 as `main`, whose power-ups are no traces."""
    for number in (1, 2):
        core.on_report(off(number))
    made: ProcedureHands = hands_over(core, bench)[0]
    return made


async def cut_by(waiting: Any) -> Cut:
    with pytest.raises(Cut) as found:
        await waiting
    return found.value


async def test_it_is_switched_on_inside_plan_and_bounds(hands: ProcedureHands, guard: FakeGuard, core: Core) -> None:
    await hands.on("main", 0.5, 0.05, msgspec.structs.replace(LOW, energy_j=3.0, longest_on_s=60.0))
    what, *_, volts, amps, rules = guard.asked[-1]
    assert (what, volts, amps) == ("on", 0.5, 0.05)
    assert (rules.energy_j, rules.longest_on_s, rules.over_voltage_v) == (3.0, 60.0, 4.5)
    assert (guard.most_voltage_v, guard.most_limit_a) == (2.0, 0.1)
    assert core.watches["psu-a", 1].on
    await hands.change("main", 1.5, 0.1)
    assert guard.asked[-1] == ("adjust", "psu-a", 1, 1.5, 0.1)
    assert hands.conditions("main").set_voltage_v == 1.5
    await hands.off("main")
    assert guard.asked[-1] == ("off", "psu-a", 1)
    assert hands.ending is None, "its own off is no reason to end"


@pytest.mark.parametrize(
    ("volts", "amps", "bounds"),
    [(0.5, 0.05, Bounds(4.01, 0.1)), (0.5, 0.05, Bounds(2.0, 2.01)), (2.1, 0.05, LOW), (1.0, 0.11, LOW),
     (float("nan"), 0.05, LOW), (0.0, 0.05, LOW), (0.5, 0.05, Bounds(float("nan"), 0.1))],
)  # fmt: skip
async def test_more_than_plan_or_bounds_is_refused(
    hands: ProcedureHands, guard: FakeGuard, volts: float, amps: float, bounds: Bounds
) -> None:
    cut = await cut_by(hands.on("main", volts, amps, bounds))
    assert cut.outcome == "refused"
    assert "was asked for" in cut.text
    assert guard.asked == []


async def test_settings_outside_the_bounds_do_not_get_to_the_guard(hands: ProcedureHands, guard: FakeGuard) -> None:
    assert (await cut_by(hands.change("main", 1.0, 0.05))).text.endswith("allowed is nothing, since it is off")
    await hands.on("main", 0.5, 0.05, LOW)
    for volts, amps in ((2.01, 0.05), (1.0, 0.11), (float("nan"), 0.05), (0.0, 0.05)):
        assert (await cut_by(hands.change("main", volts, amps))).outcome == "refused"
    assert [what[0] for what in guard.asked] == ["on"]


async def test_injection_has_its_own_rules(hands: ProcedureHands, guard: FakeGuard) -> None:
    """A collapsed rail is what is wanted; power, energy and time are what protects."""
    bounds = Bounds(1.0, 2.0, injection=True, power_w=2.0, energy_j=500.0, longest_on_s=120.0)
    await hands.on("main", 0.5, 1.0, bounds)
    rules = guard.asked[-1][-1]
    assert (rules.collapse_allowed, rules.power_w, rules.energy_j, rules.longest_on_s) == (True, 2.0, 500.0, 120.0)
    assert guard.most_before_v == 0.3


async def test_only_before_the_first_power_on_a_voltage_at_the_leads_is_a_battery(
    hands: ProcedureHands, guard: FakeGuard
) -> None:
    await hands.on("main", 0.5, 0.05, LOW)
    assert guard.most_before_v == 1.0
    await hands.off("main")
    await hands.on("main", 0.5, 0.05, LOW)
    assert guard.most_before_v is None


async def test_no_run_without_consent_nor_while_it_is_on(hands: ProcedureHands, guard: FakeGuard, core: Core) -> None:
    guard.needs = "k1"
    assert (await cut_by(hands.on("main", 0.5, 0.05, LOW))).text == "nobody has consented"
    core.on_report(on())
    assert "is on already" in (await cut_by(hands.on("main", 0.5, 0.05, LOW))).text


async def test_nothing_is_missed_between_two_looks_and_nothing_is_old(hands: ProcedureHands, core: Core) -> None:
    await hands.on("main", 0.5, 0.05, LOW)
    now = now_ns()
    core.on_report(readings(now - 100 * MS, [9.0] * 5))
    reader = hands.readings("main")
    first = asyncio.ensure_future(anext(reader))
    await asyncio.sleep(0)
    core.on_report(readings(now + 1 * S, [0.1] * 3))
    core.on_report(readings(now + 1 * S + 30 * MS, [0.2] * 2))
    assert (await first).current_a.tolist() == [0.1, 0.1, 0.1, 0.2, 0.2]
    core.on_report(readings(now + 2 * S, [0.3]))
    core.on_report(readings(now + 2 * S, [0.3]))  # a trip's readings come twice
    assert (await anext(reader)).current_a.tolist() == [0.3]
    await reader.aclose()  # type: ignore[attr-defined]


async def test_readings_with_earlier_settings_do_not_come_after_a_change(hands: ProcedureHands, core: Core) -> None:
    await hands.on("main", 0.5, 0.05, LOW)
    reader = hands.readings("main")
    waiting = asyncio.ensure_future(anext(reader))
    await asyncio.sleep(0)
    core.on_report(readings(now_ns() + 5 * MS, [1.0], step_ns=MS))
    await asyncio.sleep(0.01)
    assert (await waiting).current_a.tolist() == [1.0]
    core.on_report(readings(now_ns(), [2.0] * 3, step_ns=1000))  # on its way while the change is made
    await asyncio.sleep(0.001)
    await hands.change("main", 1.0, 0.05)
    core.on_report(readings(now_ns() + 1 * MS, [3.0] * 2))
    assert (await anext(reader)).current_a.tolist() == [3.0, 3.0]


@pytest.mark.parametrize(
    ("happens", "outcome", "words"),
    [
        (lambda core: core.on_report(off(1)), "stopped", "psu-a/1 went off: somebody asked for it"),
        (lambda core: core.on_report(off(1, text="quiet hours have begun")), "interrupted", "quiet hours"),
        (lambda core: core.on_report(off(1, reason="on-time")), "timed-out", "as long as its plan allows"),
        (lambda core: core.on_report(off(1, state=OutputState.UNKNOWN, reason="guard-gone")), "interrupted", "unknown"),
        (lambda core: core.on_report(trip(now_ns(), readings(past(0.1), [2.0]))), "tripped", "0.2 V of 4 V at the 2 A"),
        (lambda core: core.on_report(LinkChanged("psu-a", False, 1, "", "no answer")), "interrupted", "no answer"),
    ],
)  # fmt: skip
async def test_what_ends_a_run_wherever_it_waits(
    hands: ProcedureHands, core: Core, happens: Any, outcome: str, words: str
) -> None:
    await hands.on("main", 0.5, 0.05, LOW)
    waits = [
        asyncio.ensure_future(wait)  # type: ignore[call-overload]
        for wait in (hands.sleep(60), hands.ask(Question("ready", "Ready?")), anext(hands.readings("main")))
    ]
    await asyncio.sleep(0)
    happens(core)
    for wait in waits:
        cut = await cut_by(wait)
        assert cut.outcome == outcome
        assert words in cut.text
    again = await cut_by(hands.on("main", 0.5, 0.05, LOW))
    assert (again.outcome, again.text) == (cut.outcome, cut.text)
    await hands.off("main")


async def test_off_by_anybody_ends_it_though_nothing_is_on(
    hands: ProcedureHands, bench: Bench, guard: FakeGuard
) -> None:
    waiting = asyncio.ensure_future(hands.ask(Question("ready", "Leads shorted?")))
    await asyncio.sleep(0)
    await bench.power_off("psu-a", 2)
    assert hands.ending is None, "another output"
    await bench.power_off(None, None)
    cut = await cut_by(waiting)
    assert (cut.outcome, cut.text) == ("stopped", "somebody has asked for psu-a/1 to be off")


async def test_nobody_else_switches_an_output_of_a_run_on(
    hands: ProcedureHands, bench: Bench, guard: FakeGuard
) -> None:
    for wanted in (bench.power_on("psu-a", 1, None), bench.advance("psu-a", 1)):
        with pytest.raises(Refused, match=r"Leak curve \(run 20261127-1-leak\) uses it: .* switching off works always"):
            await wanted
    await bench.power_on("psu-a", 2, None)
    assert [what[:3] for what in guard.asked] == [("on", "psu-a", 2)]


async def test_its_power_ups_are_no_traces_and_its_readings_are_the_jobs(
    hands: ProcedureHands, core: Core, log: Log, bench: Bench
) -> None:
    await hands.on("main", 4.0, 2.0, Bounds(4.0, 2.0))
    start = now_ns()
    core.on_report(readings(start, [0.0] * 50 + [0.5] * 50))
    await hands.off("main")
    core.on_report(readings(start + 2 * S, [0.0] * 10))
    await core.all_filed()
    assert log.traces() == []
    writer: Any = core.writer
    assert {job for _, job, _ in writer.blocks} == {"R-1"}
    core.watches["psu-a", 1].tap = None
    core.on_report(on(t_ns=start + 10 * S))
    core.on_report(readings(start + 10 * S, [0.0] * 50 + [0.5] * 200))
    core.on_report(off(t_ns=start + 13 * S))
    await core.all_filed()
    assert len(log.traces()) == 1, "the power-up after the run is one again"


async def test_a_card_that_wants_traces_gets_them(core: Core, bench: Bench, guard: FakeGuard) -> None:
    core.on_report(off(1))
    hands, _ = hands_over(core, bench, traces=True)
    tap = core.watches["psu-a", 1].tap
    assert tap is not None
    tap.on_filed = lambda row: hands.filed("main", row)
    await hands.on("main", 4.0, 2.0, Bounds(4.0, 2.0))
    start = now_ns()
    core.on_report(readings(start, [0.0] * 50 + [0.5] * 200))
    core.on_report(readings(start + 3 * S, [0.5] * 10))
    tap.held = False  # as `off` does; the readings above are of the time to come
    core.on_report(off(t_ns=start + 4 * S))
    await hands.off("main")
    (seen,) = hands.traces()
    assert (seen.side, seen.peak_a) == ("main", 0.5)
    assert hands.trace_ids() == [seen.id]


async def test_the_operator_answers_or_the_run_ends(hands: ProcedureHands) -> None:
    with pytest.raises(Refused, match="nothing is asked now"):
        hands.answer("ready", True)
    number = Question("celsius", "How warm?", "number", unit="°C", low=-10.0, high=60.0)
    waiting = asyncio.ensure_future(hands.ask(number))
    await asyncio.sleep(0)
    assert hands.question is not None
    assert hands.question.until_ns > now_ns()
    with pytest.raises(Refused, match="not asked now, but 'celsius': How warm"):
        hands.answer("other", 1.0)
    for wrong in (True, "21", 61.0, float("nan"), None):
        with pytest.raises(Refused, match="allowed is a number from -10 to 60 °C"):
            hands.answer("celsius", wrong)
    hands.answer("celsius", 21.5)
    assert await waiting == 21.5
    assert hands.question is None
    cut = await cut_by(hands.ask(Question("choice", "Which?", "choice", ("a", "b"), until_ns=now_ns() + 5 * MS)))
    assert (cut.outcome, cut.text) == ("timed-out", "nobody has answered within 0 s: Which?")


async def test_a_point_is_written_down_with_its_photo(core: Core, bench: Bench) -> None:
    hands, kept = hands_over(core, bench)
    hands.command("point", "C501", "7")
    hands.command("point", "C502")
    hands.command("done")
    assert hands.commands() == [("point", "C501"), ("point", "C502"), ("done", "")]
    assert hands.commands() == []
    for name in ("C501", "C502"):
        hands.happened(Happened(5, "point", name, {"resistance_ohm": 0.1}))
    assert [(m.text, m.photo) for m in kept[-1][0].happened] == [("C501", "7"), ("C502", "")]
    plain = msgspec.structs.replace(RUN, happened=(Happened(5, "point", "C501"),))
    await hands.keep(plain, {"n": 1})
    assert (kept[-1][0].happened[0].photo, kept[-1][1]) == ("7", {"n": 1})


async def test_who_does_not_keep_up_is_told_so(hands: ProcedureHands, core: Core) -> None:
    await hands.on("main", 0.5, 0.05, LOW)
    reader = hands.readings("main")
    waiting = asyncio.ensure_future(anext(reader))
    await asyncio.sleep(0)
    start = now_ns()
    for n in range(MOST_WAITING // 1000 + 1):  # the loop does not come round meanwhile
        core.on_report(readings(start + n * S, [0.0] * 1000, step_ns=MS))
    cut = await cut_by(waiting)
    assert cut.outcome == "interrupted"
    assert "does not keep up" in cut.text


async def test_progress_is_told_with_the_bench(hands: ProcedureHands, core: Core) -> None:
    hands.tell(Progress(1, 4, "Shorted leads"))
    assert hands.progress is not None
    assert core._changed.is_set()


async def test_leads_are_those_that_are_known(core: Core) -> None:
    """Typed or measured ones stand before the settings; the newest counts."""
    new = LeadSet("psu-a", 1, "", 0.05, 0.001, 1.0, 21.0, 20, run="x")
    assert (core.leads.of("psu-a", 1), core.leads.origin("psu-a", 1)) == (None, "")
    core.leads.take(new)
    core.leads.take(msgspec.structs.replace(new, ohm=0.09, t_ns=10))
    assert (core.leads.of("psu-a", 1), core.leads.origin("psu-a", 1)) == (new, "measured")
    core.leads.take(msgspec.structs.replace(new, ohm=0.001, sense="remote", t_ns=30))
    assert core.leads.of("psu-a", 1) == new, "with its sense leads it is another thing"


async def test_off_that_was_known_before_it_was_asked_on_proves_nothing(
    hands: ProcedureHands, guard: FakeGuard, core: Core
) -> None:
    """The guard is lost while it switches on: what it last said of the output is the off from before."""
    guard.refuse = "the guard went away before it answered"
    assert (await cut_by(hands.on("main", 0.5, 0.05, LOW))).outcome == "refused"
    assert core.watches["psu-a", 1].output == "off"
    cut = await cut_by(hands.off("main"))
    assert (cut.outcome, cut.text) == ("interrupted", "the guard went away before it answered")
    core.on_report(off(1, t_ns=now_ns()))  # somebody has read it back since
    await hands.off("main")


async def test_what_takes_its_time_keeps_the_loop_free(hands: ProcedureHands) -> None:
    begun, free = threading.Event(), threading.Event()

    def long() -> str:
        begun.set()
        return "done" if free.wait(10) else "the loop was held"

    working = asyncio.ensure_future(hands.work(long))
    assert await asyncio.to_thread(begun.wait, 10)
    free.set()
    assert await working == "done"
