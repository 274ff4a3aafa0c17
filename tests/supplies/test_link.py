"""The link against instruments that misbehave at exact places, on a socket and on a port."""

import itertools
import socket
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.scpi.reply import ReplyError
from benchd.supplies.errors import LinkError, LinkLost, ReplyGarbled, ReplyLate
from benchd.supplies.link import Link
from benchd.supplies.profile_tables import LinkProfile, SerialPort
from tests.supplies.lines import CLOSE, LineInstrument, PortInstrument

IDENTITY = b"Example Works,EX-1,0,1.0\n"
TIMEOUT_S = 0.15
BARE = LinkProfile(serial=SerialPort(gap_ms=0))
KINDS = [LineInstrument, PortInstrument]


def opened(instrument, profile=BARE, timeout_s=TIMEOUT_S):
    return Link.open(instrument.resource, profile, timeout_s)


def well_behaved(line):
    if "?" not in line:
        return []
    return [IDENTITY] if line == "*IDN?" else [line.removeprefix("ECHO? ").encode() + b"\n"]


def once(*steps):
    """Misbehaves at the first ECHO? only."""
    left = [list(steps)]
    return lambda line: left.pop() if left and line.startswith("ECHO?") else well_behaved(line)


@pytest.mark.parametrize("kind", KINDS)
def test_query_write_and_identify(kind):
    with kind(well_behaved) as instrument:
        link = opened(instrument)
        assert link.identify() == "Example Works,EX-1,0,1.0"
        assert link.query("ECHO? 4.000;0.1") == "4.000;0.1"
        assert 0 < link.got_ns - link.sent_ns < TIMEOUT_S * 1e9
        link.close()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("steps", "error"),
    [
        ([], ReplyLate),  # missing
        ([2 * TIMEOUT_S, b"1\n"], ReplyLate),  # late
        ([b"1"], ReplyLate),  # no end
        ([b"1\n2\n"], ReplyGarbled),  # a line too many
        ([b"x" * 70000], ReplyGarbled),  # babble
    ],
    ids=["missing", "late", "endless", "two lines", "babble"],
)
def test_a_bad_reply_is_told_and_the_next_answer_is_its_own(kind, steps, error):
    with kind(once(*steps)) as instrument:
        link = opened(instrument)
        link.identify()
        with pytest.raises(error) as caught:
            link.query("ECHO? 1")
        assert caught.value.asked == "ECHO? 1"
        assert instrument.resource in str(caught.value)
        assert "ms" in str(caught.value)
        assert link.dirty
        assert answered_in_time(link, "ECHO? 3") == "3"
        assert not link.dirty
        link.close()


def answered_in_time(link, text, limit_s=5.0):
    """Ask again and again as a sampler does; what matters is that no wrong answer comes first."""
    ends = time.monotonic() + limit_s
    while True:
        try:
            return link.query(text)
        except LinkError:
            assert time.monotonic() < ends


@pytest.mark.parametrize("kind", KINDS)
def test_a_split_reply_is_put_together(kind):
    with kind(once(b"4.0", 0.03, b"00\n")) as instrument:
        link = opened(instrument)
        assert link.query("ECHO? x") == "4.000"
        link.close()


@pytest.mark.parametrize("kind", KINDS)
def test_a_line_that_nobody_asked_for_is_seen_before_the_next_query(kind):
    with kind(once(b"1\n", 0.05, b"+1.234E+00\n")) as instrument:
        link = opened(instrument)
        link.identify()
        before = link.resyncs
        assert link.query("ECHO? 1") == "1"
        wait_for(lambda: link._wire.unread())
        assert link.query("ECHO? 2") == "2"
        assert link.resyncs == before + 1
        link.close()


STEPS = {
    "good": lambda k: [b"%d\n" % k],
    "split": lambda k: [b"%d" % k, 0.005, b"\n"],
    "missing": lambda k: [],
    "late": lambda k: [0.04, b"%d\n" % k],
    "very late": lambda k: [0.09, b"%d\n" % k],
    "extra": lambda k: [b"%d\n%d\n" % (k, k + 500)],
    "noise": lambda k: [b"\xff\x00#%$ \n"],
    "two noises": lambda k: [b"~~\n~~\n"],
    "half": lambda k: [b"%d" % k],
    "close": lambda k: [CLOSE],
}


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(faults=st.lists(st.sampled_from(sorted(STEPS)), min_size=1, max_size=7))
def test_no_answer_is_ever_taken_for_the_answer_to_another_query(kind, faults):
    """Whatever happens, in whatever order: a query brings its own answer (or its own noise), or an error."""
    script = itertools.chain(faults, itertools.repeat("good"))

    def answer(line):
        # Identifications misbehave too, since they are what the link mends itself with.
        fault = next(script)
        if fault == "close" and kind is PortInstrument:
            fault = "missing"  # a port does not close
        if line == "*IDN?":
            return [IDENTITY if isinstance(step, bytes) and step == b"10\n" else step for step in STEPS[fault](10)]
        return STEPS[fault](int(line.removeprefix("ECHO? ")))

    with kind(answer) as instrument:
        link = opened(instrument, timeout_s=0.025)
        ends = time.monotonic() + 20
        for k in itertools.count(100):
            try:
                got = link.query(f"ECHO? {k}").encode("latin-1") + b"\n"
            except LinkError:
                assert time.monotonic() < ends, f"never recovers from {faults}"
                continue
            assert got in (b"%d\n" % k, b"\xff\x00#%$ \n", b"~~\n")
            if k >= 100 + len(faults) and got == b"%d\n" % k:
                break
        link.close()


def test_a_refused_connection_is_told_at_once():
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    started = time.monotonic()
    with pytest.raises(LinkLost, match="refused"):
        Link.open(f"TCPIP0::127.0.0.1::{port}::SOCKET", BARE, 2.0)
    assert time.monotonic() - started < 1.0


@pytest.mark.parametrize(
    "resource", ["ASRL/dev/no-such-port::INSTR", "NONSENSE", "TCPIP0::127.0.0.1::SOCKET", "GPIB0::9::INSTR"]
)
def test_what_cannot_be_opened_is_lost_whatever_the_library_says(resource):
    with pytest.raises(LinkLost, match="cannot be opened"):
        Link.open(resource, BARE, 0.2)


def test_a_connection_closed_in_the_middle_of_a_query_is_told_at_once_and_opened_again():
    with LineInstrument(once(CLOSE)) as instrument:
        link = opened(instrument, timeout_s=3.0)
        link.identify()
        started = time.monotonic()
        with pytest.raises(LinkLost, match="closed the connection"):
            link.query("ECHO? 1")
        assert time.monotonic() - started < 1.5  # not the timeout
        assert link.query("ECHO? 2") == "2"
        assert instrument.connections == 2
        link.close()


def test_a_connection_closed_between_queries_is_lost_once_then_opened_again():
    with LineInstrument(once(b"1\n", CLOSE)) as instrument:
        link = opened(instrument)
        assert link.query("ECHO? 1") == "1"
        wait_for(lambda: closed(link))
        with pytest.raises(LinkLost):
            link.query("ECHO? 2")
        assert link.query("ECHO? 3") == "3"
        link.close()


def test_another_instrument_behind_the_same_address_is_refused():
    names = itertools.chain([IDENTITY], itertools.repeat(b"Other Works,OT-9,0,1.0\n"))
    with LineInstrument(lambda line: [next(names)] if line == "*IDN?" else []) as instrument:
        link = opened(instrument)
        link.identify()
        with pytest.raises(ReplyLate):
            link.query("ECHO? 1")
        with pytest.raises(ReplyGarbled, match=r"Example Works.*Other Works"):
            link.query("ECHO? 2")
        link.close()


def test_send_now_does_not_wait_for_an_outstanding_reply():
    with LineInstrument(once(1.0, b"1\n")) as instrument:
        link = opened(instrument, timeout_s=0.05)
        with pytest.raises(ReplyLate):
            link.query("ECHO? 1")
        started = time.monotonic()
        link.send_now(link.encode("OUTP OFF"))
        assert time.monotonic() - started < 0.5
        assert link.dirty
        assert instrument.connections == 1  # on the connection that is there
        link.close()


def test_send_now_opens_a_lost_link_again():
    with LineInstrument(once(CLOSE)) as instrument:
        link = opened(instrument)
        with pytest.raises(LinkLost):
            link.query("ECHO? 1")
        link.send_now(link.encode("OUTP OFF"))
        wait_for(lambda: "OUTP OFF" in instrument.lines)
        link.close()


def test_send_now_notices_that_the_other_side_has_closed():
    """The first write to a socket closed by the other side succeeds and is lost: an OFF must not be."""
    with LineInstrument(once(b"1\n", CLOSE)) as instrument:
        link = opened(instrument)
        assert link.query("ECHO? 1") == "1"
        wait_for(lambda: closed(link))
        link.send_now(link.encode("OUTP OFF"))
        wait_for(lambda: "OUTP OFF" in instrument.lines)
        link.close()


def test_send_now_is_repeated_after_the_gap_that_an_instrument_needs():
    with LineInstrument(well_behaved) as instrument:
        link = opened(instrument, LinkProfile(gap_ms=50))
        link.query("ECHO? 1")
        link.send_now(link.encode("OUTP OFF"))
        wait_for(lambda: instrument.lines.count("OUTP OFF") == 2)
        link.close()


def closed(link):
    """Whether the news has come that the other side closed."""
    try:
        link._wire.unread()
    except LinkLost:
        return True
    return False


def wait_for(condition, limit_s=5.0):
    ends = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < ends
        time.sleep(0.002)


def test_gaps_are_kept_between_messages():
    with LineInstrument(well_behaved) as instrument:
        link = opened(instrument, LinkProfile(gap_ms=20, set_gap_ms=60))
        started = time.monotonic()
        link.query("ECHO? 1")
        link.query("ECHO? 2")
        link.write("VOLT 1")
        link.query("ECHO? 3")
        assert time.monotonic() - started >= 0.020 + 0.020 + 0.060
        link.close()


def test_connect_commands_are_sent_at_every_opening_and_close_commands_at_the_end():
    profile = LinkProfile(connect=("SYST:REM",), close=("SYST:LOC",))
    with LineInstrument(once(CLOSE)) as instrument:
        link = opened(instrument, profile)
        with pytest.raises(LinkLost):
            link.query("ECHO? 1")
        assert link.query("ECHO? 2") == "2"
        link.close()
        wait_for(lambda: "SYST:LOC" in instrument.lines)
    assert instrument.lines.count("SYST:REM") == 2
    assert instrument.lines[-1] == "SYST:LOC"


def test_other_line_ends():
    profile = LinkProfile(write_end="\r\n", read_end="\r\n")
    with LineInstrument(lambda line: [b"[" + line.encode() + b"]", b"\r", b"\n"]) as instrument:
        link = opened(instrument, profile)
        assert link.query("ECHO?") == "[ECHO?\r]"
        link.close()


def test_a_reply_without_sense_makes_the_link_dirty():
    with LineInstrument(well_behaved) as instrument:
        link = opened(instrument)
        link.query("ECHO? 1")
        error = link.garbled(ReplyError("MEAS:VOLT?", "abc", "a number"))
        assert isinstance(error, ReplyGarbled)
        assert "'abc'" in str(error)
        assert link.query("ECHO? 2") == "2"
        assert instrument.connections == 2
        link.close()


def test_an_instrument_that_takes_no_bytes_does_not_hold_us():
    with socket.create_server(("127.0.0.1", 0)) as server:
        link = Link.open(f"TCPIP0::127.0.0.1::{server.getsockname()[1]}::SOCKET", BARE, 0.1)
        started = time.monotonic()
        with pytest.raises(LinkLost, match="takes no more bytes"):
            link.write("X" * 16_000_000)
        assert time.monotonic() - started < 2.0
        link.close()


def test_a_port_that_is_unplugged_is_lost():
    instrument = PortInstrument(well_behaved)
    link = opened(instrument)
    link.query("ECHO? 1")
    instrument.__exit__()
    for _ in range(2):
        with pytest.raises(LinkLost):
            link.query("ECHO? 2")
    link.close()
