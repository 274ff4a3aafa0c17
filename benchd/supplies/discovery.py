"""Which supplies may be there. Looking asks no instrument anything unless told to, and never sets anything.

find_supplies
├── discovery_places      serial ports, USB-TMC, what the VISA backend lists
├── discovery_lan         who announces itself on the network
├── discovery_ask         who are you? (only on request)
└── discovery_parallel    all of it side by side, bounded
relocate (discovery_relocate)   a known supply under another name
"""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Mapping, Sequence
from pathlib import Path

from benchd.supplies.discovery_ask import DEFAULT_BAUD, Answer, ask, fitting_profiles, known_bauds, named, shipped
from benchd.supplies.discovery_lan import lan_places
from benchd.supplies.discovery_parallel import side_by_side
from benchd.supplies.discovery_places import Place, merged, named_place, serial_places, usb_places, visa_places
from benchd.supplies.discovery_relocate import Moved, another_unit, relocate

__all__ = [
    "DEFAULT_BAUD", "Found", "Moved", "Place", "another_unit", "find_supplies", "fitting_profiles", "known_bauds",
    "look_around", "relocate",
]  # fmt: skip

LOOK_S = 3.0
ASK_S = 10.0


@dataclasses.dataclass(frozen=True, slots=True)
class Found:
    """One place where an instrument may be, and what it said.

    `identity`: its identification, empty where not asked or not answered, and then `text` says why. `maker`, `model`,
    `serial`, `firmware`: its parts; `serial` is empty where it tells no two units apart. `profiles`: shipped profiles
    that fit, made for it before generic ones. `baud_rate`: the one it answered at, where it is a serial port.
    """

    place: Place
    identity: str = ""
    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""
    profiles: tuple[str, ...] = ()
    baud_rate: int | None = None
    text: str = ""

    @property
    def resource(self) -> str:
        """How it is opened now."""
        return self.place.resource


def find_supplies(
    identify: bool = False,
    resources: Sequence[str] = (),
    timeout_s: float = 0.5,
    library: str = "@py",
    bauds: Sequence[int] = (DEFAULT_BAUD,),
    lock_dir: str | Path | None = None,
    own_bauds: Mapping[str, int] | None = None,
    only_given: bool = False,
) -> list[Found]:
    """The given resources, serial ports, USB-TMC, what the VISA backend lists, and who announces itself.

    `identify` asks each who it is, which a device that is no instrument may not like: only on request. `own_bauds`:
    resources whose rate is known from the settings; they are asked at no other. `only_given`: nothing but the given
    resources counts; looking around then only finds their stable names.
    """
    places = look_around(resources, library)
    if only_given:
        names = {name for resource in resources for name in named_place(resource).names}
        places = [place for place in places if place.names & names]
    if not identify:
        return [Found(place, text=place.text or "not asked") for place in places]

    shipped()  # read once, here, and not by all threads at a time
    own = {name: (baud,) for resource, baud in (own_bauds or {}).items() for name in named_place(resource).names}
    rates = {place: next((own[name] for name in place.names if name in own), bauds) for place in places}
    asking = {place: functools.partial(ask, place, rates[place], timeout_s, library, lock_dir) for place in places}
    asked = side_by_side(asking, ASK_S * len(bauds))
    return [_found(place, asked.done.get(place) or Answer("", None, asked.failed.get(place, ""))) for place in places]


def look_around(resources: Sequence[str] = (), library: str = "@py") -> list[Place]:
    """All places, each instrument once; the named ones first. Nothing is asked, and it takes a few seconds at most."""
    looked = side_by_side(
        {
            "serial": serial_places,
            "usb": usb_places,
            "lan": lan_places,
            "visa": lambda: visa_places(library),
        },
        LOOK_S,
    )
    found = [place for kind in ("serial", "usb", "lan", "visa") for place in looked.done.get(kind, [])]
    return merged([*map(named_place, resources), *_without_known_hosts(found)])


def _without_known_hosts(places: list[Place]) -> list[Place]:
    """VXI-11's own search finds instruments by address that have announced themselves with more to say."""
    known = {address for place in places if place.announced for address in place.announced.addresses}
    kept = []
    for place in places:
        parts = place.resource.split("::")
        if not (place.kind == "lan" and place.announced is None and len(parts) > 1 and parts[1] in known):
            kept.append(place)
    return kept


def _found(place: Place, answer: Answer) -> Found:
    who = named(answer.identity)
    text = "; ".join(filter(None, (answer.text, place.text if answer.text else "")))
    return Found(
        place, answer.identity, who.maker, who.model, who.serial, who.firmware, fitting_profiles(answer.identity),
        answer.baud_rate, text,
    )  # fmt: skip
