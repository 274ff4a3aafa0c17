"""Frames, each fed whole, byte by byte, and with bytes that come after. Checked against IEEE 488.2 §8.7.9-10."""

import contextlib

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pyvisa import util

from benchd.scpi import reply
from benchd.scpi.framing import LONGEST_BLOCK, LONGEST_REPLY, BlockFrame, EndFrame, GapFrame, LengthFrame
from benchd.scpi.reply import ReplyError


def read(frame, data, step):
    """What a reader gets that is handed `step` bytes at a time: the body, or None when more is needed.

    Silence comes only after the last byte, as on a port that sends all of it in one go.
    """
    for end in range(step, len(data) + step, step):
        size = frame.complete(data[:end])
        if size is not None:
            assert size == len(data[:end]), f"complete with {size} of {data[:end]!r}"
            return frame.body(data[:end]) if end >= len(data) else "early"
    size = frame.complete(data, True) if frame.idle_ms else None
    if size is None:
        return None
    assert size == len(data)
    return frame.body(data)


def read_every_way(frame, data):
    """The body, the same whether the reply comes whole or byte by byte; what comes after is never part of it."""
    whole = read(frame, data, max(1, len(data)))
    assert read(frame, data, 1) == whole
    if whole is not None:
        with contextlib.suppress(ReplyError):  # a length or a pause frame cannot tell the two apart, so it refuses
            size = frame.complete(data + b"x7\n")
            assert size is None or size == len(data)
    return whole


LINE = EndFrame()
CRLF = EndFrame(b"\r\n")
SKIPPING = EndFrame(skip_leading=True)
TWO = EndFrame(lines=2)
BLOCK = BlockFrame()


@pytest.mark.parametrize(
    ("frame", "data", "body"),
    [
        (LINE, b"4.000\n", b"4.000"),
        (LINE, b"\n", b""),
        (LINE, b"4.000", None),
        (LINE, b"4.000\r\n", b"4.000\r"),  # parsers strip it
        (CRLF, b"4.0\r00\r\n", b"4.0\r00"),
        (CRLF, b"4.000\n", None),
        (SKIPPING, b"\r\n4.000\r\n", b"4.000\r"),
        (SKIPPING, b"4.000\n", b"4.000"),
        (SKIPPING, b"\r\n", None),
        (TWO, b"V1 1.0\r\nI1 0.1\r\n", b"V1 1.0\r\nI1 0.1\r"),
        (TWO, b"1\n", None),
        (EndFrame(b"\r\n", lines=3), b"1\r\n2\r\n3\r\n", b"1\n2\n3"),
        (EndFrame(lines=2, skip_leading=True), b"\n1\n\r\n2\n", b"1\n2"),
        (LengthFrame(5), b"12.34", b"12.34"),
        (LengthFrame(5), b"12.3", None),
        (LengthFrame(5, stray=1), b"1.234", b"1.234"),
        (LengthFrame(5, stray=1), b"1.234\x01", b"1.234"),
        (LengthFrame(1), b"\n", b"\n"),  # a status byte may be any
        (GapFrame(), b"EXAMPLEPS30V2.0\x01", b"EXAMPLEPS30V2.0\x01"),
        (GapFrame(), b"4.0\n", b"4.0\n"),
        (GapFrame(), b"", None),
        (BLOCK, b"#15HELLO\n", b"#15HELLO"),
        (BLOCK, b"#15a\nb\nc\n", b"#15a\nb\nc"),
        (BLOCK, b"#15HELLO\r\n", b"#15HELLO"),
        (BLOCK, b"#9000000003abc\n", b"#9000000003abc"),
        (BLOCK, b"#10\n", b"#10"),
        (BLOCK, b"#15HELLO", b"#15HELLO"),  # silence says that no end will come
        (BLOCK, b"#15HEL", None),
        (BLOCK, b"#2", None),
        (BLOCK, b"#0a\nb\n", b"#0a\nb\n"),
        (BLOCK, b"#0a\nb\n\n", b"#0a\nb\n\n"),  # the first of the last two belongs to the data
        (BLOCK, b"#0a", None),
        (BLOCK, b"-230,no data\n", b"-230,no data"),
        (BLOCK, b"#H20\n", b"#H20"),
        (BlockFrame(b"\r\n"), b"#13\r\nx\r\n", b"#13\r\nx"),
        (BlockFrame(b""), b"#13abc", b"#13abc"),
        (BlockFrame(b""), b"no data", b"no data"),
    ],
)
def test_replies(frame, data, body):
    assert read_every_way(frame, data) == body


@pytest.mark.parametrize(
    ("frame", "data"),
    [
        (LengthFrame(5), b"Invalid character"),  # an error text in place of a value
        (LengthFrame(1), b"EXAMP"),  # a late identification in place of a status byte
        (LengthFrame(5, stray=1), b"12.3456"),
        (BLOCK, b"#15HELLOX"),
        (BLOCK, b"#2x5HELLO\n"),
        (BLOCK, b"#1 HELLO\n"),
        (BLOCK, b"#9999999999"),
        (BLOCK, b"x" * (LONGEST_REPLY + 1)),
    ],
)
def test_what_cannot_become_a_reply(frame, data):
    with pytest.raises(ReplyError):
        frame.complete(data, True)


@pytest.mark.parametrize(
    ("frame", "data", "size"),
    [(LINE, b"1", 1), (LINE, b"", None), (CRLF, b"1\n", 2), (TWO, b"1\n2", 3), (TWO, b"1\n", None)],
)
def test_where_messages_have_ends_the_last_line_needs_none(frame, data, size):
    """The end of a message on such a bus is an end of its own (IEEE 488.2 §8.5: NL with END, or either)."""
    assert frame.complete(data, True) == size
    if size:
        assert frame.body(data) == data.removesuffix(b"\r\n")


def test_two_messages_are_never_glued_into_one_number():
    with pytest.raises(ReplyError, match="2 lines"):
        TWO.complete(b"1", True)


@pytest.mark.parametrize("frame", [LINE, CRLF, SKIPPING, TWO, LengthFrame(5, 1), GapFrame(), BLOCK])
def test_what_may_be_held_is_bounded(frame):
    assert LONGEST_REPLY <= frame.longest <= LONGEST_BLOCK


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: EndFrame(b""),
        lambda: EndFrame(lines=0),
        lambda: LengthFrame(0),
        lambda: LengthFrame(1, -1),
        lambda: LengthFrame(1, 0, float("nan")),
        lambda: GapFrame(0),
        lambda: BlockFrame(idle_ms=-1),
    ],
)
def test_frames_that_make_no_sense(wrong):
    with pytest.raises(ValueError, match="given"):
        wrong()


@given(st.binary(max_size=300), st.sampled_from([b"\n", b"\r\n", b""]))
def test_any_data_in_a_definite_block_comes_through(data, end):
    """IEEE 488.2 §8.7.9: as many bytes as the header says, whatever they are. The header as PyVISA writes it."""
    wire = util.to_ieee_block(data, datatype="B") if data else b"#10"
    assert reply.block(read_every_way(BlockFrame(end), wire + end).decode("latin-1")) == data


@given(st.binary(max_size=100))
@example(b"\n")
@example(b"\n\n")
def test_any_data_in_an_indefinite_block_comes_through(data):
    """IEEE 488.2 §8.7.10: until the LF with which the message ends; silence stands for its END."""
    assert reply.block(read_every_way(BLOCK, b"#0" + data + b"\n").decode("latin-1")) == data


@given(st.lists(st.text(st.characters(codec="ascii", exclude_characters="\r\n"), min_size=1), min_size=1, max_size=4))
def test_as_many_lines_come_through_as_were_asked_for(lines):
    wire = "".join(line + "\r\n" for line in lines).encode()
    assert read_every_way(EndFrame(b"\r\n", len(lines)), wire) == "\n".join(lines).encode()
    skipping = EndFrame(b"\r\n", len(lines), skip_leading=True)
    assert read(skipping, b"\r\n" + wire, len(wire) + 2) == "\n".join(lines).encode()


FRAMES = [
    LINE, CRLF, SKIPPING, TWO, EndFrame(b"\r", 2, True), LengthFrame(1), LengthFrame(5, 1), GapFrame(), BLOCK,
    BlockFrame(b""), BlockFrame(b"\r\n"),
]  # fmt: skip
PIECES = st.sampled_from([b"#", b"0", b"1", b"5", b"9", b"\r", b"\n", b"4.000", b"x", b"\xff", b""])


@given(st.one_of(st.binary(max_size=40), st.lists(PIECES, max_size=20).map(b"".join)), st.booleans())
def test_any_bytes_give_a_reply_within_them_or_none_or_the_one_error(data, quiet):
    for frame in FRAMES:
        with contextlib.suppress(ReplyError):
            size = frame.complete(data, quiet)
            if size is None:
                continue
            assert 0 < size <= len(data)
            body = frame.body(data[:size])
            assert body.strip(b"\r\n") in data or frame in (TWO, FRAMES[4])


@given(st.one_of(st.binary(max_size=30), st.lists(PIECES, max_size=12).map(b"".join)))
def test_a_reply_is_complete_at_the_same_byte_however_it_is_handed_over(data):
    """Byte by byte, the first length that is complete is the one that is found in all of it at once."""
    for frame in (LINE, CRLF, TWO, BLOCK, BlockFrame(b""), BlockFrame(b"\r\n")):
        try:
            at_once = frame.complete(data)
        except ReplyError:
            at_once = "error"
        for end in range(1, len(data) + 1):
            try:
                size = frame.complete(data[:end])
            except ReplyError:
                assert at_once == "error"
                break
            if size is not None:
                assert size == at_once
                break
        else:
            assert at_once is None
