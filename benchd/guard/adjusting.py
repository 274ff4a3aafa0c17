"""Other settings for an output that is on: those of its next stage, or those that somebody asked for.

The readings that come in meanwhile are judged and kept; a trip among them ends it. A reply that does not come may be
noise and is asked for once more; settings that cannot be read back as written are not known, so the output goes off.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.guard.channel import Channel
from benchd.guard.rules import Verdict
from benchd.guard.states import Event
from benchd.supplies.clock import now_ns
from benchd.supplies.errors import LinkError, LinkLost, SupplyError

if TYPE_CHECKING:
    from benchd.guard.switcher import Switcher

ADJUST_ATTEMPTS = 2
"""A reply that is late or garbled meanwhile may be noise: once more, since it is all written again."""


def adjust(switcher: Switcher, channel: Channel) -> Event:
    """Write and read back; the event that says how it ended."""
    opened, rules = switcher.opened, channel.rules
    assert opened is not None
    assert rules is not None
    voltage_v, limit_a = channel.settings_of(channel.coming)
    if channel.run is not None:
        # A rail that gives way at the first rise after the stage is judged by what it should rise to.
        rules.restage(voltage_v, limit_a, rising=True)
    else:
        rules.change(voltage_v, limit_a, now_ns())
    tending, refused = switcher.tending, ""
    for _ in range(ADJUST_ATTEMPTS):
        switcher.allow_preparing()
        try:
            with switcher.tended(channel, itself=True):
                opened.supply.adjust(channel.number, voltage_v, limit_a)
        except LinkLost as error:
            if tripped := tending.tripped(channel):
                return tripped
            words = f"the link was lost while other settings were written: {error}"
            channel.verdict = channel.verdict or Verdict("stale", words, now_ns(), now_ns())
            return Event.TRIP
        except LinkError as error:
            refused = str(error)
        except SupplyError as error:
            switcher.failure = str(error)
            return tending.tripped(channel) or Event.REFUSED
        else:
            rules.settled(now_ns())
            return tending.tripped(channel) or switcher.unless_off_waits(channel, channel.enter_stage(now_ns()))
        if tripped := tending.tripped(channel):
            return tripped
    switcher.failure = refused
    return Event.REFUSED
