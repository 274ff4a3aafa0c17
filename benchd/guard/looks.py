"""Looks at the output states and settings, so that what somebody or something else has changed is noticed.

An output may be switched at the panel, by another program, or by the instrument's own protection; a limit may be turned
up at the panel. Asking costs the link time, so it is done often only while the readings contradict what is known.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from benchd.guard.channel import Channel
from benchd.guard.held import GuardedSupply
from benchd.guard.rules import Verdict
from benchd.guard.states import POWERED, ChannelState, Event
from benchd.guard.switcher import Switcher
from benchd.supplies.clock import now_ns
from benchd.supplies.errors import LinkError, LinkLost, SupplyError

ODD_S = 0.5
"""Asked this often while readings contradict what is known, s ..."""
COSTS = 100.0
"""... and otherwise so that asking takes one part in this many of the link's time ..."""
LONGEST_S = 5.0
"""... but at least this often, s; where looking takes longer, as long for readings again."""


class Looks:
    """Of one supply; used by its thread only. `hurry`: something more urgent waits, so the rest is left out."""

    def __init__(self, channels: dict[int, Channel], switcher: Switcher, hurry: Callable[[], bool]) -> None:
        self._channels = channels
        self._switcher = switcher
        self._hurry = hurry
        self._next_s = self._next_odd_s = 0.0

    def again(self, now: float) -> None:
        """The link is up anew: look with the next round. `now`: time.monotonic."""
        self._next_s = now

    def due(self, now: float, odd: bool) -> bool:
        """Whether it is time. `odd`: a reading contradicts what is known."""
        return now >= self._next_s or (odd and now >= self._next_odd_s)

    def look(self, supply: GuardedSupply, now: float) -> bool:
        """Look at every output, and at the settings of those that are on; True when there was a good reply.

        Raises LinkLost.
        """
        settings_too = now >= self._next_s
        good, cost_s = False, 0.0
        for channel in self._channels.values():
            if self._hurry():
                return good
            began_s = time.monotonic()
            self._switcher.may_take_a_round()
            if now_ns() < channel.retry_ns:  # could not be confirmed off a moment ago
                self._switcher.repeat_off(channel)
                continue
            try:
                on = supply.output_state(channel.number)
                good = True
                if not on and channel.state in POWERED:
                    self._off_by_itself(supply, channel)
                elif on and channel.state in POWERED:
                    self._still_on(supply, channel, settings_too)
                else:
                    self._found(channel, on)
            except LinkLost:
                raise
            except (LinkError, SupplyError):
                pass
            cost_s += time.monotonic() - began_s
            if (
                len(self._channels) > 1
                and not self._hurry()
                and any(each.rules is not None for each in self._channels.values())
            ):
                self._switcher.look_after(supply)  # a slow family takes seconds for all of them
        done_s = time.monotonic()
        self._next_odd_s = done_s + ODD_S
        self._next_s = done_s + max(min(max(ODD_S, COSTS * cost_s), LONGEST_S), cost_s)
        return good

    def _found(self, channel: Channel, on: bool) -> None:
        if on and channel.state is ChannelState.OFF:
            words = "found on though it was switched off here; nobody asked this guard for it"
            self._switcher.event(channel, Event.READ_ON, "found-on", words)
        elif on:
            self._switcher.event(channel, Event.READ_ON)
        else:
            self._switcher.event(channel, Event.READ_OFF)

    def _off_by_itself(self, supply: GuardedSupply, channel: Channel, seen: list[str] | None = None) -> None:
        """On for us, off for the instrument: its own protection, a trip like any other; or somebody at its panel."""
        self._switcher.send_off(channel)  # some protections switch on again by themselves
        # What was seen before OFF counts: some families forget a trip with it.
        names = seen or self._own_trips(supply, channel)
        tells = supply.tells_trips(channel.number)
        rules = channel.rules
        last = channel.before[-1] if channel.before else None
        figures = f"; the last reading was {last.voltage_v:.4g} V at {last.current_a:.4g} A" if last is not None else ""
        if names is None:
            words = f"the supply is off without having been asked, and does not answer whether it has tripped{figures}"
        elif names:
            words = f"the supply has tripped by itself ({', '.join(names)}){figures}"
        elif not tells and rules is not None and rules.was_in_limit:
            words = f"the supply is off without having been asked, and was in limit before{figures}"
        else:
            words = (
                f"the supply says that it is off: somebody switched it off at its panel, or it did so itself{figures}"
            )
            self._switcher.event(channel, Event.READ_OFF, "instrument", words)
            self._switcher.report_errors(f"channel {channel.number} went off by itself")
            return
        t_ns = now_ns() if last is None else last.t_ns
        self._switcher.trip(channel, Verdict("instrument", words, t_ns, now_ns()))
        self._switcher.report_errors(f"channel {channel.number} went off by itself")

    def _own_trips(self, supply: GuardedSupply, channel: Channel) -> list[str] | None:
        """Which of its protections have tripped; None where it does not answer. Raises LinkLost."""
        for _ in range(2):
            try:
                return supply.tripped(channel.number)
            except LinkLost:
                raise
            except (LinkError, SupplyError):
                continue
        return None

    def _still_on(self, supply: GuardedSupply, channel: Channel, settings_too: bool) -> None:
        """On for both. Where the readings say otherwise: some supplies still say on after a trip of their own."""
        last = channel.before[-1] if channel.before else None
        if last is not None and channel.contradicts(last) and (names := supply.tripped(channel.number)):
            self._off_by_itself(supply, channel, names)
            return
        if channel.rules is not None:
            channel.rules.was_in_limit = channel.rules.in_limit  # from here on anew
        if settings_too:
            self._settings(supply, channel)

    def _settings(self, supply: GuardedSupply, channel: Channel) -> None:
        drift = supply.drift(channel.number)
        if drift is None:
            return
        if drift.raised:
            words = (
                f"{drift.text}; somebody changed it at the panel or from another program, so nothing was limited as set"
            )
            self._switcher.trip(channel, Verdict("panel", words, now_ns(), now_ns()))
        else:
            self._switcher.tell_drift(channel, drift.text)
