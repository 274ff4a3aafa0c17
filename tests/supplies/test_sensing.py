"""Sense leads switched in and out: written with the output off, read back, and really in force at the simulated one."""

import pytest

from benchd.supplies.errors import SupplyError
from benchd.supplies.profile import ProfileError, load_profile, may_sense
from tests.families import Model, serving
from tests.simulated import SimulatedSupply
from tests.supplies.small import MULTI, Instrument, profile
from tests.supplies.test_supply import read_until

SENSE = {"remote": "SENSE ON", "local": "SENSE OFF", "state": "SENSE?"}
SENSING = [Model("rigol-dp800", "DP811"), Model("siglent-spd1000x")]
"""Families whose sense leads can be switched, as documents say."""


def sensing(**answers):
    return Instrument(**{"SENSE?": lambda self: self.sets.get("SENSE", "OFF"), **answers})


def test_it_is_written_with_the_output_off_before_the_settings_and_read_back(open_on):
    supply, lines = open_on(sensing(), profile(remote_sense=SENSE))
    supply.prepare(1, 1.0, 0.1, sense="remote")
    places = [lines.index(line) for line in ("OUTP OFF", "SENSE ON", "SENSE?", "CURR 0.100", "VOLT 1.000")]
    assert places == sorted(places)
    supply.prepare(1, 1.0, 0.1, sense="local")
    assert lines[-20:].count("SENSE OFF") == 1


def test_nothing_is_said_of_it_where_nobody_asked(open_on):
    supply, lines = open_on(sensing(), profile(remote_sense=SENSE))
    supply.prepare(1, 1.0, 0.1)
    assert not [line for line in lines if "SENSE" in line]


def test_another_answer_refuses_with_what_came_back(open_on):
    supply, lines = open_on(sensing(**{"SENSE?": "OFF"}), profile(remote_sense=SENSE))
    with pytest.raises(
        SupplyError, match=r"asked SENSE ON, then SENSE\? says that sensing is local\. The output stays"
    ):
        supply.prepare(1, 1.0, 0.1, sense="remote")
    assert not [line for line in lines if line.startswith("VOLT ")], "nothing was set behind it"


def test_a_family_without_it_refuses(open_on):
    supply, _ = open_on(Instrument(), profile())
    with pytest.raises(SupplyError, match=r"sense = 'remote' was asked for, but profile .* knows no command for it"):
        supply.prepare(1, 1.0, 0.1, sense="remote")


def test_only_some_outputs_may_have_it(open_on):
    used = profile(remote_sense={**SENSE, "numbers": [2]}, outputs=MULTI)
    assert (used.senses(1), used.senses(2)) == (False, True)
    with pytest.raises(ProfileError, match=r"table \[remote_sense\], key numbers"):
        profile(remote_sense={**SENSE, "numbers": [3]})


def test_what_a_family_may_have_is_known_before_its_unit():
    family = load_profile("rigol-dp800")
    assert (may_sense(family, 1), may_sense(family, 2), may_sense(family, 3)) == (True, True, False)
    assert not may_sense(load_profile("generic-scpi"), 1)


@pytest.mark.parametrize("model", SENSING, ids=str)
def test_sense_leads_take_the_leads_out_of_a_reading(model):
    """At the limit of 1 A into the clips the supply reads I·R of its 50 mΩ of leads; by four wires next to nothing."""
    with serving(model) as served:
        served.tell("SIM1:BOARD leads")
        read = {}
        with served.driven() as supply:
            for sense in ("local", "remote"):
                supply.prepare(1, 0.5, 1.0, sense=sense)
                supply.output_on(1)
                read_until(supply, 1, lambda reading: reading.current_a > 0.9)
                read[sense] = supply.read(1).voltage_v
                supply.send_off(1)
                assert supply.output_state(1) is False
    assert read["local"] == pytest.approx(0.05, abs=0.012)
    assert read["remote"] == pytest.approx(0.0, abs=0.012)


def test_a_sense_lead_that_is_off_leaves_its_side_in():
    """Half of the leads for one, all of them for two (Ohm's law)."""
    with SimulatedSupply() as sim:
        sim.board(1, "leads")
        sim.command("VOLT 0.5;CURR 1;:VOLT:SENS EXT;:OUTP ON")
        for on, ohm in ((2, 0.0003), (1, 0.0252), (0, 0.0501)):
            sim.clip_sense(1, on)
            assert sim.truth(1).voltage_v == pytest.approx(ohm, rel=0.02)
