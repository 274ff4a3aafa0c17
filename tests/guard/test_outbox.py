"""What waits for a daemon that takes nothing: bounded, events first, every loss counted."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest

from benchd.guard.channel import Channel
from benchd.guard.framing import report_decoder
from benchd.guard.outbox import FULL_BYTES, Outbox
from benchd.guard.ring import Ring
from benchd.guard.wire import Answer, ChannelConfig, GuardBeat, Report
from benchd.reading import Block, Flag, Mode, Reading


@pytest.fixture
def pair() -> Iterator[tuple[socket.socket, socket.socket]]:
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    theirs.setblocking(False)
    with ours, theirs:
        yield ours, theirs


def reading(number: int) -> Reading:
    return Reading(number, 4.0, 0.1, Mode.CV, Flag.NONE, 1)


def drain(outbox: Outbox, ours: socket.socket, theirs: socket.socket, channels: list[Channel]) -> list[Report]:
    """Let the daemon take everything; what came, in order."""
    decoder = report_decoder()
    got: list[Report] = []
    while True:
        outbox.fill()
        outbox.fill_samples(channels)
        outbox.send(ours)
        try:
            got += decoder.feed(theirs.recv(1 << 20))
        except BlockingIOError:
            return got


def test_events_go_ahead_of_samples(pair: tuple[socket.socket, socket.socket]) -> None:
    outbox, channel = Outbox(), Channel("left", ChannelConfig(1, 5.0, 1.0), Ring())
    channel.keep(reading(1))
    outbox.put(Answer(1, True))
    outbox.put_beat(GuardBeat(1, {}))
    outbox.put_beat(GuardBeat(2, {}))
    got = drain(outbox, *pair, [channel])
    assert [type(each) for each in got] == [Answer, GuardBeat, Block]
    assert got[1] == GuardBeat(2, {})  # only the newest says anything


def test_a_daemon_that_takes_nothing_costs_bounded_memory_and_the_oldest_samples(
    pair: tuple[socket.socket, socket.socket],
) -> None:
    ours, theirs = pair
    outbox, channel = Outbox(), Channel("left", ChannelConfig(1, 5.0, 1.0), Ring(1000))
    number = 0
    for _ in range(2000):
        for _ in range(50):
            channel.keep(reading(number))
            number += 1
        outbox.fill_samples([channel])
        outbox.send(ours)
    outbox.put(Answer(7, True))
    got = drain(outbox, ours, theirs, [channel])
    blocks = [each for each in got if isinstance(each, Block)]
    times = [r.t_ns for block in blocks for r in block.readings()]
    assert times == sorted(times)
    assert times[-1000:] == list(range(number - 1000, number))  # the newest stretch has no hole
    dropped = sum(block.dropped for block in blocks)
    assert dropped > 0
    assert len(times) + dropped == number
    waited = sum(len(block.t_ns) for block in blocks) * 26 / 8
    assert waited < 2 * FULL_BYTES + 1_000_000  # what was encoded, and what the kernel holds
    assert Answer(7, True) in got


def test_events_beyond_the_bound_go_oldest_first_and_are_counted(
    pair: tuple[socket.socket, socket.socket], capsys: pytest.CaptureFixture[str]
) -> None:
    outbox = Outbox(most_events=3)
    for number in range(5):
        outbox.put(Answer(number, True))
    assert drain(outbox, *pair, []) == [Answer(2, True), Answer(3, True), Answer(4, True)]
    assert "2 events were dropped" in capsys.readouterr().err


def test_a_closed_end_is_an_error(pair: tuple[socket.socket, socket.socket]) -> None:
    ours, theirs = pair
    theirs.close()
    outbox = Outbox()
    outbox.put(Answer(1, True))
    outbox.fill()
    with pytest.raises(OSError, match="pipe"):
        outbox.send(ours)
