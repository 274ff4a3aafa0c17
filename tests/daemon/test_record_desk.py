"""The desk of the job record, over a real log."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from benchd.daemon import apart
from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.record_desk import RecordDesk
from benchd.jobs.job import Job
from benchd.store.log import Log
from benchd.web.port import Refused
from tests.daemon.making import settings
from tests.jobs.pictures import SECRET, camera_file


@pytest.fixture
def desk(core: Core, bench: Bench, log: Log) -> RecordDesk:
    log.add_job(Job("R-1042", "phone, blue", "blue-phone", "no start", 1_767_323_045_000_000_000))
    return RecordDesk(core, bench)


async def refusal(call: Any) -> Refused:
    with pytest.raises(Refused) as told:
        await call
    return told.value


async def test_a_job_without_an_id_gets_the_next_one_of_the_shop(desk: RecordDesk, bench: Bench, core: Core) -> None:
    assert (await desk.choices()).next_id == "R-1043"
    made = await bench.create_job(Job("", "tablet", battery="out"), "ann")
    assert (made.id, made.battery, made.version) == ("R-1043", "out", 1)
    (entry,) = await bench.journal("R-1043", 10)
    assert entry.payload["by"] == "ann"
    core.settings = settings(jobs={"id_pattern": "{number}.26"})
    assert (await bench.create_job(Job(""))).id == "1.26"


async def test_what_was_changed_is_told_to_all_pages(desk: RecordDesk, core: Core) -> None:
    told: list[tuple[str, Any]] = []
    core.hearers.append(lambda kind, payload: told.append((kind, payload)))
    job = await desk.change("R-1042", {"symptom": "dead"}, "ann", 1)
    assert (await desk.set_state("R-1042", "ready", "ben", job.version)).state == "ready"
    assert told == [("job", {"changed": "R-1042"}), ("journal", {"job": "R-1042"})] * 2
    assert (await desk.job("R-1042")).symptom == "dead"


async def test_the_second_of_two_is_shown_what_the_first_one_made(desk: RecordDesk) -> None:
    await desk.change("R-1042", {"symptom": "dead"}, "ann", 1)
    no = await refusal(desk.set_state("R-1042", "ready", "ben", 1))
    assert no.code == "stale"
    assert no.present["symptom"] == "dead"
    assert no.present["version"] == 2


async def test_a_label_leads_to_its_job_also_with_the_scanners_lock_on(desk: RecordDesk, bench: Bench) -> None:
    assert (await desk.by_label("]Q1r-1042\n")).id == "R-1042"
    unknown = await desk.by_label("R-1")
    assert (unknown.id, unknown.known, unknown.job) == ("R-1", False, None)
    await bench.create_job(Job("r-1042"))
    assert (await desk.by_label("r-1042")).id == "r-1042"
    assert not (await desk.by_label("r-1042x")).known
    assert (await refusal(desk.by_label("half a sentence"))).code == "out-of-range"
    assert "2026-01-02" in await desk.label("R-1042")


async def test_photos_are_kept_shown_and_removed(desk: RecordDesk, log: Log) -> None:
    photo = await desk.add_photo("R-1042", camera_file(), "corroded", "ann")
    assert await desk.photos("R-1042") == [photo]
    for size in (False, True):
        assert SECRET.encode() not in await desk.picture("R-1042", photo.id, size)
    assert len(await desk.picture("R-1042", photo.id, True)) < len(await desk.picture("R-1042", photo.id, False))
    assert await desk.remove_photo("R-1042", photo.id, "ben") == photo
    assert [e.kind for e in log.journal("R-1042")] == ["job-created", "photo", "photo-removed"]


@pytest.mark.parametrize("call", [
    lambda desk: desk.job("R-9"), lambda desk: desk.label("R-9"), lambda desk: desk.photos("R-9"),
    lambda desk: desk.change("R-9", {"device": "x"}, "", None), lambda desk: desk.set_state("R-9", "ready", "", 1),
    lambda desk: desk.add_photo("R-9", camera_file(), "", ""), lambda desk: desk.picture("R-1042", 1, True),
    lambda desk: desk.remove_photo("R-1042", 1, ""),
])  # fmt: skip
async def test_what_is_not_there(desk: RecordDesk, call: Any) -> None:
    assert (await refusal(call(desk))).code == "not-found"


async def test_what_is_no_photo(desk: RecordDesk) -> None:
    no = await refusal(desk.add_photo("R-1042", b"<svg/>", "", ""))
    assert no.code == "out-of-range"
    assert "take the photo again" in no.message


async def test_a_photo_is_made_by_another_process_and_this_one_goes_on(desk: RecordDesk) -> None:
    beats = 0

    async def beat() -> None:
        nonlocal beats
        while True:
            await asyncio.sleep(0.01)
            beats += 1

    beating = asyncio.create_task(beat())
    await desk.add_photo("R-1042", camera_file((1600, 1200), 6, "PNG"), "", "")
    beating.cancel()
    assert beats > 5, "the event loop was held"  # then it would beat twice at most


async def test_a_file_that_ends_its_process_is_no_photo(desk: RecordDesk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(apart.sys, "executable", "/bin/false")
    no = await refusal(desk.add_photo("R-1042", camera_file(), "", ""))
    assert no.code == "out-of-range"
    assert "ended with status 1" in no.message
