"""What was found, as a record and as lines for the terminal."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

from benchd.supplies.discovery import Found, Place, another_unit
from benchd.supplies.discovery_abilities import TRUST, abilities
from benchd.supplies.profile import load_profile, profile_of_unit
from benchd.supplies.profile_tables import ProfileError

if TYPE_CHECKING:
    from benchd.settings import Settings, Supply


def record(found: Found, warnings: list[str]) -> dict[str, Any]:
    """One flat object; `trust` and `abilities` are those of the first profile that fits."""
    place = dataclasses.asdict(found.place)
    said = dataclasses.asdict(found)
    del said["place"]
    place_text = place.pop("text")
    best = profile_of_unit(found.profiles[0], found.identity) if found.profiles else None
    return (
        place
        | said
        | {"text": found.text or place_text, "warnings": warnings}
        | {"trust": best.trust if best else "", "abilities": abilities(best) if best else []}
    )


def lines(found: Found, warnings: list[str]) -> str:
    """The place on a line of its own, then what is known about it."""
    place = found.place
    head = "  ".join(filter(None, (found.resource, place.description, place.usb)))
    told = [*_place_lines(place), *_profile_lines(found), *(f"WARNING: {text}" for text in warnings)]
    if found.text:
        told.append(found.text)
    return "\n".join([head, *(f"    {line}" for line in told)])


def _place_lines(place: Place) -> list[str]:
    told = []
    if place.announced:
        parts = (place.announced.maker, place.announced.model, place.announced.serial, place.announced.firmware)
        told.append(f"announced (not checked): {', '.join(parts)}; {' '.join(place.announced.services)}")
        told.append(f"addresses: {' '.join(place.announced.addresses)}")
    if place.usb_serial:
        told.append(f"USB serial number {place.usb_serial}")
    if place.stable and (place.stable != place.resource or place.stable_text):
        told.append(f"for the settings: {place.stable}" + (f" ({place.stable_text})" if place.stable_text else ""))
    return told


def _profile_lines(found: Found) -> list[str]:
    if not found.identity:
        return []
    told = [f"says: {found.identity}" + (f" (at {found.baud_rate} baud)" if found.baud_rate else "")]
    if not found.serial:
        told.append("its serial number tells no two units apart: it is known by its port only")
    if not found.profiles:
        return told
    best = profile_of_unit(found.profiles[0], found.identity)
    told.append(f"profiles that fit: {', '.join(found.profiles)}")
    if best.takes_any:
        told.append("no profile is made for it: make sure that it is a power supply before you use a generic one")
    told.append(f"{best.name}: {TRUST[best.trust]}")
    told += [f"  {line}" for line in abilities(best)]
    return told


def warnings(found: Found, settings: Settings | None) -> list[str]:
    """Where the settings say otherwise."""
    if settings is None or not found.identity:
        return []
    here = [s for s in settings.supply if _place_of(s) & found.place.names]
    told = [text for supply in here if (text := _misfit(supply, found))]
    if not here:
        moved = [s for s in settings.supply if found.serial and s.serial.upper() == found.serial.upper()]
        told += [
            f"the settings have this unit as supply {supply.name} at {supply.resource}"
            for supply in moved
            if _fits(supply, found.identity)
        ]
    return told


def _place_of(supply: Supply) -> set[str]:
    from benchd.supplies.discovery_places import named_place

    return named_place(supply.resource).names


def _fits(supply: Supply, identity: str) -> bool:
    try:
        return load_profile(supply.profile).identity_fits(identity)
    except ProfileError:
        return False


def _misfit(supply: Supply, found: Found) -> str:
    try:
        profile = load_profile(supply.profile)
    except ProfileError as error:
        return f"supply {supply.name} in the settings: {error}"
    if not profile.identity_fits(found.identity):
        return f"supply {supply.name} in the settings has profile {supply.profile}, which is not for it: refused"
    wrong = another_unit(profile, found.identity, supply.serial)
    return f"supply {supply.name} in the settings: {wrong}" if wrong else ""
