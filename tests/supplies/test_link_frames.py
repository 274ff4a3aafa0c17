"""Late, stray and foreign replies for every way of framing, on a socket and on a port; gaps; identification."""

import itertools
import re
import struct
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.scpi import reply
from benchd.scpi.framing import BlockFrame, EndFrame, GapFrame, LengthFrame
from benchd.scpi.reply import ReplyError
from benchd.supplies import link as link_module
from benchd.supplies.errors import LinkError, LinkLost, ReplyGarbled, ReplyLate
from benchd.supplies.link import Identify, Link
from benchd.supplies.profile_link import LinkProfile, SerialPort
from tests.supplies.lines import CLOSE, LineInstrument, PortInstrument

TIMEOUT_S = 0.06
KINDS = [LineInstrument, PortInstrument]
NO_GAP = SerialPort(gap_ms=0)
PLAIN = LinkProfile(serial=NO_GAP)
UNENDED = LinkProfile(write_end="", read_end="", frame="gap", idle_ms=8, serial=SerialPort(gap_ms=10), gap_ms=10)
NAMED = Identify(looks=lambda text: text.startswith("EXAMPLEPS"))


class Way:
    """One way of framing: the link it is used on, how a number is sent, and how it is read again."""

    def __init__(self, profile, frame, send, parse, identity=b"Example Works,EX-1,0,1.0\n"):
        self.profile, self.frame, self.send, self.parse, self.identity = profile, frame, send, parse, identity
        self.end = profile.write_end.encode()
        self.identify = Identify() if self.end else NAMED

    def answer(self, line):
        if line == "*IDN?":
            return [self.identity]
        asked = re.fullmatch(r"N\? (\d+)", line)  # else a command, or two messages that ran into each other
        return [self.send(int(asked.group(1)))] if asked else []

    def open(self, instrument, timeout_s=TIMEOUT_S):
        return Link.open(instrument.resource, self.profile, timeout_s, identify=self.identify)

    def ask(self, link, number):
        got = link.exchange(link.encode(f"N? {number}"), self.frame)
        try:
            return self.parse(got)
        except ReplyError as error:
            raise link.garbled(ReplyError(f"N? {number}", error.got, error.expected)) from error


def two_lines(got):
    first, second = got.decode().split("\n")
    if first.strip() != second.strip():
        raise ReplyError("N?", got.decode(), "the same number twice")
    return reply.integer(first)


def floats(got):
    values = reply.floats(got)
    if len(set(values)) != 1:
        raise ReplyError("N?", got.decode("latin-1"), "the same number again and again")
    return int(values[0])


def integer(got):
    return reply.integer(got.decode("latin-1"))


def block(number):
    return b"#216" + struct.pack(">4f", *4 * [number])


UNNAMED = b"EXAMPLEPS30V2.0\x01"
WAYS = {
    "line": Way(PLAIN, None, lambda n: b"%d\n" % n, integer),
    "line after line ends": Way(
        LinkProfile(serial=NO_GAP, skip_leading_ends=True), None, lambda n: b"\r\n%d\r\n" % n, integer
    ),
    "two lines": Way(PLAIN, EndFrame(b"\n", 2), lambda n: b"%d\r\n%d\r\n" % (n, n), two_lines),
    "definite block": Way(PLAIN, BlockFrame(idle_ms=8), lambda n: block(n) + b"\n", floats),
    "indefinite block": Way(PLAIN, BlockFrame(idle_ms=8), lambda n: b"#0" + block(n)[4:] + b"\n", floats),
    "length": Way(UNENDED, LengthFrame(5, 0, 8), lambda n: b"%05d" % n, integer, UNNAMED),
    "length and a stray byte": Way(UNENDED, LengthFrame(5, 1, 8), lambda n: b"%05d\x01" % n, integer, UNNAMED),
    "raw byte": Way(UNENDED, LengthFrame(1, 0, 8), lambda n: bytes([n % 256]), reply.raw_byte, UNNAMED),
    "gap": Way(UNENDED, None, lambda n: b"%d" % n, integer, UNNAMED),
}


@pytest.fixture(params=WAYS, ids=lambda name: name.replace(" ", "-"))
def way(request):
    return WAYS[request.param]


def once(way, steps):
    """Misbehaves at the first number that is asked for."""
    left = [steps]
    return lambda line: left.pop()(way, line) if left and line.startswith("N?") else way.answer(line)


def name_of(way):
    return next(name for name, known in WAYS.items() if known is way)


def settled(way, link, number, limit_s=5.0):
    """Ask until an answer comes, as a sampler does. No wrong one may come first."""
    ends = time.monotonic() + limit_s
    while True:
        try:
            return way.ask(link, number)
        except LinkError:
            assert time.monotonic() < ends


BAD = {
    "missing": lambda way, line: [],
    "late": lambda way, line: [1.5 * TIMEOUT_S, *way.answer(line)],
    "half": lambda way, line: [way.answer(line)[0][:-2]],
    "half late": lambda way, line: [way.answer(line)[0][:1], 1.5 * TIMEOUT_S, way.answer(line)[0][1:]],
    "an error text": lambda way, line: [b"Invalid character" + way.end],
    "twice": lambda way, line: [
        b"".join(2 * way.answer(line))
    ],  # in one write: a second one may come too late to be seen
}


@pytest.mark.parametrize(
    ("kind", "bad"), [*((PortInstrument, bad) for bad in BAD), (LineInstrument, "late"), (LineInstrument, "half late")]
)
def test_after_a_bad_reply_the_next_answer_is_its_own(kind, way, bad):
    with kind(once(way, BAD[bad]), way.end) as instrument:
        link = way.open(instrument)
        link.identify()
        assert link.identity == way.identity.decode("latin-1").strip("\r\n")
        if bad not in PASSES.get(name_of(way), ()):
            with pytest.raises((ReplyLate, ReplyGarbled)) as caught:
                way.ask(link, 4242)
            assert caught.value.asked == "N? 4242"
        else:
            way.ask(link, 4242)
        assert settled(way, link, 77) == 77
        assert settled(way, link, 78) == 78
        link.close()


PASSES = {"gap": ("half", "half late", "twice"), "raw byte": ("half late",)}
"""Nothing but a pause ends the first, so half a reply passes for a whole one and two run together: that is why numbers
are better framed by their length where it is known. Half a byte there is not."""


FAULTS = {
    "good": lambda data: [data],
    "split": lambda data: [data[:1], 0.003, data[1:]],
    "missing": lambda data: [],
    "late": lambda data: [0.06, data],
    "very late": lambda data: [0.13, data],
    "noise": lambda data: [b"\xff\x00#%$ \n"],
    "close": lambda data: [CLOSE],
}


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    name=st.sampled_from(sorted(WAYS)), faults=st.lists(st.sampled_from(sorted(FAULTS)), min_size=1, max_size=5)
)  # fmt: skip
def test_no_number_is_ever_the_answer_to_another_question(kind, name, faults):
    """Whatever is late, lost or split, identifications too: a number is the one that was asked for, or an error."""
    way = WAYS[name]
    script = itertools.chain(faults, itertools.repeat("good"))

    def answer(line):
        fault = next(script)
        if fault == "close" and kind is PortInstrument:
            fault = "missing"  # a port does not close
        return [step for data in way.answer(line) for step in FAULTS[fault](data)]

    with kind(answer, way.end) as instrument:
        link = way.open(instrument, timeout_s=0.05)
        ends = time.monotonic() + 20
        for number in itertools.count(100):
            try:
                got = way.ask(link, number)
            except LinkError:
                assert time.monotonic() < ends, f"never recovers from {faults}"
                continue
            assert got == number % (256 if name == "raw byte" else 1_000_000)
            if number >= 100 + len(faults):
                break
        link.close()


def test_a_stray_byte_is_drained_and_costs_no_resync():
    way = WAYS["length and a stray byte"]
    with PortInstrument(way.answer, way.end) as instrument:
        link = way.open(instrument)
        link.identify()
        before = link.resyncs
        assert [way.ask(link, n) for n in (1, 2, 3)] == [1, 2, 3]
        assert link.resyncs == before
        link.close()


def test_line_ends_that_nobody_asked_for_cost_no_resync_where_they_are_usual():
    way = WAYS["line after line ends"]
    with LineInstrument(lambda line: [*way.answer(line), 0.01, b"\r\n"], way.end) as instrument:
        link = way.open(instrument)
        link.identify()
        for number in range(3):
            assert way.ask(link, number) == number
            time.sleep(0.02)
        assert instrument.connections == 1
        assert link.resyncs == 0
        link.close()


def test_the_silence_that_ends_a_reply_is_no_part_of_its_time():
    """A reading's time is mid-way between question and reply, so the wait for silence must not be in it."""
    way = Way(LinkProfile(write_end="", read_end="", frame="gap", idle_ms=300), None, lambda n: b"%d" % n, integer)
    with LineInstrument(lambda line: [b"7"], b"") as instrument:
        link = way.open(instrument, 1.0)
        started = time.monotonic()
        assert link.query("N?") == "7"
        assert time.monotonic() - started >= 0.3
        assert (link.got_ns - link.sent_ns) / 1e9 < 0.2
        link.close()


def test_a_block_larger_than_any_line_comes_through():
    data = struct.pack(">50000f", *range(50000))
    with LineInstrument(lambda line: [b"#6200000" + data[:70000], 0.01, data[70000:] + b"\n"]) as instrument:
        link = Link.open(instrument.resource, PLAIN, 2.0)
        assert reply.floats(link.exchange(link.encode("DATA?"), BlockFrame())) == tuple(range(50000))
        link.close()


@pytest.mark.parametrize("kind", KINDS)
def test_a_message_may_have_a_rest_of_its_own(kind):
    with kind(WAYS["line"].answer) as instrument:
        link = Link.open(instrument.resource, LinkProfile(gap_ms=5, serial=NO_GAP), TIMEOUT_S)
        link.identify()
        started = time.monotonic()
        link.query("N? 1", gap_ns=60_000_000)
        link.query("N? 2")
        assert time.monotonic() - started >= 0.060
        started = time.monotonic()
        link.write("INST 2", gap_ns=50_000_000)
        link.query("N? 3", gap_ns=0)  # the link's own gap is kept in any case
        link.query("N? 4")
        assert time.monotonic() - started >= 0.055
        link.close()


def test_connect_commands_have_a_rest_of_their_own():
    profile = LinkProfile(connect=("SYST:REM", "SYST:LOCK 1"), connect_gap_ms=40)
    with LineInstrument(WAYS["line"].answer) as instrument:
        started = time.monotonic()
        link = Link.open(instrument.resource, profile, TIMEOUT_S)
        link.query("N? 1")
        assert time.monotonic() - started >= 0.080
        assert instrument.lines == ["SYST:REM", "SYST:LOCK 1", "N? 1"]
        link.close()


def test_off_does_not_wait_for_the_rest_after_another_message_and_is_repeated_after_it():
    with LineInstrument(WAYS["line"].answer) as instrument:
        link = Link.open(instrument.resource, PLAIN, TIMEOUT_S)
        link.query("N? 1", gap_ns=300_000_000)
        started = time.monotonic()
        link.send_now(link.encode("OUT0"), gap_ns=0)
        ends = time.monotonic() + 5
        while instrument.lines.count("OUT0") < 2:
            assert time.monotonic() < ends
            time.sleep(0.002)
        assert time.monotonic() - started >= 0.2  # the second; the first was there before
        link.close()


def test_what_follows_an_off_does_not_run_into_it():
    """Without terminators the instrument would take the two for one message that it does not know."""
    way = WAYS["length"]
    with PortInstrument(way.answer, way.end) as instrument:
        link = way.open(instrument)
        link.identify()
        time.sleep(0.02)  # no gap is running
        link.send_now(link.encode("OUT0"))
        assert way.ask(link, 5) == 5
        assert instrument.lines[-2:] == ["OUT0", "N? 5"]
        link.close()


@pytest.mark.parametrize("kind", KINDS)
def test_identification_is_asked_again_where_the_first_is_spoilt(kind):
    """Half a command of somebody else stands in the instrument's input and makes an error text of the first."""
    answers = itertools.chain([b"Invalid character\n"], itertools.repeat(b"Example Works,EX-1,0,1.0\n"))
    with kind(lambda line: [next(answers)]) as instrument:
        link = Link.open(instrument.resource, PLAIN, TIMEOUT_S, identify=Identify(attempts=3))
        assert link.identify() == "Example Works,EX-1,0,1.0"
        link.close()


@pytest.mark.parametrize("kind", KINDS)
def test_identification_is_given_up_after_its_attempts(kind):
    with kind(lambda line: []) as instrument:
        link = Link.open(instrument.resource, PLAIN, 0.05, identify=Identify("ID?", attempts=2))
        with pytest.raises(ReplyLate):
            link.identify()
        assert instrument.lines
        assert set(instrument.lines) == {"ID?"}
        assert link.identity is None
        link.close()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("first", [[b"garbage,\n"], [], [0.1, b"~\n"]], ids=["wrong", "missing", "late"])
def test_first_replies_after_opening_are_thrown_away_where_they_are_worth_nothing(kind, first):
    answers = itertools.chain([first], itertools.repeat([b"Example Works,EX-1,0,1.0\n"]))
    profile = LinkProfile(serial=NO_GAP, drop_first=1)
    with kind(lambda line: WAYS["line"].answer(line) if "N?" in line else next(answers)) as instrument:
        link = Link.open(instrument.resource, profile, 0.08)
        assert answered(lambda: link.identify()) == "Example Works,EX-1,0,1.0"
        assert link.query("N? 5") == "5"
        assert instrument.connections == 1 or first == []
        link.close()


def answered(action, limit_s=5.0):
    ends = time.monotonic() + limit_s
    while True:
        try:
            return action()
        except LinkError:
            assert time.monotonic() < ends


def test_off_is_not_held_up_by_replies_that_have_to_be_thrown_away():
    with LineInstrument(lambda line: []) as instrument:
        link = Link.open(instrument.resource, LinkProfile(drop_first=3), 1.0)
        started = time.monotonic()
        link.send_now(link.encode("OUT0"))
        assert time.monotonic() - started < 0.5
        link.close()


@pytest.mark.parametrize("reconnect", [False, True])
def test_an_odd_reply_is_followed_by_opening_again_where_the_profile_says_so(reconnect, monkeypatch):
    opened = []
    real = link_module.open_wire
    monkeypatch.setattr(link_module, "open_wire", lambda *arguments: opened.append(arguments) or real(*arguments))
    profile = LinkProfile(serial=NO_GAP, reconnect_after_error=reconnect)
    way = WAYS["line"]
    with PortInstrument(once(way, BAD["missing"]), way.end) as instrument:
        link = Link.open(instrument.resource, profile, TIMEOUT_S)
        link.identify()
        with pytest.raises(ReplyLate):
            way.ask(link, 1)
        assert len(opened) == 1
        assert way.ask(link, 2) == 2
        assert way.ask(link, 3) == 3
        assert len(opened) == 1 + reconnect
        link.close()


def test_a_lost_link_without_terminators_is_opened_again_and_known_again():
    way = WAYS["length"]
    with LineInstrument(once(way, lambda way, line: [CLOSE]), way.end) as instrument:
        link = way.open(instrument)
        link.identify()
        with pytest.raises(LinkLost):
            way.ask(link, 1)
        assert way.ask(link, 2) == 2
        assert instrument.connections == 2
        link.close()


def test_another_unit_behind_a_link_without_terminators_is_refused():
    names = itertools.chain([b"EXAMPLEPS30V2.0"], itertools.repeat(b"EXAMPLEPS60V1.1"))
    with LineInstrument(lambda line: [next(names)] if line == "*IDN?" else [], b"") as instrument:
        link = Link.open(instrument.resource, UNENDED, TIMEOUT_S, identify=NAMED)
        link.identify()
        with pytest.raises(ReplyLate):
            link.query("N? 1")
        with pytest.raises(ReplyGarbled, match=r"PS30.*PS60"):
            link.query("N? 2")
        link.close()


def test_a_gap_frame_is_the_usual_one_only_where_the_profile_says_so():
    with LineInstrument(lambda line: [b"1", 0.03, b"2\n"]) as instrument:
        link = Link.open(instrument.resource, PLAIN, 1.0)
        assert link.query("N?") == "12"
        assert link.exchange(link.encode("N?"), GapFrame(60)) == b"12\n"
        link.close()
