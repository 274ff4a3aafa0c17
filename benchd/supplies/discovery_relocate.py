"""A supply that the settings know by its serial number, found again when it was plugged in elsewhere. Read-only."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from benchd.supplies.discovery_ask import ask
from benchd.supplies.discovery_lan import lan_places
from benchd.supplies.discovery_parallel import side_by_side
from benchd.supplies.discovery_places import Place, kind_of, named_place, serial_places, usb_places, visa_places
from benchd.supplies.profile_link import NO_SERIAL
from benchd.supplies.profile_tables import Profile

LIMIT_S = 3.0


class Moved(NamedTuple):
    """Where a supply is now. `resource` is empty where it was not found; `text` says it for the operator."""

    resource: str
    identity: str
    text: str


def tells_apart(serial: str) -> bool:
    """Whether a serial number tells two units apart; some makers answer 0 for all of them (IEEE 488.2 §10.14)."""
    return NO_SERIAL.fullmatch(serial.strip()) is None


def another_unit(profile: Profile, identity: str, serial: str) -> str:
    """What is wrong when the settings want the unit of this serial number; empty when it is that one, or any will do.

    An identification without a serial number of its own proves nothing, and is told as another unit.
    """
    if not serial:
        return ""
    if not tells_apart(serial):
        return (
            f"serial = {serial!r} in the settings tells no two units apart, so it is never compared: take it out, and "
            "name the supply by its port"
        )
    who = profile.identity.named(identity)
    if who is None:
        return f"{identity!r} is not of profile {profile.name}"
    if not _same(who.serial, serial):
        given = f"serial number {who.serial}" if who.serial else f"no serial number (it says {identity!r})"
        return f"another unit: the settings name serial number {serial}, but this one has {given}"
    return ""


def relocate(
    resource: str,
    serial: str,
    profile: Profile,
    timeout_s: float = 0.5,
    baud_rate: int | None = None,
    library: str = "@py",
    lock_dir: str | Path | None = None,
    leave_alone: Sequence[str] = (),
    present: Callable[[str], list[Place]] | None = None,
) -> Moved:
    """Look for the unit with this serial number among the present places of the same kind as `resource`.

    Each is asked for its identification in the way of `profile`, without its connect sequence: nothing is set. Places
    in `leave_alone` (those of other supplies in the settings) and those that are locked are not asked. Serial ports
    that are no supplies are asked too: who writes a serial number into the settings agrees to that. Takes some 3 s on a
    network, and never raises for what it finds. `present` lists the places of a kind; tests give their own.
    """
    if not tells_apart(serial):
        return Moved("", "", another_unit(profile, "", serial) or "no serial number in the settings to look for")
    listing = present or (lambda kind: places_of_kind(kind, library))
    known = {name for other in (resource, *leave_alone) for name in named_place(other).names}
    try:
        places = [place for place in listing(kind_of(resource)) if not place.names & known]
    except OSError as error:
        return Moved("", "", f"cannot look for it elsewhere: {error}")
    bauds = (baud_rate or profile.link.serial.baud_rate,)

    asking = {place: functools.partial(ask, place, bauds, timeout_s, library, lock_dir, profile) for place in places}
    answers = side_by_side(asking, LIMIT_S).done
    fitting = [
        (place, answer.identity)
        for place, answer in answers.items()
        if answer.identity and not another_unit(profile, answer.identity, serial)
    ]
    return _told(resource, serial, len(places), fitting)


def _told(resource: str, serial: str, asked: int, fitting: list[tuple[Place, str]]) -> Moved:
    if len(fitting) == 1:
        place, identity = fitting[0]
        name = place.stable or place.resource
        return Moved(name, identity, f"serial number {serial} is now at {name}, no more at {resource}")
    if fitting:
        at = ", ".join(place.resource for place, _ in fitting)
        return Moved("", "", f"serial number {serial} answers at {at}: it does not tell them apart, so none is taken")
    elsewhere = f"and at none of the {asked} other places of its kind" if asked else "and there is no other place"
    return Moved("", "", f"serial number {serial} is not at {resource} {elsewhere}")


def places_of_kind(kind: str, library: str = "@py") -> list[Place]:
    """The present places of one kind."""
    if kind == "serial":
        return serial_places()
    if kind == "usb":
        return [place for place in (*usb_places(), *visa_places(library)) if place.kind == "usb"]
    if kind == "lan":
        return lan_places()
    return []


def _same(one: str, other: str) -> bool:
    return one.strip().upper() == other.strip().upper()
