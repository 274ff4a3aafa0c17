"""The ring accounts for every reading; frames survive any cut and garbage raises one error."""

from __future__ import annotations

import contextlib
import itertools
import struct

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.guard.framing import MAX_FRAME_BYTES, FramingError, command_decoder, encode, report_decoder
from benchd.guard.ring import Ring
from benchd.guard.wire import (
    Answer,
    ChannelConfig,
    Configure,
    DaemonBeat,
    GuardBeat,
    PowerOff,
    PowerOn,
    RuleLimits,
    SupplyConfig,
    Tripped,
)
from benchd.reading import Flag, Mode, Reading, pack


def reading(number: int) -> Reading:
    return Reading(number, number / 10, number / 100, Mode.CV, Flag.NONE, 7)


@settings(max_examples=100, deadline=None)
@given(st.integers(1, 8), st.lists(st.one_of(st.just("take"), st.integers(1, 12)), max_size=30))
def test_every_reading_is_handed_over_or_counted(capacity: int, plan: list[str | int]) -> None:
    ring = Ring(capacity)
    added = handed = dropped = 0
    for action in [*plan, "take"]:
        if isinstance(action, int):
            for _ in range(action):
                ring.add(reading(added))
                added += 1
            assert len(ring) <= capacity
        else:
            got, lost = ring.take()
            assert [each.t_ns for each in got] == list(range(added - len(got), added))  # the newest, without a hole
            handed += len(got)
            dropped += lost
            assert handed + dropped == added
            assert len(ring) == 0


def test_a_ring_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 1"):
        Ring(0)


READINGS = [reading(number) for number in range(30)]
REPORTS = [
    GuardBeat(1, {"left": 0.002}),
    Answer(7, False, "4 V asked, 5 V came back"),
    pack("left", 1, READINGS, dropped=3),
    Tripped(
        "left",
        1,
        "short",
        "why",
        1,
        2,
        3,
        None,
        4.0,
        1.0,
        0.1,
        0.2,
        0.3,
        pack("left", 1, READINGS),
        pack("left", 1, []),
    ),
]
COMMANDS = [
    Configure((SupplyConfig("left", "TCPIP0::h::1::SOCKET", "p", (ChannelConfig(1, 5.0, 1.0),)),), "locks"),
    PowerOn(1, "left", 1, 4.0, 0.5, RuleLimits(over_current_a=0.4)),
    PowerOff(2),
    DaemonBeat(9),
]


@pytest.mark.parametrize("size", [1, 2, 3, 5, 7, 64, 100_000])
def test_frames_cut_anywhere_give_the_same_messages(size: int) -> None:
    for messages, decoder in ((REPORTS, report_decoder()), (COMMANDS, command_decoder())):
        data = b"".join(encode(message) for message in messages)
        got = [message for at in range(0, len(data), size) for message in decoder.feed(data[at : at + size])]
        assert got == messages


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_frames_cut_at_random_places(data: st.DataObject) -> None:
    stream = b"".join(encode(message) for message in REPORTS)
    cuts = sorted(data.draw(st.sets(st.integers(0, len(stream)), max_size=20)) | {0, len(stream)})
    decoder = report_decoder()
    got = [m for a, b in itertools.pairwise(cuts) for m in decoder.feed(stream[a:b])]
    assert got == REPORTS


def test_the_length_prefix_is_four_bytes_little_endian_of_plain_msgpack() -> None:
    frame = encode(DaemonBeat(9))
    assert struct.unpack("<I", frame[:4]) == (len(frame) - 4,)
    assert msgspec.msgpack.decode(frame[4:]) == {"type": "DaemonBeat", "seq": 9}


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=200))
def test_garbage_raises_framing_error_and_no_other(data: bytes) -> None:
    for decoder in (report_decoder(), command_decoder()):
        with contextlib.suppress(FramingError):
            decoder.feed(data)


def test_a_length_above_the_cap_is_refused_before_its_bytes_come() -> None:
    with pytest.raises(FramingError, match=str(MAX_FRAME_BYTES)):
        command_decoder().feed((MAX_FRAME_BYTES + 1).to_bytes(4, "little"))


def test_an_oversized_message_is_refused_at_the_sender() -> None:
    with pytest.raises(FramingError, match="Answer"):
        encode(Answer(1, False, "x" * (MAX_FRAME_BYTES + 1)))


def test_a_report_is_no_command() -> None:
    with pytest.raises(FramingError):
        command_decoder().feed(encode(GuardBeat(1, {})))
