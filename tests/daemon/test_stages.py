"""Stages as people hear of them, and what they do to capture, traces, journal and view."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.stages import leak_result, plus_minus, probe_result, shown
from benchd.plans.plan import Plan
from benchd.reading import OutputState, pack
from benchd.settings import Settings, from_dict
from benchd.store.log import Log
from benchd.traces.trace import Conditions
from tests.daemon.making import ACCURACY, MS, SETTINGS, FakeGuard, S, off, on, past, readings, stage_over, trip

STAGED: Plan = from_dict(SETTINGS, "test").plan[3]


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (0.175, 0.012, "175 ± 12 mΩ (k = 2)"),
        (0.0001, 0.06, "0 ± 60 mΩ (k = 2)"),
        (12.34, 0.5, "12.34 ± 0.50 Ω (k = 2)"),
    ],
)
def test_a_figure_and_its_uncertainty_have_one_unit(value: float, u: float, text: str) -> None:
    assert plus_minus(value, u, "Ω") == text
    assert plus_minus(value, None, "Ω").endswith("(the supply's accuracy is not stated)")
    assert [shown(v, "A") for v in (0.0, 2.5e-6, 0.0153, 1.0, 4700.0)] == ["0 A", "2.5 µA", "15.3 mA", "1 A", "4.7 kA"]


def test_the_probe_tells_resistance_or_that_the_rail_is_open() -> None:
    with_leads = msgspec.structs.replace(ACCURACY, lead_ohm=0.05, lead_u_ohm=0.006)
    closed = probe_result(stage_over("probe", 0, 0.5, 0.05), STAGED, with_leads)
    assert closed["resistance_ohm"] == pytest.approx(9.95)
    assert closed["uncertainty_ohm"] == pytest.approx(0.5, rel=0.2)
    assert closed["text"].startswith("Rail 9.95 ± ")
    assert closed["text"].endswith("Ω (k = 2), 50 mΩ of leads taken off; at least 2 Ω asked for.")
    short = probe_result(stage_over("probe", 0, 0.02, 0.1, passed=False), STAGED, ACCURACY)
    assert "a dead short is below 2 Ω by the plan" in short["text"]
    open_ = probe_result(stage_over("probe", 0, 0.5, 0.0), STAGED, ACCURACY)
    assert (open_["resistance_ohm"], open_["uncertainty_ohm"]) == (None, None)
    assert open_["above_ohm"] > 100
    assert open_["text"].startswith("Rail above 2")
    nothing = probe_result(stage_over("probe", 0, 0.5, 0.0), None, Conditions())
    assert "cannot be told" in nothing["text"]


@pytest.mark.parametrize(
    ("amps", "in_limit", "said"),
    [
        (-0.002, False, "within the 1 mA of a good board"),
        (0.0005, False, "cannot tell it from the 1 mA"),  # the reading may be wrong by more
        (0.002, False, "cannot tell it from the 1 mA"),
        (0.05, False, "more than the 1 mA of a good board"),
        (0.2, True, "draws all that the limit of 200 mA gives"),
    ],
)
def test_the_leak_is_held_against_a_good_board(amps: float, in_limit: bool, said: str) -> None:
    over = stage_over("hold", 0, 4.0, amps, in_limit=in_limit, set_voltage_v=4.0, limit_a=0.2)
    result = leak_result(over, STAGED, ACCURACY)
    assert said in result["text"]
    assert (result["current_a"], result["expected_a"], result["in_limit"]) == (amps, 0.001, in_limit)
    assert result["uncertainty_a"] == pytest.approx(2 * (0.002 + 0.001 * abs(amps)) / 3**0.5, rel=0.01)


async def staged(bench: Bench, guard: FakeGuard) -> None:
    """Asked for, and on as the guard of these tests says at once: with the boot. Then off again."""
    await bench.power_on("psu-a", 1, "staged", by="page")
    await bench.power_off("psu-a", 1)


async def test_the_stages_of_the_plan_get_to_the_guard(bench: Bench, guard: FakeGuard) -> None:
    await bench.power_on("psu-a", 1, "staged", voltage_v=3.8, by="page")
    assert [(s.name, s.voltage_v, s.limit_a) for s in guard.before] == [("probe", 0.5, 0.1), ("hold", 3.8, 0.2)]
    assert guard.asked[-1][3:5] == (3.8, 2.0)
    assert guard.over_current_delay_s is None


async def test_the_view_follows_the_stages(bench: Bench, core: Core, guard: FakeGuard, log: Log) -> None:
    await staged(bench, guard)
    t = past(20)
    core.on_report(on(t_ns=t, voltage_v=0.5, limit_a=0.1, stage="probe", second_layer=("over-voltage above 4.6 V",)))
    one = core.view().channels[0]
    assert (one.stage, one.stage_by_hand, one.capture, one.second_layer) == (
        "probe", False, "off", ["over-voltage above 4.6 V"],
    )  # fmt: skip
    assert one.on_s == pytest.approx(20, abs=2)
    core.on_report(stage_over("probe", t + 200 * MS, 0.5, 0.05))
    core.on_report(on(t_ns=t + 250 * MS, limit_a=0.2, stage="hold"))
    one = core.view().channels[0]
    assert (one.stage, one.stage_by_hand, one.capture, one.limit_a) == ("hold", True, "waiting", 0.2)
    assert one.probe is not None
    assert one.probe["resistance_ohm"] == pytest.approx(10.0)
    core.on_report(stage_over("hold", t + 2 * S, 4.0, 0.05, set_voltage_v=4.0, limit_a=0.2))
    await bench.advance("psu-a", 1, by="foot-switch")
    core.on_report(on(t_ns=t + 3 * S, limit_a=2.0, stage="boot"))
    one = core.view().channels[0]
    assert (one.stage, one.stage_by_hand, one.limit_a) == ("boot", False, 2.0)
    assert one.leak is not None
    assert one.leak["current_a"] == 0.05
    assert one.on_s == pytest.approx(20, abs=2), "one power-on, whatever its stages"
    core.on_report(off())
    one = core.view().channels[0]
    assert (one.stage, one.on_s, one.second_layer) == ("", None, [])
    assert one.leak is not None, "what the last power-on has shown stays"
    kinds = [e.kind for e in log.journal(kinds=["probe", "leak", "advance"])]
    assert kinds == ["probe", "leak", "advance"]
    ((by,),) = log.rows("SELECT json_extract(payload, '$.by') FROM journal WHERE kind = 'advance'")
    assert by == "foot-switch"


async def test_a_stage_is_an_event_with_what_it_has_shown(bench: Bench, core: Core, guard: FakeGuard) -> None:
    events: list[tuple[str, dict[str, Any]]] = []
    core.on_event = lambda kind, payload: events.append((kind, payload))
    core.on_report(stage_over("probe", past(1), 0.5, 0.05))
    ((kind, payload),) = events
    assert (kind, payload["supply"], payload["channel"], payload["stage"], payload["passed"]) == (
        "stage", "psu-a", 1, "probe", True,
    )  # fmt: skip


async def test_a_trace_from_hold_to_boot_has_the_boots_limit(bench: Bench, core: Core, guard: FakeGuard) -> None:
    await staged(bench, guard)
    t = past(60)
    core.on_report(on(t_ns=t, limit_a=0.2, stage="hold"))
    core.on_report(readings(t, [0.0, 0.0001] * 100))
    core.on_report(readings(t + 2 * S, [0.06] * 100))
    opened = core.watches["psu-a", 1].open
    assert opened is not None
    assert opened.conditions.limit_a == 0.2
    core.on_report(on(t_ns=t + 3 * S, limit_a=2.0, stage="boot"))
    now = core.watches["psu-a", 1].open
    assert now is not None
    assert (now.id, now.conditions.limit_a, now.conditions.set_voltage_v) == (opened.id, 2.0, 4.0)


@pytest.mark.parametrize("off_first", [True, False])
async def test_a_probe_that_finds_a_short_is_a_trace_with_that_finding(
    bench: Bench, core: Core, guard: FakeGuard, log: Log, off_first: bool
) -> None:
    core.job = "R-1"
    await staged(bench, guard)
    t = past(5)
    core.on_report(on(t_ns=t, voltage_v=0.5, limit_a=0.1, stage="probe"))
    block = readings(t + 5 * MS, [0.1] * 20, volts=0.02)
    decided = t + 200 * MS
    core.on_report(stage_over("probe", decided, 0.02, 0.1, passed=False, in_limit=True))
    reports = [
        off(t_ns=decided + 2 * MS, reason="trip", latched=True),
        trip(decided, block, stage="probe", on_ns=t, set_voltage_v=0.5, limit_a=0.1, after=pack("psu-a", 1, [])),
    ]
    for report in reports if off_first else reversed(reports):
        core.on_report(report)
    core.on_report(block)
    await core.all_filed()
    (row,) = log.traces()
    assert (row.job, row.reason, row.start_ns, row.readings) == ("R-1", "tripped", t, 20)
    assert (row.conditions.set_voltage_v, row.conditions.limit_a) == (0.5, 0.1)
    assert [(m.kind, m.t_ns) for m in row.marks] == [("connected", t), ("tripped", decided)]
    assert row.finding is not None
    assert row.finding.signature == "dead-short"
    (entry,) = log.journal(kinds=["trip"])
    assert (entry.trace, entry.payload["stage"]) == (row.id, "probe")


async def test_a_plan_that_is_edited_meanwhile_changes_nothing_of_what_is_on(
    bench: Bench, core: Core, guard: FakeGuard
) -> None:
    await bench.power_on("psu-a", 1, "staged", by="page")
    watch = core.watches["psu-a", 1]
    before = watch.plan_in_force
    await bench.save_plan("staged", {"voltage_v": 3.0, "limit_a": 0.3})
    assert watch.plan_in_force == before
    assert core.view().channels[0].set_voltage_v == 4.0
    await bench.power_off("psu-a", 1)
    assert watch.plan_in_force is not None
    assert watch.plan_in_force.voltage_v == 3.0, "the next time"


async def test_found_on_has_no_plan(bench: Bench, core: Core, guard: FakeGuard) -> None:
    await staged(bench, guard)
    core.on_report(msgspec.structs.replace(on(stage=""), reason="found-on", voltage_v=0.0, limit_a=0.0))
    watch = core.watches["psu-a", 1]
    assert watch.output == OutputState.ON
    assert watch.plan_in_force is None
    assert core.view().channels[0].promise is None


def test_leads_of_the_settings_go_with_the_power_on() -> None:
    raw: dict[str, Any] = {**SETTINGS, "supply": [dict(SETTINGS["supply"][0])]}
    raw["supply"][0]["channel"] = [
        {"number": 1, "max_voltage_v": 5.0, "max_limit_a": 3.0, "plan": "phone", "lead_mohm": 66.6}
    ]
    made: Settings = from_dict(raw, "test")
    assert made.supply[0].channel[0].lead_ohm == pytest.approx(0.0666)
