"""What the service manager is told, on a socket of the test's own."""

from __future__ import annotations

import asyncio
import contextlib
import os
import secrets
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchd.daemon.notify import Notifier, status_line
from tests.web.fake import FakeBench


@contextlib.contextmanager
def manager(address: str | bytes) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
        s.bind(address)
        s.setblocking(False)
        yield s


def told(s: socket.socket) -> list[str]:
    """All lines so far, oldest first."""
    lines: list[str] = []
    with contextlib.suppress(BlockingIOError):
        while True:
            lines += s.recv(4096).decode().split("\n")
    return lines


class Day:
    """A clock that goes on when somebody sleeps; after `looks` sleeps whoever waits is cancelled."""

    def __init__(self, looks: int) -> None:
        self.now_s, self.looks = 1000.0, looks

    async def sleep(self, seconds: float) -> None:
        self.now_s += seconds
        self.looks -= 1
        if self.looks < 0:
            raise asyncio.CancelledError

    def clock(self) -> float:
        return self.now_s


async def run(notifier: Notifier, looks: int, well: bool = True, status: str = "fine") -> None:
    day = Day(looks)
    with pytest.raises(asyncio.CancelledError):
        await notifier.keep_told(lambda: well, lambda: status, day.sleep, day.clock)


async def test_ready_comes_once_status_when_it_changes_and_life_every_half_interval(tmp_path: Path) -> None:
    # sd_watchdog_enabled(3): "every half of the time returned"; 10 s of looking with an interval of 4 s: 0, 2, 4 ...
    with manager(str(tmp_path / "s")) as s:
        await run(Notifier(str(tmp_path / "s"), 4.0), looks=20)
        lines = told(s)
    assert lines[:3] == ["READY=1", "WATCHDOG=1", "STATUS=fine"]
    assert lines.count("READY=1") == lines.count("STATUS=fine") == 1
    assert lines.count("WATCHDOG=1") == 6


async def test_no_sign_of_life_while_it_is_not_well(tmp_path: Path) -> None:
    with manager(str(tmp_path / "s")) as s:
        await run(Notifier(str(tmp_path / "s"), 4.0), looks=20, well=False)
        assert told(s) == ["READY=1", "STATUS=fine"]


async def test_what_the_socket_does_not_take_is_told_later(tmp_path: Path) -> None:
    path = tmp_path / "s"
    notifier = Notifier(str(path), 4.0)
    day = Day(3)
    with contextlib.ExitStack() as stack:
        found: list[socket.socket] = []

        async def sleep(seconds: float) -> None:
            if day.looks == 2:
                found.append(stack.enter_context(manager(str(path))))
            await day.sleep(seconds)

        with pytest.raises(asyncio.CancelledError):
            await notifier.keep_told(lambda: True, lambda: "two\nlines", sleep, day.clock)
        assert told(found[0]) == ["READY=1", "WATCHDOG=1", "STATUS=two lines"]


async def test_a_full_socket_holds_nothing_up(tmp_path: Path) -> None:
    with manager(str(tmp_path / "s")) as s:
        notifier = Notifier(str(tmp_path / "s"))
        async with asyncio.timeout(10):
            await run(notifier, looks=0)
            for number in range(5000):  # far more than net.unix.max_dgram_qlen
                await run(notifier, looks=0, status=str(number))
        assert told(s)[0] == "READY=1"


def test_an_abstract_socket_is_reached() -> None:
    """sd_notify(3): a leading @ stands for the NUL byte of an abstract name."""
    name = f"benchd-test-{secrets.token_hex(6)}"
    with manager(b"\0" + name.encode()) as s:
        Notifier.from_environment({"NOTIFY_SOCKET": f"@{name}"}).stopping()
        assert told(s)[0] == "STOPPING=1"


async def test_without_a_manager_nothing_is_done() -> None:
    notifier = Notifier.from_environment({})
    notifier.stopping()
    await notifier.keep_told(lambda: True, lambda: "", asyncio.sleep)


@pytest.mark.parametrize(
    ("environ", "interval_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "10000000"}, 10.0),
        ({"WATCHDOG_USEC": "10000000", "WATCHDOG_PID": str(os.getpid())}, 10.0),
        ({"WATCHDOG_USEC": "10000000", "WATCHDOG_PID": str(os.getpid() + 1)}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "-5"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
async def test_the_interval_is_taken_from_the_environment(
    tmp_path: Path, environ: dict[str, str], interval_s: float | None
) -> None:
    path = str(tmp_path / "s")
    with manager(path) as s:
        await run(Notifier.from_environment({"NOTIFY_SOCKET": path, **environ}), looks=0)
        assert ("WATCHDOG=1" in told(s)) is (interval_s is not None)


def test_another_kind_of_address_is_left_alone() -> None:
    Notifier.from_environment({"NOTIFY_SOCKET": "vsock:2:1234"}).stopping()


def test_how_things_stand_in_one_line() -> None:
    bench = FakeBench()
    bench.job = None
    assert status_line(bench.view(), "http://x/") == "0 of 2 outputs on; no job; http://x/"
    bench.set(1, output="on")
    bench.set(2, output="unknown", latched=True)
    bench.job = "R-1"
    assert status_line(bench.view(), "http://x/") == "1 UNKNOWN; 1 of 2 outputs on; 1 tripped; job R-1; http://x/"
