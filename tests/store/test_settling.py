"""What a server may lose by being killed is sent again: by a clock of our own, and a server that is a list."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.jobs.job import JournalEntry
from benchd.store.follower import Backoff, Follower, Kept, Stream
from benchd.store.follower_rows import Rejected
from benchd.store.log import Log
from benchd.store.settling import ServerRun, Settling
from benchd.store.writer import LogWriter
from tests.store.making import until_async as until

STREAM = Stream(
    lambda log, seq: log.entries_after(seq, 4, ["note"]), lambda log: log.followers.head("journal", ["note"])
)


class Clock:
    def __init__(self) -> None:
        self.s = 0.0

    def __call__(self) -> float:
        return self.s


class Server:
    """Takes notes; what it took is on its disk only when `saved`; a kill loses the rest."""

    def __init__(self) -> None:
        self.started: float | None = 1.0
        self.there = True
        self.memory: list[int] = []
        self.disk: list[int] = []
        self.asked = 0

    async def tell(self) -> float | None:
        self.asked += 1
        if not self.there:
            raise Kept("away", away=True)
        return self.started

    async def deliver(self, batch: Sequence[JournalEntry]) -> list[Rejected]:
        if not self.there:
            raise Kept("away", away=True)
        self.memory += [e.payload["i"] for e in batch if not e.payload["bad"]]
        return [Rejected(e.seq, "400: bad", str(e.payload["i"])) for e in batch if e.payload["bad"]]

    def kill(self) -> None:
        self.memory, self.there = [], False

    def start(self) -> None:
        self.there = True
        self.started = None if self.started is None else self.started + 1.0

    def save(self) -> None:
        self.disk += self.memory
        self.memory = []

    @property
    def has(self) -> set[int]:
        return set(self.disk + self.memory)


@pytest.fixture
def writer(tmp_path: Path):
    writer = LogWriter(tmp_path / "l.sqlite", commit_every_s=0.02)
    yield writer
    writer.close()


def note(writer: LogWriter, i: int, bad: bool = False) -> int:
    return writer.submit(lambda log: log.add_entry("note", payload={"i": i, "bad": bad})).result(10).seq


def make(writer: LogWriter, server: Server, clock: Clock) -> Follower[JournalEntry]:
    async def sleep(seconds: float) -> None:
        await asyncio.sleep(0.005)

    settling = Settling(ServerRun(server.tell), 20.0, clock)
    backoff = Backoff(random=lambda: 0.0)
    return Follower("f", writer.path, writer, STREAM, server.deliver, sleep=sleep, backoff=backoff, settling=settling)


@contextlib.asynccontextmanager
async def running(follower: Follower[JournalEntry]) -> AsyncIterator[None]:
    task = asyncio.create_task(follower.run())
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


def stored(writer: LogWriter) -> tuple[int | None, int]:
    with Log.open(writer.path, read_only=True) as log:
        return log.followers.cursor("f"), log.followers.rejected_count("f")


@pytest.mark.parametrize("tells", [True, False])
async def test_what_a_killed_server_lost_is_sent_again_and_no_more(writer: LogWriter, tells: bool) -> None:
    server, clock = Server(), Clock()
    server.started = 1.0 if tells else None
    for i in range(3):
        note(writer, i)
    follower = make(writer, server, clock)
    async with running(follower):
        await until(lambda: server.memory == [0, 1, 2])
        assert stored(writer) == (0, 0)
        server.save()
        clock.s = 20.0
        seq = await asyncio.to_thread(note, writer, 3)  # wakes it: what has been there for 20 s is settled
        await until(lambda: stored(writer) == (seq - 1, 0))
        await until(lambda: server.memory == [3])
        server.kill()
        await asyncio.to_thread(note, writer, 4)
        await until(lambda: follower.health()["state"] == "waiting")
        server.start()
        await until(lambda: server.memory == [3, 4])
    assert server.disk == [0, 1, 2]


async def test_a_restart_that_nobody_noticed_is_found_out_before_anything_settles(writer: LogWriter) -> None:
    server, clock = Server(), Clock()
    note(writer, 0)
    follower = make(writer, server, clock)
    async with running(follower):
        await until(lambda: server.memory == [0])
        server.kill()
        server.start()
        clock.s = 20.0
        await asyncio.to_thread(note, writer, 1)
        await until(lambda: server.memory == [0, 1])
        assert stored(writer) == (0, 0)
        assert follower.health()["backlog"] == 0


async def test_a_server_that_merely_was_away_is_not_sent_anything_again(writer: LogWriter) -> None:
    server, clock = Server(), Clock()
    note(writer, 0)
    follower = make(writer, server, clock)
    async with running(follower):
        await until(lambda: server.memory == [0])
        server.there = False
        await asyncio.to_thread(note, writer, 1)
        await until(lambda: follower.health()["state"] == "waiting")
        server.there = True
        await until(lambda: server.memory == [0, 1])


async def test_refused_items_are_counted_once_though_they_are_sent_again(writer: LogWriter) -> None:
    server, clock = Server(), Clock()
    note(writer, 0, bad=True)
    note(writer, 1)
    follower = make(writer, server, clock)
    async with running(follower):
        await until(lambda: server.memory == [1] and follower.health()["rejected"] == 1)
        server.kill()
        await asyncio.to_thread(note, writer, 2)
        await until(lambda: follower.health()["state"] == "waiting")
        server.start()
        await until(lambda: server.memory == [1, 2])
        assert follower.health()["rejected"] == 1
        assert follower.health()["text"] == "1 item was refused for good; the last: 400: bad"
        clock.s = 20.0
        await asyncio.to_thread(note, writer, 3)
        await until(lambda: stored(writer)[1] == 1)
    assert stored(writer)[1] == 1


async def test_an_orderly_end_stores_the_cursor_if_the_server_is_the_same(writer: LogWriter) -> None:
    server, clock = Server(), Clock()
    seq = note(writer, 0)
    async with running(make(writer, server, clock)):
        await until(lambda: server.memory == [0])
    await until(lambda: stored(writer) == (seq, 0))
    again = note(writer, 1)
    async with running(make(writer, server, clock)):
        await until(lambda: server.memory == [0, 1])
        server.kill()
        server.start()
    await asyncio.sleep(0.05)
    assert again > seq
    assert stored(writer) == (seq, 0)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.sampled_from(["take", "pass", "save", "kill", "notice"]), max_size=60),
    st.booleans(),
)
def test_nothing_settles_that_a_server_may_lose(acts: list[str], tells: bool) -> None:
    """Against a server that keeps things in memory for less than the 20 s."""

    async def play() -> None:
        server, clock = Server(), Clock()
        server.started = 1.0 if tells else None
        settling = Settling(ServerRun(server.tell), 20.0, clock)
        assert await settling.lost_nothing()
        cursor = settled = 0
        took_at: dict[int, float] = {}
        for act in acts:
            if act == "take":
                if not await settling.lost_nothing():
                    cursor = settled
                cursor += 1
                took_at[cursor] = clock.s
                server.memory.append(cursor)
                settling.took(cursor)
            elif act == "kill":
                server.kill()
                server.start()
                if not tells:  # then only an answer that did not come says so
                    settling.server.was_away()
            elif act == "notice":
                settling.server.was_away()
            else:
                clock.s += 7.0
            # It writes down what it has had for 15 s.
            old = [n for n in server.memory if clock.s - took_at[n] >= 15.0]
            server.disk += old
            server.memory = [n for n in server.memory if n not in old]
            if settling.due_in_s == 0.0:
                seq = await settling.settled(cursor)
                if seq is None:
                    cursor = settled
                else:
                    settled = max(settled, seq)
            assert set(range(1, settled + 1)) <= set(server.disk)

    asyncio.run(play())
