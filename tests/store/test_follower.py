"""The shared loop of the followers, against a server that is a list, with a clock of our own."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Sequence
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.jobs.job import JournalEntry
from benchd.store.follower import LONGEST_ASKED_S, Backoff, Follower, Gather, Kept, Stream
from benchd.store.follower_rows import Rejected
from benchd.store.log import Log, LogDown
from benchd.store.writer import LogWriter
from tests.store.making import until_async as until

STREAM = Stream(
    lambda log, seq: log.entries_after(seq, 4, ["note"]), lambda log: log.followers.head("journal", ["note"])
)


class Server:
    """Takes notes, refuses those marked bad, is away as often as told."""

    def __init__(self) -> None:
        self.took: list[int] = []
        self.faults: list[Exception] = []
        self.delays: list[float] = []
        self.hold: asyncio.Event | None = None

    async def deliver(self, batch: Sequence[JournalEntry]) -> list[Rejected]:
        if self.faults:
            raise self.faults.pop(0)
        good = [e for e in batch if not e.payload.get("bad")]
        self.took += [e.payload["i"] for e in good]
        return [Rejected(e.seq, "400: bad", str(e.payload["i"])) for e in batch if e.payload.get("bad")]

    async def sleep(self, seconds: float) -> None:
        self.delays.append(seconds)
        if self.hold is not None:
            await self.hold.wait()
        await asyncio.sleep(0)


@pytest.fixture
def writer(tmp_path: Path):
    writer = LogWriter(tmp_path / "l.sqlite", commit_every_s=0.02)
    yield writer
    writer.close()


def note(writer: LogWriter, i: int, bad: bool = False) -> None:
    writer.submit(lambda log: log.add_entry("note", payload={"i": i, "bad": bad})).result(10)


def make(writer: LogWriter, server: Server, stream: Stream[JournalEntry] = STREAM) -> Follower[JournalEntry]:
    backoff = Backoff(first_s=1.0, longest_s=8.0, random=lambda: 0.0)
    return Follower("f", writer.path, writer, stream, server.deliver, sleep=server.sleep, backoff=backoff)


@contextlib.asynccontextmanager
async def running(follower: Follower[JournalEntry]) -> AsyncIterator[asyncio.Task[None]]:
    task = asyncio.create_task(follower.run())
    try:
        yield task
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


def stored(writer: LogWriter, name: str = "f") -> tuple[int | None, int]:
    with Log.open(writer.path, read_only=True) as log:
        return log.followers.cursor(name), log.followers.rejected_count(name)


async def test_everything_is_delivered_once_in_order_also_what_comes_later(writer: LogWriter) -> None:
    server = Server()
    for i in range(10):
        note(writer, i)
    follower = make(writer, server)
    async with running(follower):
        await until(lambda: server.took == list(range(10)))
        await asyncio.to_thread(note, writer, 10)  # wakes it
        await until(lambda: server.took == list(range(11)) and follower.health()["backlog"] == 0)
        await until(lambda: stored(writer) == (11, 0))
        assert follower.health()["state"] == "ok"
    assert follower.health()["state"] == "stopped"
    again = Server()
    note(writer, 11)
    async with running(make(writer, again)):
        await until(lambda: again.took == [11])


async def test_an_outage_keeps_all_waits_longer_and_longer_and_goes_on(
    writer: LogWriter, caplog: pytest.LogCaptureFixture
) -> None:
    server = Server()
    server.faults = [Kept("away")] * 6
    for i in range(5):
        note(writer, i)
    follower = make(writer, server)
    server.hold = asyncio.Event()
    async with running(follower):
        await until(lambda: follower.health()["state"] == "waiting")
        assert follower.health()["text"] == "away"
        assert follower.health()["backlog"] == 5
        assert stored(writer) == (0, 0)
        server.hold.set()
        await until(lambda: server.took == list(range(5)))
        assert server.delays == [1.0, 2.0, 4.0, 8.0, 8.0, 8.0]
        await until(lambda: follower.health()["state"] == "ok")
        told = [(record.levelname, record.message) for record in caplog.records]
        assert told == [("WARNING", "f: waiting, nothing is lost: away"), ("WARNING", "f: sends again")]
        server.faults = [Kept("away again", retry_after_s=40.0), Kept("on", retry_after_s=1e9)]
        await asyncio.to_thread(note, writer, 5)
        await until(lambda: len(server.took) == 6)
        assert server.delays[6:] == [40.0, LONGEST_ASKED_S]
        await until(lambda: follower.health() | {"last_ok_ns": 0} == {
            "state": "ok", "text": "", "backlog": 0, "lag_s": None, "rejected": 0, "last_ok_ns": 0,
        })  # fmt: skip


async def test_refused_items_are_set_aside_and_never_sent_again(writer: LogWriter) -> None:
    server = Server()
    for i in range(6):
        note(writer, i, bad=i in (1, 4))
    follower = make(writer, server)
    async with running(follower):
        await until(lambda: server.took == [0, 2, 3, 5])
        await until(lambda: follower.health()["rejected"] == 2)
        assert follower.health()["text"] == "2 items were refused for good; the last: 400: bad"
        await until(lambda: stored(writer)[1] == 2)
    with Log.open(writer.path, read_only=True) as log:
        assert [r.item for r in log.followers.set_aside("f")] == ["4", "1"]
    again = make(writer, Server())
    async with running(again):
        await until(lambda: again.health()["state"] == "ok" and again.health()["rejected"] == 2)


async def test_a_new_follower_may_begin_at_the_end(writer: LogWriter) -> None:
    note(writer, 0)
    stream = Stream(STREAM.read, STREAM.head, start_at_end=True)
    server = Server()
    follower = make(writer, server, stream)
    await follower.look()
    assert follower.health()["backlog"] == 0
    follower.close()
    note(writer, 1)  # between look and run: its place was taken already
    async with running(make(writer, server, stream)):
        await until(lambda: server.took == [1])


async def test_an_unexpected_error_ends_it_with_the_cursor_unmoved(writer: LogWriter) -> None:
    note(writer, 0)
    server = Server()
    server.faults = [RuntimeError("a bug")]
    follower = make(writer, server)
    with pytest.raises(RuntimeError, match="a bug"):
        await follower.run()
    assert follower.health()["state"] == "stopped"
    assert stored(writer) == (0, 0)


async def test_a_log_that_is_not_there_yet_is_waited_for(tmp_path: Path, writer: LogWriter) -> None:
    server = Server()
    server.hold = asyncio.Event()
    follower = Follower("f", tmp_path / "later.sqlite", writer, STREAM, server.deliver, sleep=server.sleep)
    async with running(follower):
        await until(lambda: follower.health()["state"] == "waiting")
        assert "no such log" in follower.health()["text"]


async def test_a_cursor_that_cannot_be_stored_does_not_stop_delivery(
    writer: LogWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Disk full: the server still gets everything, and the refused items are stored when it is possible again."""
    server = Server()
    follower = make(writer, server)
    real, down = Log.transaction, [True]

    def transaction(log: Log, durable: bool = True):
        if down[0] and not durable:
            raise LogDown("disk is full")
        return real(log, durable)

    for i in range(6):
        note(writer, i, bad=i == 1)
    with Log.open(writer.path) as log:
        log.followers.advance("f", 0)
    monkeypatch.setattr(Log, "transaction", transaction)
    async with running(follower):
        await until(lambda: server.took == [0, 2, 3, 4, 5])
        await until(lambda: follower.health()["state"] == "ok")
        assert stored(writer) == (0, 0)
        down[0] = False
        await asyncio.to_thread(note, writer, 6)
        await until(lambda: stored(writer) == (7, 1))
    assert server.took == [0, 2, 3, 4, 5, 6]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=40), st.floats(0, 1))
def test_delays_grow_are_capped_and_never_shorter_than_asked(asked: list[float], luck: float) -> None:
    backoff = Backoff(first_s=1.0, longest_s=60.0, random=lambda: luck)
    ours = 1.0
    for seconds in asked:
        delay = backoff.next_s(seconds)
        wanted = max(ours, min(seconds, LONGEST_ASKED_S))
        assert wanted <= delay <= 1.25 * wanted
        ours = min(60.0, ours * 2)
    backoff.reset()
    assert backoff.next_s() <= 1.25


async def test_what_was_accepted_before_a_failure_is_not_sent_again(writer: LogWriter) -> None:
    """A deliver that hands its batch over in parts tells how far it came; a refused item of that part is kept."""
    server = Server()
    sent: list[list[int]] = []

    async def deliver(batch: Sequence[JournalEntry]) -> list[Rejected]:
        sent.append([e.payload["i"] for e in batch])
        if len(sent) == 1:
            follower.accepted(batch[1].seq, [Rejected(batch[0].seq, "400: bad", "0")])
            raise Kept("away in the middle")
        return []

    for i in range(4):
        note(writer, i)
    follower = Follower("f", writer.path, writer, STREAM, deliver, sleep=server.sleep)
    server.hold = asyncio.Event()
    async with running(follower):
        await until(lambda: follower.health()["state"] == "waiting")
        await until(lambda: stored(writer) == (2, 1))
        assert follower.health()["rejected"] == 1
        server.hold.set()
        await until(lambda: sent == [[0, 1, 2, 3], [2, 3]])


async def test_the_next_batch_is_read_while_one_is_delivered(writer: LogWriter) -> None:
    read: list[int] = []

    def reading(log: Log, seq: int) -> Sequence[JournalEntry]:
        read.append(seq)
        return STREAM.read(log, seq)

    for i in range(8):
        note(writer, i)
    let, took = asyncio.Event(), []

    async def deliver(batch: Sequence[JournalEntry]) -> list[Rejected]:
        took.append(len(batch))
        await let.wait()
        return []

    follower = Follower("f", writer.path, writer, Stream(reading, STREAM.head), deliver)
    async with running(follower):
        await until(lambda: read == [0, 4] and took == [4])
        let.set()
        await until(lambda: took == [4, 4])
    assert read[:2] == [0, 4]


async def test_it_waits_for_a_fuller_batch_but_not_for_long(writer: LogWriter) -> None:
    took: list[list[int]] = []
    seen: list[int] = []

    async def deliver(batch: Sequence[JournalEntry]) -> list[Rejected]:
        took.append([e.payload["i"] for e in batch])
        return []

    def enough(log: Log, seq: int) -> bool:
        seen.append(len(STREAM.read(log, seq)))
        return seen[-1] >= 3

    def make_with(age_s: float) -> Follower[JournalEntry]:
        gather = Gather(enough, age_s)
        stream = Stream(STREAM.read, STREAM.head, gather=gather)
        return Follower("f", writer.path, writer, stream, deliver)

    note(writer, 0)
    async with running(make_with(age_s=60.0)):
        await until(lambda: seen != [])
        await asyncio.to_thread(note, writer, 1)
        await until(lambda: seen.count(2) >= 2)  # it has seen both, and waits for more
        assert took == []
        await asyncio.to_thread(note, writer, 2)
        await until(lambda: took == [[0, 1, 2]] and stored(writer) == (3, 0))
    note(writer, 3)
    async with running(make_with(age_s=0.05)):
        await until(lambda: took == [[0, 1, 2], [3]])


async def test_the_lag_is_the_age_of_the_oldest_that_waits(writer: LogWriter) -> None:
    server = Server()
    server.faults, server.hold = [Kept("away")], asyncio.Event()
    stream = Stream(STREAM.read, STREAM.head, oldest=lambda log, seq: log.followers.oldest("journal", seq, ["note"]))
    old_ns = time.time_ns() - 3600 * 1_000_000_000
    writer.submit(lambda log: log.add_entry("note", payload={"i": 0}, t_ns=old_ns)).result(10)
    note(writer, 1)
    follower = make(writer, server, stream)
    async with running(follower):
        await until(lambda: follower.health()["state"] == "waiting")
        assert follower.health()["lag_s"] == pytest.approx(3600, abs=60)
        server.hold.set()
        await until(lambda: server.took == [0, 1] and follower.health()["lag_s"] is None)


async def test_what_comes_while_it_waits_is_counted(writer: LogWriter, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd.store.follower.COUNT_EVERY_S", 0.01)
    server = Server()
    server.faults, server.hold = [Kept("away")], asyncio.Event()
    note(writer, 0)
    follower = make(writer, server)
    async with running(follower):
        await until(lambda: follower.health()["state"] == "waiting")
        await asyncio.to_thread(note, writer, 1)
        await until(lambda: follower.health()["backlog"] == 2)
