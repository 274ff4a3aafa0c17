"""What the leads of each output have, as it is used now: measured by a procedure, typed, or as the settings say."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from benchd.procedures.record import LeadSet
from benchd.settings import Channel, Settings
from benchd.traces.uncertainty import COVERAGE, from_limit

LEAD_FRACTION = 0.1
"""What the settings say of leads is known within this share: stranded wire has some percent more than solid, contacts
and temperature some more (common practice, no source)."""

Key = tuple[str, int]
Wired = Literal["two-wire", "remote"]
LeadOrigin = Literal["measured", "typed", "settings", ""]


class LeadBook:
    """The newest of each output, with its sense leads and without. Lives in the event loop."""

    def __init__(self, settings: Settings, kept: Iterable[LeadSet] = ()) -> None:
        self._settings = {(s.name, c.number): c for s in settings.supply for c in s.channel}
        self._newest: dict[tuple[Key, Wired], LeadSet] = {}
        for each in kept:
            self.take(each)

    def take(self, leads: LeadSet) -> None:
        """What leads were found to have; an older one than that in use changes nothing."""
        place = (leads.supply, leads.channel), leads.sense
        now = self._newest.get(place)
        if now is None or leads.since_ns >= now.since_ns:
            self._newest[place] = leads

    def wired(self, supply: str, channel: int) -> Wired:
        """How the settings say that the output is wired."""
        return "remote" if self._settings[supply, channel].sense == "remote" else "two-wire"

    def of(self, supply: str, channel: int) -> LeadSet | None:
        """What is used now: as the output is wired; None: nothing is known."""
        key, wired = (supply, channel), self.wired(supply, channel)
        found = self._newest.get((key, wired))
        if found is not None or wired == "remote":
            return found
        return from_settings(supply, self._settings[key])

    def origin(self, supply: str, channel: int) -> LeadOrigin:
        """Where that comes from."""
        found = self._newest.get(((supply, channel), self.wired(supply, channel)))
        if found is not None:
            return "measured" if found.run else "typed"
        return "settings" if self.of(supply, channel) is not None else ""


def from_settings(supply: str, channel: Channel) -> LeadSet | None:
    """As the settings say, known within LEAD_FRACTION; None where they say nothing."""
    if not channel.lead_ohm:
        return None
    u_ohm = COVERAGE * from_limit(LEAD_FRACTION * channel.lead_ohm)
    return LeadSet(supply, channel.number, "", channel.lead_ohm, u_ohm, 0.0, None, 0)
