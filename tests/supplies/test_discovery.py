"""Looking around asks only when told to, and only for the identification."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from benchd.supplies import discovery
from benchd.supplies.discovery import find_supplies, fitting_profiles
from tests.supplies.lines import LineInstrument


@pytest.fixture(autouse=True)
def no_real_ports(monkeypatch):
    """Tests must not knock on what is plugged into the machine that runs them."""
    port = SimpleNamespace(device="/dev/ttyX9", description="Bench Adapter", vid=0x1234, pid=0xABCD)
    monkeypatch.setattr(discovery.list_ports, "comports", lambda: [port])
    monkeypatch.setattr(discovery, "_listed_by", lambda library: ["ASRL/dev/ttyX9::INSTR"])


def test_nothing_is_asked_without_being_told_to():
    with LineInstrument(lambda line: []) as instrument:
        found = find_supplies(resources=(instrument.resource,))
    assert [f.resource for f in found] == [instrument.resource, "ASRL/dev/ttyX9::INSTR"]
    assert (found[1].description, found[1].usb, found[1].text) == ("Bench Adapter", "1234:abcd", "not asked")
    assert instrument.lines == []
    assert instrument.connections == 0


def test_only_the_identification_is_asked_and_failures_are_told():
    with LineInstrument(lambda line: [b"benchd,SIM-2,1,0\r\n"]) as instrument:
        found = find_supplies(identify=True, resources=(instrument.resource,))
    assert found[0].identity == "benchd,SIM-2,1,0"
    assert found[0].profiles == ("benchd-sim", "generic-scpi", "generic-scpi-multi")
    assert instrument.lines == ["*IDN?"]
    assert found[1].identity == ""
    assert "cannot be opened" in found[1].text


def test_what_the_backend_lists_is_found(monkeypatch):
    """PyVISA-sim lists the resources of its file."""
    monkeypatch.undo()
    monkeypatch.setattr(discovery.list_ports, "comports", list)
    found = find_supplies(library=f"{Path(__file__).with_name('instruments.yaml')}@sim")
    assert "USB0::0x1234::0x5678::SN1::0::INSTR" in [f.resource for f in found]
    assert find_supplies(library="@nonsuch") == []


def test_profiles_for_an_identity():
    assert fitting_profiles("") == ()
    assert fitting_profiles("Example Works,EX-1,0,1") == ("generic-scpi", "generic-scpi-multi")
