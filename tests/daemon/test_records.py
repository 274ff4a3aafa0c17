"""Trips and plans as people ask for them."""

from __future__ import annotations

import asyncio

import msgspec
import pytest

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.records import trip_readings
from benchd.jobs.job import Job
from benchd.reading import Flag, Mode, Reading, pack
from benchd.store.log import Log
from benchd.web.port import Refused
from tests.daemon.making import MS, FakeGuard, S, off, on, past, readings, trip


async def tripped(core: Core, t: int) -> None:
    core.on_report(on(t_ns=t - S))
    before = readings(t - 20 * MS, [2.0, 2.0, 2.0], volts=0.2)
    core.on_report(trip(t, before, budget_j=0.001, stage="boot", on_ns=t - S))
    core.on_report(off(t_ns=t + 3 * MS, reason="trip", latched=True, rearm_from_ns=past(-2)))
    async with asyncio.timeout(10):
        while "number" not in (core.watches["psu-a", 1].trip or {}):  # noqa: ASYNC110
            await asyncio.sleep(0)  # the log's answer comes through the event loop


async def test_a_trip_is_listed_under_its_job_with_its_readings(
    bench: Bench, core: Core, guard: FakeGuard, log: Log
) -> None:
    log.add_job(Job("R-1"))
    core.job = "R-1"
    t = past(5)
    await tripped(core, t)
    (row,) = await bench.trips("R-1", 10)
    assert await bench.trips("R-2", 10) == []
    assert (row.number, row.supply, row.channel, row.job) == (1, "psu-a", 1, "R-1")
    assert row.figures["rule"] == "short"
    assert row.figures["over_budget"] is True
    assert row.figures["let_through_j_u"] > 0, "with the accuracy of the supply"
    again, columns = await bench.trip(1)
    assert again == row
    assert columns.t_ms == [-20.0, -10.0, 0.0]
    assert (columns.current_a, columns.voltage_v, columns.mode) == ([2.0] * 3, [0.2] * 3, ["cv"] * 3)
    assert columns.marks == {"onset": -20.0, "detected": 0.0, "off_sent": 0.05, "off_confirmed": 2.0}
    with pytest.raises(Refused, match="trip 9 is not in the log"):
        await bench.trip(9)


async def test_the_banner_gets_the_trips_number_and_the_time_to_wait(bench: Bench, core: Core) -> None:
    await tripped(core, past(5))
    one = core.view().channels[0]
    assert one.trip is not None
    assert one.trip["number"] == 1
    assert one.rearm_wait_s == pytest.approx(2.0, abs=1.0)
    core.on_report(off(reason="trip", latched=True, rearm_from_ns=past(1)))
    assert core.view().channels[0].rearm_wait_s == 0.0
    core.on_report(off(reason="re-armed"))
    assert core.view().channels[0].rearm_wait_s is None


async def test_who_re_armed_after_what_stands_in_the_journal(
    bench: Bench, core: Core, guard: FakeGuard, log: Log
) -> None:
    await tripped(core, past(5))
    guard.refuse = "it tripped 0.4 s ago and stays off for 2 s"
    with pytest.raises(Refused, match="stays off for 2 s"):
        await bench.rearm("psu-a", 1, by="page")
    assert log.journal(kinds=["re-arm"]) == []
    guard.refuse = ""
    await bench.rearm("psu-a", 1, by="foot-switch")
    (entry,) = log.journal(kinds=["re-arm"])
    assert entry.payload == {"by": "foot-switch", "rule": "short", "trip": 1}


async def test_the_supplys_own_trip_is_said_as_such(core: Core) -> None:
    t = past(2)
    core.on_report(on(t_ns=t - S))
    core.on_report(trip(t, readings(t, [2.0]), rule="instrument", text="over-current protection of the supply"))
    (warning,) = [w for w in core.view().warnings if "by itself" in w]
    assert warning.startswith("supply psu-a channel 1: the supply has tripped by itself, before the guard did: over-cu")
    core.on_report(trip(t + S, readings(t, [2.0]), rule="panel", text="the limit was raised from 2 A to 5 A"))
    assert not [w for w in core.view().warnings if "raised" in w], "its banner says it"


def test_columns_have_no_numbers_that_json_has_not() -> None:
    t = past(1)
    rows = [
        Reading(t + n * MS, volts, 1.0, Mode.CC, Flag.NONE, 1000) for n, volts in enumerate((0.1, float("nan"), 0.3))
    ]
    columns = trip_readings(trip(t, pack("psu-a", 1, rows), confirmed=False))
    assert (columns.t_ms, columns.voltage_v, columns.mode) == ([0.0, 2.0], [0.1, 0.3], ["cc", "cc"])
    assert columns.marks["off_confirmed"] is None


async def test_who_switched_on_with_what_stands_in_the_journal(bench: Bench, guard: FakeGuard, log: Log) -> None:
    await bench.power_on("psu-a", 1, "small", voltage_v=2.5, by="mqtt")
    (entry,) = log.journal(kinds=["output"])
    assert (entry.payload["by"], entry.payload["plan"], entry.payload["stage"]) == ("mqtt", "small", "boot")
    assert entry.payload["set_voltage_v"] == 2.5


@pytest.mark.parametrize("more", [{"voltage_v": 4.1}, {"limit_a": 2.5}, {"limit_a": float("nan")}, {"voltage_v": 0.0}])
async def test_nobody_gets_more_than_the_plan_says(bench: Bench, guard: FakeGuard, more: dict[str, float]) -> None:
    with pytest.raises(Refused, match="allowed with plan 'phone' is above 0") as caught:
        await bench.power_on("psu-a", 1, None, **more)
    assert caught.value.code == "out-of-range"
    assert guard.asked == []


async def test_a_second_power_on_waits_for_the_first(bench: Bench, core: Core, guard: FakeGuard) -> None:
    going, go = asyncio.Event(), asyncio.Event()
    plain = guard.power_on

    async def slow(*args: object, **more: object) -> None:
        going.set()
        await go.wait()
        await plain(*args, **more)  # type: ignore[arg-type]

    guard.power_on = slow  # type: ignore[method-assign, assignment]
    first = asyncio.create_task(bench.power_on("psu-a", 1, "staged"))
    await going.wait()
    with pytest.raises(Refused, match="is being switched on already"):
        await bench.power_on("psu-a", 1, "small")
    go.set()
    await first
    plan = core.watches["psu-a", 1].plan_in_force
    assert plan is not None
    assert plan.name == "staged", "what is on is what the first one asked for"


async def test_plans_are_made_changed_and_deleted_with_old_and_new_values_in_the_journal(
    bench: Bench, core: Core, log: Log
) -> None:
    assert {p.origin for p in bench.plans() if p.name in ("phone", "small")} == {"settings"}
    made = await bench.save_plan("phone", {"voltage_v": 3.9, "limit_a": 1.0})
    assert (made.origin, made.overrides, made.values["voltage_v"]) == ("own", "settings", 3.9)
    assert made.cautions != []
    assert next(p for p in core.view().plans if p["name"] == "phone")["voltage_v"] == 3.9
    with pytest.raises(Refused) as caught:
        await bench.save_plan("phone", {"voltage_v": 61.0, "limit_a": "much"})
    assert caught.value.code == "out-of-range"
    first, second = caught.value.message.splitlines()
    assert first.startswith("voltage_v = 61.0: allowed: 60.0 or less (unit: V)")
    assert second.startswith("limit_a = 'much': allowed: a number")
    await bench.delete_plan("phone")
    assert next(p for p in bench.plans() if p.name == "phone").origin == "settings"
    saved, deleted = log.journal(kinds=["plan"])
    assert (saved.payload["name"], saved.payload["origin_before"], saved.payload["origin"]) == (
        "phone", "settings", "own",
    )  # fmt: skip
    assert (saved.payload["before"]["voltage_v"], saved.payload["after"]["voltage_v"]) == (4.0, 3.9)
    assert "voltage_v" in saved.payload["changed"]
    assert (deleted.payload["before"]["voltage_v"], deleted.payload["after"]["voltage_v"]) == (3.9, 4.0)


async def test_a_plan_that_was_changed_since_it_was_looked_at_is_not_deleted(bench: Bench, log: Log) -> None:
    first = await bench.save_plan("mine", {"voltage_v": 3.9, "limit_a": 1.0})
    now = await bench.save_plan("mine", {"voltage_v": 3.8, "limit_a": 1.0}, seen=first.version)
    with pytest.raises(Refused, match="plan mine was changed meanwhile") as caught:
        await bench.delete_plan("mine", seen=first.version)
    assert (caught.value.code, caught.value.present) == ("stale", msgspec.to_builtins(now))
    assert [e.payload["after"] is None for e in log.journal(kinds=["plan"])] == [False, False]
    await bench.delete_plan("mine", seen=now.version)
    assert "mine" not in [p.name for p in bench.plans()]
    with pytest.raises(Refused, match="there is none of your own") as caught:
        await bench.delete_plan("mine", seen=now.version)
    assert caught.value.code == "not-found"


async def test_only_plans_of_ones_own_can_be_deleted(bench: Bench) -> None:
    with pytest.raises(Refused, match=r"stands in benchd\.toml") as caught:
        await bench.delete_plan("phone")
    assert caught.value.code == "wrong-state"
    with pytest.raises(Refused, match="there is none of your own") as caught:
        await bench.delete_plan("none-such")
    assert caught.value.code == "not-found"


async def test_a_file_of_ones_own_that_cannot_be_used_is_a_warning(bench: Bench, core: Core) -> None:
    folder = core.plans.shelf.own_dir
    folder.mkdir(parents=True)
    (folder / "phone.toml").write_text("format = 1\nvoltage_v = 99.0\nlimit_a = 1.0\n")
    bench.plans()
    (warning,) = [w for w in core.view().warnings if "toml" in w]
    assert "phone.toml: voltage_v = 99.0" in warning
    assert "the settings plan phone is used" in warning


async def test_a_mark_by_hand_in_a_filed_trace(bench: Bench, core: Core, log: Log) -> None:
    log.add_job(Job("R-1"))
    core.job = "R-1"
    t = past(20)
    core.on_report(on(t_ns=t))
    block = readings(t, [0.0] * 300 + [0.05] * 200 + [0.3] * 500)
    core.on_report(block)
    core.on_report(off(t_ns=t + 10 * S))
    await core.all_filed()
    (row,) = log.traces()
    with pytest.raises(Refused, match=r"the readings of trace .* are not in this log any more"):
        await bench.mark_trace(row.id, "button", 5.0)
    log.add_block(block)
    kept = await bench.mark_trace(row.id, "button", 5.0, "page")
    assert kept == log.trace(row.id)
    assert kept.finding is not None
    assert kept.finding.button_s == 5.0
    (entry,) = log.journal(kinds=["mark"])
    assert (entry.job, entry.trace, entry.payload["by"]) == ("R-1", row.id, "page")
    with pytest.raises(Refused, match="is not in the log"):
        await bench.mark_trace("T9", "button", 5.0)
    with pytest.raises(Refused, match="give seconds after its start"):
        await bench.mark_trace(row.id, "button", 500.0)
    both = await asyncio.gather(
        bench.mark_trace(row.id, "button", 4.0), bench.mark_trace(row.id, "boot-end", 9.0), return_exceptions=True
    )
    done = [one for one in both if not isinstance(one, BaseException)]
    assert all(isinstance(one, Refused) and one.code == "wrong-state" for one in both if one not in done)
    last = log.trace(row.id)
    assert last is not None
    moved = [m for m in last.marks if m.by == "hand" and m.t_ns != row.start_ns + 5 * S]
    assert len(moved) == len(done) >= 1, "none is lost unsaid"
