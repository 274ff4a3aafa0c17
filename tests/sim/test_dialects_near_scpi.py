"""SCPI-like families of smaller makers: expected lines, each with the key of its source, then quirks and pace.

Keys of published sources: SIG libsigrok, PM PyMeasure, TMD tm_devices, TEK Tektronix's examples, BKX B&K's examples,
NASE a public driver of the UDP3305S; man: a maker's manual. 'memory': from memory. 'plain': no source for the form.
"""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.sim.dialects import FAMILIES
from tests.sim.talking import Talk
from tests.simulated import SimulatedSupply

NEAR_SCPI = (
    "gwinstek-psw",
    "gwinstek-gpp",
    "owon-spe",
    "unit-udp3305s",
    "itech-it6300",
    "bk-9130",
    "bk-9130b",
    "keithley-2230",
    "keithley-2200",
    "keithley-2280s",
)

DIALOGUES: list[tuple[str, str | None, str, str, str]] = [
    # family, model (None: the usual one), lines sent, lines received, source
    ("gwinstek-psw", "PSU-2076", "*IDN?", "GW-INSTEK,PSU-2076,TW123456,01.00.20110101", "man: PSU"),
    ("gwinstek-psw", "PSW80-27", "*IDN?", "GW-INSTEK, PSW80-27, TW123456, 01.00.20110101", "man: PSU: blanks"),
    ("gwinstek-psw", "2260B-30-36", "*IDN?", "KEITHLEY,2260B-30-36,TW123456,01.00.20110101", "PM; spelling: memory"),
    ("gwinstek-psw", "PSW-360L30", "OUTPut?\nOUTPut 1\nOUTPut?", "0\n1", "PM tests"),
    ("gwinstek-psw", None, ":SOUR:CURR 5.12\n:SOUR:CURR?", "+5.120", "PM tests"),
    ("gwinstek-psw", None, ":SOUR:VOLT 10\n:SOUR:VOLT?", "+10.000", "PM tests"),
    ("gwinstek-psw", None, ":APPLy 5.05,1.1\n:APPLy?", "+5.050, +1.100", "PM tests: blank after the comma"),
    ("gwinstek-psw", None, ":MEAS:VOLT?\n:MEAS:CURR?\n:MEAS:POW?", "+0.000\n+0.000\n+0.000", "PM tests"),
    ("gwinstek-psw", None, "CURR:PROT MAX\nCURR:PROT?", "+39.600", "TEK; form: plain"),
    ("gwinstek-psw", None, "OUTP:MODE CVHS\nOUTP:MODE CV\nSYST:ERR?", '-224,"Illegal parameter value"', "TEK"),
    ("gwinstek-psw", None, "SYST:KLOC 1\nSYST:KLOC?\n*OPC?\n*ESR?", "1\n1\n128", "man: 2260B p.73"),
    ("gwinstek-psw", None, "STAT:OPER:COND?\nOUTP:PROT:TRIP?", "0\n0", "memory"),
    ("gwinstek-gpp", None, "*IDN?", "GW INSTEK,GPP-4323,SN:SIM00001,V1.17", "memory"),
    ("gwinstek-gpp", None, ":SOUR2:VOLT 5\n:SOUR2:VOLT?\n:SOUR1:VOLT?", "5.000\n0.000", "memory; form: plain"),
    ("gwinstek-gpp", None, ":OUTP2:STAT ON\n:OUTP2:STAT?\n:OUTP1:STAT?", "1\n0", "memory; form: plain"),
    ("gwinstek-gpp", None, ":OUTP2:OVP 6\n:OUTP2:OVP:STAT ON\n:OUTP2:OVP?", "6.000", "man: GPP p.128"),
    ("gwinstek-gpp", None, ":OUTP2:OVP:TRIG?\n:OUTP2:OVP:TRIP?", "0", "man: GPP p.128: TRIG, not TRIP"),
    ("gwinstek-gpp", None, ":MEAS1:ALL?", "0.000,0.000,0.000", "memory"),
    ("gwinstek-gpp", None, "MODE1?\nMODE3?", "IND", "GPPY, of outputs 1 and 2"),
    ("gwinstek-gpp", None, "VSET2:5.5\nVSET2?\n:SOUR2:VOLT?", "5.500\n5.500", "memory: GPD commands too"),
    ("owon-spe", None, "*IDN?", "OWON,SPE6103,SIM00001,FV:V3.0.1", "SIG; last field: memory"),
    ("owon-spe", "DC310S", "*IDN?", "KIPRIM,DC310S,SIM00001,FV:V3.0.1", "memory"),
    ("owon-spe", None, "VOLT 5\nVOLT?\nCURR 0.5\nCURR?", "5.00\n0.500", "SIG; form: plain"),
    ("owon-spe", None, "VOLT 0\nVOLT?", "0.01", "SIG: smallest setting 0.01 V"),
    ("owon-spe", None, "OUTP 1\nOUTP?", "ON", "memory: a word on some SPE"),
    ("owon-spe", "P4305", "OUTP 1\nOUTP?", "1", "memory: a digit on P4000"),
    ("owon-spe", None, "MEAS:VOLT?\nMEAS:CURR?\nMEAS:POW?", "0.000\n0.000\n0.000", "SIG"),
    ("owon-spe", None, "MEAS:ALL?\nMEAS:ALL:INFO?", "0.000,0.000\n0.000,0.000,0.000,0,0,0,0", "memory"),
    ("owon-spe", None, "VOLT:LIM 6\nVOLT:LIM?\nCURR:LIM 2\nCURR:LIM?", "6.00\n2.000", "SIG"),
    ("owon-spe", None, "SYST:ERR?\n*OPC?\n*ESR?", "", "memory: no error queue"),
    ("unit-udp3305s", None, "*IDN?", "UNI-T,UDP3305S,SIM00001,1.00", "NASE: four fields, the model as third party"),
    ("unit-udp3305s", None, "SOUR:MODE?\nSOUR:MODE SER\nSOUR:MODE?", "NORMAL\nSER", "NASE"),
    ("unit-udp3305s", None, "OUTP:STAT CH2,ON\nOUTP:STAT? CH2\nOUTP:STAT? CH1", "ON\nOFF", "NASE; query: memory"),
    ("unit-udp3305s", None, "OUTP:STAT ALL,ON\nOUTP:STAT? CH1\nOUTP:STAT? CH3", "ON\nON", "NASE"),
    ("unit-udp3305s", None, "APPL CH1,5,0.5\nAPPL? CH1", "5.000,0.500", "memory; reply: plain"),
    ("unit-udp3305s", None, "APPL CH1,5V\nAPPL CH1,1A\nAPPL? CH1,VOLT\nAPPL? CH1,CURR", "CH1,5.000\nCH1,1.000", "NASE"),
    ("unit-udp3305s", None, "MEAS:VOLT? CH1\nMEAS:ALL? CH1", "0.000\n0.000,0.000,0.000", "memory"),
    ("unit-udp3305s", None, "OUTP:CVCC? CH1\nOUTP:OVP:QUES? CH1", "CV\nNO", "memory"),
    ("unit-udp3305s", None, "SYST:ERR?\n*OPC?\nOUTP:STAT? SER", "", "no source: no queue; SER only in series"),
    ("itech-it6300", None, "*IDN?", "ITECH Ltd., IT6322A, 602071010707110004, 1.11-1.08", "memory: blanks"),
    (
        "itech-it6300",
        None,
        "VOLT 5\nSYST:ERR?\nSYST:REM\nVOLT 5\nVOLT?",
        '550,"Command not allowed in local"\n5.000',
        "memory",
    ),
    ("itech-it6300", None, "SYST:REM\nvolt 0.5V\nVOLT?", "0.500", "man: BK: a unit is allowed"),
    (
        "itech-it6300",
        None,
        "SYST:REM\nINST:NSEL 2\nVOLT 4\nINST:NSEL?\nVOLT?\nINST FIR\nVOLT?",
        "2\n4.000\n0.000",
        "BKX, SIG",
    ),
    ("itech-it6300", None, "VOLT:PROT:TRIG?\nVOLT:PROT:TRIP?", "", "no trip query is known of the IT6300"),
    ("itech-it6300", "IT6512A", "VOLT:PROT:TRIGgered?\nVOLT:PROT:TRIPed?", "0", "man: IT6500 p.31"),
    ("itech-it6300", "IT6942A", "VOLT:PROT:TRIPed?\nVOLT:PROT:TRIGgered?", "0", "man: IT6942A p.42"),
    (
        "itech-it6300",
        "IT6512A",
        "SYST:REM\nVOLT:PROT:DEL 0.7\nVOLT:PROT:DEL 0.6\nVOLT:PROT:DEL?",
        "0.600",
        "man: IT6500",
    ),
    ("bk-9130", None, "INST SECOnd\nINST:NSEL?\nINST THI\nINST:NSEL?", "2\n3", "BKX, SIG"),
    ("bk-9130", None, "OUTP 1\nINST:NSEL 3\nOUTP?", "1", "SIG, BKX; one switch: no source"),
    ("bk-9130", None, "MEAS:POW:ALL?\nMEAS:VOLT:ALL?", "0.000,0.000,0.000\n0.000,0.000,0.000", "man: BK 9130 p.31"),
    ("bk-9130", None, "APPL:VOLT 1,2,3\nINST:NSEL 3\nVOLT?", "3.000", "memory"),
    ("bk-9130", None, "INST:SEL CH2\nSYST:ERR?", '-224,"Illegal parameter value"', "BKX: no CHn on the 9130"),
    ("bk-9130b", None, "INST:SEL CH2\nINST:SEL?\nSOUR:CHAN:OUTP:STAT 1\nSOUR:CHAN:OUTP:STAT?", "CH2\n1", "PM"),
    ("bk-9130b", None, "INST:SEL CH2\nSOUR:CHAN:OUTP:STAT 1\nINST:SEL CH1\nSOUR:CHAN:OUTP:STAT?", "0", "PM"),
    ("bk-9130b", None, "APPL CH3,2.5,1\nINST:NSEL?\nINST:NSEL 3\nVOLT?\nCURR?", "1\n2.500\n1.000", "BKX"),
    ("bk-9130b", None, "SOURce:VOLTage:LEVel:IMMediate:AMPLitude 3\nVOLT?", "3.000", "PM"),
    ("keithley-2230", None, "*IDN?", "Keithley instruments, 2230G-30-6, 0123456789AF, 1.04-1.06", "TMD"),
    ("keithley-2230", "2231A-30-3", "*IDN?", "Keithley instruments, 2231A-30-3, 0123456789AF, 1.04-1.06", "TMD"),
    ("keithley-2230", None, "INST:SEL CH1;VOLT 1.456\nINST:SEL CH1;VOLT?", "1.456", "PM tests: no colon"),
    (
        "keithley-2230",
        None,
        "INST:SEL CH3;CURR 1.456\nINST:SEL CH1;CURR 2.654\nINST:SEL CH3;CURR?",
        "1.456",
        "PM tests",
    ),
    ("keithley-2230", None, "INST:SEL CH1;MEAS:VOLT?", "0.000", "PM tests"),
    (
        "keithley-2230",
        None,
        "INST:SEL CH1;SOURCE:OUTP:ENAB 1\nSOUR:OUTP:ENAB?\nINST:NSEL 2\nSOUR:OUTP:ENAB?",
        "1\n0",
        "PM",
    ),
    ("keithley-2230", None, "OUTP 1\nINST:NSEL 3\nSOUR:OUTP:ENAB?", "1", "TEK: OUTP is for all"),
    ("keithley-2230", None, "INST:COM:SER\nINST:COM?\nINST:COM:OFF\nINST:COM?", "SER\nOFF", "TEK; query: no source"),
    ("keithley-2230", None, "VOLT:LIM 5\nVOLT:LIM:STAT 1\nVOLT 6\nVOLT?", "0.000", "PM: a ceiling"),
    ("keithley-2230", None, "SYST:ERR?\n*OPC?\n*ESR?", '0,"No error"\n1\n128', "TMD"),
    ("keithley-2230", None, "MEAS:VOLT? CH2\nFETC:VOLT? ALL", "0.000\n0.000,0.000,0.000", "memory"),
    ("keithley-2230", "2231A-30-3", "VOLT 5\nVOLT?\n*RST;SYST:REM\nVOLT 5\nVOLT?", "0.000\n5.000", "TEK: remote first"),
    ("keithley-2200", None, "*IDN?", "Keithley Instruments, 2200-72-1, 0123456789AF, 1.24-1.04", "TMD"),
    ("keithley-2200", None, "VOLT 7\nVOLT?\nOUTP 1\nOUTP?\nMEAS:POW?", "7.000\n1\n0.000", "PM"),
    ("keithley-2280s", None, "*IDN?", "KEITHLEY INSTRUMENTS LLC,MODEL 2280S-32-6,01234567,01.00", "TMD"),
    ("keithley-2280s", "2281S-20-6", "*IDN?", "KEITHLEY INSTRUMENTS INC.,MODEL 2281S-20-6,01234567,01.00", "TMD"),
    ("keithley-2280s", "2281S-20-6", ":OUTP:STAT?\n:OUTP:STAT ON\n:OUTP:STAT?", "OFF\nON", "PM tests"),
    (
        "keithley-2280s",
        "2281S-20-6",
        ":SYST:LFR?\n:ENTR:FUNC?\n:ENTR:FUNC TEST\n:ENTR:FUNC?",
        "50\nPOWER\nTEST",
        "PM tests",
    ),
    ("keithley-2280s", "2281S-20-6", ":STAT:MEAS:INST:ISUM:COND?", "0", "PM tests: no reading yet"),
    ("keithley-2280s", None, 'FORM:ELEM "READ"\nMEAS:VOLT?', "+0.00000E+00", "TEK; form: plain"),
    (
        "keithley-2280s",
        None,
        "INIT:CONT ON\nINIT\nSYST:ERR?",
        '213,"Trigger ignored, continuous initiation is on"',
        "TEK",
    ),
]


@pytest.mark.parametrize(("family", "model", "sent", "received", "source"), DIALOGUES)
def test_dialogue(family: str, model: str | None, sent: str, received: str, source: str) -> None:
    talk = Talk(family, model)
    assert talk.say(sent.encode() + b"\n") == b"".join(
        line.encode() + b"\n" for line in received.split("\n") if line
    ), source


# TEK: several elements until FORM:ELEM "READ".
def test_2280_readings_have_several_elements() -> None:
    talk = Talk("keithley-2280s")
    assert len(talk.say(b"MEAS:CURR?\n").split(b",")) == 3
    talk.say(b'FORM:ELEM "READ"\n')
    assert b"," not in talk.say(b"MEAS:CURR?\n")


# PM, TEK: a flat list of current, voltage and time; available when bit 6 is set.
def test_2281_buffer() -> None:
    talk = Talk("keithley-2280s", "2281S-20-6")
    talk.board("clean")
    talk.say(b"VOLT 4;CURR 2;:TRAC:POIN 10;:SENS:CONC:NPLC 0.1;:OUTP ON\n")
    talk.wait(0.5)
    assert talk.say(b"INIT\n:STAT:MEAS:INST:ISUM:COND?\n") == b"0\n"
    talk.wait(0.1)
    assert talk.say(b":STAT:MEAS:INST:ISUM:COND?\n") == b"64\n"
    values = [float(text) for text in talk.say(b':DATA:DATA? "READ,SOUR,REL"\n').split(b",")]
    assert len(values) == 30
    # 0.1 power line cycles of 50 Hz are 2 ms.
    assert values[2::3] == pytest.approx([0.002 * n for n in range(1, 11)])
    assert values[1::3] == pytest.approx([4.0] * 10, abs=0.01)


def _shorted(family: str, model: str | None, on: str) -> Talk:
    talk = Talk(family, model)
    talk.board("dead-short")
    talk.say(on.encode() + b"\n")
    talk.wait(0.5)
    return talk


# PSW, 2260B: bits 8 CV and 10 CC (memory); man: PSU p.107: 8 voltage limit, 9 current limit.
def test_psw_status_bits() -> None:
    talk = _shorted("gwinstek-psw", None, "VOLT 4;CURR 0.5;:OUTP 1")
    assert talk.say(b"STAT:OPER:COND?\nSTAT:QUES:COND?\n") == b"1024\n512\n"
    talk.board("none")
    talk.wait(0.5)
    assert talk.say(b"STAT:OPER:COND?\nSTAT:QUES:COND?\n") == b"256\n256\n"


# man: PSU p.135: a definite block. IEEE 488.2 §8.7.9: as many bytes as the header says.
def test_psw_information_is_a_block() -> None:
    reply = Talk("gwinstek-psw").say(b"SYST:INF?\n")
    assert reply.startswith(b"#3238")
    assert len(reply) == len("#3238") + 238 + 1


# man: BK 9130 p.30: bit 2 CV, bit 3 CC. Opposite of the questionable register of others, on purpose tested apart.
@pytest.mark.parametrize("family", ["itech-it6300", "bk-9130", "bk-9130b"])
def test_operation_bits_of_the_9130_line(family: str) -> None:
    talk = _shorted(family, None, "SYST:REM;:VOLT 4;CURR 0.5;:OUTP 1")
    ask = b"STAT:OPER:INST:ISUM1:COND?\n"
    assert talk.say(ask) == b"8\n"
    talk.board("none")
    talk.wait(0.5)
    assert talk.say(ask) == b"4\n"
    talk.say(b"OUTP 0\n")
    assert talk.say(ask) == b"0\n"


# man: IT6500 p.31, IT6942A p.42: clearing restores the output.
@pytest.mark.parametrize("model", ["IT6512A", "IT6942A"])
def test_itech_clear_restores_the_output(model: str) -> None:
    talk = Talk("itech-it6300", model)
    talk.say(b"SYST:REM;:VOLT 4;CURR 1;:OUTP 1\n")
    talk.wait(0.5)
    talk.say(b"VOLT:PROT 3\n")
    talk.wait(0.5)
    assert talk.say(b"OUTP?\n") == b"0\n"
    talk.say(b"VOLT:PROT 5\nVOLT:PROT:CLE\n")
    assert talk.say(b"OUTP?\n") == b"1\n"


# SIG: 1 is CC, 2 is CV in the summary registers (from memory that they are the same here).
def test_2230_summary_bits() -> None:
    talk = _shorted("keithley-2230", None, "VOLT 4;CURR 0.5;:OUTP 1")
    assert talk.say(b"STAT:QUES:INST:ISUM1:COND?\n") == b"1\n"
    assert talk.say(b"STAT:QUES:INST:ISUM2:COND?\n") == b"2\n"


def test_2230_combined_outputs_move_together() -> None:
    talk = Talk("keithley-2230")
    talk.say(b"INST:COM:PAR\nINST:SEL CH1;VOLT 5\n")
    assert talk.say(b"INST:SEL CH2;VOLT?\n") == b"5.000\n"
    talk.say(b"INST:SEL CH2;VOLT 3\n")
    assert talk.say(b"SYST:ERR?\nINST:SEL CH2;VOLT?\n") == b'-221,"Settings conflict"\n5.000\n'


# NASE: 66 V in series, 10.4 A in parallel.
def test_udp3305s_combined_ratings() -> None:
    talk = Talk("unit-udp3305s")
    talk.say(b"APPL CH1,40,1\n")
    assert talk.say(b"APPL? CH1\n") == b"0.000,5.200\n"
    talk.say(b"SOUR:MODE SER\nAPPL SER,66,1\n")
    assert talk.say(b"APPL? SER\nAPPL? CH1\n") == b"66.000,1.000\n"
    talk.say(b"SOUR:MODE PARA\nAPPL PARA,5,10.4\n")
    assert talk.say(b"APPL? PARA\n") == b"5.000,10.400\n"
    talk.say(b"OUTP:STAT PARA,ON\n")
    talk.wait(0.5)
    assert talk.say(b"MEAS:VOLT? PARA\n") == b"5.000\n"


# From memory: mode 1 CV, 2 CC; SIG: CURR:LIM is a trip level, no command clears it.
def test_owon_info_and_trip() -> None:
    talk = _shorted("owon-spe", None, "VOLT 4;CURR 0.5;:OUTP 1")
    assert talk.say(b"MEAS:ALL:INFO?\n").endswith(b",0,0,0,2\n")
    talk.say(b"CURR:LIM 0.4\n")
    talk.wait(0.5)
    assert talk.say(b"MEAS:ALL:INFO?\nOUTP?\n").endswith(b",0,1,0,0\nOFF\n")


@pytest.mark.parametrize(
    ("family", "on", "read"),
    [
        ("gwinstek-psw", "VOLT 4;CURR 1;:OUTP 1", "MEAS:VOLT?"),
        ("gwinstek-gpp", ":SOUR1:VOLT 4\n:SOUR1:CURR 1\n:OUTP1:STAT ON", ":MEAS1:VOLT?"),
        ("owon-spe", "VOLT 4\nCURR 1\nOUTP 1", "MEAS:ALL?"),
        ("unit-udp3305s", "APPL CH1,4,1\nOUTP:STAT CH1,ON", "MEAS:ALL? CH1"),
        ("itech-it6300", "SYST:REM\nVOLT 4\nCURR 1\nOUTP 1", "MEAS:VOLT?"),
        ("bk-9130", "VOLT 4\nCURR 1\nOUTP 1", "MEAS:VOLT:ALL?"),
        ("bk-9130b", "APPL CH1,4,1\nSOUR:CHAN:OUTP 1", "MEAS:VOLT?"),
        ("keithley-2230", "VOLT 4\nCURR 1\nSOUR:OUTP:ENAB 1", "MEAS:VOLT?"),
        ("keithley-2200", "VOLT 4\nCURR 1\nOUTP 1", "MEAS:VOLT?"),
        ("keithley-2280s", "VOLT 4\nCURR 1\nOUTP 1", "MEAS:VOLT?"),
    ],
)
def test_readings_come_from_the_board(family: str, on: str, read: str) -> None:
    talk = Talk(family)
    talk.board("clean")
    talk.say(on.encode() + b"\n")
    talk.wait(1.0)
    found = re.search(r"[-+.\dE]+", talk.say(read.encode() + b"\n").decode())
    assert found is not None
    assert float(found.group()) == pytest.approx(4.0, abs=0.02)


# man: BK 9120A p.27: 200 ms a message.
@pytest.mark.parametrize("family", ["itech-it6300", "bk-9130", "bk-9130b"])
def test_pace_of_the_9130_line(family: str) -> None:
    assert FAMILIES[family]().busy_s(b"MEAS:VOLT?") == pytest.approx(0.2)


@pytest.mark.parametrize("family", NEAR_SCPI)
@given(data=st.text(alphabet='VOLTCURINSEMAP:;,? 0123456789.CHN\n*"#', max_size=60))
@settings(max_examples=40, deadline=None)
def test_any_line_is_borne(family: str, data: str) -> None:
    """Whatever arrives: no exception, settings in range, and the supply still answers."""
    talk = Talk(family)
    talk.say(data.encode() + b"\n")
    for channel, output in zip(talk.supply.channels, talk.supply.outputs, strict=True):
        assert 0.0 <= channel.source.voltage_v <= output.voltage_v
        assert 0.0 <= channel.source.limit_a <= output.current_a
    assert talk.say(b"\n*IDN?\n")


def test_every_family_has_a_serial_number_where_it_says_one() -> None:
    for family in NEAR_SCPI:
        assert b"XY123" in Talk(family, serial="XY123").say(b"*IDN?\n")


def test_faults_touch_any_family() -> None:
    """Through the server: a late reply, a deaf output switch, and the off order in the log."""
    import socket

    with (
        SimulatedSupply(family="keithley-2230", board1="clean") as supply,
        socket.create_connection(("127.0.0.1", supply.port), timeout=5.0) as client,
        client.makefile("r", newline="\n") as lines,
    ):
        client.sendall(b"INST:SEL CH1;VOLT 4\nOUTP 1\nOUTP?\n")
        assert lines.readline() == "1\n"
        supply.fault("DEAF")
        client.sendall(b"OUTP 0\nOUTP?\n")
        assert lines.readline() == "1\n"
        assert len(supply.offs()) == 1
        assert supply.truth(1).output
        supply.fault("NONE")
        client.sendall(b"INST:SEL CH1;SOUR:OUTP:ENAB 0\nSOUR:OUTP:ENAB?\n")
        assert lines.readline() == "0\n"
        assert len(supply.offs()) == 2
        supply.fault("EXTRA")
        client.sendall(b"*OPC?\n")
        assert lines.readline() == "1\n"
        assert float(lines.readline()) == pytest.approx(1.234)
