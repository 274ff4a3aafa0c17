"""Steps and checklists of a job, on a real log."""

from __future__ import annotations

import asyncio

import msgspec
import pytest

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.step_desk import StepDesk
from benchd.jobs.job import Job
from benchd.store.log import Log, TraceRow
from benchd.traces.trace import Conditions, Finding
from benchd.web.port import Refused
from tests.daemon.making import S

BEGUN_NS = 1_700_000_000 * S


@pytest.fixture
def desk(core: Core, bench: Bench, log: Log) -> StepDesk:
    log.add_job(Job("R-1", board="phone-main"))
    return StepDesk(core, bench)


def filed(log: Log, id: str, at_s: float, seconds: float, signature: str, job: str = "R-1") -> None:
    start = BEGUN_NS + round(at_s * S)
    row = TraceRow(
        id, job, "psu-a", 1, start, start + round(seconds * S), Conditions(), [], "off",
        Finding(signature, 0.8, ()), 100, 0.5, 1.0, 4.0,
    )  # fmt: skip
    log.add_trace(row)


async def steady(core: Core, desk: StepDesk) -> list[str]:
    """What is open before power, once the desk has looked."""
    async with asyncio.timeout(10):
        while desk.looking:  # noqa: ASYNC110
            await asyncio.sleep(0.001)
    return core.view().checks_open


async def all_done(desk: StepDesk, list_name: str) -> None:
    (wanted,) = (each for each in (await desk.checklists("R-1")).checklists if each.id == list_name)
    for item in wanted.items:
        await desk.tick("R-1", list_name, item.id, "done")


async def test_a_step_is_written_down_with_its_words(desk: StepDesk) -> None:
    entry = await desk.add_step("R-1", "reflowed", detail="power chip", text="320 °C", minutes=12.5, by="north")
    assert (entry.kind, entry.job) == ("step", "R-1")
    assert entry.payload == {
        "step": "reflowed", "label": "Reflowed", "detail": "power chip", "text": "320 °C", "by": "north",
        "plain": "The solder joints of a part were melted anew.", "minutes": 12.5,
    }  # fmt: skip


async def test_a_step_that_cannot_be(desk: StepDesk, log: Log) -> None:
    log.add_job(Job("R-2"))
    filed(log, "T1", 0, 10, "low-stall", job="R-2")
    with pytest.raises(
        Refused, match="step = 'baked': there is no such kind of step; there are: looked, measured"
    ) as e:
        await desk.add_step("R-1", "baked")
    assert e.value.code == "out-of-range"
    for job, effect, told in (
        ("R-9", None, "job 'R-9' is not in the log"),
        ("R-1", "T1", "effect = 'T1': no trace of job R-1"),
        ("R-1", "T9", "effect = 'T9': no trace of job R-1"),
    ):
        with pytest.raises(Refused, match=told) as e:
            await desk.add_step(job, "cleaned", effect=effect)
        assert e.value.code == "not-found"
    assert log.journal(kinds=("step",)) == []


async def test_a_storage_chip_waits_for_its_checks_or_for_a_word(desk: StepDesk, log: Log) -> None:
    with pytest.raises(Refused, match=r"Storage chip lifted: 10 checks that come first are open \(Owner told") as e:
        await desk.add_step("R-1", "storage-lifted")
    assert e.value.code == "checks-open"
    (waiting,) = e.value.present["checklists"]
    assert (waiting["id"], waiting["open"], len(waiting["items"])) == ("before-chip", 10, 10)
    assert log.journal(kinds=("step",)) == []
    await desk.tick("R-1", "before-chip", "owner-told", "done", by="north")
    entry = await desk.add_step("R-1", "storage-lifted", anyway=True)
    assert len(entry.payload["anyway"]) == 9
    assert "Owner told that data may be lost, and agreed" not in entry.payload["anyway"]
    await all_done(desk, "before-chip")
    entry = await desk.add_step("R-1", "storage-swapped", anyway=True)
    assert "anyway" not in entry.payload, "nothing was passed over"


async def test_a_step_stands_between_what_the_board_did_before_and_after(desk: StepDesk, log: Log) -> None:
    filed(log, "T1", 0, 10, "low-stall")
    step = await desk.add_step("R-1", "cleaned")
    late = await desk.add_step("R-1", "reflowed", effect="T1")
    start = step.t_ns + 5 * S
    log.add_trace(TraceRow("T2", "R-1", "psu-a", 1, start, start + S, Conditions(), [], "off"))
    told = await desk.timeline("R-1", 100)
    assert (told.job, told.more, told.version) == ("R-1", False, told.entries[0].seq)
    by_seq = {entry.seq: entry for entry in told.entries}
    found = by_seq[step.seq]
    assert found.before is not None
    assert found.after is not None
    assert (found.before.id, found.before.duration_s, found.before.peak_a) == ("T1", 10.0, 0.5)
    assert msgspec.to_builtins(found.before.finding) == {"signature": "low-stall", "confidence": 0.8}
    assert (found.after.id, found.after.finding) == ("T2", None)
    first = by_seq[late.seq]
    assert first.before is None
    assert first.after is not None
    assert first.after.id == "T1"
    short = await desk.timeline("R-1", 2)
    assert ([entry.kind for entry in short.entries], short.more) == (["trace", "step"], True)
    with pytest.raises(Refused, match="job 'R-9' is not in the log"):
        await desk.timeline("R-9", 10)


async def test_a_step_is_taken_back_once_and_stays_in_the_journal(desk: StepDesk, log: Log) -> None:
    step = await desk.add_step("R-1", "cleaned")
    back = await desk.take_back("R-1", step.seq, by="north")
    assert (back.kind, back.payload["seq"], back.payload["label"], back.payload["by"]) == (
        "step-taken-back", step.seq, "Cleaned", "north",
    )  # fmt: skip
    told = {entry.seq: entry for entry in (await desk.timeline("R-1", 100)).entries}
    assert told[step.seq].taken_back
    with pytest.raises(Refused, match="was taken back already") as e:
        await desk.take_back("R-1", step.seq)
    assert e.value.code == "wrong-state"
    log.add_job(Job("R-2"))
    for job, seq in (("R-1", back.seq), ("R-2", step.seq), ("R-1", 10**9)):
        with pytest.raises(Refused, match=f"entry {seq} is no step of job {job}"):
            await desk.take_back(job, seq)


async def test_items_are_ticked_and_opened_again(desk: StepDesk) -> None:
    lists = (await desk.checklists("R-1")).checklists
    assert [each.id for each in lists] == ["before-power", "before-chip", "after-repair", "after-repair-phone"]
    first = lists[0].items[0]
    ticked = await desk.tick("R-1", "before-power", first.id, "done", note="clean", seen=0, by="north")
    assert (ticked.open, ticked.items[0].state, ticked.items[0].note) == (9, "done", "clean")
    assert (ticked.items[0].by, ticked.items[0].t_ns is not None) == ("north", True)
    with pytest.raises(Refused, match=r"Board looked over.*: ticked by north since it was read") as e:
        await desk.tick("R-1", "before-power", first.id, "not-needed", seen=0, by="tablet")
    assert e.value.code == "stale"
    assert e.value.present["version"] == ticked.items[0].version
    again = await desk.tick("R-1", "before-power", first.id, "open", seen=ticked.items[0].version, by="tablet")
    assert (again.open, again.items[0].state, again.items[0].by) == (10, "open", "tablet")


async def test_the_same_tick_twice_is_one_entry(desk: StepDesk, log: Log) -> None:
    for by in ("north", "tablet"):
        await desk.tick("R-1", "before-power", "esd", "done", by=by)
    (entry,) = log.journal(kinds=("check",))
    assert entry.payload["by"] == "north"
    await desk.tick("R-1", "before-power", "esd", "done", note="strap 2", by="tablet")
    assert len(log.journal(kinds=("check",))) == 2


async def test_a_tick_where_there_is_nothing_to_tick(desk: StepDesk, log: Log) -> None:
    for list_name, item, told in (
        (
            "after-repair-laptop",
            "fan",
            "checklist 'after-repair-laptop' does not apply to job R-1; there are: before-power",
        ),
        ("before-power", "fan", "item 'fan' is not in checklist before-power; there are: looked-over, dry"),
    ):
        with pytest.raises(Refused, match=told) as e:
            await desk.tick("R-1", list_name, item, "done")
        assert e.value.code == "not-found"
    assert log.journal(kinds=("check",)) == []


async def test_what_is_open_before_power_is_in_the_view_of_the_bench(desk: StepDesk, core: Core, bench: Bench) -> None:
    assert core.view().checks_open == []
    await bench.choose_job("R-1")
    assert len(await steady(core, desk)) == 10
    await desk.tick("R-1", "before-power", "esd", "done")
    opened = await steady(core, desk)
    assert (len(opened), "Wrist strap on, board on the grounded mat" in opened) == (9, False)
    desk.lists.save(
        "before-power", 'format = 1\ntitle = "-"\nmoment = "before-power"\n[[item]]\nid = "a"\nlabel = "A"\n'
    )
    core.event("files", {})
    assert await steady(core, desk) == ["A"]
    await bench.choose_job(None)
    assert await steady(core, desk) == []


async def test_a_file_of_ones_own_that_is_wrong_is_told(desk: StepDesk) -> None:
    desk.steps.path.write_text("format = 1\nfirst = 3\n")
    desk.lists.folder.mkdir()
    (desk.lists.folder / "mine.toml").write_text("format = 1\n")
    kinds = await desk.kinds()
    assert kinds.steps[0].id == "looked"
    assert kinds.faults == [f"{desk.steps.path}: first = 3: allowed: a list; the shipped kinds of steps are used"]
    assert "mine.toml: title: missing" in (await desk.checklists("R-1")).faults[0]
