"""The supply against the simulated one, which parses with code of its own."""

import math
import time

import pytest

from benchd.reading import Flag, Mode
from benchd.share import share_path
from benchd.supplies.clock import now_ns
from benchd.supplies.errors import LinkError, LinkLost, ReplyGarbled, ReplyLate, SupplyError
from benchd.supplies.profile import ProfileError, load_profile
from benchd.supplies.supply import Supply
from tests.supplies.lines import LineInstrument

EVERY_WAY = [("benchd-sim", False), ("benchd-sim", True), ("generic-scpi-multi", False), ("generic-scpi-multi", True)]


def read_until(supply, channel, wanted, limit_s=5.0):
    ends = time.monotonic() + limit_s
    while not wanted(reading := supply.read(channel)):
        assert time.monotonic() < ends, reading
    return reading


@pytest.mark.parametrize(("profile", "port"), EVERY_WAY)
def test_prepare_on_read_off(sim, open_supply, profile, port):
    supply = open_supply(profile, port)
    sim.board(2, "leak")
    supply.prepare(2, 4.0, 1.0)
    assert sim.truth(2).output is False
    supply.output_on(2)
    assert sim.truth(2).output is True
    assert sim.truth(1).output is False
    reading = read_until(supply, 2, lambda r: r.mode is Mode.CV and 0.03 < r.current_a < 0.06 and r.voltage_v > 3.99)
    truth = sim.truth(2)
    assert reading.voltage_v == pytest.approx(truth.voltage_v, abs=0.01)
    assert reading.current_a == pytest.approx(truth.current_a, abs=0.005)
    supply.send_off(2)
    assert supply.output_state(2) is False
    assert sim.truth(2).output is False
    assert supply.errors() == []


def test_a_reading_is_timed_half_way_between_question_and_answer(open_supply):
    supply = open_supply()
    before = now_ns()
    reading = supply.read(1)
    after = now_ns()
    assert before <= reading.t_ns - reading.half_trip_ns
    assert reading.t_ns + reading.half_trip_ns <= after
    assert reading.half_trip_ns > 0
    assert abs(after - time.time_ns()) < 60e9  # epoch, give or take what the clock was stepped since the start


@pytest.mark.parametrize("profile", ["benchd-sim", "generic-scpi-multi"])
def test_the_mode_of_a_short(sim, open_supply, profile):
    """By bits and derived: at the limit with the voltage down."""
    supply = open_supply(profile)
    sim.board(1, "dead-short")
    supply.prepare(1, 4.0, 0.5)
    supply.output_on(1)
    reading = read_until(supply, 1, lambda r: r.mode is Mode.CC and r.current_a > 0.49)
    assert reading.current_a == pytest.approx(0.5, abs=0.01)
    assert reading.voltage_v < 2.0


def test_the_derived_mode_is_not_guessed(sim, open_supply):
    supply = open_supply("generic-scpi-multi")
    assert supply.read(1).mode is Mode.UNKNOWN
    supply.output_state(1)
    read_until(supply, 1, lambda r: r.mode is Mode.OFF and r.current_a < 0.001)
    sim.board(1, "dead-short")
    sim.command("INST:NSEL 1;:VOLT 1;:CURR 0.5;:OUTP ON")  # somebody at the panel
    sim.query("*OPC?")
    # Current flows, so what was asked last is not true any more.
    assert read_until(supply, 1, lambda r: r.current_a > 0.4).mode is Mode.UNKNOWN
    assert supply.output_state(1) is True
    assert supply.read(1).mode is Mode.UNKNOWN


def test_the_first_reading_after_a_missed_one_says_so(sim, open_supply):
    supply = open_supply(timeout_s=0.1)
    assert supply.read(1).flags == Flag.NONE
    sim.fault("SILENT")
    with pytest.raises(ReplyLate):
        supply.read(1)
    assert supply.read(1).flags == Flag.GAP
    assert supply.read(1).flags == Flag.NONE


def test_prepare_sets_the_protection_too(sim, open_supply):
    supply = open_supply()
    for voltage_v, level_v in ((4.0, 5.0), (12.0, 13.0), (3.3, 3.8)):  # rising and falling past each other
        supply.prepare(1, voltage_v, 1.0, level_v)
        assert float(sim.query("INST:NSEL 1;:VOLT:PROT?")) == level_v
        assert float(sim.query("INST:NSEL 1;:VOLT?")) == voltage_v
        assert sim.query("INST:NSEL 1;:VOLT:PROT:STAT?") == "1"


def test_prepare_switches_a_running_output_off_first(sim, open_supply):
    supply = open_supply()
    supply.prepare(1, 4.0, 1.0)
    supply.output_on(1)
    supply.prepare(1, 5.0, 1.0)
    assert sim.truth(1).output is False


@pytest.mark.parametrize(
    ("voltage_v", "limit_a", "over_voltage_v", "told"),
    [
        (33.0, 1.0, None, r"voltage of 33.0 V; allowed 0.0 to 32.0 V"),
        (-1.0, 1.0, None, r"voltage of -1.0 V"),
        (math.nan, 1.0, None, r"voltage of nan V"),
        (4.0, 6.5, None, r"current limit of 6.5 A; allowed 0.0 to 6.0 A"),
        (4.0, math.nan, None, r"current limit of nan A"),
        (4.0, 1.0, 3.0, r"over-voltage level of 3.0 V; allowed 4.0 to inf V"),
        (4.0, 1.0, math.inf, r"over-voltage level of inf V"),
    ],
)
def test_what_is_out_of_range_is_never_sent(sim, open_supply, voltage_v, limit_a, over_voltage_v, told):
    supply = open_supply()
    supply.prepare(1, 3.0, 0.5)
    with pytest.raises(SupplyError, match=told):
        supply.prepare(1, voltage_v, limit_a, over_voltage_v)
    assert float(sim.query("INST:NSEL 1;:VOLT?")) == 3.0
    assert float(sim.query("INST:NSEL 1;:CURR?")) == 0.5


def test_a_protection_that_the_profile_does_not_know_is_refused(open_supply):
    with pytest.raises(SupplyError, match="knows none"):
        open_supply("generic-scpi-multi").prepare(1, 4.0, 1.0, 5.0)


def test_a_deaf_output_is_not_prepared(sim, open_supply):
    supply = open_supply()
    supply.prepare(1, 4.0, 1.0)
    supply.output_on(1)
    sim.fault("DEAF")
    with pytest.raises(SupplyError, match="still says on; nothing was set"):
        supply.prepare(1, 5.0, 2.0)
    assert float(sim.query("INST:NSEL 1;:VOLT?")) == 4.0


def test_errors_of_others_are_not_held_against_us_and_not_lost(sim, open_supply):
    supply = open_supply()
    sim.command("NONSENSE 1")
    sim.query("*OPC?")
    supply.prepare(1, 4.0, 1.0)
    assert [number for number, _ in supply.errors()] == [-113]
    assert supply.errors() == []


def test_minimise(sim, open_supply):
    supply = open_supply()
    supply.prepare(1, 4.0, 1.0)
    supply.minimise(1)
    supply.output_state(1)
    assert float(sim.query("INST:NSEL 1;:VOLT?")) == 0.0
    assert float(sim.query("INST:NSEL 1;:CURR?")) == 0.0


def test_a_channel_that_does_not_exist():
    with pytest.raises(ProfileError, match="no channel 3; allowed: 1, 2"):
        load_profile("benchd-sim").output(3)


def test_selection_in_the_same_message_cannot_be_redirected(sim, open_supply):
    """The front panel changes the selected channel between our messages: no OUTP may go astray."""
    supply = open_supply()
    supply.prepare(1, 4.0, 1.0)
    sim.command("INST:NSEL 2")
    sim.query("*OPC?")
    supply.output_on(1)
    assert sim.truth(1).output is True
    assert sim.truth(2).output is False
    sim.command("INST:NSEL 2;:OUTP ON")
    sim.query("*OPC?")
    supply.send_off(1)
    assert supply.output_state(1) is False
    assert sim.truth(2).output is True


def test_a_link_that_drops_is_told_and_comes_back(sim, open_supply):
    supply = open_supply(timeout_s=0.3)
    identity = supply.link.identity
    sim.fault("CLOSE")
    for _ in range(2):
        with pytest.raises(LinkLost):
            supply.read(1)
    with pytest.raises(LinkLost):
        supply.reconnect()
    sim.fault("NONE")
    assert supply.reconnect() == identity
    assert supply.read(1).flags == Flag.GAP


@pytest.mark.parametrize(("port", "hold"), [(False, False), (False, True), (True, True)])
def test_a_late_reading_of_one_channel_never_shows_on_the_other(sim, open_supply, port, hold):
    """The late reply overtakes nothing on a port: instruments answer there in the order they were asked."""
    supply = open_supply(port=port, timeout_s=0.1)
    supply.prepare(1, 4.0, 1.0)
    supply.output_on(1)
    read_until(supply, 1, lambda r: r.voltage_v > 3.99)
    sim.fault("LATE", 0.25, *(["HOLD"] if hold else []))
    with pytest.raises(ReplyLate):
        supply.read(1)
    ends = time.monotonic() + 0.6  # well past the late reply
    good = 0
    while time.monotonic() < ends:
        try:
            assert supply.read(2).voltage_v < 0.1
        except LinkError:
            continue
        good += 1
    assert good > 10
    assert supply.read(1).voltage_v > 3.9


# ---- instruments of one function, for answers that the simulated supply does not give --------------------------


def scripted(**replies):
    """Answers a generic supply's questions. Keywords replace answers: the question with _ for every other sign."""
    answers = {"*IDN?": "Example Works,EX-1,0,1.0", "SYST:ERR?": '0,"No error"', "OUTP?": "0", "VOLT?": "4.000"}
    answers |= {"CURR?": "1.000", "MEAS:VOLT?;:MEAS:CURR?": "4.000;0.100"}

    def answer(line):
        name = "".join(char if char.isalnum() else "_" for char in line).strip("_")
        text = replies.get(name, answers.get(line))
        if callable(text):
            text = text()
        return [] if text is None else [text.encode() + b"\n"]

    return answer


def opened(instrument, profile="generic-scpi", timeout_s=0.2):
    return Supply.open("right", instrument.resource, load_profile(profile), (1,), timeout_s)


def test_a_setting_that_comes_back_different_is_refused():
    with LineInstrument(scripted(CURR="0.500")) as instrument:
        supply = opened(instrument)
        with pytest.raises(SupplyError, match=r"right channel 1: asked for a limit of 1 A, came back 0.5 A .*0.01 A"):
            supply.prepare(1, 4.0, 1.0)
        supply.close()
    assert not any(line.startswith("VOLT ") for line in instrument.lines)  # the voltage was not even set
    assert "OUTP ON" not in instrument.lines


def test_a_setting_within_one_step_is_good():
    with LineInstrument(scripted(CURR="1.010", VOLT="3.99")) as instrument:
        supply = opened(instrument)
        supply.prepare(1, 4.0, 1.0)
        supply.close()


def test_errors_during_preparing_refuse_it():
    queue = iter(['0,"No error"', '0,"No error"', '-221,"Settings conflict"', '0,"No error"'])
    with LineInstrument(scripted(SYST_ERR=lambda: next(queue))) as instrument:
        supply = opened(instrument)
        with pytest.raises(SupplyError, match=r'4.0 V, 1.0 A; the instrument reports -221 "Settings conflict"'):
            supply.prepare(1, 4.0, 1.0)
        supply.close()


def test_an_error_queue_that_never_ends_does_not_hold_us():
    with LineInstrument(scripted(SYST_ERR='-350,"Queue overflow"')) as instrument:
        supply = opened(instrument)
        assert set(supply.errors()) == {(-350, "Queue overflow")}
        supply.close()


@pytest.mark.parametrize("reply", [None, "No Error", "4.000"])
def test_a_supply_without_a_standard_error_queue_is_left_alone(reply):
    with LineInstrument(scripted(SYST_ERR=(lambda: None) if reply is None else reply)) as instrument:
        supply = opened(instrument)
        supply.prepare(1, 4.0, 1.0)
        assert supply.errors() == []
        supply.close()
    assert instrument.lines.count("SYST:ERR?") == 1


def test_an_output_that_does_not_come_on_is_told():
    with LineInstrument(scripted()) as instrument:
        supply = opened(instrument)
        with pytest.raises(SupplyError, match="asked OUTP ON, but the output says off"):
            supply.output_on(1)
        supply.close()


@pytest.mark.parametrize(
    "reply",
    ["", "4.000", "4.000;0.1;2", "4.000;abc", "4,000;0.1", "9.91E37;0.1", "4.0;9.91E+37", "nan;0", '-113,"x"', "1"],
)
def test_what_is_no_reading(reply):
    with LineInstrument(scripted(MEAS_VOLT___MEAS_CURR=reply)) as instrument:
        supply = opened(instrument)
        with pytest.raises(ReplyGarbled, match=r"MEAS:VOLT\?;:MEAS:CURR\?"):
            supply.read(1)
        supply.close()


def test_an_overload_is_marked_and_clipped_to_the_range():
    """9.9E37 is infinity, SCPI-1999 vol. 1 §7.2.1."""
    with LineInstrument(scripted(MEAS_VOLT___MEAS_CURR="9.9E37;-9.9E37")) as instrument:
        supply = opened(instrument)
        reading = supply.read(1)
        assert (reading.voltage_v, reading.current_a, reading.flags) == (60.0, -10.0, Flag.OVERLOAD)
        supply.close()


@pytest.mark.parametrize("reply", ["0.000", "4.000;0.1", "x", ""])
def test_an_output_state_that_is_no_state_is_not_off(reply):
    with LineInstrument(scripted(OUTP=reply)) as instrument:
        supply = opened(instrument)
        with pytest.raises(ReplyGarbled):
            supply.output_state(1)
        supply.close()


def test_a_profile_for_another_maker_is_refused():
    with LineInstrument(scripted()) as instrument, pytest.raises(SupplyError, match=r"maker 'benchd', model 'SIM-2'"):
        opened(instrument, "benchd-sim")


def test_selection_in_a_message_of_its_own(tmp_path):
    text = (share_path("drivers") / "generic-scpi-multi.toml").read_text()
    text = text.replace('"same-message"', '"separate-message"')
    (tmp_path / "separate.toml").write_text(text)
    with LineInstrument(scripted(OUTP="1")) as instrument:
        supply = Supply.open("left", instrument.resource, load_profile(tmp_path / "separate.toml"), (2,), 0.2)
        supply.output_on(2)
        supply.read(2)
        supply.send_off(2)
        supply.output_state(2)
        supply.close()
    pairs = ["OUTP ON", "OUTP?", "MEAS:VOLT?;:MEAS:CURR?", "OUTP OFF", "OUTP?"]
    assert instrument.lines[-10:] == [line for command in pairs for line in ("INST:NSEL 2", command)]
