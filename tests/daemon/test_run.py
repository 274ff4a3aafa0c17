"""Starting and stopping: what is in the way is said in one sentence, and what need not be in the way is not."""

from __future__ import annotations

import asyncio
import os
import signal
from pathlib import Path
from typing import Any

import pytest

from benchd.daemon import run
from benchd.daemon.followers import kept_up
from benchd.daemon.run import ADDRESS, Daemon, StartError
from benchd.store.holding import LOCK
from benchd.store.log import PAGE_BYTES, Log
from tests.daemon.making import settings


async def refused(folder: Path, **more: Any) -> str:
    def ready(url: str) -> None:
        raise AssertionError(f"came up at {url}")

    with pytest.raises(StartError) as caught:
        await Daemon(settings(data_dir=str(folder), web={"port": 0}, **more)).run(ready, signals=False)
    assert not (folder / ADDRESS).exists()
    return str(caught.value)


async def test_a_second_daemon_on_the_same_log_is_told_who_has_it(tmp_path: Path) -> None:
    with run._only_one(tmp_path):
        assert f"another daemon writes this log (pid {os.getpid()})" in await refused(tmp_path)
    with run._only_one(tmp_path):
        pass


def test_a_folder_that_takes_no_file_is_locked_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A full or read-only disk: opening the lock for writing fails, with or without one from before."""
    opened = os.open

    def read_only(path: Path, flags: int, mode: int = 0o777) -> int:
        if flags & (os.O_RDWR | os.O_CREAT):
            raise OSError(30, "Read-only file system")
        return opened(path, flags, mode)

    monkeypatch.setattr(os, "open", read_only)
    for _ in range(2):
        with run._only_one(tmp_path):
            assert [p.name for p in tmp_path.iterdir()] in ([], [LOCK])
            with pytest.raises(StartError, match="another daemon"), run._only_one(tmp_path):
                pass
        (tmp_path / LOCK).write_text("pid 1")


async def test_a_data_dir_that_cannot_be_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    assert f"data_dir {tmp_path / 'file' / 'data'}: cannot be made or opened" in await refused(tmp_path / "file/data")


async def test_a_database_of_another_program_is_told_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / "benchd.sqlite").write_bytes(b"not a database" * 100)
    assert "benchd.sqlite" in await refused(tmp_path)
    assert (tmp_path / "benchd.sqlite").read_bytes() == b"not a database" * 100


def test_what_cannot_be_read_of_an_earlier_daemon_is_told(tmp_path: Path) -> None:
    path = tmp_path / "benchd.sqlite"
    with Log.open(path) as log:
        pages = log.rows("SELECT rootpage FROM sqlite_master WHERE tbl_name = 'journal'")
    data = bytearray(path.read_bytes())
    for (page,) in pages:
        data[(page - 1) * PAGE_BYTES : page * PAGE_BYTES] = b"\xa5" * PAGE_BYTES
    path.write_bytes(data)
    writer, kept = run._open_log(path)
    writer.close()
    assert kept.latched == {}
    assert "the file is damaged: `benchd log check` says where" in kept.fault


async def test_a_secret_that_cannot_be_read_is_told_before_anything_is_powered(tmp_path: Path) -> None:
    mqtt = {"host": "127.0.0.1", "user": "bench", "password_file": str(tmp_path / "none")}
    assert "mqtt.password_file" in await refused(tmp_path, mqtt=mqtt)


async def test_a_port_that_is_taken_is_told(tmp_path: Path) -> None:
    server = await asyncio.start_server(lambda r, w: None, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    async with server:
        with pytest.raises(StartError, match=f"127.0.0.1 port {port}: another program listens there already"):
            await Daemon(settings(data_dir=str(tmp_path), web={"port": port})).run(print, signals=False)


async def test_a_supply_that_is_not_there_holds_nothing_up(tmp_path: Path) -> None:
    """It comes up, says so, and ends soon; a signal that is sent at once is not lost."""
    raw = settings(data_dir=str(tmp_path), web={"port": 0}).model_dump()
    raw["supply"][0]["resource"] = "TCPIP0::127.0.0.1::1::SOCKET"  # port 1: nothing listens there
    daemon = Daemon(type(settings()).model_validate(raw))
    urls: list[str] = []

    def ready(url: str) -> None:
        urls.append(url)
        os.kill(os.getpid(), signal.SIGTERM)

    async with asyncio.timeout(30):
        confirmed = await daemon.run(ready)
    assert len(urls) == 1
    assert not confirmed  # never reached, hence never read back
    assert daemon.core is not None
    view = daemon.core.view()
    assert {c.output for c in view.channels} == {"unknown"}
    assert not any(c.link_up for c in view.channels)
    assert all("127.0.0.1" in c.link_text for c in view.channels)
    assert not (tmp_path / ADDRESS).exists()


async def test_a_follower_that_fails_is_told_and_started_again(core: Any) -> None:
    runs, pauses = [], []

    async def run() -> None:
        runs.append(1)
        if len(runs) < 3:
            raise ZeroDivisionError("made up")
        raise asyncio.CancelledError

    async def sleep(seconds: float) -> None:
        pauses.append(seconds)

    with pytest.raises(asyncio.CancelledError):
        await kept_up(core, "influxdb", run, sleep)
    assert (len(runs), pauses) == (3, [30.0, 30.0])
    assert any("influxdb: the follower failed and is tried again in 30 s" in w for w in core.view().warnings)


async def test_a_part_that_ends_by_a_fault_is_told(core: Any) -> None:
    async def broken() -> None:
        raise ZeroDivisionError("in the pump")

    task = asyncio.create_task(broken(), name="pump")
    await asyncio.gather(task, return_exceptions=True)
    run._ended(core, task)
    assert any("pump ended by a fault of the daemon" in w and "in the pump" in w for w in core.view().warnings)
