"""Runs over a restart of the daemon, their course, and a log that is down."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import msgspec
import pytest

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.leads import LeadBook
from benchd.daemon.procedure_course import course
from benchd.daemon.procedure_desk import ProcedureDesk
from benchd.daemon.procedure_restart import end_left, left_of, may_resume, wrapped
from benchd.daemon.procedure_views import stopped
from benchd.jobs.job import Job
from benchd.procedures.bins import Bin, course_of
from benchd.procedures.record import Column, Curve, LeadSet, Run, Side
from benchd.store import lead_rows, procedure_rows
from benchd.store.log import Log
from benchd.web.port import Refused
from benchd.web.procedure_port import RunAsk, SideChosen
from tests.daemon.making import FakeGuard, FakeWriter, S, off, past, readings

CARD = """
format = 1
name = "hold"
title = "Held at a voltage"
version = 1
what = "Switches on and waits."
cautions = ["Stay with it."]
resumes = {resumes}

[sides.main]
title = "Board"

[[step]]
do = "on"
voltage_v = 2.0
limit_a = 0.1

[[step]]
do = "wait"
seconds = 60.0

[[step]]
do = "off"
"""
SIDES = (SideChosen("main", "psu-a", 1),)
ASK = RunAsk("hold", SIDES, accepted=True)


def left(began_ns: int, **more: Any) -> Run:
    run = Run("P1", "hold", 1, "Held at a voltage", "R-1", began_ns, (Side("main", "psu-a", 1),), "phone", {})
    return msgspec.structs.replace(run, **more)


@pytest.fixture
def cards(tmp_path: Path) -> Path:
    folder = tmp_path / "procedures"
    folder.mkdir()
    (folder / "hold.toml").write_text(CARD.format(resumes="true"))
    return folder


@pytest.fixture
async def desk(core: Core, bench: Bench, log: Log, cards: Path) -> Any:
    log.add_job(Job("R-1", 1))
    core.job = "R-1"
    for number in (1, 2):
        core.on_report(off(number))
    made = ProcedureDesk(core, bench)
    yield made
    await made.close()


async def ended(desk: ProcedureDesk) -> None:
    async with asyncio.timeout(10):
        while desk.views():  # noqa: ASYNC110
            await asyncio.sleep(0.01)


async def test_a_run_that_was_left_ends_at_its_last_reading(core: Core, bench: Bench, log: Log, cards: Path) -> None:
    log.add_job(Job("R-1", 1))
    began = past(100.0)
    procedure_rows.keep_run(log, left(began))
    log.add_block(readings(began + 1 * S, [0.1] * 10))
    desk = ProcedureDesk(core, bench)
    await asyncio.wait({desk._starting})
    run = (await desk.run("P1")).run
    assert (run.outcome, run.ended_ns) == ("interrupted", began + 1 * S + 90_000_000)
    assert "Its last reading is of" in run.text
    assert any("was interrupted" in alarm["text"] for alarm in core.alarms.told())
    assert [e.payload["outcome"] for e in log.journal(job="R-1", kinds=("procedure",))] == ["interrupted"]
    assert not core.watches["psu-a", 1].on, "nothing is switched on by itself"
    with pytest.raises(Refused, match="cannot go on where it was"):
        await desk.resume("P1", True)


def test_only_what_was_left_with_a_state_by_the_same_card_for_the_job_on_the_bench_goes_on(
    log: Log, core: Core, bench: Bench, cards: Path
) -> None:
    log.add_job(Job("R-1", 1))
    procedure_rows.keep_run(log, left(past(100.0)), wrapped({"n": 3}, {"main": "soak"}))
    (run,) = end_left(log, past(0.0))
    assert may_resume(log, run)
    from benchd.procedures.shelf import procedure_folder

    kept = procedure_folder(cards).read().find("hold")
    assert kept is not None
    assert left_of(log, run, kept.card, "R-1")[1:] == ({"n": 3}, {"main": "soak"})
    for card, job, words in (
        (kept.card.model_copy(update={"resumes": False}), "R-1", "cannot go on where it was"),
        (kept.card.model_copy(update={"version": 2}), "R-1", "begun with version 1 of its card, which is 2 now"),
        (kept.card, "R-2", "is of job R-1, and R-2 is on the bench"),
        (kept.card, None, "and none is on the bench"),
    ):
        with pytest.raises(Refused, match=words):
            left_of(log, run, card, job)
    assert end_left(log, past(0.0)) == []


async def test_a_resumed_run_tells_its_gap_and_is_the_same_run(
    desk: ProcedureDesk, log: Log, guard: FakeGuard, core: Core
) -> None:
    procedure_rows.keep_run(log, left(past(100.0), outcome="interrupted", ended_ns=past(90.0)), wrapped({}, {}))
    assert [row.may_resume for row in await desk.runs(None, None, 5)] == [True]
    with pytest.raises(Refused) as told:
        await desk.resume("P1", False)
    assert (told.value.code, told.value.present) == ("cautions", ["Stay with it."])
    assert guard.asked == []
    view = await desk.resume("P1", True)
    assert view.run == "P1"
    with pytest.raises(Refused):
        await desk.resume("P1", True)
    await desk.stop("P1", "page")
    run = (await desk.run("P1")).run
    assert (run.outcome, run.text) == ("stopped", "stopped on the page")
    (gap,) = (moment for moment in run.happened if moment.kind == "gap")
    assert "nothing was recorded for 90 s" in gap.text
    assert core.watches["psu-a", 1].tap is None


async def test_the_broker_is_told_which_run_an_output_is_in_and_when_it_is_in_none(
    core: Core, desk: ProcedureDesk
) -> None:
    published: list[tuple[int, str | None]] = []
    core.on_state = lambda supply, channel, state: published.append((channel, state.procedure))
    run = (await desk.begin(ASK)).run
    assert published[0] == (1, run)
    await desk.stop(run)
    assert published[-1] == (1, None)
    assert {channel for channel, _ in published} == {1}


async def test_one_run_an_output_and_its_end_is_kept_though_nobody_waits(
    desk: ProcedureDesk, bench: Bench, guard: FakeGuard, log: Log, core: Core
) -> None:
    first = await desk.begin(ASK)
    with pytest.raises(Refused) as told:
        await desk.begin(ASK)
    assert (told.value.code, told.value.present["run"]) == ("wrong-state", first.run)
    assert [view.run for view in core.view().procedures] == [first.run]
    while not core.watches["psu-a", 1].on:  # noqa: ASYNC110
        await asyncio.sleep(0.01)
    await bench.power_off("psu-a", 1)
    await ended(desk)
    run = (await desk.run(first.run)).run
    assert (run.outcome, run.text) == ("stopped", "somebody has asked for psu-a/1 to be off")
    assert [e.payload["run"] for e in log.journal(job="R-1", kinds=("procedure",))] == [first.run]
    assert (await desk.stop(first.run)).run == run, "again is safe"


async def test_a_log_that_is_down_keeps_no_daemon_from_ending(
    desk: ProcedureDesk, writer: FakeWriter, guard: FakeGuard, core: Core, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchd.daemon.procedure_desk.END_WITHIN_S", 0.2)
    await asyncio.wait({desk._starting})
    writer.down = True
    await desk.begin(ASK)
    while not core.watches["psu-a", 1].on:  # noqa: ASYNC110
        await asyncio.sleep(0.01)
    await asyncio.wait_for(desk.close(), 5)
    assert guard.asked[-1] == ("off", "psu-a", 1)
    assert core.watches["psu-a", 1].tap is None


async def test_leads_that_were_measured_count_for_every_power_on(
    desk: ProcedureDesk, bench: Bench, guard: FakeGuard, log: Log
) -> None:
    """The probe's least resistance grows by them: the supply sees both in line."""
    shown = await desk.type_leads(LeadSet("psu-a", 1, "", 0.07, 0.01, 0.0, None, past(1.0)))
    assert (shown.now[0].origin, shown.now[1].origin) == ("typed", "")
    assert lead_rows.leads(log)[0].ohm == 0.07
    await bench.power_on("psu-a", 1, "staged")
    assert guard.before[0].least_ohm == pytest.approx(2.07)


async def test_sense_leads_of_the_settings_go_with_each_power_on_and_unchecked_ones_are_told(
    desk: ProcedureDesk, bench: Bench, guard: FakeGuard, core: Core
) -> None:
    channels = core.settings.supply[0].channel
    channels[0] = channels[0].model_copy(update={"sense": "remote"})
    desk.book = core.leads = LeadBook(core.settings)
    await bench.power_on("psu-a", 1, "staged")
    assert guard.sense == "remote"
    assert guard.before[0].least_ohm == 2.0, "two wires' leads are none of theirs"
    (told,) = (each["text"] for each in core.view().alarms if "sense leads" in each["text"])
    assert "nobody has checked that they reach their clips" in told
    await bench.power_off("psu-a", 1)
    before = len(core.view().alarms)
    await desk.type_leads(LeadSet("psu-a", 1, "", 0.001, 0.0005, 0.0, None, past(0.0)))
    assert core.leads.of("psu-a", 1).sense == "remote"  # type: ignore[union-attr]
    await bench.power_on("psu-a", 1, "staged")
    assert (guard.before[0].least_ohm, len(core.view().alarms)) == (pytest.approx(2.001), before)


async def test_of_several_sets_of_leads_the_one_that_was_put_on_counts(
    desk: ProcedureDesk, log: Log, core: Core
) -> None:
    """Also in the next daemon, and until another one is measured, typed or put on."""
    for name, ohm, ago_s in (("long", 0.09, 20.0), ("", 0.05, 10.0)):
        await desk.type_leads(LeadSet("psu-a", 1, name, ohm, 0.001, 0.0, None, past(ago_s)))
    shown = await desk.put_on_leads("psu-a", 1, "long", "anna")
    in_use = shown.now[0].leads
    assert in_use is not None
    assert (in_use.ohm, in_use.name, in_use.by) == (0.09, "long", "anna")
    assert in_use.t_ns < in_use.chosen_ns
    lead_rows.add_leads(log, LeadSet("psu-a", 1, "long", 0.0003, 0.0001, 1.0, None, past(0.0), "P1", sense="remote"))
    later = LeadBook(core.settings, lead_rows.newest(log))
    assert later.of("psu-a", 1) == in_use, "with sense leads it is another thing"
    with pytest.raises(Refused, match="leads 'short' were never measured there"):
        await desk.put_on_leads("psu-a", 1, "short")
    await desk.put_on_leads("psu-a", 1, "")
    now = core.leads.of("psu-a", 1)
    assert now is not None
    assert now.ohm == 0.05


def test_the_course_of_a_run_keeps_spikes_and_shows_gaps(log: Log) -> None:
    began = past(100.0)
    log.add_block(readings(began, [0.1] * 99 + [0.9]))
    log.add_block(readings(began + 50 * S, [0.2] * 100))
    found = course(log, left(began, ended_ns=began + 100 * S), "main", 10, 0)
    assert found.t_s[:2] == [5.0, 15.0]
    assert (found.low_a[0], found.high_a[0]) == (0.1, 0.9)
    assert found.mean_a[0] == pytest.approx(0.108)
    assert (found.high_a[1], found.mean_a[5]) == (None, pytest.approx(0.2))
    assert found.gaps == [(pytest.approx(0.99), pytest.approx(50.0))]
    with pytest.raises(Refused, match="has no side 'usb'; it has main"):
        course(log, left(began), "usb", 10, 0)


def test_readings_that_were_joined_with_earlier_ones_count_as_the_runs_last(log: Log) -> None:
    began = past(100.0)
    log.add_job(Job("R-1", 1))
    procedure_rows.keep_run(log, left(began))
    log.add_block(readings(began - 1 * S, [0.1] * 200))
    assert end_left(log, past(0.0))[0].ended_ns == began + 1 * S - 10_000_000


async def test_a_side_has_the_plan_that_its_card_wants_for_it_unless_another_is_chosen(desk: ProcedureDesk) -> None:
    sides = (SideChosen("battery", "psu-a", 1), SideChosen("usb", "psu-a", 2))
    found = await desk.check_run(RunAsk("two-sides", sides, {"by_itself": True}))
    assert [(most.role, most.plan) for most in found.most] == [("battery", "phone"), ("usb", "usb-5v")]
    chosen = (sides[0], SideChosen("usb", "psu-a", 2, "phone"))
    (fault,) = (await desk.check_run(RunAsk("two-sides", chosen, {"by_itself": True}))).faults
    assert "5 V would be set; allowed is above 0 V up to 4 V, as plan 'phone' of side usb says" in fault
    card = await desk.procedure("find-short")
    assert next(one for one in card.parameters if one.name == "voltage_v").default_text.startswith(
        "“Voltage that the rail is made for”, at most 0.5 V"
    )


async def test_a_run_is_shown_with_the_good_boards_that_it_was_compared_with(desk: ProcedureDesk, log: Log) -> None:
    curve = Curve("leak", "Leak", (Column("v", "Voltage", "V", (1.0, 2.0)), Column("a", "Current", "A", (0.1, 0.2))))
    course = course_of([Bin(1, 2, 3, 0.1, 0.1, 0.1)])
    log.add_job(Job("R-3", "phone", "blue"))
    ended_run = left(past(100.0), job="R-3", outcome="done", ended_ns=past(99.0), curves=(curve, course))
    procedure_rows.keep_run(log, ended_run)
    procedure_rows.keep_run(log, msgspec.structs.replace(ended_run, id="P2", curves=(course,)))
    procedure_rows.keep_run(log, msgspec.structs.replace(ended_run, id="P3", against=("P1",)))
    assert (await desk.make_reference("P1", "", "", "anna")).reference == "blue"
    with pytest.raises(Refused, match="no curve over a voltage or the like"):
        await desk.make_reference("P2", "blue", "")
    (good,) = (await desk.run("P3")).beside
    assert (good.run, good.job, good.began_ns, good.curves) == ("P1", "R-3", ended_run.began_ns, [curve])
    assert (await desk.run("P1")).beside == []


@pytest.mark.parametrize(
    ("by", "told"),
    [("anna, page", "stopped by anna on the page"), ("anna", "stopped by anna"), ("", "stopped"),
     ("command-line", "stopped from the command line"), ("other", "stopped")],
)  # fmt: skip
def test_who_stopped_a_run_is_said(by: str, told: str) -> None:
    assert stopped(by) == told
