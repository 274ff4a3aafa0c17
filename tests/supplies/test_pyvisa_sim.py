"""The driver on PyVISA-sim's instrument (see instruments.yaml): other people's code on the other side.

This also runs the path of USB-TMC, GPIB and VXI-11, which go through PyVISA's ordinary calls.
"""

from pathlib import Path

import pytest

from benchd.reading import Mode, OutputState
from benchd.scpi.framing import BlockFrame, EndFrame, GapFrame, LengthFrame
from benchd.supplies.errors import ReplyGarbled, ReplyLate
from benchd.supplies.off import confirm_off
from benchd.supplies.profile import load_profile
from benchd.supplies.supply import Supply

LIBRARY = f"{Path(__file__).with_name('instruments.yaml')}@sim"
RESOURCES = ["TCPIP0::192.0.2.9::5025::SOCKET", "ASRL9::INSTR", "USB0::0x1234::0x5678::SN1::0::INSTR"]


@pytest.fixture(params=RESOURCES)
def supply(request):
    supply = Supply.open("other", request.param, load_profile("generic-scpi"), (1,), 0.3, library=LIBRARY)
    yield supply
    supply.close()


def test_prepare_on_read_off(supply):
    assert supply.identify() == "Example Works,EX-2,0,1.0"
    supply.prepare(1, 5.0, 1.5)
    assert supply.link.query("VOLT?") == "5.000"
    assert supply.link.query("CURR?") == "1.500"
    supply.output_on(1)
    reading = supply.read(1)
    assert (reading.voltage_v, reading.current_a, reading.mode) == (4.0, 0.0612, Mode.CV)
    supply.send_off(1)
    assert supply.output_state(1) is False
    # Its readings are canned, so its current never falls: it must not be called off.
    assert confirm_off(supply, 1, 0.2).state is OutputState.UNKNOWN


def test_replies_without_ends_of_their_own(supply):
    """A backend throws away what came before a timeout; where only silence ends a reply, nothing may get lost."""
    link = supply.link
    assert link.exchange(link.encode("*IDN?"), GapFrame(30)) == b"Example Works,EX-2,0,1.0\n"
    assert link.exchange(link.encode("OUTP?"), LengthFrame(3, stray=1)) == b"OFF"
    assert link.exchange(link.encode("OUTP?"), BlockFrame()) == b"OFF"  # no block came, but a line
    with pytest.raises(ReplyGarbled, match="expected 3 bytes"):
        link.exchange(link.encode("*IDN?"), LengthFrame(3))
    assert supply.output_state(1) is False


def test_a_setting_that_the_instrument_refuses(supply):
    """Above its 2 A it says ERROR, unasked, where the read-back is expected: that must not pass for a number."""
    with pytest.raises(ReplyGarbled, match=r"asked CURR\?, got 'ERROR', expected a number"):
        supply.prepare(1, 5.0, 3.0)
    assert supply.output_state(1) is False


def test_a_question_that_it_does_not_answer_is_late_and_the_next_is_answered(supply):
    supply.link.timeout_s = 0.1
    with pytest.raises(ReplyLate):
        supply.link._ask(supply.link._wire, b"", EndFrame())
    assert supply.output_state(1) is False
