"""What the supply does by itself: programmed, proved, and really done by the simulated one when nobody looks."""

import signal
import subprocess
import sys
import time

import pytest

from benchd.reading import OutputState
from benchd.supplies.errors import SupplyError
from benchd.supplies.makesafe import make_safe
from benchd.supplies.off import confirm_off
from benchd.supplies.profile import ProfileError, load_profile
from tests.families import Model, serving
from tests.running import until
from tests.supplies.small import Instrument, profile
from tests.supplies.test_supply import read_until

FUSE = {
    "level": "limit", "enable": "FUSE ON", "disable": "FUSE OFF", "enabled": "FUSE?", "tripped": "FUSE:TRIP?",
    "clear": "FUSE:CLE", "set_delay": "FUSE:DEL {value}", "get_delay": "FUSE:DEL?", "min_delay_s": 0.01,
    "max_delay_s": 10.0, "delay_step_s": 0.01,
}  # fmt: skip
WATCH = {
    "set_delay": "WATCH:DEL {value}", "get_delay": "WATCH:DEL?", "min_delay_s": 1.0, "max_delay_s": 3600.0,
    "enable": "WATCH ON", "disable": "WATCH OFF", "enabled": "WATCH?", "tripped": "WATCH:TRIP?", "clear": "WATCH:CLE",
}  # fmt: skip


def protecting(**answers):
    """An instrument whose fuse and watch are switched by ON and OFF."""
    answers = {
        "FUSE?": lambda self: self.sets.get("FUSE", "OFF"),
        "WATCH?": lambda self: self.sets.get("WATCH", "OFF"),
        **answers,
    }
    return Instrument(**answers)


# ---- programmed and proved -----------------------------------------------------------------------------------------


def test_nothing_is_promised_that_the_profile_does_not_know(open_on):
    supply, lines = open_on(Instrument(), profile())
    assert supply.prepare(1, 1.0, 0.1, None, 0.5, 5.0) == ()
    assert not [line for line in lines if "FUSE" in line or "WATCH" in line]
    assert supply.tells_trips(1) is False


def test_a_protection_without_a_delay_is_left_alone(open_on):
    without = {key: value for key, value in FUSE.items() if "delay" not in key}
    supply, lines = open_on(protecting(), profile(over_current=without))
    assert supply.prepare(1, 1.0, 0.1, None, 0.5) == ()
    assert [line for line in lines if line.startswith("FUSE")] == ["FUSE:TRIP?"]
    assert supply.tells_trips(1) is True


def test_delay_and_watch_are_written_read_back_and_named(open_on):
    supply, lines = open_on(protecting(), profile(over_current=FUSE, watchdog=WATCH))
    told = supply.prepare(1, 1.0, 0.1, None, 0.5, 5.0)
    assert told == ("over-current after 0.5 s in limit", "no message for 5 s")
    assert [line for line in lines if "FUSE" in line] == [
        "FUSE:TRIP?", "FUSE:DEL 0.500", "FUSE:DEL?", "FUSE ON", "FUSE?"
    ]  # fmt: skip
    assert [line for line in lines if "WATCH" in line] == [
        "WATCH:TRIP?", "WATCH?", "WATCH:DEL 5", "WATCH:DEL?", "WATCH ON", "WATCH?"
    ]  # fmt: skip
    lines.clear()
    supply.prepare(1, 1.0, 0.1, None, 0.5, 5.0)
    # It runs already as it should, perhaps for another output: nothing is written that could disturb it.
    assert [line for line in lines if "WATCH" in line] == ["WATCH:TRIP?", "WATCH?", "WATCH:DEL?"]


@pytest.mark.parametrize(
    ("asked_s", "written", "told"),
    [(0.001, "0.010", "0.01"), (0.0, "0.010", "0.01"), (0.501, "0.510", "0.51"), (60.0, "10.000", "10")],
)
def test_a_delay_is_moved_into_the_range_and_never_made_shorter_by_rounding(open_on, asked_s, written, told):
    supply, lines = open_on(protecting(), profile(over_current=FUSE))
    assert supply.prepare(1, 1.0, 0.1, None, asked_s) == (f"over-current after {told} s in limit",)
    assert f"FUSE:DEL {written}" in lines


def test_a_delay_in_milliseconds(open_on):
    table = {**FUSE, "delay_unit_s": 0.001, "delay_decimals": 0, "delay_step_s": 0.001, "max_delay_s": 1.0}
    supply, lines = open_on(protecting(), profile(over_current=table))
    assert supply.prepare(1, 1.0, 0.1, None, 0.25) == ("over-current after 0.25 s in limit",)
    assert "FUSE:DEL 250" in lines


@pytest.mark.parametrize(("limit_a", "level"), [(0.1, "0.090"), (0.105, "0.100"), (1.0, "0.990")])
def test_a_level_of_its_own_lies_one_step_below_the_limit(open_on, limit_a, level):
    own = {**FUSE, "level": "own", "set_level": "FUSE:LEV {value}", "get_level": "FUSE:LEV?", "level_resolution": 0.01}
    supply, lines = open_on(protecting(), profile(over_current=own))
    told = f"over-current above {float(level):g} A after 0.5 s in limit"
    assert supply.prepare(1, 1.0, limit_a, None, 0.5) == (told,)
    assert f"FUSE:LEV {level}" in lines


def test_below_a_limit_of_one_step_there_is_no_level(open_on):
    own = {**FUSE, "level": "own", "set_level": "FUSE:LEV {value}", "get_level": "FUSE:LEV?", "level_resolution": 0.01}
    supply, lines = open_on(protecting(), profile(over_current=own))
    assert supply.prepare(1, 1.0, 0.01, None, 0.5) == ()
    assert "FUSE ON" not in lines


@pytest.mark.parametrize(
    ("answers", "told"),
    [
        ({"FUSE:DEL?": "0.25"}, r"over-current delay of 0.5 s, came back 0.25 s \(they may differ by 0.01 s\)"),
        ({"FUSE?": "OFF"}, r"asked FUSE ON, but FUSE\? says that the protection is off"),
        ({"WATCH:DEL?": "60"}, r"time without a message of 5 s, came back 60 s"),
        ({"WATCH?": "OFF"}, r"asked WATCH ON, but WATCH\? says that the protection is off"),
    ],
)
def test_a_second_layer_that_cannot_be_proved_refuses(open_on, answers, told):
    supply, lines = open_on(protecting(**answers), profile(over_current=FUSE, watchdog=WATCH))
    with pytest.raises(SupplyError, match=told):
        supply.prepare(1, 1.0, 0.1, None, 0.5, 5.0)
    assert "OUTP ON" not in lines


@pytest.mark.parametrize("wrong", [float("nan"), float("inf"), -1.0])
def test_a_time_that_is_none_is_refused_before_anything_is_sent(open_on, wrong):
    supply, lines = open_on(protecting(), profile(over_current=FUSE, watchdog=WATCH))
    for times in ((wrong, None), (None, wrong)):
        with pytest.raises(SupplyError, match=r"asked for a .* of .* s; allowed 0.0 to .* s. Nothing was sent"):
            supply.prepare(1, 1.0, 0.1, None, *times)
    assert lines == []


def test_what_was_switched_on_for_one_power_on_is_switched_off_for_the_next(open_on):
    """Or it would end a power-on whose plan lets it stay in limit."""
    supply, lines = open_on(protecting(), profile(over_current=FUSE))
    supply.prepare(1, 1.0, 0.1)
    assert "FUSE OFF" not in lines  # not ours
    supply.prepare(1, 1.0, 0.1, None, 0.5)
    lines.clear()
    assert supply.prepare(1, 1.0, 0.1) == ()
    assert [line for line in lines if line.startswith("FUSE")] == ["FUSE:TRIP?", "FUSE OFF", "FUSE?"]
    lines.clear()
    supply.prepare(1, 1.0, 0.1)
    assert "FUSE OFF" not in lines


@pytest.mark.parametrize(
    ("table", "change", "told"),
    [
        ("over_current", {"get_delay": None}, r"table \[over_current\], key get_delay"),
        ("over_current", {"max_delay_s": 0.0}, r"keys min_delay_s and max_delay_s: given \(0.01, 0.0\), allowed at le"),
        ("over_current", {"delay_decimals": 1}, r"key delay_step_s: given 0.01, allowed no less than the last digit"),
        ("watchdog", {"min_delay_s": 0.0}, r"key min_delay_s: given 0.0, allowed: above 0 to 3600"),
        ("watchdog", {"disable": None}, r"key disable: given nothing, required"),
        ("watchdog", {"set_delay": "WATCH 5"}, r"\{value\} in one of the messages"),
    ],
)
def test_what_is_told_about_a_broken_table(table, change, told):
    data = {**(FUSE if table == "over_current" else WATCH), **change}
    with pytest.raises(ProfileError, match=told):
        profile(**{table: {key: value for key, value in data.items() if value is not None}})


# ---- really done ---------------------------------------------------------------------------------------------------


def test_the_supply_ends_a_short_by_itself(sim, open_supply):
    supply = open_supply()
    sim.board(1, "dead-short")
    told = supply.prepare(1, 4.0, 0.5, 5.0, 0.3, 30.0)
    assert told == ("over-voltage above 5 V", "over-current after 0.3 s in limit", "no message for 30 s")
    begun_s = time.monotonic()
    supply.output_on(1)
    until(lambda: sim.truth(1).output, lambda on: not on, "the supply to trip")
    assert time.monotonic() - begun_s >= 0.3
    assert supply.tripped(1) == ["INST:NSEL 1;:CURR:PROT:TRIP?"]
    assert supply.tripped(2) == []
    supply.prepare(1, 4.0, 0.5, 5.0, 0.3)
    assert supply.tripped(1) == []
    assert sim.truth(1).output is False


def test_the_supply_switches_all_off_when_nobody_talks_to_it_any_more(sim, open_supply):
    supply = open_supply()
    for channel in (1, 2):
        supply.prepare(channel, 4.0, 0.5, None, None, 0.4)
        supply.output_on(channel)
    ends = time.monotonic() + 1.0
    while time.monotonic() < ends:  # readings feed it
        supply.read(1)
        assert sim.truth(2).output
    until(lambda: sim.truth(1).output or sim.truth(2).output, lambda on: not on, "the supply to notice")
    assert supply.tripped(2) == ["INST:NSEL 2;:OUTP:PROT:WDOG:TRIP?"]
    assert supply.output_state(1) is False
    supply.prepare(2, 4.0, 0.5, None, None, 0.4)
    supply.output_on(2)
    assert sim.truth(1).output is False
    read_until(supply, 2, lambda reading: reading.voltage_v > 3.9)
    assert confirm_off(supply, 2).state is OutputState.OFF


def test_why_an_output_went_off_is_not_wiped_by_preparing_the_other(sim, open_supply):
    """Or the trip of the first would be taken for a hand at the panel, and would not latch."""
    supply = open_supply()
    supply.prepare(1, 4.0, 0.5, None, None, 0.3)
    supply.output_on(1)
    until(lambda: sim.truth(1).output, lambda on: not on, "the watch to trip")
    with pytest.raises(SupplyError, match="output 1 was on until then"):
        supply.prepare(2, 4.0, 0.5, None, None, 0.3)
    assert supply.tripped(1) == ["INST:NSEL 1;:OUTP:PROT:WDOG:TRIP?"]
    supply.send_off(1)
    assert confirm_off(supply, 1).state is OutputState.OFF
    supply.prepare(2, 4.0, 0.5, None, None, 30.0)
    assert supply.tripped(1) == []


FEEDING = """
import sys
from benchd.supplies.profile import load_profile
from benchd.supplies.supply import Supply
supply = Supply.open("left", sys.argv[1], load_profile("benchd-sim"), (1,), 0.5)
supply.prepare(1, 4.0, 0.5, None, None, 0.5)
supply.output_on(1)
while True:
    supply.read(1)
    print(end=".", flush=True)
"""


def test_a_frozen_host_is_noticed_by_the_supply(sim):
    """A process that is stopped keeps its connection open, and nothing tells the other side."""
    host = subprocess.Popen([sys.executable, "-c", FEEDING, sim.resource], stdout=subprocess.PIPE)
    try:
        assert host.stdout is not None
        assert host.stdout.read(100) == b"." * 100
        assert sim.truth(1).output
        host.send_signal(signal.SIGSTOP)
        frozen_s = time.monotonic()
        until(lambda: sim.truth(1).output, lambda on: not on, "the supply to switch off")
        # 0.5 s from the last message, which came no later than the signal.
        assert time.monotonic() - frozen_s < 5.0
        assert sim.query("OUTP:PROT:WDOG:TRIP?") == "1"
    finally:
        host.kill()
        host.communicate(timeout=10)


def test_it_is_not_left_armed_behind_outputs_that_are_off(sim, open_supply):
    supply = open_supply()
    supply.prepare(1, 4.0, 0.5, None, None, 30.0)
    supply.output_on(1)
    supply.send_off(1)
    assert confirm_off(supply, 1).state is OutputState.OFF
    assert sim.query("OUTP:PROT:WDOG?") == "1"
    supply.close()
    assert sim.query("OUTP:PROT:WDOG?") == "0"


def test_it_is_left_armed_behind_an_output_that_is_on_or_a_link_that_is_lost(sim, open_supply):
    supply = open_supply()
    supply.prepare(1, 4.0, 0.5, None, None, 30.0)
    supply.output_on(1)
    supply.close()
    assert sim.query("OUTP:PROT:WDOG?") == "1"
    assert sim.truth(1).output is True


def test_making_safe_works_whatever_the_watch_is_doing(sim, open_supply):
    supply = open_supply()
    supply.prepare(1, 4.0, 0.5, None, None, 0.2)
    supply.output_on(1)
    for tripped in (False, True):
        if tripped:
            until(lambda: sim.truth(1).output, lambda on: not on, "the watch to trip")
        reached = make_safe(sim.resource, load_profile("benchd-sim"), (1, 2), 0.5)
        assert [each.state for each in reached] == [OutputState.OFF, OutputState.OFF]
        if not tripped:
            assert sim.truth(1).output is False
            supply.output_on(1)


FUSED = ["keysight-e36300", "rs-hmc804x", "rs-nge100", "rs-ngx"]


def test_every_shipped_family_with_a_delay_is_tried():
    from benchd.supplies.profile import profile_names

    profiles = [load_profile(name) for name in profile_names()]
    with_delay = {each.name for each in profiles if each.over_current and each.over_current.set_delay}
    assert with_delay - {"benchd-sim"} == set(FUSED)
    assert {each.name for each in profiles if each.watchdog} == {"benchd-sim"}


@pytest.mark.parametrize("family", FUSED)
def test_a_family_with_a_delay_ends_a_short_by_itself(family):
    with serving(Model(family)) as served, served.driven() as supply:
        served.tell("SIM1:BOARD dead-short")
        assert supply.prepare(1, 4.0, 0.5, None, 0.2) == ("over-current after 0.2 s in limit",)
        supply.output_on(1)
        until(lambda: served.truth(1).output, lambda on: not on, "the fuse to blow")
        assert len(supply.tripped(1)) == 1
        assert supply.tells_trips(1)
        assert supply.output_state(1) is False
