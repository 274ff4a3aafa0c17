"""Looking after outputs that are on while something else takes its time: another output being switched, or looked at.

A trip noticed here is cut at once; everything that follows from it waits until the other thing is through.
"""

from __future__ import annotations

from collections.abc import Callable

from benchd.guard.channel import Channel
from benchd.guard.held import GuardedSupply
from benchd.guard.rules import Rules, Verdict
from benchd.guard.states import POWERED, ChannelState, Event
from benchd.guard.wire import Report
from benchd.reading import Reading
from benchd.supplies.clock import now_ns
from benchd.supplies.errors import LinkError, SupplyError


class Tending:
    """Of the outputs of one supply, in its thread."""

    def __init__(
        self,
        name: str,
        channels: dict[int, Channel],
        report: Callable[[Report], None],
        send_off: Callable[[Channel], None],
        repeat_off: Callable[[Channel], None],
        off_pending: Callable[[int], bool],
    ) -> None:
        self._name = name
        self._channels = channels
        self._report = report
        self._send_off = send_off
        self._repeat_off = repeat_off
        self._off_pending = off_pending
        self._deferred: list[tuple[Channel, Verdict]] = []
        """Trips that were noticed: OFF is sent, the rest is to be done."""

    def next(self) -> tuple[Channel, Verdict] | None:
        """The next trip that is to be carried out; None when there is none left."""
        while self._deferred:
            found = self._deferred.pop(0)
            if found[0].state in POWERED:  # else it has tripped for another reason meanwhile: one trip, one record
                return found
        return None

    def tripped(self, channel: Channel) -> Event | None:
        """TRIP where a rule has decided about this very output while it was being adjusted; OFF has been sent."""
        for found in self._deferred:
            if found[0] is channel:
                self._deferred.remove(found)
                channel.verdict = found[1]
                return Event.TRIP
        return None

    def tend(self, supply: GuardedSupply, others: list[Channel]) -> None:
        """Read and judge these; OFF at once where a rule decides, the rest with `next`. Never raises."""
        for channel in others:
            if channel.off_sent_ns is None and self._off_pending(channel.number):
                self._send_off(channel)  # its turn to be confirmed comes later; the current must not wait for that
            rules = channel.rules
            if rules is None:
                if any(other is channel for other, _ in self._deferred):
                    self._repeat_off(channel)  # nobody proves it yet, so a supply that missed it gets it again
                continue
            verdict = reading = None
            try:
                reading = supply.read(channel.number)
                verdict = rules.feed(reading) or self._speaks_against(channel, rules, reading)
            except (LinkError, SupplyError):
                verdict = rules.idle(now_ns())
            if verdict is not None:
                self._send_off(channel)
                if channel.run is not None and channel.run.over:
                    self._report(channel.run.report(self._name, channel.number, False))
                channel.end_rules()
                self._deferred.append((channel, verdict))
            if reading is not None:
                channel.meter.add(reading)
                channel.keep_in_between(reading)

    def _speaks_against(self, channel: Channel, rules: Rules, reading: Reading) -> Verdict | None:
        """A stage that ends badly is ended now; one that ends well goes on with the next reading in its own turn."""
        run, since = channel.run, rules.since_on
        if run is None or channel.state is ChannelState.ADJUSTING:
            return None
        run.over = run.feed(reading, rules.in_limit, since.energy_j if since is not None else 0.0)
        return run.verdict() if run.over else None
