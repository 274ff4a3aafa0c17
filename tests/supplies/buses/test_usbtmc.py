"""What only USB-TMC has: transfers with tags, halted endpoints, aborts, device clear, cables."""

import time

import pytest
import pyvisa

from benchd.supplies.errors import LinkError, LinkLost, ReplyGarbled, ReplyLate
from benchd.supplies.link import Link
from benchd.supplies.profile_link import LinkProfile
from benchd.supplies.visa_wire import LIBUSB
from tests.supplies.buses.station import SmallSupply, Station
from tests.supplies.buses.usbtmc import BULK_IN, BULK_OUT, UsbInstrument, plugged_in


@pytest.fixture
def plugged():
    """`plugged(**options)` gives an instrument on the bus and the small supply in it."""
    with Station(SmallSupply().answer) as station:
        device = UsbInstrument(station)
        with plugged_in(device):
            yield device


def opened(device, timeout_s=0.2):
    link = Link.open(device.resource, LinkProfile(), timeout_s)
    link.identify()
    return link


def test_it_is_listed_with_its_serial_number_and_answers_under_that_name(plugged):
    (listed,) = [name for name in pyvisa.ResourceManager("@py").list_resources("USB?*") if "SN4" in name]
    link = Link.open(listed, LinkProfile(), 0.2)
    assert link.identify() == "Example Works,EX-4,0,1.0"
    link.close()


def test_a_reply_in_several_transfers_is_put_together(plugged):
    plugged._split = 7
    link = opened(plugged)
    assert link.identity == "Example Works,EX-4,0,1.0"
    link.close()


def test_a_reply_with_another_request_s_tag_is_refused_and_the_device_cleared(plugged):
    link = opened(plugged)
    plugged.wrong_tags = 1
    before = plugged.station.clears
    with pytest.raises(ReplyGarbled, match="not to"):
        link.query("OUTP?")
    assert link.query("VOLT?") == "0.000"
    assert plugged.station.clears > before
    link.close()


def test_a_halted_reply_is_cleared(plugged):
    link = opened(plugged)
    plugged.stalled.add(BULK_IN)
    with pytest.raises(LinkError):
        link.query("OUTP?")
    assert link.query("VOLT?") == "0.000"
    assert f"unhalt {BULK_IN:#04x}" in plugged.transfers
    link.close()


def test_off_gets_through_a_halted_endpoint_at_once(plugged):
    link = opened(plugged)
    plugged.stalled.add(BULK_OUT)
    clears = plugged.station.clears
    link.send_now(link.encode("OUTP OFF"))
    ends = time.monotonic() + 2
    while "OUTP OFF" not in plugged.station.lines:
        assert time.monotonic() < ends
    assert plugged.station.lines.count("OUTP OFF") == 1
    assert plugged.station.clears == clears
    link.close()


def test_a_device_clear_that_takes_its_time_is_waited_for(plugged):
    link = opened(plugged)
    plugged.clear_waits = 5
    link.resync()
    assert plugged.clear_waits < 0
    assert link.query("VOLT?") == "0.000"
    link.close()


def test_an_instrument_that_does_not_end_an_aborted_transfer_is_left_in_time(plugged):
    """PyVISA-py waits five seconds for that end."""
    plugged._mute_abort = True
    link = opened(plugged)
    started = time.monotonic()
    with pytest.raises(LinkError):
        link.query("VOLT 1")  # no query, so no reply
    assert time.monotonic() - started < 1.5
    link.close()


def test_no_reply_is_late_not_lost(plugged):
    link = opened(plugged)
    with pytest.raises(ReplyLate):
        link.query("VOLT 1")
    assert link.query("VOLT?") == "1.000"
    link.close()


def test_an_unplugged_cable_is_lost_at_once_and_found_again(plugged):
    link = opened(plugged, 2.0)
    plugged.unplug()
    started = time.monotonic()
    for _ in range(2):
        with pytest.raises(LinkLost):
            link.query("VOLT?")
    assert time.monotonic() - started < 1.0
    plugged.plug()
    assert link.query("VOLT?") == "0.000"
    link.close()


def test_one_holder_at_a_time(plugged):
    """USB has one owner of an interface; the second is told so, and the first is not disturbed."""
    link = opened(plugged)
    with pytest.raises(LinkError):
        opened(plugged)
    assert link.query("VOLT?") == "0.000"
    link.close()
    opened(plugged).close()


def test_without_libusb_one_line_says_what_to_install():
    """Here USB is what PyVISA-py found at its import: most test machines have no libusb."""
    try:
        Link.open("USB0::0x1234::0x5678::SN4::0::INSTR", LinkProfile(), 0.2).close()
    except LinkLost as error:
        told = str(error)
    assert LIBUSB in told or "No device found" in told
    assert "\n" not in told
