"""Which profile a supply is given for what it answers to *IDN?, against answers that others have published.

The letters behind each are source keys, explained in drivers/README.md. Serial numbers are made up.
"""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.supplies.discovery_ask import fitting_profiles, named, shipped
from benchd.supplies.errors import SupplyError
from benchd.supplies.profile import load_profile
from benchd.supplies.supply import Supply
from tests.supplies.lines import LineInstrument

KNOWN = [
    # identification, its profile, model, serial number, firmware
    ("RIGOL TECHNOLOGIES,DP832,DP8C0001,00.01.14", "rigol-dp800", "DP832", "DP8C0001", "00.01.14"),  # python-vxi11 27
    ("RIGOL TECHNOLOGIES,DP712,DP7A0001,00.01.05", "rigol-dp800", "DP712", "DP7A0001", "00.01.05"),  # SIG: the model
    ("RIGOL TECHNOLOGIES,DP831A,DP8B0001,00.01.14", "rigol-dp800", "DP831A", "DP8B0001", "00.01.14"),  # SIG: the model
    ("RIGOL TECHNOLOGIES,DP932E,DP9A0001,00.01.02", "rigol-dp900", "DP932E", "DP9A0001", "00.01.02"),  # public programs
    ("RIGOL TECHNOLOGIES,DP2031,DP2A0001,00.01.00", "rigol-dp900", "DP2031", "DP2A0001", "00.01.00"),  # man: DP2000
    # From memory; public programs for the SPD3303X-E agree on five fields.
    ("Siglent Technologies,SPD3303X-E,SPD3X1,1.01.01.02.07R2,V3.0", "siglent-spd3303x", "SPD3303X-E", "SPD3X1",
     "1.01.01.02.07R2,V3.0"),
    ("SIGLENT TECHNOLOGIES,SPD3303C,SPD3E1,1.02.01.01.03R9,V1.3", "siglent-spd3303x", "SPD3303C", "SPD3E1",
     "1.02.01.01.03R9,V1.3"),  # public programs
    ("Siglent Technologies,SPD1168X,SPD131,2.1.1.9,V1.0", "siglent-spd1000x", "SPD1168X", "SPD131", "2.1.1.9,V1.0"),
    ("Siglent Technologies,SPD1305X,SPD131,1.0.1.16R4", "siglent-spd1000x", "SPD1305X", "SPD131", "1.0.1.16R4"),  # PM
    ("Keysight Technologies,E36312A,MY00000001,2.1.0-1.0.4-1.12", "keysight-e36300", "E36312A", "MY00000001",
     "2.1.0-1.0.4-1.12"),  # SIG, QCC
    ("Keysight Technologies,E36103B,MY00000001,1.0.2-1.02", "keysight-e36100", "E36103B", "MY00000001", "1.0.2-1.02"),
    ("HEWLETT-PACKARD,E3631A,0,2.1-5.0-1.0", "hp-e3631a", "E3631A", "", "2.1-5.0-1.0"),  # from memory
    ("Agilent Technologies,E3631A,0,2.1-5.0-1.0", "hp-e3631a", "E3631A", "", "2.1-5.0-1.0"),  # public programs
    ("HEWLETT-PACKARD,E3632A,0,1.1-5.0-1.0", "agilent-e364xa", "E3632A", "", "1.1-5.0-1.0"),  # man: E3632A
    ("Agilent Technologies,E3644A,0,1.7-5.0-1.0", "agilent-e364xa", "E3644A", "", "1.7-5.0-1.0"),  # BAS
    ("Agilent Technologies,E3646A,0,1.7-5.0-1.0", "agilent-e364xa-dual", "E3646A", "", "1.7-5.0-1.0"),  # PM: the model
    ("HAMEG,HMP4040,0000001,HW50020001/SW2.51", "rs-hmp", "HMP4040", "0000001", "HW50020001/SW2.51"),  # BAS
    ("ROHDE&SCHWARZ,HMP2020,0000001,HW50020001/SW2.51", "rs-hmp", "HMP2020", "0000001", "HW50020001/SW2.51"),  # BAS
    ("Rohde&Schwarz,HMC8043,0000001,HW42000000/SW1.416", "rs-hmc804x", "HMC8043", "0000001", "HW42000000/SW1.416"),
    ("Rohde&Schwarz,HMC8041,0000001,HW42000000/SW1.416", "rs-hmc8041", "HMC8041", "0000001", "HW42000000/SW1.416"),
    ("Rohde&Schwarz,NGE103B,5601.3800k03/100001,1.54", "rs-nge100", "NGE103B", "5601.3800k03/100001", "1.54"),  # SIG
    ("Rohde&Schwarz,NGP800,0000001,03.015", "rs-ngx", "NGP800", "0000001", "03.015"),  # RSN
    ("Rohde&Schwarz,NGM202,0000001,03.034", "rs-ngx", "NGM202", "0000001", "03.034"),  # RSX
    ("OWON,SPE6103,0000001,FV:V1.0", "owon-spe", "SPE6103", "0000001", "FV:V1.0"),  # SIG: the model
    ("UNI-T,UDP3305S-E,0000001,1.00", "unit-udp3305s", "UDP3305S-E", "0000001", "1.00"),  # NASE: the model
    ("GW INSTEK,GPD-2303S,SN:ER000001,V2.10", "gwinstek-gpd", "GPD-2303S", "ER000001", "V2.10"),  # SIG
    ("GW INSTEK,GPP-4323,SN:GE000001,V1.17", "gwinstek-gpp", "GPP-4323", "GE000001", "V1.17"),  # public programs
    ("GW INSTEK,GPP-74323,SN:GE000001,V1.22", "gwinstek-gpp", "GPP-74323", "GE000001", "V1.22"),  # public programs
    # man: PSU, without and with blanks.
    ("GW-INSTEK,PSU-2076,TW000001,01.00.20110101", "gwinstek-psw", "PSU-2076", "TW000001", "01.00.20110101"),
    ("GW-INSTEK, PSU-2076, TW000001, 01.00.20110101", "gwinstek-psw", "PSU-2076", "TW000001", "01.00.20110101"),
    ("GW-INSTEK,PSW 80-27,GE000001,1.70", "gwinstek-psw", "PSW 80-27", "GE000001", "1.70"),  # public programs
    ("KEITHLEY,2260B-30-36,1000001,01.72.20150702", "gwinstek-psw", "2260B-30-36", "1000001", "01.72.20150702"),  # PM
    ("TEXIO,PSW-360L30,TW000001,01.43.20130424", "gwinstek-psw", "PSW-360L30", "TW000001", "01.43.20130424"),  # PM
    ("ITECH Ltd., IT6322A, 0000001, 1.11-1.08", "itech-it6300", "IT6322A", "0000001", "1.11-1.08"),  # from memory
    ("B&K Precision, 9130, 0000001, 1.00", "bk-9130", "9130", "0000001", "1.00"),  # SIG: maker and model
    ("BK PRECISION, 9130B, 0000001, 1.00", "bk-9130b", "9130B", "0000001", "1.00"),  # PM: the model
    ("Keithley instruments, 2230G-30-6, 0123456789AF, 1.04-1.06", "keithley-2230", "2230G-30-6", "0123456789AF",
     "1.04-1.06"),  # TMD
    ("Keithley Instruments, 2200-72-1, 0000001, 1.02", "keithley-2200", "2200-72-1", "0000001", "1.02"),  # TMD
    ("KEITHLEY INSTRUMENTS LLC,MODEL 2280S-32-6,0000001,01.00", "keithley-2280s", "2280S-32-6", "0000001", "01.00"),
    ("KEITHLEY INSTRUMENTS INC.,MODEL 2281S-20-6,0000001,01.08b", "keithley-2280s", "2281S-20-6", "0000001", "01.08b"),
    ("THURLBY THANDAR, PL601-P, 514710, 3.05-4.06", "aim-tti-plp", "PL601-P", "514710", "3.05-4.06"),  # QC
    ("THURLBY THANDAR, CPX400DP, 0000001, 1.0-1.0", "aim-tti-plp", "CPX400DP", "0000001", "1.0-1.0"),  # PEL: the model
    ("Thurlby Thandar,EL302P,0,v2.00", "aim-tti-el302p", "EL302P", "", "v2.00"),  # IK
    ("KORADKA3005PV2.0", "korad-ka3005p", "KA3005P", "", "V2.0"),  # SIG, PEL
    ("KORADKA3005PV2.0\x01", "korad-ka3005p", "KA3005P", "", "V2.0"),  # SIG
    ("KORADKA3005PV2.0\xbc", "korad-ka3005p", "KA3005P", "", "V2.0"),  # SIG
    ("KORAD KA3005P V5.8 SN:00000002", "korad-ka3005p", "KA3005P", "00000002", "V5.8"),  # public programs
    ("TENMA 72-2540 V5.8 SN:00000002", "korad-ka3005p", "72-2540", "00000002", "V5.8"),  # public programs
    ("TENMA 72-2535 V2.0", "korad-ka3005p", "72-2535", "", "V2.0"),  # SIG, QMI
    ("TENMA 72-2550 SN:1231345 V2.0", "korad-ka3005p", "72-2550", "1231345", "V2.0"),  # QMI
    ("RND 320-KA3005P V2.0", "korad-ka3005p", "320-KA3005P", "", "V2.0"),  # SIG
    ("S-LS-31", "korad-ka3005p", "S-LS-31", "", ""),  # SIG
    ("TENMA 72-13350 SN:1231345 V2.0", "tenma-72-13350", "72-13350", "1231345", "V2.0"),  # QMI
    ("benchd,SIM-2,0000001,1.0", "benchd-sim", "SIM-2", "0000001", "1.0"),  # this package
]  # fmt: skip

LOOK_ALIKES = [
    # What looks like a family and is not one: a made-for-it profile would send it what it does not know.
    "GW INSTEK,GPD-3303S,SN:EM000001,V1.09",  # firmware before 2 tells its output in another way: SIG, man: GPD-3303
    "GW INSTEK,GPP-1326,SN:GE000001,V1.00",  # one output that can be a load: from memory
    "GW INSTEK,PSW-30-36,TW000001,1.00",  # the maker's name of the PSW has a hyphen: man: PSU
    "VELLEMANPS3005DV1.3",  # needs 450 ms more after each setting: SIG
    "KORADKA3005PX",  # cut off or garbled
    "TENMA 72-133500 V2.0",
    "ARRAY,3662A,0,1.3-1.0-1.5",  # man: Array 3662A, like an HP E3631A
    "Agilent Technologies,E3631B,0,1.0",
    "Agilent Technologies,34401A,0,1.0",  # man: 34401A, a multimeter of the maker
    "Agilent Technologies,N5744A,US00000001,A.00.01",  # SIG: another way to lock its panel
    "RIGOL TECHNOLOGIES,DP1116A,DP1A0001,00.01",  # PLL: protections and switch are said in another way
    "RIGOL TECHNOLOGIES,DS1054Z,DS1Z0001,00.04.04",  # an oscilloscope of the maker
    "RIGOL TECHNOLOGIES,DP832AB,DP8C0001,00.01",
    "XRIGOL TECHNOLOGIES,DP832,DP8C0001,00.01",
    "Siglent Technologies,SPD33030X,SPD1,1.0",
    "Rohde&Schwarz,NGE103X,0000001,1.0",
    "Rohde&Schwarz,HMP4041,0000001,1.0",
    "BK PRECISION, 9130C, 0000001, 1.00",
    "BK PRECISION, 9115, 0000001, 1.00",  # man: VOLT:LIM is the lower bound there
    "ITECH Ltd., IT6942A, 0000001, 1.00",  # man: IT6942A, one output
    "OWON,P4305,0000001,FV:V1.0",  # SIG: no SYST:REM
    "OWON,ODP3033,0000001,FV:V1.0",  # from memory: its outputs are addressed
    "KEITHLEY INSTRUMENTS INC.,MODEL 2450,0000001,1.0",  # a source meter of the maker
    "KEITHLEY INSTRUMENTS INC.,MODEL 2281,0000001,1.0",
    "THURLBY THANDAR, LD400P, 0000001, 1.0",  # man: LD400, a load with the same words
    "Philips,PM2811,0,1.0",
]


def made_for(identity):
    """The fitting profiles that are for a family, not for any supply."""
    return [name for name in fitting_profiles(identity) if not load_profile(name).takes_any]


@pytest.mark.parametrize(("identity", "profile", "model", "serial", "firmware"), KNOWN, ids=lambda text: text)
def test_a_known_supply_is_given_its_profile_and_no_other(identity, profile, model, serial, firmware):
    assert fitting_profiles(identity)[0] == profile
    assert made_for(identity) == [profile]
    assert named(identity)[1:] == (model, serial, firmware)


def test_every_shipped_profile_for_a_family_has_a_known_identification():
    assert {known[1] for known in KNOWN} == {profile.name for profile in shipped() if not profile.takes_any}


@pytest.mark.parametrize("identity", LOOK_ALIKES)
def test_what_only_looks_like_a_family_is_given_no_profile_of_it(identity):
    assert made_for(identity) == []


@pytest.mark.parametrize("identity", [known[0] for known in KNOWN])
@given(data=st.data())
@settings(max_examples=10)
def test_letters_around_the_model_make_another_one(identity, data):
    """The expressions fit a field whole: neither a longer name nor one that contains another is taken for it."""
    profile = made_for(identity)[0]
    model = named(identity).model
    letters = data.draw(st.text("XYZ", min_size=1, max_size=3))
    for other in (letters + model, letters.join((model[:2], model[2:]))):
        assert profile not in made_for(identity.replace(model, other))


@pytest.mark.parametrize(
    ("identity", "profile"),
    [
        ("RIGOL TECHNOLOGIES,DP832,DP8C0001,00.01.14", "rigol-dp900"),
        ("RIGOL TECHNOLOGIES,DP932E,DP9A0001,00.01.02", "rigol-dp800"),
        ("Keysight Technologies,E36103B,MY00000001,1.0.2-1.02", "keysight-e36300"),
        ("Rohde&Schwarz,HMC8041,0000001,1.0", "rs-hmp"),
        ("BK PRECISION, 9130B, 0000001, 1.00", "unit-udp3305s"),
    ],
)
def test_a_wrong_profile_is_refused_before_anything_is_set(identity, profile):
    with LineInstrument(lambda line: [identity.encode() + b"\n"] if line == "*IDN?" else []) as instrument:
        told = (
            rf"asked \*IDN\?, came back '{re.escape(identity)}', but profile {profile} is for .*choose another profile"
        )
        with pytest.raises(SupplyError, match=told):
            Supply.open("left", instrument.resource, load_profile(profile), (1,), 0.5)
        assert set(instrument.lines) == {"*IDN?"}
