"""Places where an instrument may be: serial ports, USB-TMC, and what a VISA backend lists. Nothing is asked here."""

from __future__ import annotations

import dataclasses
import os
import re
import warnings
from collections import Counter
from pathlib import Path
from typing import Any, Literal

import pyvisa
from serial.tools import list_ports

from benchd.supplies.lock import lock_name

Kind = Literal["serial", "usb", "lan", "gpib", "other"]

SERIAL_NAMES = Path("/dev/serial")
TTY_CLASS = Path("/sys/class/tty")
USB_DEVICES = Path("/sys/bus/usb/devices")

_KINDS: dict[str, Kind] = {"ASRL": "serial", "USB": "usb", "TCPIP": "lan", "GPIB": "gpib"}


@dataclasses.dataclass(frozen=True, slots=True)
class Announced:
    """What an instrument tells the network about itself. Good for a list; it identifies nothing."""

    name: str
    maker: str
    model: str
    serial: str
    firmware: str
    services: tuple[str, ...]
    addresses: tuple[str, ...]


@dataclasses.dataclass(frozen=True, slots=True)
class Place:
    """One place where an instrument may be.

    `resource`: how it is opened now. `stable`: the name to write into settings, which stays the same for as long as
    `stable_text` says. `also`: other names of the same instrument. `usb`: vendor and product number as `1234:abcd`,
    empty where not USB. `text`: what stands in the way of using it.
    """

    resource: str
    kind: Kind
    stable: str = ""
    stable_text: str = ""
    description: str = ""
    usb: str = ""
    usb_serial: str = ""
    announced: Announced | None = None
    also: tuple[str, ...] = ()
    text: str = ""

    @property
    def names(self) -> set[str]:
        """All its names, each in one spelling, to compare places by."""
        return {lock_name(name) for name in (self.resource, self.stable, *self.also) if name}


def named_place(resource: str) -> Place:
    """A place that somebody named."""
    return Place(resource, kind_of(resource), stable=resource)


def kind_of(resource: str) -> Kind:
    """What a VISA resource name is about."""
    found = re.match(r"[A-Z]+", resource.upper())
    return _KINDS.get(found[0], "other") if found else "other"


def merged(places: list[Place]) -> list[Place]:
    """Each instrument once: the first mention leads, and takes over what later ones know more."""
    kept: list[Place] = []
    for place in places:
        at = next((i for i, other in enumerate(kept) if other.names & place.names), None)
        if at is None:
            kept.append(place)
            continue
        first = kept[at]
        kept[at] = dataclasses.replace(
            first,
            stable=place.stable if first.stable in ("", first.resource) else first.stable,
            stable_text=first.stable_text or place.stable_text,
            description=first.description or place.description,
            usb=first.usb or place.usb,
            usb_serial=first.usb_serial or place.usb_serial,
            announced=first.announced or place.announced,
            also=tuple(dict.fromkeys((*first.also, place.resource, *place.also))),
            text=first.text or place.text,
        )
    return kept


# ---- serial ports --------------------------------------------------------------------------------------------


def serial_places() -> list[Place]:
    """Serial ports that have hardware behind them."""
    ports = [port for port in list_ports.comports() if _has_hardware(port.device)]
    links = {folder: _links(SERIAL_NAMES / folder) for folder in ("by-id", "by-path")}
    twins = Counter(_usb_identity(port) for port in ports)
    return [_serial_place(port, links, twins[_usb_identity(port)] == 1) for port in ports]


def _usb_identity(port: Any) -> tuple[Any, ...]:
    return (port.vid, port.pid, getattr(port, "serial_number", None))


def _serial_place(port: Any, links: dict[str, dict[str, str]], only_one: bool) -> Place:
    real = os.path.realpath(port.device)
    by_id, by_path = (links[folder].get(real, "") for folder in ("by-id", "by-path"))
    usb_serial = getattr(port, "serial_number", None) or ""
    if by_id and usb_serial and only_one:
        path, text = by_id, "stays when it is plugged in elsewhere"
    elif by_path:
        # Without a serial number, or with one that its twin has too, the by-id name belongs to whoever came last.
        path, text = by_path, "stays for this socket only: the adapter has no serial number of its own"
    elif by_id:
        path, text = by_id, "stays while this is the only adapter of its kind"
    else:
        path, text = port.device, "may change when ports come and go" if port.vid is not None else ""
    return Place(
        f"ASRL{port.device}::INSTR",
        "serial",
        stable=f"ASRL{path}::INSTR",
        stable_text=text,
        description="" if port.description in (None, "n/a") else port.description,
        usb=f"{port.vid:04x}:{port.pid:04x}" if port.vid is not None else "",
        usb_serial=usb_serial,
    )


def _links(folder: Path) -> dict[str, str]:
    """Device → the name that udev gave it there."""
    try:
        return {os.path.realpath(link): str(link) for link in sorted(folder.iterdir())}
    except OSError:
        return {}  # no udev, or no USB port


def _has_hardware(device: str) -> bool:
    """Linux makes /dev/ttyS0 to ttyS31, port or no port; type 0 in sysfs is PORT_UNKNOWN (linux/serial_core.h)."""
    if not re.fullmatch(r"/dev/ttyS\d+", device):
        return True
    try:
        return (TTY_CLASS / Path(device).name / "type").read_text().strip() != "0"
    except OSError:
        return True


# ---- USB-TMC -------------------------------------------------------------------------------------------------


def usb_places() -> list[Place]:
    """Instruments of the USB class for them (application-specific FEh, subclass 03h: USBTMC 1.0 §4.3), from sysfs.

    Sysfs tells without opening anything and without rights; the backend's own list leaves out what may not be opened.
    """
    places = []
    for interface in sorted(USB_DEVICES.glob("*:*")):
        if (_line(interface / "bInterfaceClass"), _line(interface / "bInterfaceSubClass")) != ("fe", "03"):
            continue
        device = USB_DEVICES / interface.name.partition(":")[0]
        vendor, product, serial = (_line(device / name) for name in ("idVendor", "idProduct", "serial"))
        named = f"USB0::0x{vendor}::0x{product}::{serial}::INSTR"
        text = "" if serial else "it has no USB serial number, so no name can be given to it"
        node = Path(f"/dev/bus/usb/{_line(device / 'busnum').zfill(3)}/{_line(device / 'devnum').zfill(3)}")
        if node.exists() and not os.access(node, os.R_OK | os.W_OK):
            text = text or f"you may not open it ({node}): it needs a udev rule"
        described = " ".join(filter(None, (_line(device / "manufacturer"), _line(device / "product"))))
        places.append(
            Place(
                named,
                "usb",
                stable=named,
                stable_text="stays when it is plugged in elsewhere" if serial else "",
                description=described,
                usb=f"{vendor}:{product}",
                usb_serial=serial,
                text=text,
            )
        )
    return places


def _line(file: Path) -> str:
    try:
        return file.read_text(errors="replace").strip()
    except OSError:
        return ""


# ---- VISA ----------------------------------------------------------------------------------------------------


def visa_places(library: str) -> list[Place]:
    """What the VISA backend lists. No backend and no bus are no error when looking around."""
    try:
        with warnings.catch_warnings():
            # The backend recommends packages for buses that nobody asked about.
            warnings.simplefilter("ignore")
            names = _listed_by(library)
    except (OSError, ValueError, ImportError, pyvisa.Error):
        return []
    # Interfaces to further buses (INTFC) are listed too, and raw USB devices that speak no message protocol.
    wanted = [name for name in names if not name.upper().endswith(("::INTFC", "::RAW"))]
    return [dataclasses.replace(named_place(name), stable=_stable_usb(name)) for name in wanted]


def _stable_usb(name: str) -> str:
    """`USB0::0x1234::0x5678::SN1::INSTR` for its other spellings; any other name as it is."""
    parts = re.fullmatch(r"USB\d*::(\w+)::(\w+)::([^:]+)(?:::0)?::INSTR", name, re.IGNORECASE)
    if not parts:
        return name
    return f"USB0::0x{int(parts[1], 0):04x}::0x{int(parts[2], 0):04x}::{parts[3]}::INSTR"


def _listed_by(library: str) -> list[str]:
    manager = pyvisa.ResourceManager(library)
    if library != "@py":
        return [str(name) for name in manager.list_resources("?*")]
    # PyVISA-py 0.8.1 would also browse the network, one service after the other, and fails on an instrument whose
    # announcement names no maker; serial ports and announcements are looked up here in our own way.
    from pyvisa_py.sessions import Session
    from pyvisa_py.tcpip import TCPIPInstrVxi11

    buses = (pyvisa.constants.InterfaceType.usb, pyvisa.constants.InterfaceType.gpib)
    classes = [session for key, session in Session.iter_valid_session_classes() if key[0] in buses]
    found: list[str] = []
    for session in (*classes, TCPIPInstrVxi11):
        try:
            found += session.list_resources()
        except (OSError, ValueError, NotImplementedError, pyvisa.Error):
            continue  # no USB library, no rights, no network: the other buses still count
    return found
