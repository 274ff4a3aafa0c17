"""When the daily copy of the log is made, what is told when it cannot be, and what ends it."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchd.daemon.backups import AGAIN, DailyBackup
from benchd.daemon.core import Core
from benchd.settings import LogSettings
from benchd.store import backup as copies
from benchd.store.log import Log
from tests.daemon.making import FakeGuard, off, on

HOUR = timedelta(hours=1)


class Clock:
    def __init__(self) -> None:
        self.now = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "copies"
    made.mkdir()
    return made


@pytest.fixture
def daily(core: Core, guard: FakeGuard, log: Log, clock: Clock, folder: Path) -> DailyBackup:
    core.settings = core.settings.model_copy(update={"log": LogSettings(backup_dir=str(folder), backups_kept=2)})
    for number in (1, 2):
        core.on_report(off(number))
    return DailyBackup(core, clock)


def made(folder: Path) -> list[str]:
    return sorted(path.name[-23:-8] for path in folder.iterdir())


async def test_one_a_day_and_the_oldest_go(daily: DailyBackup, clock: Clock, folder: Path, log: Log) -> None:
    for _ in range(4 * 24):
        await daily.look()
        await daily.look()
        clock.now += HOUR
    assert made(folder) == ["20260303-120000", "20260304-120000"]
    told = [entry.payload["text"] for entry in log.journal(kinds=["backup"])]
    assert len(told) == 4
    assert str(folder) in told[0]


async def test_a_daemon_that_starts_again_goes_by_the_copies_that_are_there(
    daily: DailyBackup, core: Core, clock: Clock, folder: Path
) -> None:
    await daily.look()
    clock.now += 5 * HOUR
    await DailyBackup(core, clock).look()
    assert len(made(folder)) == 1
    clock.now += 20 * HOUR
    await DailyBackup(core, clock).look()
    assert len(made(folder)) == 2


async def test_not_while_an_output_is_on_unless_a_day_late(
    daily: DailyBackup, core: Core, clock: Clock, folder: Path
) -> None:
    core.on_report(on())
    await daily.look()
    clock.now += 23 * HOUR
    await daily.look()
    assert made(folder) == []
    clock.now += HOUR
    await daily.look()
    assert made(folder) == ["20260302-120000"]


async def test_an_output_that_goes_on_ends_the_copy_and_it_is_made_later(
    daily: DailyBackup, core: Core, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    backup = copies.backup

    def switched_on(*given: object) -> Path:
        core.starting.add(("psu-a", 1))
        return backup(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(copies, "backup", switched_on)
    await daily.look()
    assert made(folder) == []
    assert core.alarms.standing == {}
    core.starting.clear()
    monkeypatch.setattr(copies, "backup", backup)
    await daily.look()
    assert len(made(folder)) == 1


async def test_a_copy_that_fails_is_told_until_one_succeeds(
    daily: DailyBackup, core: Core, clock: Clock, folder: Path, log: Log
) -> None:
    shutil.rmtree(folder)
    await daily.look()
    (told,) = core.view().warnings
    assert "the daily copy of the log failed" in told
    assert f"{folder}: there is no such folder: make it, or mount its disk" in told
    await asyncio.to_thread(folder.mkdir)
    clock.now += AGAIN / 2
    await daily.look()
    assert made(folder) == []
    clock.now += AGAIN
    await daily.look()
    assert len(made(folder)) == 1
    assert core.view().warnings == []


async def test_a_clock_that_was_wrong_once_does_not_stop_the_copies(
    daily: DailyBackup, clock: Clock, folder: Path
) -> None:
    right = clock.now
    clock.now += 365 * 24 * HOUR
    await daily.look()
    clock.now = right
    await daily.look()
    assert len(made(folder)) == 2


async def test_nothing_is_done_where_the_settings_name_no_folder(core: Core, clock: Clock) -> None:
    nobody = DailyBackup(core, clock)
    await asyncio.wait_for(nobody.keep(), 5)
    await nobody.look()


async def test_the_daemons_end_ends_the_copy(
    daily: DailyBackup, core: Core, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    began, backup = asyncio.Event(), copies.backup
    loop = asyncio.get_running_loop()
    rest: list[Callable[[float], None]] = []

    def slow(log: Path, target: Path, now: datetime, progress: Callable[[float], None]) -> Path:
        rest.append(progress)
        loop.call_soon_threadsafe(began.set)
        while not daily._ended.wait(0.01):
            pass
        return backup(log, target, now, progress)

    monkeypatch.setattr(copies, "backup", slow)
    task = asyncio.create_task(daily.keep())
    await asyncio.wait_for(began.wait(), 10)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    await loop.shutdown_default_executor()
    assert made(folder) == []
