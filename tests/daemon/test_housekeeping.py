"""When old readings are thinned: once a day while nothing is on, by a clock that is believed, and on a full disk."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from benchd.daemon.core import Core
from benchd.daemon.housekeeping import ENOUGH_BYTES, FULL_BYTES, HOUR_NS, Housekeeping
from benchd.jobs.job import Job
from benchd.settings import LogSettings
from benchd.store import spare_room
from benchd.store.compacting import Sizes, is_owed, sizes
from benchd.store.errors import LogDown
from benchd.store.forgetting import forget
from benchd.store.log import Log
from tests.daemon.making import FakeGuard, FakeWriter, off, on
from tests.store.making import T0
from tests.store.test_thinning import S, everything, record

DAY_NS = 24 * HOUR_NS


class Enough(Exception):
    pass


class Clock:
    def __init__(self) -> None:
        self.now_ns = T0 + 400 * DAY_NS

    def __call__(self) -> int:
        return self.now_ns


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def keeper(core: Core, guard: FakeGuard, log: Log, clock: Clock) -> Callable[..., Housekeeping]:
    def make(free: int = 2**40, **wish: object) -> Housekeeping:
        core.settings = core.settings.model_copy(update={"log": LogSettings(**wish)})
        return Housekeeping(core, clock, lambda folder: free)

    record(log, 600)
    for number in (1, 2):
        core.on_report(off(number))
    return make


def whole(log: Log) -> bool:
    return len(everything(log)) == 600 * 50


async def test_once_a_day_by_a_clock_that_has_gone_a_day(
    keeper: Callable[..., Housekeeping], clock: Clock, log: Log
) -> None:
    house = keeper(thin_after_months=6)
    await house.look()
    await house.look()
    assert whole(log)  # a clock that was never looked at before
    clock.now_ns += 400 * DAY_NS
    await house.look()
    assert whole(log)  # one that has jumped
    clock.now_ns += 19 * HOUR_NS
    await house.look()
    assert whole(log)
    clock.now_ns += 2 * HOUR_NS
    await house.look()
    assert len(everything(log)) < 600
    (entry,) = log.journal(kinds=["thinned"])
    assert (entry.payload["readings_before"], entry.job) == (30_000, None)
    record(log, 100, T0 + 1000 * S)
    clock.now_ns += HOUR_NS
    await house.look()
    assert len(log.samples("psu-a", 1, T0 + 1000 * S, T0 + 1100 * S)) == 5000  # not twice a day
    clock.now_ns -= 5 * HOUR_NS
    await house.look()
    clock.now_ns += 19 * HOUR_NS
    await house.look()
    assert len(log.samples("psu-a", 1, T0 + 1000 * S, T0 + 1100 * S)) == 5000  # a clock set back is not believed
    assert len(log.journal(kinds=["thinned"])) == 1


async def due(house: Housekeeping, clock: Clock) -> None:
    await house.look()
    clock.now_ns += DAY_NS


async def test_never_while_an_output_is_on(
    keeper: Callable[..., Housekeeping], core: Core, clock: Clock, log: Log
) -> None:
    house = keeper(thin_after_months=6)
    await due(house, clock)
    core.on_report(on())
    await house.look()
    assert whole(log)
    core.on_report(off())
    core.watches["psu-a", 1].open = None
    core.starting.add(("psu-a", 2))
    await house.look()
    assert whole(log)
    core.starting.clear()
    await house.look()
    assert not whole(log)


async def test_an_output_that_goes_on_ends_it_and_it_goes_on_later(
    keeper: Callable[..., Housekeeping], core: Core, clock: Clock, log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchd.store.thinning.BATCH_ROWS", 1)
    house = keeper(thin_after_months=6)
    await due(house, clock)
    submit, done = core.writer.submit, []

    def counting(work, **how):
        done.append(work)
        if len(done) == 3:
            core.starting.add(("psu-a", 1))
        return submit(work, **how)

    monkeypatch.setattr(core.writer, "submit", counting)
    await house.look()
    assert log.rows("SELECT count(*) FROM blocks WHERE thinned_from IS NOT NULL") == [(3,)]
    core.starting.clear()
    await house.look()
    assert log.rows("SELECT count(*) FROM blocks WHERE thinned_from IS NULL") == [(0,)]
    assert [e.payload["rows"] for e in log.journal(kinds=["thinned"])] == [3, 9]


async def test_a_forgetting_that_was_cut_short_is_ended_once_nothing_is_on(
    keeper: Callable[..., Housekeeping], core: Core, log: Log
) -> None:
    log.add_job(Job("R-1042", "phone of Mrs Invented"))
    forget(log, "R-1042", T0)  # and killed here
    house = keeper()
    core.on_report(on())
    await house.look()
    assert is_owed(log)
    core.on_report(off())
    core.watches["psu-a", 1].open = None
    await house.look()
    assert not is_owed(log)
    assert b"Mrs Invented" not in b"".join(file.read_bytes() for file in log.path.parent.glob("*.sqlite*"))
    await house.keep()  # and there is nothing more to look after


async def test_nothing_is_thinned_unasked(keeper: Callable[..., Housekeeping], clock: Clock, log: Log) -> None:
    house = keeper(free=0)
    await due(house, clock)
    await house.look()
    await house.keep()  # ends at once: there is nothing to look after
    assert whole(log)


async def test_a_log_that_is_down_is_tried_again(
    keeper: Callable[..., Housekeeping], writer: FakeWriter, clock: Clock, log: Log, caplog: pytest.LogCaptureFixture
) -> None:
    house = keeper(thin_after_months=6)
    looks = 0

    def refuse(work, **how):
        raise LogDown("not now")

    async def sleep(seconds: float) -> None:
        nonlocal looks
        looks += 1
        clock.now_ns += DAY_NS
        writer.submit = refuse if looks == 1 else FakeWriter.submit.__get__(writer)  # type: ignore[method-assign]
        if looks == 4:
            raise Enough

    with pytest.raises(Enough):
        await house.keep(sleep)
    assert "thinning ended early: not now" in caplog.text
    assert not whole(log)


async def test_a_disk_that_is_nearly_full_gets_room_in_the_log(
    keeper: Callable[..., Housekeeping], core: Core, log: Log, clock: Clock, tmp_path: Path
) -> None:
    record(log, 100, clock.now_ns - HOUR_NS)
    await keeper(thin_when_full=True).look()
    assert sizes(log).free_inside >= spare_room.BYTES
    full = keeper(free=FULL_BYTES - 1, thin_when_full=True)
    await full.look()
    assert len(everything(log)) == 35_000  # there is room in the log still
    log.rows("VACUUM")
    await full.look()
    assert len(log.samples("psu-a", 1, T0, T0 + 700 * S)) < 600
    assert len(log.samples("psu-a", 1, clock.now_ns - HOUR_NS, clock.now_ns)) == 5000  # too young
    (alarm,) = core.alarms.shown()
    assert alarm.startswith("the disk is full, so the log's oldest readings were thinned: 30000 readings from before ")
    assert alarm.endswith("free some space")
    assert log.journal(kinds=["thinned"])[0].payload["text"].startswith("the disk is full: 30000")
    await full.look()
    assert core.alarms.shown() == [alarm]  # once
    await keeper(thin_when_full=True).look()
    assert sizes(log).free_inside >= spare_room.BYTES


async def test_nothing_left_to_thin_is_told(keeper: Callable[..., Housekeeping], core: Core, clock: Clock) -> None:
    clock.now_ns = T0 + HOUR_NS
    await keeper(free=0, thin_when_full=True).look()
    assert core.alarms.shown() == ["the disk is full, and nothing in the log may be thinned any more; free some space"]


async def test_it_thins_no_more_than_is_needed(
    keeper: Callable[..., Housekeeping], log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchd.store.thinning.BATCH_ROWS", 2)
    seen = iter([Sizes(1, 0), Sizes(1, 0), Sizes(1, ENOUGH_BYTES)])
    monkeypatch.setattr("benchd.daemon.housekeeping.sizes", lambda db: next(seen))
    await keeper(free=0, thin_when_full=True).look()
    thinned = log.rows("SELECT seq FROM blocks WHERE thinned_from IS NOT NULL")
    assert thinned == [(1,), (2,)]  # the oldest


def test_room_is_really_taken_from_the_disk(log: Log) -> None:
    record(log, 100)
    before, blocks = log.path.stat().st_size, log.rows("SELECT * FROM blocks")
    spare_room.hold(log)
    spare_room.hold(log)
    log.rows("PRAGMA wal_checkpoint")
    now = log.path.stat()
    assert spare_room.BYTES <= now.st_size - before < 1.1 * spare_room.BYTES
    assert now.st_blocks * 512 >= spare_room.BYTES  # no hole (stat(2) counts blocks of 512 bytes)
    assert log.rows("SELECT * FROM blocks") == blocks
    assert log.rows("PRAGMA integrity_check") == [("ok",)]
