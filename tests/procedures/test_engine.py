"""Runs of cards with a made-up supply: what is done, in which order, and how each run ends."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.plans.shelf import shipped as plans
from benchd.procedures.card import Card, card_of
from benchd.procedures.check import Output
from benchd.procedures.engine import Finished, RunAsked, run
from benchd.procedures.hands import Cut
from benchd.procedures.record import Side
from benchd.procedures.shelf import shipped
from tests.procedures.hands import FakeHands, resistor

PHONE = plans()["phone-cell"].plan
HEAD = """
format = 1
title = "Test"
what = "A test."
[sides.main]
title = "Board"
"""


def asked(card: Card, **parameters: float | str) -> RunAsked:
    sides = tuple(Side(role, "psu", n + 1) for n, role in enumerate(card.sides))
    return RunAsked(
        "P1", "R-1", sides, {side.role: Output(PHONE, 5.0, 2.0) for side in sides}, dict(parameters), "test"
    )


async def played(card: Card, hands: FakeHands, **parameters: float | str) -> Finished:
    return await run(card, asked(card, **parameters), hands)


def card(steps: str) -> Card:
    return card_of(HEAD + steps, "test")


ON = '[[step]]\ndo = "on"\nvoltage_v = 1.0\nlimit_a = 0.5\nmost_voltage_v = 2.0\n'
MEASURE = '[[step]]\ndo = "measure"\nname = "m"\n'


async def test_a_run_measures_compares_and_ends_with_the_output_off() -> None:
    hands = FakeHands({"main": resistor(10.0)})
    steps = ON + MEASURE + '[[step]]\ndo = "compare"\nwhat = "m.resistance_ohm"\nabove = 9.0\nbelow = 11.0\n'
    done = (await played(card(steps), hands)).run
    assert (done.outcome, hands.now) == ("passed", {})
    assert [entry[0] for entry in hands.log] == ["on", "off"]
    assert done.results[0].value == pytest.approx(10.0, rel=0.06)
    assert done.results[0].verdict == "good"
    assert done.ended_ns is not None
    assert [moment.kind for moment in done.happened] == ["began", "step", "off", "ended"]
    assert hands.kept[-1][0] == done


@pytest.mark.parametrize(
    ("below", "outcome", "verdict"), [(0.105, "passed", "good"), (0.095, "failed", "bad"), (0.1, "unclear", "unclear")]
)
async def test_what_lies_too_near_the_limit_is_unclear(below: float, outcome: str, verdict: str) -> None:
    hands = FakeHands({"main": resistor(10.0)}, exact=True)
    steps = ON + MEASURE + f'[[step]]\ndo = "compare"\nwhat = "m.current_a"\nbelow = {below}\n'
    done = (await played(card(steps), hands)).run
    assert (done.outcome, done.results[0].verdict) == (outcome, verdict)


async def test_nobody_there_ends_it_with_the_output_off() -> None:
    hands = FakeHands({"main": resistor(10.0)})
    steps = ON + MEASURE + '[[step]]\ndo = "ask"\nname = "where"\ntext = "Where?"\ntimeout_s = 60\npowered = true\n'
    done = (await played(card(steps), hands)).run
    assert done.outcome == "timed-out"
    assert hands.log[-1] == ("off", "main")


async def test_while_the_operator_is_asked_outputs_are_off_unless_the_card_says_otherwise() -> None:
    hands = FakeHands({"main": resistor(10.0)})
    hands.answers = {"where": True}
    done = (
        await played(card(ON + '[[step]]\ndo = "ask"\nname = "where"\ntext = "Where?"\ntimeout_s = 60\n'), hands)
    ).run
    assert done.outcome == "done"
    assert [entry[0] for entry in hands.log] == ["on", "off", "ask"]


async def test_leads_that_are_open_are_told_where_a_board_is_needed() -> None:
    hands = FakeHands({"main": resistor(1e9)})
    done = (await played(card(ON + MEASURE + "connected = true\n"), hands)).run
    assert done.outcome == "refused"
    assert "the leads are open" in done.text


async def test_a_resistance_where_no_current_flows_is_unclear_and_no_fault_of_ours() -> None:
    hands = FakeHands({"main": resistor(float("inf"))}, exact=True)
    done = (
        await played(card(ON + MEASURE + '[[step]]\ndo = "compare"\nwhat = "m.resistance_ohm"\nbelow = 1.0\n'), hands)
    ).run
    assert (done.outcome, done.text, hands.now) == ("unclear", "m.resistance_ohm: no current flows", {})


async def test_a_trip_ends_it_and_off_is_asked_again() -> None:
    hands = FakeHands({"main": resistor(10.0)})
    hands.cut_at_s = 0.3
    done = (await played(card(ON + MEASURE), hands)).run
    assert (done.outcome, done.text) == ("tripped", "short: it was cut")
    assert hands.log[-1] == ("off", "main")


async def test_an_off_that_nobody_could_confirm_is_said_first() -> None:
    hands = FakeHands({"main": resistor(10.0)})
    hands.unsure = {"main"}
    done = (await played(card(ON + MEASURE), hands)).run
    assert done.outcome == "interrupted"
    assert done.text.startswith("NOT CONFIRMED OFF: side main: off was asked for but could not be confirmed")


async def test_a_fault_of_ours_ends_with_the_output_off() -> None:
    hands = FakeHands({"main": resistor(10.0)})

    def broken(_: FakeHands) -> None:
        raise ZeroDivisionError("here")

    hands.script = broken
    done = (await played(card(ON + MEASURE), hands)).run
    assert (done.outcome, hands.log[-1]) == ("interrupted", ("off", "main"))
    assert "ZeroDivisionError" in done.text


@pytest.mark.parametrize(
    ("steps", "said"),
    [
        (ON.replace("1.0", "4.5"), "step[0].voltage_v: 4.5 V would be set; allowed is above 0 V up to 4 V"),
        (ON.replace("0.5", "3.0"), "step[0].limit_a: 3 A would be set; allowed is above 0 A up to 2 A"),
        (ON + '[[step]]\ndo = "set"\nvoltage_v = 2.5\n',
         "step[1].voltage_v: 2.5 V would be set; allowed is above 0 V up to 2 V"),
        (MEASURE, "step[0]: side main is off then"),
        (ON + '[[step]]\ndo = "set"\nvoltage_v = "volts"\n', "step[1]: volts: no parameter, loop variable"),
        (ON + '[[step]]\ndo = "repeat"\nname = "v"\nfrom = 0.5\nto = 2.2\nby = 0.1\n'
         '[[step.step]]\ndo = "set"\nvoltage_v = "v"\n',
         "step[1].step[0].voltage_v: 0.5 to 2.2 V would be set"),
        ('[[step]]\ndo = "on"\nvoltage_v = 1.0\nlimit_a = 1.0\ninjection = true\npower_w = 0.5\nenergy_j = 9\n'
         "longest_on_s = 9\n",
         "step[0]: 1 V with 1 A may give 1 W; allowed is power_w = 0.5 W"),
    ],
)  # fmt: skip
async def test_a_run_that_would_leave_its_plan_is_refused_before_anything_is_on(steps: str, said: str) -> None:
    hands = FakeHands({"main": resistor(10.0)})
    done = (await played(card(steps), hands)).run
    assert done.outcome == "refused"
    assert said in done.text
    assert hands.log == []


async def test_a_value_that_was_measured_never_leaves_the_bounds() -> None:
    """It cannot be known before; so it is refused when it comes to it, and the output goes off."""
    hands = FakeHands({"main": resistor(10.0)})
    worked = '[[step]]\ndo = "set"\nvoltage_v = { of = "m.voltage_v", times = 3.0, at_least = 0.1, at_most = 2.0 }\n'
    assert (await played(card(ON + MEASURE + worked), hands)).run.outcome == "done"
    assert hands.log[1] == ("change", "main", 2.0, 0.5)
    unheld = worked.replace(", at_most = 2.0", "")
    hands = FakeHands({"main": resistor(10.0)})
    refused = (await played(card(ON + MEASURE + unheld), hands)).run
    assert refused.outcome == "refused"
    assert hands.log == []


async def test_the_shipped_leak_curve_reads_a_resistor() -> None:
    hands = FakeHands({"main": resistor(88.9)})
    hands.answers = {"ready": True}
    done = (await played(shipped()["leak-curve"].card, hands)).run
    by_name = {result.name: result for result in done.results}
    assert by_name["kind"].value == "ohmic"
    assert by_name["resistance"].value == pytest.approx(88.9, rel=0.02)
    assert done.outcome == "failed"  # more than the 5 mA of the plan
    assert len(done.curves[0].columns[0].values) == 40
    assert hands.log[-1] == ("off", "main")


async def test_the_shipped_cycle_test_counts_starts_that_drew_nothing() -> None:
    hands = FakeHands({"main": resistor(88.9)})
    hands.answers = {"ready": True}
    done = (await played(shipped()["cycle-test"].card, hands, starts=4, run_s=2.0, rest_s=1.0)).run
    assert done.outcome == "done"
    assert done.results[0].value == 0.0
    assert [entry[0] for entry in hands.log] == ["ask", *["on", "off"] * 4]


VALUES = st.sampled_from(
    ["0.5", "1.0", "2.0", "3.9", "4.2", '"v"', '{ of = "m.voltage_v", times = 2.0, at_most = 2.0 }']
)


@st.composite
def steps(draw: st.DrawFn, depth: int = 0) -> str:
    table = "step" + ".step" * depth
    made = []
    for _ in range(draw(st.integers(1, 4))):
        kind = draw(st.sampled_from(["on", "off", "set", "wait", "measure", "ask", "mark", "repeat"]))
        text = f'[[{table}]]\ndo = "{kind}"\n'
        if kind == "on":
            text += f"voltage_v = {draw(VALUES)}\nlimit_a = 0.5\nmost_voltage_v = {draw(VALUES)}\n"
        elif kind == "off":
            text += 'title = "off"\n'
        elif kind == "set":
            text += f"voltage_v = {draw(VALUES)}\n"
        elif kind == "wait":
            text += "seconds = 0.1\n"
        elif kind == "measure":
            text += 'name = "m"\nseconds = 0.05\n'
        elif kind == "ask":
            text += f'name = "q"\ntext = "?"\ntimeout_s = 5\npowered = {draw(st.sampled_from(["true", "false"]))}\n'
        elif kind == "mark":
            text += 'text = "here"\n'
        elif depth == 2:
            continue
        else:
            text += f'name = "v"\nfrom = {draw(st.sampled_from(["0.5", "2.0"]))}\nto = 1.0\nby = 0.4\n' + draw(
                steps(depth + 1)
            )
        made.append(text)
    return "".join(made) or f'[[{table}]]\ndo = "mark"\ntext = "none"\n'


@given(steps(), st.floats(0, 3), st.sampled_from(["tripped", "stopped", "interrupted"]), st.booleans())
@settings(max_examples=120, deadline=None)
def test_whatever_a_card_says_it_stays_inside_and_ends_off(
    steps: str, cut_at_s: float, why: str, answers: bool
) -> None:
    """FakeHands asserts on each change that it is within the bounds and of an output that is on."""
    import asyncio

    hands = FakeHands({"main": resistor(10.0)}, rate=50.0)
    hands.answers = {"q": True} if answers else {}

    def script(now: FakeHands) -> None:
        if now.at_s >= cut_at_s:
            now.cut = now.cut or Cut(why, "said so")  # type: ignore[arg-type]

    hands.script = script
    done = asyncio.run(played(card(steps), hands)).run
    assert "fault in benchd" not in done.text
    assert done.outcome != "running"
    assert hands.now == {}
    for entry in hands.log:
        if entry[0] in ("on", "change"):
            assert 0 < entry[2] <= 4.0  # type: ignore[operator]
            assert 0 < entry[3] <= 2.0  # type: ignore[operator]
    if done.outcome == "refused" and "would be set" in done.text:
        assert all(entry[0] != "change" for entry in hands.log)


async def test_an_answer_that_is_called_as_a_parameter_leaves_no_plan() -> None:
    hands = FakeHands({"main": resistor(10.0)})
    hands.answers = {"p": 50.0}
    head = HEAD.replace("[sides.main]", '[parameter.p]\ntitle = "P"\ndefault = 1.0\n[sides.main]')
    ask = '[[step]]\ndo = "ask"\nname = "p"\ntext = "?"\nkind = "number"\ntimeout_s = 5\n'
    done = (await played(card_of(head + ask + ON.replace("voltage_v = 1.0", 'voltage_v = "p"'), "test"), hands)).run
    assert (done.outcome, hands.log) == ("refused", [("ask", "p")])
    assert "50 V at 0.5 A was asked for" in done.text


async def test_readings_that_are_no_numbers_end_a_measurement() -> None:
    hands = FakeHands({"main": lambda *_: (float("nan"), float("nan"))}, rate=20.0)
    done = (await played(card(ON + MEASURE), hands)).run
    assert (done.outcome, hands.now) == ("timed-out", {})


async def test_an_answer_that_ends_it_is_told() -> None:
    hands = FakeHands({"main": resistor(10.0)})
    hands.answers = {"q": "no"}
    ask = 'do = "ask"\nname = "q"\ntext = "Go on?"\nkind = "choice"\n'
    ask += 'choices = ["yes", "no"]\ntimeout_s = 5\nend_if = "no"\n'
    done = (await played(card("[[step]]\n" + ask + ON), hands)).run
    assert (done.outcome, done.text, hands.log) == ("done", "Go on? no", [("ask", "q")])


async def test_a_trip_ends_the_cycles_and_what_they_showed_is_told() -> None:
    hands = FakeHands({"main": resistor(88.9)})
    hands.answers = {"ready": True}
    hands.cut_at_s = 10.0
    done = (await played(shipped()["cycle-test"].card, hands, starts=20, run_s=2.0, rest_s=1.0)).run
    assert done.outcome == "tripped"
    assert done.text.startswith("short: it was cut. Until then: 0 of 4 starts passed")
    assert done.results[0].name == "pass_rate"
    assert hands.now == {}


async def test_a_watch_that_is_stopped_keeps_what_it_has_seen() -> None:
    hands = FakeHands({"main": resistor(20.0)})
    hands.answers = {"free": True, "ready": True}

    def stopped(now: FakeHands) -> None:
        if now.at_s > 30:
            now.cut = now.cut or Cut("stopped", "stopped by anna")

    hands.script = stopped
    done = (await played(shipped()["soak"].card, hands, hours=0.1, boot_s=1.0)).run
    assert done.outcome == "stopped"
    assert "stopped by anna. Until then: On average 20" in done.text
    assert done.curves[0].name == "course"


async def test_a_watch_that_is_interrupted_keeps_all_that_it_has_seen_when_it_is_off() -> None:
    hands = FakeHands({"main": resistor(20.0)})
    hands.answers = {"free": True, "ready": True}

    def interrupted(now: FakeHands) -> None:
        if now.at_s > 130:
            now.cut = now.cut or Cut("interrupted", "benchd was ended")

    hands.script = interrupted
    done = (await played(shipped()["soak"].card, hands, hours=0.1, boot_s=1.0)).run
    states = [state for _, state in hands.kept if state is not None]
    assert (done.outcome, hands.now) == ("interrupted", {})
    assert states[-1]["bins"][-1][1] == pytest.approx(hands.t_ns, abs=5e8)  # type: ignore[index]
    assert [run.outcome for run, state in hands.kept if state is not None] == ["running"] * len(states)


async def test_nothing_measured_is_nothing_told() -> None:
    hands = FakeHands({"main": resistor(20.0)})
    done = (await played(shipped()["leak-curve"].card, hands)).run
    assert done.outcome == "timed-out"
    assert "Until then" not in done.text


async def test_a_run_that_outlasts_its_plan_is_refused_before() -> None:
    hands = FakeHands({"main": resistor(20.0)})
    done = (await played(shipped()["soak"].card, hands, hours=12.0)).run
    assert done.outcome == "refused"
    assert "43200 s would be watched, and plan 'phone-cell' switches off after 1800 s (longest_on_s)" in done.text
    assert hands.log == []


@pytest.mark.parametrize("by_itself", [True, False])
async def test_the_hold_is_left_out_for_a_board_that_starts_by_itself(by_itself: bool) -> None:
    hands = FakeHands({"main": resistor(88.9)})
    hands.answers = {"ready": True}
    await played(shipped()["cycle-test"].card, hands, starts=1, run_s=1.0, rest_s=1.0, by_itself=by_itself)
    assert (hands.bounds["main"].stages, hands.bounds["main"].hold) == (True, not by_itself)


async def test_a_leak_curve_ends_at_the_limit() -> None:
    """At 20 Ω and 0.1 A that is 2 V of 4."""
    hands = FakeHands({"main": resistor(20.0)})
    hands.answers = {"ready": True}
    done = (await played(shipped()["leak-curve"].card, hands)).run
    kind = next(row for row in done.results if row.name == "kind")
    assert kind.value == "ohmic"
    assert max(entry[2] for entry in hands.log if entry[0] == "change") <= 2.1  # type: ignore[operator, type-var]
