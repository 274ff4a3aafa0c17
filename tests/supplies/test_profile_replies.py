"""Replies that others have published, through the shipped profiles: what each must be understood as.

The letters are source keys, explained in drivers/README.md.
"""

from contextlib import closing

import pytest

from benchd.reading import Mode
from benchd.supplies.errors import SupplyError
from benchd.supplies.profile import load_profile
from benchd.supplies.supply import Supply
from tests.supplies.lines import LineInstrument


class Fixed:
    """Answers questions from a table, and forgets commands."""

    def __init__(self, **answers):
        self.answers = answers

    def __call__(self, line):
        reply = self.answers.get(line)
        return [] if reply is None else [reply.encode("latin-1")]


def opened(instrument, profile):
    return closing(Supply.open("left", instrument.resource, load_profile(profile), (1,), 0.5))


IDENTITIES = {
    "keysight-e36300": "Keysight Technologies,E36312A,MY00000001,1.0\n",
    "hp-e3631a": "HEWLETT-PACKARD,E3631A,0,2.1-5.0-1.0\n",
    "rs-hmp": "HAMEG,HMP4040,0000001,HW50020001/SW2.51\n",
    "gwinstek-psw": "GW-INSTEK,PSU-2076,TW000001,01.00.20110101\n",
    "siglent-spd3303x": "Siglent Technologies,SPD3303X-E,SPD3X1,1.01.01.02.07R2,V3.0\n",
    "siglent-spd1000x": "Siglent Technologies,SPD1168X,SPD131,2.1.1.9,V1.0\n",
}
MODES = [
    # man: E3631A p.94 (bit 0 CC, bit 1 CV, both: neither is regulated, none: off), SIG and IVI for the whole line.
    ("keysight-e36300", "1.0;0.5;+1\n", Mode.CC),
    ("keysight-e36300", "1.0;0.5;+2\n", Mode.CV),
    ("keysight-e36300", "1.0;0.5;+3\n", Mode.UNKNOWN),
    ("keysight-e36300", "1.0;0.5;+17\n", Mode.CC),  # bit 4 is the temperature
    # From memory: bit 8 CV, bit 10 CC.
    ("gwinstek-psw", "+1.000;+0.500;+256\n", Mode.CV),
    ("gwinstek-psw", "+1.000;+0.500;+1024\n", Mode.CC),
]


@pytest.mark.parametrize(("profile", "reply", "mode"), MODES)
def test_bits_of_the_mode(profile, reply, mode):
    query = load_profile(profile).read.query
    if profile == "keysight-e36300":
        asked = "MEAS:VOLT? (@1);:MEAS:CURR? (@1);:STAT:QUES:INST:ISUM1:COND?"
    else:
        asked = query.send
    answers = {"*IDN?": IDENTITIES[profile], asked: reply}
    with LineInstrument(Fixed(**answers)) as instrument, opened(instrument, profile) as supply:
        assert supply.read(1).mode is mode


@pytest.mark.parametrize(
    ("profile", "status", "on", "mode"),
    [
        # 0x0224 is the reply in man: Scientific PSD7303, PM and LG: bits 2 (independent), 5 (output 2 on) and 9.
        ("siglent-spd3303x", "0x0224\n", False, Mode.OFF),
        ("siglent-spd3303x", "0x0234\n", True, Mode.CV),
        ("siglent-spd3303x", "0x0015\n", True, Mode.CC),
        ("siglent-spd3303x", "0x0016\n", True, Mode.CV),  # output 2 is in CC
        # PM: on the SPD1000X bit 5 is the 4-wire mode, not an output.
        ("siglent-spd1000x", "0x20\n", False, Mode.OFF),
        ("siglent-spd1000x", "0x31\n", True, Mode.CC),
        ("siglent-spd1000x", "0x10\n", True, Mode.CV),
    ],
)
def test_status_in_hexadecimal(profile, status, on, mode):
    measured = ("1.0\n", "0.1\n") if on else ("0.0\n", "0.0\n")
    answers = {"*IDN?": IDENTITIES[profile], "SYST:STAT?": status}
    answers |= dict(zip(("MEAS:VOLT? CH1", "MEAS:CURR? CH1"), measured, strict=True))
    with LineInstrument(Fixed(**answers)) as instrument, opened(instrument, profile) as supply:
        assert supply.output_state(1) is on
        assert supply.read(1).mode is mode


COUPLED = [
    # Bits 3 and 2 are 10 for parallel, 11 for series: public programs for the SPD3303X.
    ("siglent-spd3303x", "Siglent Technologies,SPD3303X-E,SPD3X1,1.0,V3.0\n", "SYST:STAT?", "0x0004\n", "0x0008\n"),
    ("siglent-spd3303x", "Siglent Technologies,SPD3303X-E,SPD3X1,1.0,V3.0\n", "SYST:STAT?", "0x0004\n", "0x000C\n"),
    # 2 is independent, 0 tracking: man: CPX200D p.28.
    ("aim-tti-plp", "THURLBY THANDAR, CPX400DP, 0000001, 1.0-1.0\r\n", "CONFIG?", "2\r\n", "0\r\n"),
    # Characters 3 and 4 are 01 for independent, 11 for series, 10 for parallel: SIG, man: GPD-3303 p.42.
    ("gwinstek-gpd", "GW INSTEK,GPD-3303S,SN:EM000001,V2.10\r\n", "STATUS?", "11010000\r\n", "11110000\r\n"),
    ("gwinstek-gpd", "GW INSTEK,GPD-3303S,SN:EM000001,V2.10\r\n", "STATUS?", "11010000\r\n", "11100000\r\n"),
    ("unit-udp3305s", "UNI-T,UDP3305S,0000001,1.00\n", "SOUR:MODE?", "NORMAL\n", "SER\n"),  # NASE
    ("keysight-e36300", IDENTITIES["keysight-e36300"], "OUTP:PAIR?", "OFF\n", "SER\n"),  # public programs
]
SETTINGS = {
    "siglent-spd3303x": {"CH1:CURR?": "0.1\n", "CH1:VOLT?": "1.0\n", "SYST:ERR?": "0  No Error\n"},
    "aim-tti-plp": {
        "I1?": "I1 0.10\r\n", "V1?": "V1 1.00\r\n", "OP1?": "0\r\n", "EER?": "0\r\n", "QER?": "0\r\n",
    },
    "gwinstek-gpd": {"ISET1?": "0.100\r\n", "VSET1?": "1.000\r\n", "ISET2?": "0.000\r\n", "VSET2?": "0.000\r\n"},
    "unit-udp3305s": {"OUTP:STAT? CH1": "OFF\n", "APPL? CH1,CURR": "CH1,0.100\n", "APPL? CH1,VOLT": "CH1,1.000\n"},
    "keysight-e36300": {
        "OUTP? (@1)": "0\n", "VOLT:PROT:TRIP? (@1)": "0\n", "CURR:PROT:TRIP? (@1)": "0\n",
        "SYST:ERR?": '+0,"No error"\n', "CURR? (@1)": "+1.0E-01\n", "VOLT? (@1)": "+1.0E+00\n",
    },
}  # fmt: skip


@pytest.mark.parametrize(("profile", "identity", "question", "independent", "coupled"), COUPLED)
def test_outputs_that_are_coupled_are_refused_and_independent_ones_are_not(
    profile, identity, question, independent, coupled
):
    fixed = Fixed(**{"*IDN?": identity, **SETTINGS[profile], question: independent})
    with LineInstrument(fixed) as instrument, opened(instrument, profile) as supply:
        supply.prepare(1, 1.0, 0.1)
        instrument.lines.clear()
        fixed.answers[question] = coupled
        with pytest.raises(SupplyError, match="the outputs are coupled"):
            supply.prepare(1, 1.0, 0.1)
        assert {line for line in instrument.lines if "?" not in line} == {off_of(supply)}


def off_of(supply):
    """The only command that may go out then."""
    return str(supply.profile.commands.output_off).format(channel=1)


@pytest.mark.parametrize("reply", ["VP1 4.0\r\n", "4.000\r\n"])
def test_the_over_voltage_level_of_the_pl_and_mx(reply):
    """With an echo: man: MX180T p.35; without: the log of a public program for the PL-P."""
    answers = {
        "*IDN?": "THURLBY THANDAR, PL601-P, 514710, 3.05-4.06\r\n",
        "OVP1?": reply,
        "I1?": "I1 0.100\r\n",
        "V1?": "V1 1.000\r\n",
        **dict.fromkeys(("OP1?", "EER?", "QER?"), "0\r\n"),
    }
    with LineInstrument(Fixed(**answers)) as instrument, opened(instrument, "aim-tti-plp") as supply:
        supply.prepare(1, 1.0, 0.1, 4.0)
        with pytest.raises(SupplyError, match="over-voltage level"):
            supply.prepare(1, 1.0, 0.1, 5.0)


def test_an_error_text_of_the_gpd_in_the_place_of_a_value():
    """man: GPD-3303 p.38."""
    answers = {
        "*IDN?": "GW INSTEK,GPD-3303S,SN:EM000001,V2.10\r\n",
        "STATUS?": "11010000\r\n",
        "ISET1?": "Data out of range\r\n",
    }
    with LineInstrument(Fixed(**answers)) as instrument, opened(instrument, "gwinstek-gpd") as supply:
        with pytest.raises(SupplyError, match=r"ISET1\?, came back 'Data out of range'"):
            supply.prepare(1, 1.0, 0.1)
        assert "OUT1" not in instrument.lines
