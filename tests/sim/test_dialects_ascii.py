"""Families outside SCPI: expected lines, each with the key of its source, then their quirks and their pace.

Keys of published sources: SIG libsigrok, PM PyMeasure, QC QCoDeS, QMI, PEL PyExpLabSys, BAS basil, IK InstrumentKit,
SCH scopehal; man: a maker's manual. 'plain': no source for the form, the plainest one is taken.
"""

from __future__ import annotations

import re
import time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.sim.bench import Channel
from benchd.sim.dialects import FAMILIES
from tests.sim.talking import Talk
from tests.simulated import SimulatedSupply

ASCII = ("korad-ka3005p", "tenma-72-13350", "gwinstek-gpd", "aim-tti-plp", "aim-tti-el302p")

DIALOGUES: list[tuple[str, str | None, bytes, bytes, str]] = [
    # family, model (None: the usual one), sent, received, source
    ("korad-ka3005p", None, b"*IDN?", b"KORADKA3005PV2.0", "SIG"),
    ("korad-ka3005p", "KA3005P-01", b"*IDN?", b"KORADKA3005PV2.0\x01", "SIG"),
    ("korad-ka3005p", "KA3005P-BC", b"*IDN?", b"KORADKA3005PV2.0\xbc", "SIG"),
    ("korad-ka3005p", "72-2535", b"*IDN?", b"TENMA 72-2535 V2.0", "SIG"),
    ("korad-ka3005p", "72-2550", b"*IDN?", b"TENMA 72-2550 SN:1231345 V2.0", "QMI"),
    ("korad-ka3005p", "PS3005D", b"*IDN?", b"VELLEMANPS3005DV1.3", "SIG"),
    ("korad-ka3005p", "RND-KA3005P", b"*IDN?", b"RND 320-KA3005P V2.0", "SIG"),
    ("korad-ka3005p", "S-LS-31", b"*IDN?", b"S-LS-31", "SIG"),
    ("korad-ka3005p", None, b"VSET1:12.34", b"", "SIG"),
    ("korad-ka3005p", None, b"VSET1:05.00VSET1?", b"05.00", "SIG: five characters"),
    ("korad-ka3005p", None, b"ISET1:1.234ISET1?", b"1.234K", "SIG, QMI: a sixth byte"),
    ("korad-ka3005p", None, b"VOUT1?", b"00.00", "SIG"),
    ("korad-ka3005p", None, b"IOUT1?", b"0.000", "SIG"),
    ("korad-ka3005p", None, b"STATUS?", b"\x11", "SIG: CV and beep"),
    ("korad-ka3005p", None, b"OUT1STATUS?", b"\x51", "SIG: bit 6"),
    ("korad-ka3005p", None, b"OCP1OVP1BEEP0STATUS?", b"\xa1", "SIG: bits 5 and 7"),
    ("tenma-72-13350", None, b"*IDN?\n", b"TENMA 72-13350 SN:1231345 V2.0\n", "QMI"),
    ("tenma-72-13350", None, b"ISET:3.0\nISET?\n", b"3.000\n", "QMI; form: plain"),
    ("tenma-72-13350", None, b"VSET:5.000\nVSET?\n", b"5.00\n", "QMI; form: plain"),
    ("tenma-72-13350", None, b"STATUS?\n", b"\x01\n", "QMI"),
    ("tenma-72-13350", None, b"OUT:1\nSTATUS?\n", b"\x03\n", "QMI"),
    ("tenma-72-13350", None, b"OUT:1\nOUT:0\nSTATUS?\n", b"\x01\n", "QMI"),
    ("tenma-72-13350", None, b"ISET1:3.0\nISET1?\n", b"", "QMI: no channel digit"),
    ("gwinstek-gpd", None, b"*IDN?\n", b"GW INSTEK,GPD-2303S,SN:SIM00001,V2.10\r\n", "SIG"),
    ("gwinstek-gpd", None, b"VSET1:5.000\nVSET1?\n", b"5.000\r\n", "SIG"),
    ("gwinstek-gpd", None, b"ISET2:0.250\nISET2?\n", b"0.250\r\n", "SIG"),
    ("gwinstek-gpd", None, b"IOUT1?\nVOUT1?\n", b"0.000\r\n0.000\r\n", "SIG: two lines back to back"),
    ("gwinstek-gpd", None, b"STATUS?\n", b"11011000\r\n", "SIG, SCH"),
    ("gwinstek-gpd", None, b"OUT1\nSTATUS?\n", b"11011100\r\n", "SIG, SCH: output in position 6"),
    ("gwinstek-gpd", None, b"TRACK1\nBEEP0\nSTATUS?\n", b"11110000\r\n", "SIG, SCH: 11 series"),
    ("gwinstek-gpd", None, b"TRACK2\nSTATUS?\n", b"11101000\r\n", "SIG, SCH: 10 parallel"),
    ("gwinstek-gpd", "GPD-3303D", b"VSET1:5.04\nVSET1?\n", b"5.0\r\n", "SCH: 0.1 V steps; form: plain"),
    ("gwinstek-gpd", None, b"VOUT3?\n", b"Invalid Character\r\n", "man: GPD-3303 p.37"),
    ("gwinstek-gpd", None, b"VSET1:99\nERR?\n", b"Data out of range\r\n", "man: GPD-3303 p.37"),
    ("gwinstek-gpd", None, b"VSET1:5.00000000\nVSET1?\n", b"0.000\r\n", "man: GPD-3303 p.37: 15 characters"),
    ("aim-tti-plp", "PL601-P", b"*IDN?\n", b"THURLBY THANDAR, PL601-P, 514710, 3.05-4.06\r\n", "QC"),
    ("aim-tti-plp", None, b"V2 1.2\nV2?\n", b"V2 1.200\r\n", "PM, QC, BAS, PEL: echo"),
    ("aim-tti-plp", None, b"V2V 1.2\nV2?\n", b"V2 1.200\r\n", "PM"),
    ("aim-tti-plp", None, b"I2 0.1\nI2?\n", b"I2 0.100\r\n", "PM"),
    ("aim-tti-plp", None, b"V1O?\n", b"0.000V\r\n", "PM, QC: glued unit"),
    ("aim-tti-plp", None, b"I1O?\n", b"0.000A\r\n", "PM, QC: glued unit"),
    ("aim-tti-plp", None, b"V1O?;I1O?\n", b"0.000V\r\n0.000A\r\n", "man: a line per answer"),
    ("aim-tti-plp", None, b"OP2 1\nOP2?;OP1?\n", b"1\r\n0\r\n", "PM"),
    ("aim-tti-plp", None, b"OPALL 1\nOP1?;OP2?\n", b"1\r\n1\r\n", "PM"),
    ("aim-tti-plp", None, b"OPALL 1\nOPALL 0\nOP1?;OP2?\n", b"0\r\n0\r\n", "PM"),
    ("aim-tti-plp", None, b"IRANGE2 2\nIRANGE2?\nIRANGE2 1\nIRANGE2?\n", b"2\r\n1\r\n", "PM"),
    ("aim-tti-plp", None, b"OVP1?\n", b"VP1 OFF\r\n", "man: MX180T p.35, BAS"),
    ("aim-tti-plp", None, b"OVP1 12.0\nOVP1?\n", b"VP1 12.0\r\n", "man: MX180T p.35, BAS"),
    ("aim-tti-plp", None, b"OCP1 1.5\nOCP1?\n", b"CP1 1.50\r\n", "BAS; decimals: plain"),
    ("aim-tti-plp", None, b"IFLOCK?\nIFLOCK\nIFLOCK?\nIFUNLOCK\n", b"0\r\n1\r\n1\r\n0\r\n", "QC, man: XDL II"),
    ("aim-tti-plp", None, b"*OPC?\n", b"1\r\n", "man: CPX200D p.28"),
    ("aim-tti-plp", None, b"SYST:ERR?\nEER?\nQER?\n", b"0\r\n0\r\n", "man: LD400 p.47: no error queue"),
    ("aim-tti-plp", "PL601-P", b"V2?\nEER?\n", b"100\r\n", "man: CPX200D p.28; number: from memory"),
    ("aim-tti-el302p", None, b"*IDN?\r\n", b"Thurlby Thandar,EL302P,0,v2.00\r\n", "IK"),
    ("aim-tti-el302p", None, b"V 10.0\nV?\n", b"V 10.00\r\n", "IK"),
    ("aim-tti-el302p", None, b"I 1.0\nI?\n", b"I 1.00\r\n", "IK"),
    ("aim-tti-el302p", None, b"IO?\n", b"I 0.00\r\n", "IK"),
    ("aim-tti-el302p", None, b"VO?\n", b"V 0.00\r\n", "IK"),
    ("aim-tti-el302p", None, b"M?\n", b"M CV\r\n", "IK"),
    ("aim-tti-el302p", None, b"ON\nOUT?\n", b"OUT ON\r\n", "IK"),
    ("aim-tti-el302p", None, b"ON\nOFF\nOUT?\n", b"OUT OFF\r\n", "IK"),
    ("aim-tti-el302p", None, b"ERR?\n", b"ERR 0\r\n", "IK"),
    ("aim-tti-el302p", None, b"VOLT?\nERR?\n", b"ERR 1\r\n", "IK: not recognised"),
    ("aim-tti-el302p", None, b"I 0.001\nERR?\n", b"ERR 2\r\n", "IK: outside 0.01 to 2 A"),
    ("aim-tti-el302p", None, b"*RST\nV?\nI?\n", b"V 1.00\r\nI 1.00\r\n", "IK"),
]


@pytest.mark.parametrize(("family", "model", "sent", "received", "source"), DIALOGUES)
def test_dialogue(family: str, model: str | None, sent: bytes, received: bytes, source: str) -> None:
    assert Talk(family, model).say(sent) == received, source


# SIG: old firmware answers in three lines, digits apart, output in position 7; man: GPD-3303.
def test_gpd_old_firmware() -> None:
    talk = Talk("gwinstek-gpd", "GPD-3303S-V1")
    talk.say(b"OUT1\n")
    lines = talk.say(b"STATUS?\n").split(b"\r\n")
    filled = [line for line in lines if line]
    assert filled[0] == b"1 1 0 1 1 X 1 X"
    assert len(filled) == 3
    assert re.fullmatch(rb"\r\nGW INSTEK,GPD-3303S,SN:\w+,V1\.\d+\r\n", talk.say(b"*IDN?\n"))


def test_gpd_followers_take_the_first_outputs_settings() -> None:
    talk = Talk("gwinstek-gpd")
    talk.say(b"VSET1:5\nVSET2:3\nTRACK1\nVSET2:7\nISET1:0.5\n")
    assert talk.say(b"VSET2?\nISET2?\nERR?\n") == b"5.000\r\n0.500\r\nData out of range\r\n"


def test_korad_line_end_spoils_the_command() -> None:
    talk = Talk("korad-ka3005p")
    assert talk.say(b"VSET1:5.00\n") == b""
    assert talk.say(b"VSET1?\r\n") == b""
    assert talk.say(b"VSET1?") == b"00.00"


def test_korad_status_is_not_always_printable() -> None:
    talk = Talk("korad-ka3005p")
    talk.board("dead-short")
    talk.say(b"BEEP0")
    talk.say(b"VSET1:4.00ISET1:0.500OUT1")
    talk.wait(1.0)
    # SIG: bit 0 clear in constant current, bit 6 output.
    assert talk.say(b"STATUS?") == b"\x40"
    assert talk.say(b"OUT0STATUS?") == b"\x01"


def test_korad_trip_shows_as_output_off() -> None:
    talk = Talk("korad-ka3005p")
    talk.board("dead-short")
    talk.say(b"VSET1:4.00ISET1:0.500OCP1OUT1")
    talk.wait(1.0)
    assert talk.say(b"STATUS?")[0] & 0x40 == 0


# man: QPX600D p.30: bits 0 CV, 1 CC, 3 and 4 the trips, cleared by reading.
def test_tti_limit_events_are_cleared_by_reading() -> None:
    talk = Talk("aim-tti-plp")
    talk.say(b"V1 4;I1 0.5;OP1 1\n")
    talk.wait(0.5)
    # In constant current while the capacitor across the terminals charges, then in constant voltage.
    assert talk.say(b"LSR1?;LSR1?\n") == b"3\r\n0\r\n"
    talk.board("dead-short")
    talk.wait(0.5)
    assert talk.say(b"LSR1?;LSR1?\n") == b"2\r\n0\r\n"
    talk.say(b"OCP1 0.4\n")
    talk.wait(0.5)
    assert talk.say(b"LSR1?;OP1?\n") == b"16\r\n0\r\n"
    assert talk.say(b"OP1 1;OP1?\n") == b"0\r\n"
    assert talk.say(b"TRIPRST;OP1?;OCP1 OFF;OP1 1;OP1?\n") == b"0\r\n1\r\n"


# QC, man: XDL II: each connection has registers of its own, and one may lock the others out.
def test_tti_sessions() -> None:
    talk = Talk("aim-tti-plp")
    talk.say(b"V1 99\n")
    talk.client = 2
    assert talk.say(b"EER?\n") == b"0\r\n"
    assert talk.say(b"IFLOCK\n") == b"1\r\n"
    talk.client = 1
    assert talk.say(b"EER?;IFLOCK;V1 3;V1?;EER?\n") == b"100\r\n-1\r\nV1 0.000\r\n200\r\n"


# PM: the output must be off when the range changes.
def test_tti_range() -> None:
    talk = Talk("aim-tti-plp")
    assert talk.say(b"OP1 1;IRANGE1 1;IRANGE1?;EER?\n") == b"2\r\n104\r\n"
    assert talk.say(b"OP1 0;IRANGE1 1;I1?;I1 2;EER?\n") == b"I1 0.500\r\n100\r\n"


@pytest.mark.parametrize(
    ("family", "on", "read"),
    [
        ("korad-ka3005p", b"VSET1:4.00ISET1:1.000OUT1", b"VOUT1?"),
        ("tenma-72-13350", b"VSET:4\nISET:1\nOUT:1\n", b"VOUT?\n"),
        ("gwinstek-gpd", b"VSET1:4\nISET1:1\nOUT1\n", b"VOUT1?\n"),
        ("aim-tti-plp", b"V1 4;I1 1;OP1 1\n", b"V1O?\n"),
        ("aim-tti-el302p", b"V 4\nI 1\nON\n", b"VO?\n"),
    ],
)
def test_readings_come_from_the_board(family: str, on: bytes, read: bytes) -> None:
    talk = Talk(family)
    talk.board("clean")
    talk.say(on)
    talk.wait(1.0)
    found = re.search(rb"\d+\.\d+", talk.say(read))
    assert found is not None
    assert float(found.group()) == pytest.approx(4.0, abs=0.02)


# man: GPD-3303 p.41; SIG: 80 ms and Velleman's 450 ms more; IK: 10 ms; BAS, PEL: 100 ms; QMI: 20 ms.
@pytest.mark.parametrize(
    ("family", "model", "message", "seconds"),
    [
        ("gwinstek-gpd", None, b"VSET1:5", 0.07),
        ("gwinstek-gpd", None, b"VOUT1?", 0.08),
        ("gwinstek-gpd", None, b"STATUS?\r", 0.4),
        ("korad-ka3005p", None, b"VOUT1?", 0.05),
        ("korad-ka3005p", "PS3005D", b"VOUT1?", 0.05),
        ("korad-ka3005p", "PS3005D", b"STATUS?", 0.5),
        ("korad-ka3005p", "PS3005D", b"VSET1:5", 0.5),
        ("aim-tti-el302p", None, b"V?", 0.01),
        ("aim-tti-plp", None, b"V1O?", 0.1),
        ("aim-tti-plp", None, b"V1V 5", 0.2),
        ("tenma-72-13350", None, b"VOUT?", 0.02),
    ],
)
def test_pace(family: str, model: str | None, message: bytes, seconds: float) -> None:
    assert FAMILIES[family](model).busy_s(message) == pytest.approx(seconds)


@pytest.mark.parametrize("family", ASCII)
@given(data=st.binary(max_size=60))
@settings(max_examples=40, deadline=None)
def test_any_bytes_are_borne(family: str, data: bytes) -> None:
    """Whatever arrives: no exception, no output switched on, settings in range, and the supply still answers."""
    talk = Talk(family)
    talk.say(data.translate(None, b"1nN"))  # neither OUT1 nor ON
    talk.say(b"\n\n")
    assert not any(channel.source.on for channel in talk.supply.channels)
    for channel, output in zip(talk.supply.channels, talk.supply.outputs, strict=True):
        assert _in_range(channel, output.voltage_v, output.current_a)
    assert talk.say(b"*IDN?" if family == "korad-ka3005p" else b"*IDN?\n")


def _in_range(channel: Channel, voltage_v: float, current_a: float) -> bool:
    return 0.0 <= channel.source.voltage_v <= voltage_v and 0.0 <= channel.source.limit_a <= current_a


def test_korad_on_a_serial_line_loses_what_comes_early() -> None:
    """Through the server, on a pseudo terminal: two commands at once, and the second is gone."""
    import serial

    with SimulatedSupply(family="korad-ka3005p", pty=True) as supply, serial.Serial(supply.pty, timeout=2.0) as port:
        port.write(b"VSET1:03.30")
        port.write(b"VSET1:04.40")
        deadline_s = time.monotonic() + 5.0
        reply = b""
        while len(reply) < 5 and time.monotonic() < deadline_s:
            port.timeout = 0.2
            port.write(b"VSET1?")
            reply = port.read(5)
        assert reply == b"03.30"


@pytest.mark.parametrize(("family", "off"), [("gwinstek-gpd", b"OUT0\n"), ("aim-tti-plp", b"OP1 0\n")])
def test_deaf_supply_hears_the_familys_own_off(family: str, off: bytes) -> None:
    talk = Talk(family)
    talk.say(b"OUT1\nOP1 1\n")
    talk.supply.faults.set("DEAF", ())
    talk.say(off)
    assert talk.supply.off_count == 1
    assert talk.supply.channels[0].source.on
