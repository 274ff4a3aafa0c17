"""Places and the names that stay, from a made-up /dev and /sys."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest

from benchd.supplies import discovery_places
from benchd.supplies.discovery import find_supplies, look_around
from benchd.supplies.discovery_places import (
    Announced,
    Place,
    merged,
    named_place,
    serial_places,
    usb_places,
    visa_places,
)
from benchd.supplies.lock import lock_name


@pytest.fixture
def machine(tmp_path, monkeypatch):
    """An empty machine: no ports, no USB, no network."""
    (tmp_path / "dev").mkdir()
    for name, folder in (("SERIAL_NAMES", "serial"), ("TTY_CLASS", "tty"), ("USB_DEVICES", "usb")):
        (tmp_path / folder).mkdir()
        monkeypatch.setattr(discovery_places, name, tmp_path / folder)
    plug(monkeypatch)
    monkeypatch.setattr("benchd.supplies.discovery.lan_places", list)
    return tmp_path


def port(device, serial_number=None, vid=0x1A86, pid=0x7523, description="USB Serial"):
    return SimpleNamespace(device=str(device), serial_number=serial_number, vid=vid, pid=pid, description=description)


def plug(monkeypatch, *ports):
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: list(ports))


def link(machine: Path, folder: str, name: str, device: str) -> str:
    """As udev makes them."""
    (machine / "dev" / device).touch()
    where = machine / "serial" / folder
    where.mkdir(exist_ok=True)
    (where / name).symlink_to(Path("../../dev") / device)
    return str(where / name)


def test_a_port_is_named_by_its_serial_number_where_it_has_one(machine, monkeypatch):
    by_id = link(machine, "by-id", "usb-Example_Cable_A1-if00-port0", "ttyUSB0")
    link(machine, "by-path", "pci-0000:00-usb-0:1:1.0-port0", "ttyUSB0")
    plug(monkeypatch, port(machine / "dev/ttyUSB0", "A1"))
    (place,) = serial_places()
    assert place.resource == f"ASRL{machine}/dev/ttyUSB0::INSTR"
    assert place.stable == f"ASRL{by_id}::INSTR"
    assert place.stable_text == "stays when it is plugged in elsewhere"
    assert (place.usb, place.usb_serial, place.description) == ("1a86:7523", "A1", "USB Serial")


@pytest.mark.parametrize("serial", [None, "0001"])
def test_twins_are_named_by_their_socket(machine, monkeypatch, serial):
    """Adapters without a serial number, or with one that all of them have: udev's by-id link is the last one's."""
    first = link(machine, "by-path", "usb-0:1", "ttyUSB0")
    second = link(machine, "by-path", "usb-0:2", "ttyUSB1")
    link(machine, "by-id", "usb-1a86_USB_Serial-if00-port0", "ttyUSB1")
    plug(monkeypatch, port(machine / "dev/ttyUSB0", serial), port(machine / "dev/ttyUSB1", serial))
    assert [place.stable for place in serial_places()] == [f"ASRL{first}::INSTR", f"ASRL{second}::INSTR"]
    assert all("this socket only" in place.stable_text for place in serial_places())


def test_a_port_without_udev_keeps_its_device_name(machine, monkeypatch):
    plug(monkeypatch, port("/dev/ttyACM0", "A1"), port("/dev/ttyAMA0", vid=None, pid=None, description="n/a"))
    usb, board = serial_places()
    assert (usb.stable, usb.stable_text) == ("ASRL/dev/ttyACM0::INSTR", "may change when ports come and go")
    assert (board.stable, board.stable_text, board.description, board.usb) == ("ASRL/dev/ttyAMA0::INSTR", "", "", "")


def test_ports_without_hardware_are_left_out(machine, monkeypatch):
    for number, kind in enumerate(("4", "0", "0")):
        (machine / "tty" / f"ttyS{number}").mkdir()
        (machine / "tty" / f"ttyS{number}" / "type").write_text(f"{kind}\n")
    plug(monkeypatch, *(port(f"/dev/ttyS{number}", vid=None) for number in range(4)))
    assert [place.resource for place in serial_places()] == ["ASRL/dev/ttyS0::INSTR", "ASRL/dev/ttyS3::INSTR"]


def usb_device(machine: Path, name: str, interfaces: dict[str, tuple[str, str]], **files: str) -> None:
    """A device in sysfs. `interfaces`: number → class and subclass."""
    folder = machine / "usb" / name
    folder.mkdir()
    for file, text in files.items():
        (folder / file).write_text(f"{text}\n")
    for number, (kind, subkind) in interfaces.items():
        interface = machine / "usb" / f"{name}:1.{number}"
        interface.mkdir()
        (interface / "bInterfaceClass").write_text(f"{kind}\n")
        (interface / "bInterfaceSubClass").write_text(f"{subkind}\n")


def test_usb_instruments_are_found_without_rights_and_without_a_library(machine):
    """Class FEh, subclass 03h (USBTMC 1.0 §4.3)."""
    ids = {"idVendor": "1234", "idProduct": "5678", "busnum": "1", "devnum": "4"}
    usb_device(machine, "1-2", {"0": ("fe", "03")}, serial="SN1", manufacturer="Example", product="EX-1", **ids)
    usb_device(machine, "1-3", {"0": ("ff", "00")}, serial="SN2", **ids)  # a cable
    usb_device(machine, "1-4", {"0": ("fe", "01")}, serial="SN3", **ids)  # firmware update, same class
    usb_device(machine, "1-5", {"0": ("fe", "03")}, **ids)
    named, nameless = usb_places()
    assert named.resource == named.stable == "USB0::0x1234::0x5678::SN1::INSTR"
    assert (named.description, named.usb, named.usb_serial, named.text) == ("Example EX-1", "1234:5678", "SN1", "")
    assert nameless.text == "it has no USB serial number, so no name can be given to it"


def test_what_the_backend_lists_is_found(machine):
    """PyVISA-sim lists the resources of its file."""
    file = Path(__file__).with_name("instruments.yaml")
    listed = [place.resource for place in look_around(library=f"{file}@sim")]
    assert "USB0::0x1234::0x5678::SN1::0::INSTR" in listed
    assert find_supplies(library="@nonsuch") == []


def test_buses_raw_devices_and_other_spellings(machine, monkeypatch):
    names = ["USB0::4660::22136::SN1::0::INSTR", "USB0::4660::22136::SN1::0::RAW", "GPIB0::INTFC", "GPIB0::5::INSTR"]
    monkeypatch.setattr(discovery_places, "_listed_by", lambda library: names)
    usb, gpib = visa_places("@py")
    assert (usb.kind, usb.stable) == ("usb", "USB0::0x1234::0x5678::SN1::INSTR")
    assert (gpib.kind, gpib.stable) == ("gpib", "GPIB0::5::INSTR")
    assert lock_name(usb.resource) == lock_name(usb.stable) == lock_name("usb::0x1234::0X5678::sn1")
    assert lock_name(usb.stable) != lock_name("USB0::0x1234::0x5678::SN1::1::INSTR")


def test_each_instrument_stands_once_and_knows_all_its_names(machine):
    announced = Announced("EX-1", "Example", "EX-1", "77", "1.0", ("_scpi-raw._tcp",), ("192.0.2.5",))
    named = named_place("TCPIP::192.0.2.5::inst0::INSTR")
    told = Place(
        "TCPIP0::192.0.2.5::5025::SOCKET", "lan", stable="TCPIP0::192.0.2.5::5025::SOCKET", announced=announced,
        also=("TCPIP0::192.0.2.5::inst0::INSTR",),
    )  # fmt: skip
    other = named_place("TCPIP0::192.0.2.6::5025::SOCKET")
    first, second = merged([named, other, told])
    assert (first.resource, first.announced) == ("TCPIP::192.0.2.5::inst0::INSTR", announced)
    assert "TCPIP0::192.0.2.5::5025::SOCKET" in first.also
    assert second == other


def test_an_announced_instrument_is_not_listed_again_by_its_bare_address(machine, monkeypatch):
    announced = Announced("EX-1", "Example", "EX-1", "77", "1.0", ("_scpi-raw._tcp",), ("192.0.2.5",))
    told = Place("TCPIP0::192.0.2.5::5025::SOCKET", "lan", announced=announced)
    monkeypatch.setattr("benchd.supplies.discovery.lan_places", lambda: [told])
    listed = ["TCPIP::192.0.2.5::INSTR", "TCPIP::192.0.2.9::INSTR"]
    monkeypatch.setattr(discovery_places, "_listed_by", lambda library: listed)
    assert [place.resource for place in look_around()] == [told.resource, "TCPIP::192.0.2.9::INSTR"]


def test_one_way_of_looking_that_fails_does_not_keep_the_others(machine, monkeypatch):
    def broken():
        raise RuntimeError("no such bus")

    monkeypatch.setattr("benchd.supplies.discovery.usb_places", broken)
    plug(monkeypatch, port("/dev/ttyACM0", "A1"))
    monkeypatch.setattr(discovery_places, "_listed_by", lambda library: [])
    assert [place.resource for place in look_around()] == ["ASRL/dev/ttyACM0::INSTR"]
