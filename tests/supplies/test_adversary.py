"""What goes wrong at the worst place: another instrument answers, somebody selects another output, a write is lost."""

from __future__ import annotations

import socket
import time
import types

import pytest

from benchd.reading import OutputState
from benchd.supplies.errors import AnotherUnit, LinkLost, ReplyGarbled, SupplyError
from benchd.supplies.link import Link
from benchd.supplies.makesafe import allowed_s, make_safe
from benchd.supplies.off import confirm_off
from benchd.supplies.profile import load_profile
from benchd.supplies.profile_link import LinkProfile
from benchd.supplies.supply import Supply
from benchd.supplies.visa_wire import VisaWire
from tests.supplies.lines import CLOSE, LineInstrument
from tests.supplies.small import MULTI, OUTPUT, Instrument, profile

GENERIC = load_profile("generic-scpi")
SELECTING = {"select": "separate-message", "select_command": "INST {channel}", "selected": "INST?"}


def opened(instrument, used, channels=(1,)):
    return Supply.open("bench", instrument.resource, used, channels, 0.5)


# ---- who answers ---------------------------------------------------------------------------------------------------


class Place:
    """An address at which another instrument answers once the connection was lost. Its output is off."""

    def __init__(self, later: str) -> None:
        self.identity = "Example,EX,SN7,1.0"
        self._later = later

    def __call__(self, line):
        replies = {"*IDN?": self.identity, "OUTP?": "0", "MEAS:VOLT?;:MEAS:CURR?": "0.0;0.0", "SYST:ERR?": '0,"None"'}
        if line == "BYE":
            self.identity = self._later
            return [CLOSE]
        return [replies[line].encode() + b"\n"] if line in replies else []


@pytest.mark.parametrize(
    ("later", "state"), [("Example,EX,SN7,1.0", OutputState.OFF), ("Example,EX,SN8,1.0", OutputState.UNKNOWN)]
)
def test_after_reopening_the_word_of_another_unit_proves_nothing(later, state):
    with LineInstrument(Place(later)) as instrument:
        supply = opened(instrument, GENERIC)
        try:
            supply.link.write("BYE")
            with pytest.raises(LinkLost):
                supply.read(1)
            supply.send_off(1)
            outcome = confirm_off(supply, 1, 0.3)
            assert outcome.state is state, outcome.text
            assert "OUTP OFF" in instrument.lines  # OFF is right for whoever answers
        finally:
            supply.close()


def test_after_reopening_for_an_off_the_connection_is_not_made_a_third_time():
    """The OFF may still be on its way on it, and some instruments serve one connection at a time."""
    with LineInstrument(Place("Example,EX,SN7,1.0")) as instrument:
        supply = opened(instrument, GENERIC)
        try:
            supply.link.write("BYE")
            with pytest.raises(LinkLost):
                supply.read(1)
            supply.send_off(1)
            supply.reconnect()
            assert supply.output_state(1) is False
            assert instrument.connections == 2
        finally:
            supply.close()


@pytest.mark.parametrize(
    ("profile_name", "identity", "state"),
    [
        ("generic-scpi", None, OutputState.OFF),
        ("generic-scpi", "Example,EX,SN7,1.0", OutputState.OFF),
        ("generic-scpi", "Example,EX,SN8,1.0", OutputState.UNKNOWN),
        ("keysight-e36100", None, OutputState.UNKNOWN),  # the same commands, but of another maker
    ],
)
def test_making_safe_sends_off_to_anybody_and_believes_only_the_unit_that_was_held(profile_name, identity, state):
    with LineInstrument(Place("")) as instrument:
        used = load_profile(profile_name)
        reached = make_safe(instrument.resource, used, (1,), 0.3, deadline_s=0.4, identity=identity)
        assert reached[0].state is state, reached
        assert instrument.lines[0] == "OUTP OFF"


def test_making_safe_does_not_knock_for_as_long_as_a_slow_proof_would_take():
    slow = load_profile("rs-hmp")
    assert allowed_s(slow, 4, False, 0.2) > 5
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    started = time.monotonic()
    reached = make_safe(f"TCPIP0::127.0.0.1::{port}::SOCKET", slow, (1, 2, 3, 4), 0.3, deadline_s=0.2)
    assert [each.state for each in reached] == [OutputState.UNKNOWN] * 4
    assert time.monotonic() - started < 3


# ---- which output answers ------------------------------------------------------------------------------------------


def test_an_off_is_not_believed_when_somebody_selected_another_output_meanwhile():
    def state(self):
        self.sets["INST"] = "1"  # at the panel, between the proof and the question; output 1 is off
        return "0"

    instrument = Instrument(**{"INST?": lambda self: self.sets.get("INST", "1"), "OUTP?": state})
    with LineInstrument(instrument) as server:
        supply = opened(server, profile(channels=SELECTING, outputs=MULTI), (1, 2))
        try:
            assert supply.output_state(1) is False
            with pytest.raises(SupplyError, match="'1' is selected; somebody at its panel"):
                supply.output_state(2)
            supply.send_off(2)
            assert confirm_off(supply, 2, 0.2).state is OutputState.UNKNOWN
        finally:
            supply.close()


def test_a_link_that_is_made_anew_between_selection_and_question_is_selected_on_again():
    """As on an instrument where each connection begins with output 1 selected."""
    on = {"1": "0", "2": "1"}
    babble = [True]
    connections = [0]

    def answer(line):
        if server.connections != connections[0]:
            connections[0], chosen[0] = server.connections, "1"
        if line.startswith("INST "):
            chosen[0] = line[-1]
        if line == "INST?" and chosen[0] == "2" and babble:
            babble.clear()
            return [b"2\n", 0.01, b"stray\n"]
        replies = {"*IDN?": "Example,EX,SN7,1.0", "INST?": chosen[0], "OUTP?": on[chosen[0]]}
        return [replies[line].encode() + b"\n"] if line in replies else []

    chosen = ["1"]
    used = profile(channels=SELECTING, outputs=MULTI, link={"status_gap_ms": 60.0})
    with LineInstrument(answer) as server:
        supply = opened(server, used, (1, 2))
        try:
            assert supply.output_state(2) is True
            assert supply.link.resyncs == 1
        finally:
            supply.close()


def test_the_off_of_every_output_goes_out_before_the_first_is_waited_for():
    channels = {"select": "separate-message", "select_command": "INST {channel}"}
    used = profile(channels=channels, outputs=MULTI, link={"select_gap_ms": 50.0, "output_gap_ms": 50.0})
    with LineInstrument(Instrument()) as server:
        supply = opened(server, used, (1, 2))
        try:
            server.lines.clear()
            supply.off_at_once()
            for channel in (1, 2):
                supply.send_off(channel)
            supply.link.query("*IDN?")
            assert server.lines[:4] == ["INST 1", "OUTP OFF", "INST 2", "OUTP OFF"]
        finally:
            supply.close()


# ---- what was written ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("voltage_v", "limit_a", "told"),
    [
        (1.0, 0.0004, r"limit of 0.0004 A, which would be written as 0.000 A"),
        (1.0, 0.0006, r"limit of 0.0006 A, which would be written as 0.001 A"),
        (1.0, 0.0035, r"limit of 0.0035 A, which would be written as 0.00[34] A"),
        (0.0015, 0.1, r"voltage of 0.0015 V, which would be written as 0.00[12] V"),
        (1.0, 2.00049, r"limit of 2.00049 A; allowed 0.0 to 2.0 A"),
    ],
)
def test_a_setting_that_the_digits_cannot_hold_is_refused_and_not_sent(voltage_v, limit_a, told):
    with LineInstrument(Instrument()) as server:
        supply = opened(server, profile(outputs=[{**OUTPUT, "max_limit_a": 2.0}]))
        try:
            with pytest.raises(SupplyError, match=told):
                supply.prepare(1, voltage_v, limit_a)
            assert not [line for line in server.lines if line.startswith(("VOLT", "CURR", "OUTP"))]
        finally:
            supply.close()


def test_nothing_in_place_of_one_step_is_refused():
    with LineInstrument(Instrument(**{"CURR?": "0.000"})) as server:
        supply = opened(server, profile(outputs=[{**OUTPUT, "set_resolution_a": 0.01}]))
        try:
            with pytest.raises(SupplyError, match=r"limit of 0.01 A, came back 0 A"):
                supply.prepare(1, 1.0, 0.01)
        finally:
            supply.close()


def test_a_limit_that_the_voltage_setting_changes_is_noticed():
    """As on a supply with two ranges, where a voltage beyond the first switches over with the range's own limit."""

    class TwoRanges(Instrument):
        def reply(self, line):
            found = super().reply(line)
            if line.startswith("VOLT "):
                self.sets["CURR"] = "3.000"
            return found

    with LineInstrument(TwoRanges()) as server:
        supply = opened(server, profile())
        try:
            with pytest.raises(SupplyError, match=r"limit of 0.1 A, came back 3 A"):
                supply.prepare(1, 1.0, 0.1)
            assert "OUTP ON" not in server.lines
        finally:
            supply.close()


@pytest.mark.parametrize(("flags", "coupled"), [("10", False), ("11", True), ("1X", None)])
def test_outputs_of_which_nobody_tells_whether_they_are_coupled_are_not_set(flags, coupled):
    tracking = {"query": {"send": "STAT?", "form": "flags"}, "independent": {"mask": 2, "value": 0}}
    with LineInstrument(Instrument(**{"STAT?": flags})) as server:
        supply = opened(server, profile(tracking=tracking))
        try:
            if coupled is False:
                supply.prepare(1, 1.0, 0.1)
            else:
                with pytest.raises((SupplyError, ReplyGarbled), match="are coupled" if coupled else "0 or 1 for each"):
                    supply.prepare(1, 1.0, 0.1)
                assert not [line for line in server.lines if line.startswith(("VOLT ", "CURR "))]
        finally:
            supply.close()


# ---- readings and switching ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("overload", ["9.9E37", "-9.9E37"])
def test_an_overload_of_either_sign_is_no_proof_of_no_current(overload):
    """SCPI-1999 vol. 1 §7.2.1.4: 9.9E37 is infinity, in both directions."""
    answers = {"OUTP?": "0", "MEAS:VOLT?;:MEAS:CURR?": f"0.0;{overload}"}
    with LineInstrument(Instrument(**answers)) as server:
        supply = opened(server, profile())
        try:
            supply.send_off(1)
            assert confirm_off(supply, 1, 0.2).state is OutputState.UNKNOWN
        finally:
            supply.close()


def test_between_attempts_to_see_an_output_on_the_others_are_looked_after():
    states = ["1", "0", "0"]
    with LineInstrument(Instrument(**{"OUTP?": lambda _: states.pop()})) as server:
        supply = opened(server, profile())
        looked = []
        supply.between = lambda: looked.append(len(states))
        try:
            supply.output_on(1)
            assert looked == [2, 1]
        finally:
            supply.close()


def test_a_unit_whose_variant_has_no_error_queue_is_not_asked_for_it():
    errors = {"query": "SYST:ERR?", "probe": True}
    used = profile(errors=errors, variants=[{"model": "EX", "without": ["errors"]}])
    with LineInstrument(Instrument(**{"SYST:ERR?": '-100,"never asked"'})) as server:
        supply = opened(server, used)
        try:
            supply.prepare(1, 1.0, 0.1)
            assert supply.errors() == []
            assert "SYST:ERR?" not in server.lines
        finally:
            supply.close()


def test_on_a_bus_that_marks_message_ends_each_message_is_one_transfer():
    """Some instruments take a transfer for one message, whatever line ends are in it (common practice)."""
    taken = []
    instrument = types.SimpleNamespace(write_raw=taken.append, read_termination=None)
    session = types.SimpleNamespace(fresh_is_clean=False, instrument=instrument, run=lambda action, _: action())
    wire = VisaWire(session, "USB0::1::2::SN7::INSTR", LinkProfile())
    wire.send(b"OUTP 0\nINST:NSEL 1\nOUTP 0\n", 0.1)
    assert taken == [b"OUTP 0\n", b"INST:NSEL 1\n", b"OUTP 0\n"]


def test_a_link_that_expects_somebody_asks_before_it_believes():
    with LineInstrument(Place("")) as instrument:
        link = Link.open(instrument.resource, GENERIC.link, 0.3)
        link.expect("Somebody,else,0,0")
        with pytest.raises(AnotherUnit, match="expected the identification 'Somebody,else,0,0'"):
            link.query("OUTP?")
        link.close()
