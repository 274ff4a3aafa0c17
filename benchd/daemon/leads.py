"""What the leads of each output have, as it is used now: measured by a procedure, typed, or as the settings say."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from benchd.procedures.record import LeadSet
from benchd.settings import Channel, Settings
from benchd.traces.rail import LEAD_FRACTION
from benchd.traces.uncertainty import COVERAGE, from_limit

Key = tuple[str, int]
LeadOrigin = Literal["measured", "typed", "settings", ""]


class LeadBook:
    """The newest of each output. Lives in the event loop."""

    def __init__(self, settings: Settings, kept: Iterable[LeadSet] = ()) -> None:
        self._settings = {(s.name, c.number): c for s in settings.supply for c in s.channel}
        self._newest: dict[Key, LeadSet] = {}
        for each in kept:
            self.take(each)

    def take(self, leads: LeadSet) -> None:
        """What leads were found to have; an older one than that in use changes nothing."""
        now = self._newest.get((leads.supply, leads.channel))
        if now is None or leads.t_ns >= now.t_ns:
            self._newest[leads.supply, leads.channel] = leads

    def of(self, supply: str, channel: int) -> LeadSet | None:
        """What is used now; None: nothing is known."""
        found = self._newest.get((supply, channel))
        return found if found is not None else from_settings(supply, self._settings[supply, channel])

    def ohm(self, supply: str, channel: int) -> float:
        """Both leads together, Ω; 0 where nothing is known."""
        found = self.of(supply, channel)
        return found.ohm if found is not None else 0.0

    def origin(self, supply: str, channel: int) -> LeadOrigin:
        """Where that comes from."""
        found = self._newest.get((supply, channel))
        if found is not None:
            return "measured" if found.run else "typed"
        return "settings" if self.of(supply, channel) is not None else ""


def from_settings(supply: str, channel: Channel) -> LeadSet | None:
    """As the settings say, known within LEAD_FRACTION; None where they say nothing."""
    if not channel.lead_ohm:
        return None
    u_ohm = COVERAGE * from_limit(LEAD_FRACTION * channel.lead_ohm)
    return LeadSet(supply, channel.number, "", channel.lead_ohm, u_ohm, 0.0, None, 0)
