"""The language of the supply as a whole, without a process: replies, registers, errors, protections."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import benchd.sim
from benchd.sim.board import KINDS
from benchd.sim.errors import TEXTS, ErrorQueue, ScpiError, event_bit
from benchd.sim.instrument import Instrument
from benchd.sim.words import WORDS

NO_ERROR = '0,"No error"'


class Bench:
    """An instrument and a clock that only moves when told to."""

    def __init__(self) -> None:
        self.instrument = Instrument()
        self.now_s = 0.0
        self.ask("*CLS")

    def ask(self, message: str) -> str | None:
        return self.instrument.handle(message, self.now_s).reply

    def wait(self, seconds: float) -> None:
        self.now_s += seconds


@pytest.fixture
def bench() -> Bench:
    return Bench()


# IEEE 488.2 §10.14: four fields, at most 72 characters.
def test_identity(bench: Bench) -> None:
    reply = bench.ask("*IDN?")
    assert reply is not None
    assert reply.split(",")[:2] == ["benchd", "SIM-2"]
    assert len(reply.split(",")) == 4
    assert len(reply) <= 72


# IEEE 488.2 §10: the thirteen common commands every device has; SCPI-1999 vol. 1 §4.2.1: the required SCPI ones.
def test_mandatory_commands(bench: Bench) -> None:
    for message in ("*CLS", "*ESE 0", "*OPC", "*RST", "*SRE 0", "*WAI", "STAT:PRES"):
        assert bench.ask(message) is None
    for message in ("*ESE?", "*ESR?", "*IDN?", "*OPC?", "*SRE?", "*STB?", "*TST?"):
        assert bench.ask(message) is not None
    for group in ("STAT:OPER", "STAT:QUES"):
        for message in (f"{group}?", f"{group}:EVEN?", f"{group}:COND?", f"{group}:ENAB?"):
            assert bench.ask(message) is not None
    assert bench.ask("SYST:VERS?") == "1999.0"
    assert bench.ask("SYST:ERR:NEXT?") == NO_ERROR


# IEEE 488.2 §8.4: one line, parts joined by semicolons.
def test_compound_replies_are_one_line(bench: Bench) -> None:
    assert bench.ask("*IDN?;*OPC?") == f"{bench.ask('*IDN?')};1"
    assert bench.ask("VOLT 4;CURR 0.5;VOLT?;CURR?") == "4.000;0.500"


# SCPI-1999 vol. 2 §21.8.
def test_error_queue_is_first_in_first_out(bench: Bench) -> None:
    bench.ask("ABCD")
    bench.ask("VOLT 99")
    assert bench.ask("SYST:ERR:COUN?") == "2"
    assert bench.ask("SYST:ERR?") == '-113,"Undefined header;ABCD"'
    assert bench.ask("SYST:ERR?") == '-222,"Data out of range;99"'
    assert bench.ask("SYST:ERR?") == NO_ERROR
    bench.ask("ABCD")
    bench.ask("*ESE")
    assert bench.ask("SYST:ERR:ALL?") == '-113,"Undefined header;ABCD",-109,"Missing parameter;*ESE"'
    assert bench.ask("SYST:ERR:COUN?") == "0"


# SCPI-1999 vol. 2 §21.8.1: the newest entry becomes -350, later ones are lost until something is read.
def test_error_queue_overflow() -> None:
    queue = ErrorQueue(depth=4)
    assert [queue.add(ScpiError(number)) for number in (-101, -102, -104, -108, -109)] == [True] * 4 + [False]
    entries = [queue.take() for _ in range(5)]
    assert entries[:3] == ['-101,"Invalid character"', '-102,"Syntax error"', '-104,"Data type error"']
    assert entries[3:] == ['-350,"Queue overflow"', NO_ERROR]


def test_error_queue_of_the_supply_holds_sixteen(bench: Bench) -> None:
    for _ in range(20):
        bench.ask("ABCD")
    assert bench.ask("SYST:ERR:COUN?") == "16"
    entries = [bench.ask("SYST:ERR?") for _ in range(16)]
    assert entries[-1] == '-350,"Queue overflow"'
    assert entries[:-1] == ['-113,"Undefined header;ABCD"'] * 15
    # Command error and, for the overflow itself, device error (IEEE 488.2 §11.5.1).
    assert bench.ask("*ESR?") == "40"


# IEEE 488.2 §11.5.1 and SCPI-1999 vol. 2 §21.8: class of an error → bit of the standard event register.
@pytest.mark.parametrize(
    ("number", "bit"), [(-113, 32), (-222, 16), (-350, 8), (-410, 4), (-500, 128), (-600, 64), (-800, 1), (101, 8)]
)
def test_error_classes(number: int, bit: int) -> None:
    assert event_bit(number) == bit


def test_every_error_that_is_raised_has_a_text() -> None:
    sources = "".join(path.read_text() for path in Path(benchd.sim.__file__).parent.rglob("*.py"))
    raised = {
        int(number) for call in re.findall(r"ScpiError\(([^\n]*)", sources) for number in re.findall(r"-\d{3}", call)
    }
    assert len(raised) > 20
    assert raised | {0} == set(TEXTS)


# IEEE 488.2 §11.2 and SCPI-1999 vol. 1 §9, a worked case: 4 (queue) + 32 (event) + 64 (master).
def test_status_byte(bench: Bench) -> None:
    bench.ask("*ESE 32;*SRE 255")
    bench.ask("ABCD")
    assert bench.ask("*STB?") == "100"
    assert bench.ask("*ESR?") == "32"
    assert bench.ask("*STB?") == "68"
    bench.ask("SYST:ERR?")
    assert bench.ask("*STB?") == "0"
    assert bench.ask("*IDN?;*STB?") == f"{bench.ask('*IDN?')};80"


# IEEE 488.2 §10.18, §10.19.
def test_operation_complete(bench: Bench) -> None:
    bench.ask("*OPC")
    assert bench.ask("*ESR?") == "1"
    assert bench.ask("*ESR?") == "0"
    assert bench.ask("*OPC?") == "1"


# IEEE 488.2 §5.12: power on is bit 7 of the standard event register.
def test_power_on_is_reported_once() -> None:
    instrument = Instrument()
    assert instrument.handle("*ESR?", 0.0).reply == "128"
    assert instrument.handle("*ESR?", 0.0).reply == "0"


# IEEE 488.2 §10.3, §10.32: neither command touches the enables; *RST leaves the error queue.
def test_clear_and_reset(bench: Bench) -> None:
    bench.ask("*ESE 32;*CLS")
    assert bench.ask("*ESE?") == "32"
    bench.ask("INST:NSEL 2;:VOLT 4;:CURR 1;:VOLT:PROT 5;:CURR:PROT:STAT ON;:OUTP ON")
    bench.ask("ABCD")
    bench.ask("*RST")
    assert bench.ask("INST:NSEL?;:SYST:ERR:COUN?") == "1;1"
    assert bench.ask("INST:NSEL 2;:VOLT?;:CURR?;:VOLT:PROT?;:CURR:PROT:STAT?;:OUTP?") == "0.000;0.100;35.200;0;0"


def test_settings_come_back_with_the_resolution(bench: Bench) -> None:
    bench.ask("SOUR:VOLT:LEV:IMM:AMPL 4.00049 V;:CURR 250mA;:VOLT:PROT 5;:VOLT:PROT:DEL 20ms")
    assert bench.ask("VOLT?;CURR?;:VOLT:PROT?;:VOLT:PROT:DEL?;STAT?") == "4.000;0.250;5.000;0.020;1"
    assert bench.ask("VOLT? MAX;:VOLT? MIN;:CURR? MAX;:CURR? DEF") == "32.000;0.000;6.000;0.100"
    assert bench.ask("SYST:ERR?") == NO_ERROR


# SCPI-1999 vol. 1 §7.3: booleans are answered as 1 or 0.
def test_output_switches_and_measures(bench: Bench) -> None:
    bench.instrument.attach(0, "leak-only", 0.0)
    bench.ask("VOLT 4;:CURR 1;:OUTP ON")
    bench.wait(1.0)
    assert bench.ask("OUTP?") == "1"
    volts, amps, watts = (float(text) for text in (bench.ask("MEAS:VOLT?;CURR?;POW?") or "").split(";"))
    assert volts == pytest.approx(4.0, abs=0.003)
    assert amps == pytest.approx(0.045, abs=0.001)
    assert watts == pytest.approx(volts * amps, rel=1e-4)
    assert bench.ask("FETC:VOLT?;CURR?") == bench.ask("MEAS:VOLT:DC?;:MEAS:SCAL:CURR:DC?")
    bench.ask("OUTP OFF")
    bench.wait(2.0)
    assert bench.ask("OUTP?") == "0"
    assert float(bench.ask("MEAS:VOLT?") or "9") < 0.5


def test_channels_are_selected_and_apart(bench: Bench) -> None:
    bench.ask("INST CH2;:VOLT 3.3;:INST:NSEL 1;:VOLT 5")
    assert bench.ask("INST?;:VOLT?;:INST:NSEL 2;:INST?;:VOLT?") == "CH1;5.000;CH2;3.300"
    bench.ask("INST CH3")
    bench.ask("INST:NSEL 3")
    assert (
        bench.ask("SYST:ERR:ALL?") == '-224,"Illegal parameter value;CH3 is none of CH1 CH2",-222,"Data out of range;3"'
    )
    assert bench.ask("INST?") == "CH2"


def test_apply_sets_both_without_selecting(bench: Bench) -> None:
    bench.ask("APPL CH2,4.1,0.3")
    assert bench.ask("INST?;:APPL? CH2;:APPL?") == "CH1;4.100,0.300;0.000,0.100"
    bench.ask("APPL 3.7,9")
    assert bench.ask("SYST:ERR?;:APPL?") == '-222,"Data out of range;9";0.000,0.100'


def test_status_says_regulating_and_limiting(bench: Bench) -> None:
    condition = "STAT:QUES:INST:ISUM1:COND?"
    assert bench.ask(condition) == "0"
    bench.ask("VOLT 4;:CURR 0.5;:OUTP ON")
    bench.wait(1.0)
    assert bench.ask(condition) == "2"
    bench.instrument.attach(0, "dead-short", bench.now_s)
    bench.wait(0.1)
    assert bench.ask(condition) == "1"
    assert bench.ask("STAT:QUES:COND?") == "1"
    assert bench.ask("STAT:QUES:INST:ISUM1?;ISUM1?") == "3;0"
    assert bench.ask("STAT:QUES:INST:ISUM2:COND?") == "0"
    bench.ask("STAT:QUES:INST:ISUM3:COND?")
    assert (bench.ask("SYST:ERR?") or "").startswith("-114,")


def test_summary_of_a_channel_climbs_into_the_status_byte(bench: Bench) -> None:
    # SCPI-1999 vol. 1 §9: bit 13 of the questionable register sums up the instruments, bit 3 of the byte that register.
    bench.ask("STAT:QUES:INST:ISUM2:ENAB 1;:STAT:QUES:INST:ENAB 4;:STAT:QUES:ENAB 8192;*SRE 8")
    bench.instrument.attach(1, "dead-short", 0.0)
    bench.ask("INST:NSEL 2;:VOLT 4;:INST:NSEL 1")
    assert bench.ask("*STB?") == "0"
    bench.ask("INST:NSEL 2;:OUTP ON;:INST:NSEL 1")
    bench.wait(0.1)
    assert bench.ask("*STB?") == "72"
    assert bench.ask("STAT:QUES:INST:COND?;EVEN?") == "4;4"


def test_tripped_protection_keeps_the_output_off_until_cleared(bench: Bench) -> None:
    bench.ask("VOLT 6;:CURR 1;:VOLT:PROT 5;:OUTP ON")
    bench.wait(0.1)
    assert bench.ask("OUTP?;:VOLT:PROT:TRIP?;:CURR:PROT:TRIP?") == "0;1;0"
    assert bench.ask("STAT:QUES:INST:ISUM1:COND?") == "512"
    bench.ask("OUTP ON")
    assert (bench.ask("SYST:ERR?") or "").startswith('-221,"Settings conflict')
    bench.ask("VOLT:PROT:CLE")
    assert bench.ask("OUTP?;:VOLT:PROT:TRIP?") == "0;0"
    bench.ask("VOLT 4;:OUTP ON")
    bench.wait(0.1)
    assert bench.ask("OUTP?") == "1"


def test_over_current_protection_trips_after_its_delay(bench: Bench) -> None:
    bench.instrument.attach(0, "dead-short", 0.0)
    bench.ask("VOLT 4;:CURR 1;:CURR:PROT:STAT ON;DEL 0.1;:OUTP ON")
    bench.wait(0.09)
    assert bench.ask("OUTP?") == "1"
    bench.wait(0.02)
    assert bench.ask("OUTP?;:CURR:PROT:TRIP?;:STAT:QUES:INST:ISUM1:COND?") == "0;1;1024"
    bench.ask("OUTP:PROT:CLE")
    assert bench.ask("OUTP?;:CURR:PROT:TRIP?") == "0;0"


def test_a_command_error_drops_the_rest_of_its_message_and_an_execution_error_does_not(bench: Bench) -> None:
    bench.ask("VOLT 4;FOO;CURR 0.5")
    assert bench.ask("VOLT?;CURR?") == "4.000;0.100"
    bench.ask("VOLT 99;CURR 0.5")
    assert bench.ask("VOLT?;CURR?") == "4.000;0.500"


def test_simulation_errors_stay_out_of_the_supply_s_queue(bench: Bench) -> None:
    bench.ask("SIM1:BOARD brick")
    bench.ask("SIM3:BUTTON")
    bench.ask("SIM:FAULT NOISE")
    assert bench.ask("SYST:ERR?;*ESR?") == NO_ERROR + ";0"
    assert [(bench.ask("SIM:ERR?") or "").split(",")[0] for _ in range(4)] == ["-224", "-114", "-224", "0"]


def test_every_board_can_be_attached_by_name(bench: Bench) -> None:
    assert bench.ask("SIM:BOARD:CAT?") == ",".join(KINDS)
    for kind in KINDS:
        bench.ask(f"SIM2:BOARD {kind}")
        assert bench.ask("SIM2:BOARD?") == kind
    bench.ask("SIM2:BOARD NONE")
    assert bench.ask("SIM:ERR?") == NO_ERROR


def test_truth_has_no_noise(bench: Bench) -> None:
    bench.ask("SIM1:BOARD leak-only")
    bench.ask("VOLT 4;:CURR 1;:OUTP ON")
    bench.wait(1.0)
    first = bench.ask("SIM1:TRUTH?")
    bench.wait(0.1)
    assert bench.ask("SIM1:TRUTH?") == first
    output, terminal_v, current_a, board_v = (float(text) for text in (first or "").split(","))
    # Ohm's law through source, leads and leak: 4 V over 10 mΩ + 50 mΩ + 4.0/0.045 Ω.
    assert output == 1
    assert current_a == pytest.approx(4 / (0.06 + 4 / 0.045), rel=1e-4)
    assert terminal_v == pytest.approx(4 - 0.01 * current_a, rel=1e-6)
    assert board_v == pytest.approx(4 - 0.06 * current_a, rel=1e-6)


HEADERS = sorted(
    {header + ("?" if query else "") for header, query in WORDS.tree.headers() if not header.startswith("SIM")}
)
PARAMETERS = [
    "",
    " 1",
    " 4.2",
    " ON",
    " OFF",
    " CH1",
    " CH2,3,1",
    " MAX",
    " 99",
    " -1",
    " FOO",
    " 1E999",
    ' "x',
    " #15ab",
]


@given(st.lists(st.tuples(st.sampled_from(HEADERS), st.sampled_from(PARAMETERS)), max_size=8))
@settings(max_examples=100, deadline=None)
def test_every_message_gets_its_replies_or_an_error(pieces: list[tuple[str, str]]) -> None:
    """A query is answered exactly once or leaves an error; a command is never answered."""
    instrument = Instrument()
    now_s = 0.0
    for header, parameters in pieces:
        now_s += 0.01
        instrument.errors.clear()
        reply = instrument.handle(":" + header + parameters if header[0] != "*" else header + parameters, now_s).reply
        if "ERROR" in header or "ERR" in header.split(":"):
            continue
        refused = len(instrument.errors) > 0
        assert (reply is not None) is (header.endswith("?") and not refused)
    assert instrument.handle("*IDN?", now_s).reply is not None


@given(st.binary(max_size=60))
@settings(max_examples=100, deadline=None)
def test_no_bytes_harm_it(data: bytes) -> None:
    instrument = Instrument()
    for piece in data.split(b"\n"):
        reply = instrument.handle(piece.decode("latin-1"), 0.0).reply
        assert reply is None or "\n" not in reply
    assert instrument.handle("*IDN?", 0.0).reply is not None
    assert (instrument.handle("SYST:ERR?", 0.0).reply or "").isascii()
