"""Which supplies may be there. Looking asks no instrument anything unless told to, and never sets anything."""

from __future__ import annotations

import dataclasses
import warnings

import pyvisa
from serial.tools import list_ports

from benchd.supplies.errors import LinkError
from benchd.supplies.link import Link
from benchd.supplies.profile import load_profile, profile_names
from benchd.supplies.profile_tables import LinkProfile, Profile


@dataclasses.dataclass(frozen=True, slots=True)
class Found:
    """One place where an instrument may be.

    `usb`: vendor and product number as `1234:abcd`, empty where not USB. `identity`: its answer to `*IDN?`, empty
    where not asked or not answered, and then `text` says why. `profiles`: shipped profiles that fit the answer,
    made for it before generic ones.
    """

    resource: str
    description: str
    usb: str
    identity: str
    profiles: tuple[str, ...]
    text: str


def find_supplies(
    identify: bool = False, resources: tuple[str, ...] = (), timeout_s: float = 0.5, library: str = "@py"
) -> list[Found]:
    """Serial ports, what the VISA backend lists, and the given resources (network supplies do not announce).

    `identify` sends `*IDN?` to each, which a device that is no instrument may not like: only on request.
    """
    ports = {f"ASRL{port.device}::INSTR": port for port in list_ports.comports()}
    places = dict.fromkeys([*resources, *_listed_by(library), *ports])
    found = []
    for resource in places:
        port = ports.get(resource)
        description = port.description if port and port.description != "n/a" else ""
        usb = f"{port.vid:04x}:{port.pid:04x}" if port and port.vid is not None else ""
        identity, text = _identity(resource, timeout_s, library) if identify else ("", "not asked")
        found.append(Found(resource, description, usb, identity, fitting_profiles(identity), text))
    return found


def fitting_profiles(identity: str) -> tuple[str, ...]:
    """Shipped profiles for an identification, those that name the maker before those that take any."""
    if not identity:
        return ()
    fitting = [profile for profile in map(load_profile, profile_names()) if profile.identity_fits(identity)]
    return tuple(profile.name for profile in sorted(fitting, key=_takes_any))


def _takes_any(profile: Profile) -> bool:
    return profile.identity.maker == ".*"


def _listed_by(library: str) -> list[str]:
    try:
        with warnings.catch_warnings():
            # The backend recommends packages for buses that nobody asked about.
            warnings.simplefilter("ignore")
            names = pyvisa.ResourceManager(library).list_resources("?*")
        # Interfaces to further buses (INTFC) are listed too; an instrument is not found there.
        return [str(name) for name in names if not str(name).upper().endswith("::INTFC")]
    except (OSError, ValueError, pyvisa.Error):
        return []  # no backend or no bus is no error when looking around


def _identity(resource: str, timeout_s: float, library: str) -> tuple[str, str]:
    try:
        link = Link.open(resource, LinkProfile(), timeout_s, library=library)
    except LinkError as error:
        return "", str(error)
    try:
        return link.identify().strip(), ""
    except LinkError as error:
        return "", str(error)
    finally:
        link.close()
