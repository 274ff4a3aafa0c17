"""Proof of off, and make-safe: off is only ever said when the model's own truth agrees."""

import re
import socket
import time

import pytest

from benchd.reading import OutputState
from benchd.supplies.link import Link
from benchd.supplies.makesafe import make_safe
from benchd.supplies.off import confirm_off
from benchd.supplies.profile import ProfileError, load_profile
from benchd.supplies.supply import Supply
from tests.running import until
from tests.supplies.lines import LineInstrument

PROFILE = load_profile("benchd-sim")


def switched_on(sim, supply, board="dead-short", channel=1):
    sim.board(channel, board)
    supply.prepare(channel, 4.0, 0.5)
    supply.output_on(channel)
    assert sim.truth(channel).output is True


@pytest.mark.parametrize("port", [False, True])
@pytest.mark.parametrize("board", ["dead-short", "clean", "none", "leak"])
def test_off_is_proved_by_state_and_current(sim, open_supply, port, board):
    supply = open_supply(port=port)
    switched_on(sim, supply, board)
    supply.send_off(1)
    outcome = confirm_off(supply, 1, 2.0)
    assert outcome.state is OutputState.OFF, outcome.text
    assert sim.truth(1).output is False
    assert abs(outcome.readings[-1].current_a) < 0.005
    assert outcome.confirmed_ns >= outcome.readings[-1].t_ns
    assert "mA and" in outcome.text


def test_off_that_got_lost_is_sent_again(sim, open_supply):
    supply = open_supply()
    switched_on(sim, supply)
    steps = []
    outcome = confirm_off(supply, 1, 2.0, steps.append)  # nobody sent the first one
    assert outcome.state is OutputState.OFF
    assert sim.truth(1).output is False
    assert steps == ["channel 1: still on, OFF again"]


def test_a_deaf_supply_is_taken_to_its_minimum_and_reported_unknown(sim, open_supply):
    supply = open_supply()
    switched_on(sim, supply)
    sim.fault("DEAF")
    supply.send_off(1)
    outcome = confirm_off(supply, 1, 0.4)
    assert outcome.state is OutputState.UNKNOWN
    assert outcome.confirmed_ns is None
    assert "not confirmed off within 400 ms: the output still says on" in outcome.text
    assert "set to the minimum" in outcome.text
    truth = sim.truth(1)
    assert truth.output is True
    assert truth.current_a < 0.01


def test_current_that_still_flows_is_not_off(sim, open_supply):
    """The readings are stuck: the state query says off, but the current does not fall."""
    supply = open_supply()
    switched_on(sim, supply)
    while supply.read(1).current_a < 0.4:
        pass
    sim.fault("STUCK")
    supply.send_off(1)
    outcome = confirm_off(supply, 1, 0.3)
    assert outcome.state is OutputState.UNKNOWN
    assert re.search(r"output says off, \d+\.\d mA and .* \(above 2\.2 mA\)", outcome.text)
    assert sim.truth(1).output is False


@pytest.mark.parametrize(("current", "state"), [("-0.0300", OutputState.OFF), ("+0.0300", OutputState.UNKNOWN)])
def test_a_battery_that_holds_the_rail_up_and_feeds_the_supply_is_not_an_output_that_is_on(current, state):
    def answer(line):
        replies = {"*IDN?": "Example Works,EX-1,0,1.0", "OUTP?": " off", "MEAS:VOLT?;:MEAS:CURR?": f"3.812;{current}"}
        return [replies[line].encode() + b"\n"] if line in replies else []

    with LineInstrument(answer) as instrument:
        link = Link.open(instrument.resource, load_profile("generic-scpi").link, 0.3)
        supply = Supply("left", load_profile("generic-scpi"), link, (1,))
        try:
            supply.send_off(1)
            assert confirm_off(supply, 1, 0.3).state is state
        finally:
            supply.close()


def test_a_supply_that_does_not_answer_is_unknown_in_time(sim, open_supply):
    supply = open_supply(timeout_s=2.0)
    switched_on(sim, supply)
    sim.fault("SILENT", 1000)
    started = time.monotonic()
    outcome = confirm_off(supply, 1, 0.3)
    assert outcome.state is OutputState.UNKNOWN
    assert time.monotonic() - started < 1.5
    assert supply.link.timeout_s == 2.0
    # OFF got through all the same, but that could not be known.
    until(lambda: sim.truth(1).output, lambda on: on is False, "the output off")


def test_one_lost_reply_does_not_prevent_the_proof(sim, open_supply):
    supply = open_supply(timeout_s=0.1)
    switched_on(sim, supply)
    sim.fault("SILENT", 1)
    supply.send_off(1)
    assert confirm_off(supply, 1, 2.0).state is OutputState.OFF


def test_make_safe_switches_every_channel_off(sim, open_supply):
    supply = open_supply()
    for channel in (1, 2):
        switched_on(sim, supply, "leak", channel)
    steps = []
    reached = make_safe(sim.resource, PROFILE, (1, 2), 0.3, on_step=steps.append, deadline_s=3.0)
    assert [(r.channel, r.state) for r in reached] == [(1, OutputState.OFF), (2, OutputState.OFF)]
    assert not sim.truth(1).output
    assert not sim.truth(2).output
    assert steps[:3] == [f"opening {sim.resource}", "OFF to channel 1", "OFF to channel 2"]


def test_make_safe_on_a_port_that_another_process_left_in_the_middle_of_a_query(sim, open_supply):
    supply = open_supply(port=True)
    switched_on(sim, supply, "leak")
    supply.link.write("MEAS:CURR?")  # its reply is nobody's
    reached = make_safe(f"ASRL{sim.pty}::INSTR", PROFILE, (1,), 0.3, deadline_s=3.0)
    assert reached[0].state is OutputState.OFF, reached
    assert sim.truth(1).output is False


def test_make_safe_of_a_deaf_supply_is_unknown(sim, open_supply):
    supply = open_supply()
    switched_on(sim, supply)
    sim.fault("DEAF")
    reached = make_safe(sim.resource, PROFILE, (1, 2), 0.3, deadline_s=0.6)
    assert [r.state for r in reached] == [OutputState.UNKNOWN, OutputState.OFF]


def test_make_safe_without_a_supply_is_unknown_and_in_time():
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    started = time.monotonic()
    reached = make_safe(f"TCPIP0::127.0.0.1::{port}::SOCKET", PROFILE, (1, 2), 0.3, deadline_s=0.3)
    assert [r.state for r in reached] == [OutputState.UNKNOWN, OutputState.UNKNOWN]
    assert "refused" in reached[0].text
    assert time.monotonic() - started < 1.5


def test_make_safe_of_a_port_that_swallows_everything_is_in_time():
    with socket.create_server(("127.0.0.1", 0)) as server:
        started = time.monotonic()
        resource = f"TCPIP0::127.0.0.1::{server.getsockname()[1]}::SOCKET"
        reached = make_safe(resource, PROFILE, (1, 2), 0.3, deadline_s=0.5)
        assert [r.state for r in reached] == [OutputState.UNKNOWN, OutputState.UNKNOWN]
        assert time.monotonic() - started < 2.0


def test_make_safe_refuses_a_channel_that_the_profile_does_not_have():
    with pytest.raises(ProfileError, match="no channel 7"):
        make_safe("TCPIP0::192.0.2.1::1::SOCKET", PROFILE, (7,), 0.3)
