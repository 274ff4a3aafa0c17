"""A unit that the settings know by its serial number, looked for where it may be now."""

from __future__ import annotations

import contextlib

import pytest

from benchd.supplies.discovery import another_unit, relocate
from benchd.supplies.discovery_places import named_place
from benchd.supplies.lock import SupplyLock
from benchd.supplies.profile import load_profile
from tests.supplies.lines import LineInstrument, PortInstrument

SIM = load_profile("benchd-sim")
GONE = "ASRL/dev/serial/by-id/usb-Example_gone::INSTR"


def unit(serial: str, maker: str = "benchd", model: str = "SIM-2"):
    """A serial port with a unit on it."""
    return PortInstrument(lambda line: [f"{maker},{model},{serial},0.1\n".encode()])


def present(*instruments):
    return lambda kind: [named_place(i.resource) for i in instruments] if kind == "serial" else []


def test_it_is_found_under_another_port_and_nothing_is_set():
    with unit("A1") as other, unit("B7") as wanted, unit("B7", model="SIM-9") as namesake:
        moved = relocate(GONE, "b7", SIM, present=present(other, wanted, namesake))
        assert moved.resource == wanted.resource
        assert moved.identity == "benchd,SIM-2,B7,0.1"
        assert moved.text == f"serial number b7 is now at {wanted.resource}, no more at {GONE}"
        assert {tuple(i.lines) for i in (other, wanted, namesake)} == {("*IDN?",)}


def test_the_place_of_another_supply_and_a_held_one_are_not_asked(tmp_path):
    with unit("B7") as owned, unit("B7") as held:
        lock = SupplyLock(tmp_path, held.resource, "the guard")
        moved = relocate(GONE, "B7", SIM, leave_alone=[owned.resource], lock_dir=tmp_path, present=present(owned, held))
        lock.release()
        assert owned.lines == held.lines == []
    assert moved.resource == ""
    assert moved.text == f"serial number B7 is not at {GONE} and at none of the 1 other places of its kind"


def test_two_units_with_one_serial_number_are_not_guessed_between():
    with unit("B7") as one, unit("B7") as two:
        moved = relocate(GONE, "B7", SIM, present=present(one, two))
    assert moved.resource == ""
    assert one.resource in moved.text
    assert two.resource in moved.text


@pytest.mark.parametrize("serial", ["", "0", "0000", "N/A", "none"])
def test_a_serial_number_that_tells_nothing_apart_is_never_looked_for(serial):
    with unit("0") as other:
        moved = relocate(GONE, serial, SIM, present=present(other))
        assert other.lines == []
    assert moved.resource == ""
    assert moved.text


def test_only_places_of_the_same_kind_are_looked_at():
    kinds = []

    def noted(kind):
        kinds.append(kind)
        return []

    for resource in (GONE, "USB0::0x1234::0x5678::SN1::INSTR", "TCPIP0::192.0.2.5::5025::SOCKET", "GPIB0::5::INSTR"):
        moved = relocate(resource, "B7", SIM, present=noted)
        assert moved.text == f"serial number B7 is not at {resource} and there is no other place"
    assert kinds == ["serial", "usb", "lan", "gpib"]


def test_the_way_of_the_profile_is_used_without_its_connect_sequence():
    other = load_profile("benchd-sim")
    import msgspec

    talkative = msgspec.structs.replace(other, link=msgspec.structs.replace(other.link, connect=("SYST:REM",)))
    with contextlib.ExitStack() as stack:
        wanted = stack.enter_context(LineInstrument(lambda line: [b"benchd,SIM-2,B7,0\n"]))
        moved = relocate(
            "TCPIP0::192.0.2.5::5025::SOCKET", "B7", talkative, present=lambda kind: [named_place(wanted.resource)]
        )
        assert moved.resource == wanted.resource
        assert wanted.lines == ["*IDN?"]


def test_who_it_is_not():
    assert another_unit(SIM, "benchd,SIM-2,B7,1", "") == ""
    assert another_unit(SIM, "benchd,SIM-2,B7,1", "b7") == ""
    assert another_unit(SIM, "benchd,SIM-2,C9,1", "B7") == (
        "another unit: the settings name serial number B7, but this one has serial number C9"
    )
    assert "no serial number" in another_unit(SIM, "benchd,SIM-2,0,1", "B7")
    assert "is not of profile benchd-sim" in another_unit(SIM, "Example,EX-1,B7,1", "B7")
    assert "tells no two units apart" in another_unit(SIM, "benchd,SIM-2,0,1", "0")
