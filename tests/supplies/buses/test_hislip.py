"""What only HiSLIP has: two channels, message ids, replies in fragments."""

import time

import pytest

from benchd.supplies.errors import LinkError, LinkLost
from benchd.supplies.link import Link
from benchd.supplies.profile_link import LinkProfile
from tests.supplies.buses.hislip import DATA, DATA_END, HislipInstrument, message
from tests.supplies.buses.station import SmallSupply, Station


@pytest.fixture
def station():
    with Station(SmallSupply().answer) as station:
        yield station


def test_a_reply_in_fragments_is_put_together(station):
    with HislipInstrument(station, fragment=5) as instrument:
        link = Link.open(instrument.resource, LinkProfile(), 0.5)
        assert link.identify() == "Example Works,EX-4,0,1.0"
        assert link.query("MEAS:VOLT?;:MEAS:CURR?") == "0.0000;0.00000"
        link.close()


def test_a_reply_under_another_message_s_id_is_passed_over(station):
    """IVI-6.1, synchronised mode: a client discards data whose message id is not that of its last message."""
    with HislipInstrument(station) as instrument:
        link = Link.open(instrument.resource, LinkProfile(), 0.5)
        link.identify()
        instrument.stale = message(DATA, 0, 0xFFFFFF00, b"9.9") + message(DATA_END, 0, 0xFFFFFF00, b"9.9\n")
        assert link.query("OUTP?") == "0"
        link.close()


def test_a_message_that_nobody_asked_for_makes_a_new_session(station):
    with HislipInstrument(station) as instrument:
        link = Link.open(instrument.resource, LinkProfile(), 0.5)
        link.identify()
        for session in instrument.sessions.values():
            session.sync.send(message(DATA_END, 0, 0xFFFFFFFF, b"1\n"))  # an id that every client accepts
        ends = time.monotonic() + 3
        while not link._wire.unread():
            assert time.monotonic() < ends
        assert link.query("OUTP?") == "0"
        assert instrument.connections == 2
        link.close()


def test_a_connection_that_drops_inside_a_message_to_be_skipped_does_not_hold_us(station):
    """PyVISA-py 0.8.1 spins for ever there."""
    with HislipInstrument(station) as instrument:
        link = Link.open(instrument.resource, LinkProfile(), 0.3)
        link.identify()
        instrument.stale = message(DATA_END, 0, 0xFFFFFF00, b"x" * 100)[:-50]
        station.on_close = lambda: None
        started = time.monotonic()

        def answer_then_drop(line):
            instrument.server.drop_all()
            return [b"1\n"]

        station._answer = answer_then_drop
        with pytest.raises(LinkError):
            link.query("OUTP?")
        assert time.monotonic() - started < 1.5
        link.close()


def test_a_reply_that_trickles_does_not_hold_us(station):
    """PyVISA-py allows the time-out for every piece anew."""
    with HislipInstrument(station, fragment=1) as instrument:
        link = Link.open(instrument.resource, LinkProfile(), 0.3)
        link.identify()
        instrument.pause_s = 0.2
        started = time.monotonic()
        with pytest.raises(LinkLost):
            link.query("*IDN?")
        assert time.monotonic() - started < 1.5
        instrument.pause_s = 0.0
        link.close()


def test_something_else_on_the_port_is_told(station):
    with HislipInstrument(station) as instrument:
        instrument.greeting = b"220 not what you want\r\n"
        with pytest.raises(LinkLost, match="cannot be opened"):
            Link.open(instrument.resource, LinkProfile(), 0.3)
