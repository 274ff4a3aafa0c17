"""Families near SCPI: expected lines, each with the key of its source, then their quirks and their pace.

Keys of published sources: SIG libsigrok, PM PyMeasure, QC QCoDeS, QCC its contributed drivers, SCH scopehal, IVI
python-ivi, IK InstrumentKit, BAS basil, LG labgrid, LXI lxi-tools, RSX and RSN Rohde & Schwarz's own examples and
package; man: a maker's manual. 'memory': no source text was at hand. 'plain': the plainest form is taken.
"""

from __future__ import annotations

import json
import socket
import struct
import subprocess
import sys
import time
from contextlib import closing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.sim.dialects import FAMILIES
from benchd.sim.dialects.scpi import ScpiDialect
from tests.sim.talking import Talk
from tests.simulated import SimulatedSupply

PATIENCE_S = 5.0

DIALOGUES: list[tuple[str, str | None, list[str], list[str], str]] = [
    # family, model (None: the usual one), sent lines, received lines, source
    ("generic-scpi", None, ["VOLT 5", "CURR 1", "OUTP ON", "VOLT?;CURR?;OUTP?"], ["+5.00000E+00;+1.00000E+00;1"],
     "SCPI-1999 vol. 4"),
    ("generic-scpi-apart", None, ["VOLT?;CURR?", "VOLT?"], ["+0.00000E+00"], "common practice, no source"),
    ("generic-scpi-multi", None, ["INST:NSEL 2;:VOLT 3", "INST:NSEL?;:VOLT?"], ["2;+3.00000E+00"], "SCPI-1999 vol. 2"),
    ("generic-scpi", None, ["VOLT:PROT 5", "SYST:ERR?"], ['-113,"Undefined header"'], "SCPI-1999 vol. 2 §21.8"),
    ("rigol-dp800", None, ["*IDN?"], ["RIGOL TECHNOLOGIES,DP832,DP8C000000001,00.01.14"], "python-vxi11#27"),
    ("rigol-dp800", None, [":INST:NSEL 2;:SOUR:VOLT 3;:SOUR2:VOLT?"], ["3.000"], "QC, SCH, IB"),
    ("rigol-dp800", None, [":APPL CH1,3.3,1", ":SOUR1:VOLT?;:SOUR1:CURR?"], ["3.300;1.0000"], "QC; form: memory"),
    ("rigol-dp800", None, [":OUTP CH1,ON", ":OUTP? CH1", ":OUTP? CH2"], ["ON", "OFF"], "man: DP800 2-35"),
    ("rigol-dp900", None, [":OUTP CH1,ON", ":OUTP? CH1", ":OUTP? CH2"], ["1", "0"], "man: DP900, DP2000, OUTPut"),
    ("rigol-dp800", None, [":OUTP:OVP:QUES? CH1", ":OUTP:OCP:QUES? CH1"], ["NO", "NO"], "SCH"),
    ("rigol-dp900", None, [":OUTP:OVP:ALAR? CH1", ":OUTP:OCP:QUES? CH1"], ["0", "0"], "man: DP2000"),
    ("rigol-dp800", None, ["OUTP:OVP:VAL CH2,5.5", "OUTP:OVP CH2,ON", "OUTP:OVP:VAL? CH2", "SOUR2:VOLT:PROT:STAT?"],
     ["5.500", "ON"], "QC, SIG, IVI"),
    ("rigol-dp800", None, ["MEAS:ALL? CH1", "MEAS:POWE? CH1"], ["0.0000,0.0000,0.000", "0.000"], "memory; SIG, QCC"),
    ("rigol-dp800", None, ["OUTP:MODE? CH1", "OUTP:CVCC? CH1"], ["UR", "UR"], "QC, SIG, SCH"),
    ("rigol-dp800", None, ["OUTP:SENS? CH1"], ["NONE"], "man: DP800 2-63"),
    ("rigol-dp800", "DP821", ["OUTP:SENS CH2,ON", "OUTP:SENS? CH2"], ["ON"], "man: DP800 2-63"),
    ("rigol-dp800", "DP831", ["APPL CH3,-5,1", "SOUR3:VOLT?", "OUTP:OVP:VAL CH3,-33", "OUTP:OVP:VAL? CH3"],
     ["-5.000", "-33.000"], "SIG, IVI, QC; OVP: IVI"),
    ("rigol-dp800", "DP831", ["SOUR3:VOLT 5", "SOUR3:VOLT?", "SYST:ERR?"], ["0.000", '-222,"Data out of range"'],
     "SIG: 0 to -30 V"),
    ("rigol-dp800", None, ["SYST:OTP?"], ["ON"], "SIG"),
    ("rigol-dp800", None, ["OUTP:TRAC CH1,ON", "OUTP:TRAC? CH1", "APPL CH1,4,1", "SOUR2:VOLT?"], ["ON", "4.000"],
     "memory"),
    ("rigol-dp900", None, ["OUTP:PAIR?", "OUTP:PAIR SER", "OUTP:PAIR?", "SOUR1:VOLT 4", "SOUR2:VOLT?"],
     ["OFF", "SER", "4.000"], "PM; what it does: memory"),
    ("keysight-e36300", None, ["OUTP:PAIR?", "OUTP:PAIR PAR", "OUTP:PAIR?"], ["OFF", "PAR"], "memory"),
    ("siglent-spd3303x", None, ["*IDN?"],
     ["Siglent Technologies,SPD3303X-E,SPD3XXXX0000001,1.01.01.02.07,V3.0"], "memory: five fields"),
    ("siglent-spd3303x", "SPD3303X", ["CH1:VOLT 5", "CH1:VOLT?", "VOLT?"], ["5.000", "5.000"], "PM, SCH, LG"),
    ("siglent-spd3303x", None, ["OUTP CH1,ON", "OUTP CH2,ON", "SYST:STAT?"], ["0x0034"], "SCH, LG, PM; bit 2: memory"),
    ("siglent-spd3303x", None, ["OUTP CH3,ON", "SYST:STAT?"], ["0x0004"], "SCH: output 3 is blind"),
    ("siglent-spd3303x", None, ["SYST:ERR?"], ["0 No Error"], "man: PSD7303"),
    ("siglent-spd3303x", None, ["OUTP? CH1", "*OPC?", "*ESR?", "MEAS:ALL? CH1"], [], "LXI: not in the firmware"),
    ("siglent-spd3303x", None, ["OUTP CH1,ON", "*RST", "SYST:STAT?"], ["0x0014"], "LXI: no *RST"),
    ("siglent-spd3303x", None, ["CH1:VOLT 5;CH2:VOLT 5", "CH1:VOLT?"], ["0.00"], "strict: compounds never seen"),
    ("siglent-spd1000x", None, ["OUTP CH1,ON", "MODE:SET 4W", "SYST:STAT?"], ["0x0030"], "PM"),
    ("keysight-e36300", None, ["VOLT 1.5, (@1)", "VOLT? (@1)"], ["+1.50000000E+00"], "PM, QCC; form: memory"),
    ("keysight-e36300", None, ["OUTP 1,(@1,3)", "OUTP? (@1:3)"], ["1,0,1"], "PM, QCC"),
    ("keysight-e36300", None, ["VOLT? MAX,(@2)"], ["+2.57500000E+01"], "SIG"),
    ("keysight-e36300", None, ["INST:NSEL 2;:VOLT 3", "VOLT? (@2)"], ["+3.00000000E+00"], "SIG"),
    ("keysight-e36300", None, ["OUTP? (@4)", "SYST:ERR?", "SYST:ERR?"],
     ['-222,"Data out of range"', '+0,"No error"'], "PM, SIG"),
    ("keysight-e36300", None, ["CURR:PROT:DEL 0.5,(@2)", "CURR:PROT:DEL? (@1:2)", "CURR:PROT:DEL:STAR? (@2)"],
     ["+0.00000000E+00,+5.00000000E-01", "SCH"], "public programs for the E36312A; form: memory"),
    ("keysight-e36300", "E36311A", ["VOLT -5,(@3)", "VOLT? (@3)"], ["-5.00000000E+00"], "SIG"),
    ("keysight-e36100", None, ["VOLT 5", "OUTP ON", "OUTP?", "VOLT 4,(@1)", "VOLT?"], ["1", "+5.00000000E+00"],
     "memory: no list"),
    ("hp-e3631a", None, ["*IDN?"], ["HEWLETT-PACKARD,E3631A,0,2.1-5.0-1.0"], "memory"),
    ("hp-e3631a", None, ["VOLT 5", "SYST:ERR?", "SYST:REM", "VOLT 5", "VOLT?"],
     ['+550,"Command not allowed in local"', "+5.00000000E+00"], "IK; number: memory"),
    ("hp-e3631a", None, ["SYST:REM", "APPL P6V,5,1", "APPL? P6V"], ['"5.00,1.00"'], "man: E3631A"),
    ("hp-e3631a", None, ["SYST:REM", "INST:NSEL 3;:VOLT -4;:VOLT?;:VOLT? MAX;:INST?"],
     ["-4.00000000E+00;-2.57500000E+01;N25V"], "PM, IK"),
    ("hp-e3631a", None, ["VOLT:PROT?", "SYST:ERR?"], ['-113,"Undefined header"'], "memory: no protection"),
    ("hp-e3631a", None, ["SYST:REM", "OUTP:TRAC 1", "INST P25V;:VOLT 7", "INST N25V;:VOLT?", "OUTP:TRAC?"],
     ["-7.00000000E+00", "1"], "PM; same magnitude: memory"),
    ("agilent-e364xa", None, ["SYST:REM", "VOLT 12", "SYST:ERR?", "VOLT:RANG P20V", "VOLT 12", "VOLT:RANG LOW",
                              "VOLT?"],
     ['-222,"Data out of range"', "+8.24000000E+00"], "PM, IVI: the range clips"),
    ("agilent-e364xa", None, ["INST:NSEL 1", "CURR:PROT:TRIP?", "STAT:QUES:COND?"], ["0"], "man: E364xA p.120"),
    ("agilent-e364xa", "E3632A", ["CURR:PROT:TRIP?"], ["0"], "man: E3632A p.88"),
    ("agilent-e364xa-dual", None, ["SYST:REM", "OUTP 1", "INST:NSEL 2;:OUTP?"], ["1"], "PM: one switch"),
    ("rs-hmp", None, ["*IDN?"], ["HAMEG,HMP4040,000000001,HW50020001/SW2.51"], "BAS"),
    ("rs-hmp", None, ["INST:NSEL 2", "OUTP:SEL 1", "OUTP?", "OUTP:GEN 1", "OUTP?"], ["0", "1"], "PM, QCC, SCH, RSX"),
    ("rs-hmp", None, ["INST OUTP2", "INST:NSEL?", "MEAS:POW?"], ["2"], "PM; no power: QCC"),
    ("rs-hmp", None, ["INST:NSEL 2;:VOLT 5", "INST:NSEL?", "VOLT?", "SYST:ERR?"],
     ["1", "0.000", '-200,"Execution error"'], "strict: QCC, PM, BAS send two messages"),
    ("rs-hmc804x", None, ["INST:NSEL 2;:VOLT 5;:VOLT?"], ["5.000"], "QCC"),
    ("rs-hmc804x", None, ["OUTP:CHAN:STAT 1", "OUTP?", "OUTP:MAST:STAT 1", "OUTP?;:OUTP:CHAN?;:STAT:QUES:COND?"],
     ["0", "1;1;1"], "PM, QCC, SCH; bits as SCH"),
    ("rs-hmc8041", None, ["INST:NSEL 1", "OUTP:MAST:STAT 1", "OUTP ON", "OUTP?"], ["1"], "SCH: neither"),
    ("rs-nge100", None, ["INST:NSEL 2", "OUTP:SEL 1", "OUTP:GEN 1", "OUTP?", "READ?"], ["1"], "RSN; no READ?: RSX"),
    ("rs-nge100", None, ["VOLT 5;VOLT?", "VOLT?"], ["0.000"], "man: NGA100 p.117: messages of their own"),
    ("rs-ngx", None, ["APPL 6,0.5,OUT2", "INST:NSEL 2", "VOLT?", "CURR?", "READ?"],
     ["6.000", "0.5000", "0.0000,0.0000"], "RSN, RSX; decimals: memory"),
    ("rs-ngx", None, ["FUSE:STAT 1", "CURR:PROT:STAT?", "FUSE:TRIP?", "FUSE:DEL 100ms", "FUSE:DEL?"],
     ["1", "0", "0.100"], "RSN; units: man: NGA100 p.117"),
]  # fmt: skip


@pytest.mark.parametrize(("family", "model", "sent", "received", "source"), DIALOGUES)
def test_dialogue(family: str, model: str | None, sent: list[str], received: list[str], source: str) -> None:
    talk = Talk(family, model)
    lines = [talk.say(line.encode() + b"\n") for line in sent]
    assert b"".join(lines).decode().splitlines() == received, source


def ask(talk: Talk, *lines: str) -> list[str]:
    return b"".join(talk.say(line.encode() + b"\n") for line in lines).decode("latin-1").splitlines()


NEAR_SCPI = sorted(name for name, family in FAMILIES.items() if issubclass(family, ScpiDialect))


@pytest.mark.parametrize(("start", "after"), [("SCH", "0"), ("CCTR", "1")])
def test_a_delay_that_begins_with_a_change_of_settings_is_none_later(start: str, after: str) -> None:
    """Public programs for the E36312A set where it begins; that it is none elsewhere is the worse reading."""
    talk = Talk("keysight-e36300")
    ask(talk, "VOLT 4,(@1)", "CURR 0.5,(@1)", "CURR:PROT:DEL 0.5,(@1)")
    ask(talk, f"CURR:PROT:DEL:STAR {start},(@1)", "OUTP 1,(@1)")
    talk.wait(1.0)
    assert ask(talk, "CURR:PROT:STAT 1,(@1)", "OUTP? (@1)") == ["1"]
    talk.board("dead-short")
    talk.wait(0.4)
    assert ask(talk, "OUTP? (@1)") == [after]
    talk.wait(0.2)
    assert ask(talk, "OUTP? (@1)", "CURR:PROT:TRIP? (@1)") == ["0", "1"]


def test_clearing_by_the_source_path_switches_on_again_and_by_the_output_path_does_not() -> None:
    # man: DP2000 4.8.5.
    for clear, after in (("OUTP:OCP:CLE CH1", "0"), ("SOUR1:CURR:PROT:CLE", "1")):
        talk = Talk("rigol-dp900")
        talk.board("leak-only")
        ask(talk, "APPL CH1,4,1", "OUTP:OCP:VAL CH1,0.02", "OUTP:OCP CH1,ON", "OUTP CH1,ON")
        talk.wait(0.5)
        assert ask(talk, "OUTP? CH1", "OUTP:OCP:QUES? CH1", "OUTP CH1,ON", "OUTP? CH1") == ["0", "1", "0"]
        assert ask(talk, "OUTP:OCP CH1,OFF", clear, "OUTP? CH1", "OUTP:OCP:QUES? CH1") == [after, "0"]


def test_rigol_over_current_protection_looks_at_its_own_level() -> None:
    talk = Talk("rigol-dp800")
    talk.board("dead-short")
    ask(talk, "APPL CH1,4,0.5", "OUTP:OCP:VAL CH1,1", "OUTP:OCP CH1,ON", "OUTP CH1,ON")
    talk.wait(1.0)
    assert ask(talk, "OUTP? CH1", "OUTP:MODE? CH1") == ["ON", "CC"]


@pytest.mark.parametrize(
    ("family", "clear"),
    [
        ("keysight-e36300", "OUTP:PROT:CLE"),  # memory
        ("keysight-e36300", "VOLT:PROT:CLE"),  # memory
        ("agilent-e364xa", "VOLT:PROT:CLE"),  # man: E3632A p.91
        ("agilent-e364xa-dual", "VOLT:PROT:CLE"),
    ],
)
def test_clearing_an_over_voltage_trip_brings_the_output_back(family: str, clear: str) -> None:
    talk = Talk(family)
    ask(talk, "SYST:REM", "VOLT 5", "CURR 1", "VOLT:PROT 4", "OUTP ON")
    talk.wait(0.5)
    assert ask(talk, "VOLT:PROT:TRIP?", "OUTP?", "OUTP ON", "OUTP?") == ["1", "0", "0"]
    assert ask(talk, "VOLT 3", clear, "OUTP?", "VOLT:PROT:TRIP?") == ["1", "0"]
    ask(talk, "VOLT 5")
    talk.wait(0.5)
    # Ordered off first, it stays off.
    assert ask(talk, "OUTP OFF", "VOLT 3", clear, "OUTP?") == ["0"]


def test_one_switch_for_all() -> None:
    talk = Talk("hp-e3631a")
    ask(talk, "SYST:REM", "OUTP 1")
    assert [channel.source.on for channel in talk.supply.channels] == [True] * 3
    ask(talk, "INST:NSEL 2", "OUTP 0")
    assert [channel.source.on for channel in talk.supply.channels] == [False] * 3
    assert talk.supply.off_count == 1


def test_negative_output_reads_negative_and_tells_the_truth_so() -> None:
    talk = Talk("hp-e3631a")
    talk.board("leak-only", 2)
    ask(talk, "SYST:REM", "INST N25V;:VOLT -4;:CURR 0.5", "OUTP 1")
    talk.wait(1.0)
    (volts,) = ask(talk, "MEAS:VOLT? N25V")
    assert float(volts) == pytest.approx(-4.0, abs=0.01)
    assert talk.supply.sign_of(2) == -1


def test_fuse_blows_in_limit_and_heals_on_the_next_on() -> None:
    talk = Talk("rs-hmp")
    talk.board("dead-short")
    ask(talk, "VOLT 4", "CURR 1", "FUSE:STAT 1", "OUTP ON")
    talk.wait(0.5)
    assert ask(talk, "FUSE:TRIP?", "OUTP?", "OUTP:SEL?", "OUTP:GEN?") == ["1", "0", "0", "1"]
    # The master does not bring a blown output back.
    assert ask(talk, "OUTP:GEN 0", "OUTP:GEN 1", "OUTP?") == ["0"]
    talk.board("none")
    ask(talk, "OUTP ON")
    assert ask(talk, "FUSE:TRIP?", "OUTP?") == ["0", "1"]


def test_fuse_of_the_newer_family_stays_blown_until_cleared() -> None:
    talk = Talk("rs-nge100")
    talk.board("dead-short")
    ask(talk, "VOLT 4", "CURR 1", "FUSE:STAT 1", "OUTP ON")
    talk.wait(0.5)
    talk.board("none")
    assert ask(talk, "OUTP ON", "OUTP?", "FUSE:TRIP?") == ["0", "1"]
    assert ask(talk, "FUSE:TRIP:CLE", "OUTP?", "OUTP ON", "OUTP?") == ["0", "1"]


def test_over_power_trips() -> None:
    talk = Talk("rs-ngx")
    talk.board("leak-only")
    ask(talk, "VOLT 4", "CURR 1", "POW:PROT:LEV 0.1", "POW:PROT:STAT 1", "OUTP 1")
    talk.wait(1.0)
    assert ask(talk, "POW:PROT:TRIP?", "OUTP?", "OUTP 1", "OUTP?") == ["1", "0", "0"]


def test_fast_log_comes_as_a_definite_block_of_floats() -> None:
    # IEEE 488.2 §8.7.9 for the block; RSX and RSN for the order V, I and the 250 ms.
    talk = Talk("rs-ngx")
    talk.board("leak-only")
    ask(talk, "VOLT 4", "CURR 1", "OUTP 1")
    talk.wait(1.0)
    ask(talk, "FLOG:SRAT S100", "FLOG:TARG SCPI", "FLOG:STAT 1")
    assert ask(talk, "*STB?", "FLOG:DATA?") == ["0", "#10"]
    talk.wait(0.6)
    assert ask(talk, "*STB?", "STAT:OPER:COND?", "STAT:OPER:INST:ISUM1:COND?") == ["128", "8192", "4096"]
    block = talk.say(b"FLOG:DATA?\n")
    # 25 readings in 250 ms at 100 per s, two floats of 4 bytes each.
    assert block[:5] == b"#3200"
    assert len(block) == 5 + 200 + 1
    values = struct.unpack("<50f", block[5:-1])
    assert values[0::2] == pytest.approx([4.0] * 25, abs=0.002)
    # Ohm's law: 4 V over 4.0/0.045 Ω.
    assert values[1::2] == pytest.approx([0.045] * 25, abs=0.0005)
    assert talk.say(b"FLOG:DATA?\n") == b"#10\n"


def test_models_without_it_have_no_fast_log() -> None:
    assert ask(Talk("rs-ngx", "NGP804"), "FLOG:STAT 1", "SYST:ERR?") == ['-113,"Undefined header"']


def test_tracking_moves_the_other_output() -> None:
    talk = Talk("siglent-spd3303x")
    ask(talk, "OUTP:TRACK 1", "CH1:VOLT 5")
    assert ask(talk, "CH2:VOLT?", "SYST:STAT?") == ["5.00", "0x000c"]
    ask(talk, "CH2:VOLT 3", "OUTP CH1,ON")
    talk.wait(0.5)
    assert ask(talk, "CH2:VOLT?", "SYST:STAT?") == ["5.00", "0x003c"]


@pytest.mark.parametrize(
    ("family", "message", "seconds"),
    [
        ("siglent-spd3303x", b"SYST:STAT?", 0.01),  # pyvisa/pyvisa#362
        ("siglent-spd1000x", b"CH1:VOLT 5", 0.01),
        ("hp-e3631a", b"SYST:REM", 0.1),  # IK
        ("hp-e3631a", b"INST:NSEL 2;:MEAS:VOLT?", 0.5),  # IK
        ("hp-e3631a", b"INST:NSEL?", 0.0),
        ("hp-e3631a", b"MEAS:VOLT?", 0.0),
        ("rs-hmp", b"MEAS:VOLT?", 0.1),  # BAS
        ("rs-hmp", b"OUTP:GEN 1", 0.5),  # RSX
        ("rs-hmp", b"OUTP:GEN 0", 0.1),
        ("rigol-dp800", b"MEAS:ALL? CH1", 0.0),
    ],
)
def test_pace(family: str, message: bytes, seconds: float) -> None:
    assert FAMILIES[family]().busy_s(message) == seconds


@pytest.mark.parametrize("family", sorted(set(NEAR_SCPI) - {"owon-spe", "unit-udp3305s"}))
def test_an_unknown_command_is_not_answered_and_leaves_one_error(family: str) -> None:
    talk = Talk(family)
    before = ask(talk, "SYST:ERR?")
    assert ask(talk, "NONSENSE?") == []
    errors = ask(talk, "SYST:ERR?", "SYST:ERR?")
    assert len(before) == 1
    assert "113" in errors[0]
    assert errors[1] == before[0]


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_every_model_starts_off_and_says_who_it_is(family: str) -> None:
    for model in FAMILIES[family].models:
        talk = Talk(family, model)
        assert not any(channel.source.on for channel in talk.supply.channels)
        # Families without terminators take the command itself; the line end would spoil it.
        assert talk.say(b"*IDN?" if talk.supply.ending == b"" else b"*IDN?\n")
    with pytest.raises(ValueError, match="has no model 'X-1'; it has "):
        FAMILIES[family]("X-1")


@pytest.mark.parametrize("family", NEAR_SCPI)
@given(lines=st.lists(st.binary(max_size=30), max_size=4))
@settings(max_examples=15, deadline=None)
def test_any_bytes_are_borne(family: str, lines: list[bytes]) -> None:
    talk = Talk(family)
    for line in lines:
        talk.say(line + b"\n")
    assert talk.say(b"*IDN?\n").endswith(b"\n")


# Through the server.


def test_families_are_listed() -> None:
    words = [sys.executable, "-m", "benchd.sim", "--list-families", "--json"]
    listed = json.loads(subprocess.run(words, capture_output=True, text=True, timeout=30, check=True).stdout)
    assert set(listed) == {"benchd-sim", *FAMILIES}
    assert listed["hp-e3631a"] == ["E3631A"]


def test_serial_number_and_model_are_as_asked() -> None:
    with SimulatedSupply(family="rigol-dp800", model="DP831", serial="DP8X123") as supply:
        assert supply.query("*IDN?") == "RIGOL TECHNOLOGIES,DP831,DP8X123,00.01.14"


def test_hands_truth_faults_and_offs_over_the_control_port() -> None:
    with SimulatedSupply(family="rigol-dp900", board2="leak-only") as supply:
        supply.command("APPL CH2,4,1")
        supply.command("OUTP CH2,ON")
        supply.board(1, "dead-short")
        assert supply.simulate("SIM1:BOARD?;:SIM2:BOARD?") == "dead-short;leak-only"
        assert supply.truth(2).output
        supply.fault("DEAF")
        supply.command("OUTP CH2,OFF")
        assert supply.truth(2).output
        assert len(supply.offs()) == 1
        supply.fault("NONE")
        supply.command("OUTP CH2,OFF")
        assert not supply.truth(2).output
        # The family itself has no such commands.
        assert supply.query("SIM2:TRUTH?\nSYST:ERR?") == '-113,"Undefined header"'
        supply.fault("SPLIT", 0.3)
        assert supply.query("OUTP? CH2") == "0"
        supply.fault("SILENT")
        assert supply.query("OUTP? CH1\n*OPC?") == "1"
        supply.fault("CLOSE")
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", supply.port), timeout=PATIENCE_S)
        supply.fault("NONE")
        deadline_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline_s:
            try:
                socket.create_connection(("127.0.0.1", supply.port), timeout=PATIENCE_S).close()
                break
            except ConnectionRefusedError:
                continue
        assert supply.query("OUTP? CH2") == "0"


def test_what_comes_too_early_is_lost_or_waits() -> None:
    """A pace fifty times slower than the family's makes a busy machine's own pauses harmless."""
    with SimulatedSupply(family="siglent-spd3303x", pace=50) as supply, closing(_connect(supply)) as client:
        client.sendall(b"SYST:STAT?\nSYST:ERR?\n")
        assert _line(client) == b"0x0004"
        client.sendall(b"*IDN?\n")
        assert _line(client).startswith(b"Siglent")
    with SimulatedSupply(family="rs-hmp", pace=5) as supply, closing(_connect(supply)) as client:
        begin_s = time.monotonic()
        client.sendall(b"VOLT 3\nVOLT?\n")
        assert _line(client) == b"3.000"
        assert time.monotonic() - begin_s >= 1.0


def test_pace_nought_means_at_once() -> None:
    with SimulatedSupply(family="hp-e3631a", pace=0) as supply:
        begin_s = time.monotonic()
        for _ in range(5):
            supply.query("SYST:REM\nINST:NSEL 2;:INST?")
        # At its own pace this takes 3 s.
        assert time.monotonic() - begin_s < 2.5


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--family", "nonsuch"], "invalid choice: 'nonsuch'"),
        (["--family", "rs-hmp", "--model", "HMP1"], "rs-hmp has no model 'HMP1'; it has HMP4040"),
        (["--model", "SIM-9"], "benchd-sim has only SIM-2"),
        (["--family", "generic-scpi", "--board2", "clean"], "this supply has one output"),
    ],
)
def test_wrong_choices_are_named(words: list[str], says: str) -> None:
    ended = subprocess.run([sys.executable, "-m", "benchd.sim", *words], capture_output=True, text=True, timeout=30)
    assert ended.returncode == 2
    assert says in ended.stderr


def _connect(supply: SimulatedSupply) -> socket.socket:
    return socket.create_connection(("127.0.0.1", supply.port), timeout=PATIENCE_S)


def _line(client: socket.socket) -> bytes:
    data = b""
    while not data.endswith(b"\n"):
        piece = client.recv(1)
        assert piece, "the supply hung up"
        data += piece
    return data[:-1]
