"""What only VXI-11 has: a port mapper in front, replies in pieces, links to be freed."""

import struct
import threading
import time

import pytest
from pyvisa_py.protocols import rpc

from benchd.supplies.errors import LinkLost
from benchd.supplies.link import Link
from benchd.supplies.profile_link import LinkProfile
from tests.supplies.buses.station import SmallSupply, Station
from tests.supplies.buses.vxi11 import (
    CLEAR,
    CREATE_LINK,
    DESTROY_LINK,
    Arguments,
    Vxi11Instrument,
    opaque,
    receive_call,
)


@pytest.fixture
def instrument():
    with Station(SmallSupply().answer) as station, Vxi11Instrument(station, max_receive=16) as instrument:
        yield instrument


def test_the_port_is_asked_of_the_port_mapper(instrument, monkeypatch):
    """Port 111 belongs to the administrator, so the mapper stands elsewhere; all else is as in the field."""
    monkeypatch.setattr(rpc, "PMAP_PORT", instrument.mapper.port)
    link = Link.open(instrument.mapped, LinkProfile(), 0.5)
    assert link.identify() == "Example Works,EX-4,0,1.0"
    assert instrument.mapper.connections == 1
    link.close()


def test_a_device_without_a_core_channel_is_told(instrument, monkeypatch):
    monkeypatch.setattr(rpc, "PMAP_PORT", instrument.mapper.port)
    monkeypatch.setattr("tests.supplies.buses.vxi11.CORE", 1)  # so the mapper knows no core channel
    started = time.monotonic()
    with pytest.raises(LinkLost, match="cannot be opened"):
        Link.open(instrument.mapped, LinkProfile(), 0.3)
    assert time.monotonic() - started < 2.5


def test_a_connection_that_drops_while_opening_leaves_no_thread_that_spins(instrument):
    """PyVISA-py 0.8.1 reads a closed connection again and again for five seconds."""
    instrument.core._serve = receive_call  # and no reply
    with pytest.raises(LinkLost, match="not come back"):
        Link.open(instrument.resource, LinkProfile(), 0.1)
    mine = f"visa {instrument.resource}"
    ends = time.monotonic() + 2
    while any(each.name == mine for each in threading.enumerate()):
        assert time.monotonic() < ends
        time.sleep(0.01)


def test_replies_longer_than_the_instrument_sends_at_once(instrument):
    link = Link.open(instrument.resource, LinkProfile(), 0.5)
    assert link.identify() == "Example Works,EX-4,0,1.0"  # 24 bytes in pieces of 16
    link.close()


def test_links_are_cleared_at_first_use_and_freed_at_the_end(instrument):
    """An instrument has few links (VXI-11 §B.4); one that is not freed may be missed at the next start."""
    link = Link.open(instrument.resource, LinkProfile(), 0.5)
    link.identify()
    assert instrument.calls[:2] == [CREATE_LINK, CLEAR]
    assert len(instrument.links) == 1
    link.close()
    assert instrument.calls[-1] == DESTROY_LINK
    assert not instrument.links


def test_a_hang_does_not_keep_the_link_in_the_way(instrument):
    """The dead connection is closed, though no good-bye can be said on it."""
    link = Link.open(instrument.resource, LinkProfile(), 0.1)
    link.identify()
    instrument.station.hang()
    with pytest.raises(LinkLost):
        link.query("*IDN?")
    ends = time.monotonic() + 3
    while instrument.core.peers:
        assert time.monotonic() < ends
        time.sleep(0.01)
    link.close()
    instrument.station.wake()


def test_xdr_as_in_the_standard():
    """RFC 4506 §4.10: variable-length opaque data is counted and padded with zeros to a multiple of four."""
    assert opaque(b"abcde") == b"\0\0\0\5abcde\0\0\0"
    arguments = Arguments(opaque(b"abcde") + struct.pack(">I", 7))
    assert (arguments.opaque(), arguments.word()) == (b"abcde", 7)
