"""Switching the outputs of one supply: raises events, carries out the actions of `states.TABLE`, reports.

Everything here runs in the supply's own thread. `SupplyThread` reads and schedules; this is what it switches with.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator

from benchd.guard import states
from benchd.guard.channel import Channel
from benchd.guard.consent import CONSENT_NEEDED, consent_refusal
from benchd.guard.held import GuardedSupply, Opened
from benchd.guard.rules import LetThrough, Rules, Verdict, check_limits
from benchd.guard.states import Action, ChannelState, Event
from benchd.guard.wire import Answer, PowerOff, PowerOn, Rearm, Report, SupplyErrors
from benchd.reading import OutputState, Reading
from benchd.supplies.clock import now_ns
from benchd.supplies.errors import LinkError, SupplyError
from benchd.supplies.off import OffOutcome

__all__ = ["GuardedSupply", "Opened", "Switcher"]

PREPARE_EXCHANGES = 24
"""More exchanges than any profile needs to prepare an output; with the supply's pace it bounds how long that takes."""


class Switcher:
    """The outputs of one supply. `opened` is None while there is no link.

    `may_take(seconds)` is told before anything long; `off_pending(number)` says whether an OFF waits for a channel.
    """

    def __init__(
        self,
        name: str,
        timeout_s: float,
        channels: dict[int, Channel],
        report: Callable[[Report], None],
        may_take: Callable[[float], None],
        off_pending: Callable[[int], bool],
    ) -> None:
        self.name = name
        self.channels = channels
        self.opened: Opened | None = None
        self._timeout_s = timeout_s
        self._report = report
        self._may_take = may_take
        self._off_pending = off_pending
        self._until_s = 0.0
        """How far what is under way may take, `time.monotonic`."""
        self._failure = ""
        """Why the power-on under way is not carried out."""
        self._deferred: list[tuple[Channel, Verdict]] = []
        """Trips noticed while another output was being switched: OFF is sent, the rest is to be done."""

    # ---- events -----------------------------------------------------------------------------------------------

    def event(self, channel: Channel, event: Event, reason: str | None = None, text: str = "") -> None:
        """Raise an event and carry out everything that follows from it, then report what changed."""
        self._failure = ""
        why = None if reason is None else (reason, text)
        pending: Event | None = event
        while pending is not None:
            step = states.step(channel.state, pending)
            if not step.listed:
                why = ("unexpected", f"{pending.value} while {channel.state.value}: switched off to be safe")
            if why is not None and step.state is not channel.state:
                channel.reason, channel.text = why
            channel.state = step.state
            pending = why = None
            for action in step.actions:
                pending = self._act(channel, action)
            if pending is Event.REFUSED:
                why = ("refused", self._failure)
            elif pending is Event.OFF_ASKED:
                why = ("asked", self._failure)
        self.tell(channel)
        while self._deferred:
            other, verdict = self._deferred.pop(0)
            other.verdict = verdict
            self.event(other, Event.TRIP, "trip", f"{verdict.rule}: {verdict.text}")

    def tell(self, channel: Channel, state: OutputState | None = None) -> None:
        """Report what is known of an output, if that has changed."""
        report = channel.changed(now_ns(), state)
        if report is not None:
            self._report(report)

    def _act(self, channel: Channel, action: Action) -> Event | None:
        if action is Action.SWITCH_OFF:
            return self._switch_off(channel)
        if action is Action.PREPARE:
            return self._prepare(channel)
        if action is Action.SWITCH_ON:
            return self._switch_on(channel)
        if action is Action.READ_STATE:
            return self._read_state(channel)
        if action is Action.TELL_ON:
            self.tell(channel, OutputState.ON)
        return None  # REFUSE: whoever asked is answered by the method that raised the event

    def _read_state(self, channel: Channel) -> Event | None:
        assert self.opened is not None
        try:
            on = self.opened.supply.output_state(channel.number)
        except (LinkError, SupplyError):
            return None  # the next round reads it, or finds the link lost
        if not on:
            if not channel.latched:
                channel.reason, channel.text = "link-back", "the link came up and the output was read"
            return Event.READ_OFF
        if not channel.latched:
            channel.reason = "found-on"
            channel.text = "found on when the link came up; its limits are not known here, so it is switched off"
        self.tell(channel, OutputState.ON)
        return Event.READ_ON

    # ---- off --------------------------------------------------------------------------------------------------

    def send_off(self, channel: Channel) -> None:
        """Write OFF, at once and before anything else. A link that is gone leaves `off_sent_ns` None."""
        if self.opened is None:
            return
        try:
            self.opened.supply.send_off(channel.number)
        except (LinkError, SupplyError):
            return
        channel.off_sent_ns = now_ns()

    def repeat_off(self, channel: Channel) -> None:
        """Write OFF once more to an output that could not be confirmed off: one that obeys again does so now."""
        if self.opened is not None:
            with contextlib.suppress(LinkError, SupplyError):
                self.opened.supply.send_off(channel.number)

    def taken_over(self, text: str) -> None:
        """Others have switched and reported meanwhile: nothing is known, and all of it is told again."""
        for channel in self.channels.values():
            channel.forget_told()
        self.link_lost(text)

    def trip(self, channel: Channel, verdict: Verdict, reading: Reading | None = None) -> None:
        """Switch off because a rule decided: OFF first, the bookkeeping afterwards."""
        self.send_off(channel)
        if reading is not None:
            channel.keep(reading)
        channel.verdict = verdict
        self.event(channel, Event.TRIP, "trip", f"{verdict.rule}: {verdict.text}")

    def _allow(self, seconds: float) -> None:
        self._until_s = time.monotonic() + seconds
        self._may_take(seconds)

    @contextlib.contextmanager
    def _tending(self, busy: Channel) -> Iterator[None]:
        """While one output is being switched, the others that are on are read and judged between its exchanges."""
        assert self.opened is not None
        supply = self.opened.supply
        before = supply.between
        others = [channel for channel in self.channels.values() if channel is not busy]
        # A slow family with many outputs takes longer for the others than for what is being done.
        round_s = self.opened.pace.round_s + 2 * self._timeout_s

        def between() -> None:
            began_s, until_s = time.monotonic(), self._until_s
            self._allow(max(0.0, until_s - began_s) + round_s)
            self._tend(supply, others)
            self._allow(max(0.0, until_s - began_s))

        supply.between = between
        try:
            yield
        finally:
            supply.between = before

    def _tend(self, supply: GuardedSupply, others: list[Channel]) -> None:
        for channel in others:
            if channel.off_sent_ns is None and self._off_pending(channel.number):
                self.send_off(channel)  # its turn to be confirmed comes later; the current must not wait for that
            rules = channel.rules
            if rules is None:
                continue
            verdict = reading = None
            try:
                reading = supply.read(channel.number)
                verdict = rules.feed(reading)
            except (LinkError, SupplyError):
                verdict = rules.idle(now_ns())
            if verdict is not None:
                self.send_off(channel)
                channel.let_through = rules.let_through
                channel.rules = None  # it has decided; nothing is on any more that it could judge
                self._deferred.append((channel, verdict))
            if reading is not None:
                channel.keep(reading)

    def link_lost(self, text: str) -> None:
        """Every output becomes unknown; one that was on has tripped."""
        for channel in self.channels.values():
            if channel.state is ChannelState.ON:
                self.send_off(channel)  # a link may be lost for replies and still carry this
                detected = now_ns()
                last = channel.before[-1].t_ns if channel.before else detected
                words = f"the link was lost while the output was on: {text}"
                channel.verdict = Verdict("stale", words, last, detected)
        for channel in self.channels.values():
            if channel.latched:
                self.event(channel, Event.LINK_LOST)  # the trip stays the reason
                continue
            channel.reason, channel.text = "link-lost", text
            self.tell(channel, OutputState.UNKNOWN)  # before the attempts to switch off, which take their time
            verdict = channel.verdict
            if verdict is None:
                self.event(channel, Event.LINK_LOST, "link-lost", text)
            else:
                self.event(channel, Event.LINK_LOST, "trip", f"{verdict.rule}: {verdict.text}")

    def _switch_off(self, channel: Channel) -> Event:
        if channel.off_sent_ns is None:
            self.send_off(channel)
        if channel.rules is not None:
            channel.let_through = channel.rules.let_through
            channel.rules = None
        if channel.verdict is not None and channel.let_through is None and channel.before:
            last = channel.before[-1]
            channel.let_through = LetThrough(last.t_ns, last.voltage_v, last.current_a)
        deadline_s = self.opened.pace.off_deadline_s if self.opened is not None else 0.0
        self._allow(1.5 * deadline_s + 2 * self._timeout_s + 0.5)  # the last look may begin just before the deadline
        if self.opened is None:
            outcome = OffOutcome(OutputState.UNKNOWN, None, "there is no link to the supply", [])
        else:
            with self._tending(channel):
                outcome = self.opened.confirm_off(channel.number, deadline_s)
        channel.after = outcome.readings
        confirmed_ns = outcome.confirmed_ns if outcome.state is OutputState.OFF else None
        if confirmed_ns is None:
            channel.retry_later(now_ns())
            channel.doubt = outcome.text
        else:
            channel.retry_ns = channel.retry_delay_ns = 0
            channel.doubt = ""
        if channel.verdict is not None:
            self._report(channel.trip_report(confirmed_ns, now_ns(), outcome.text))
        for reading in outcome.readings:
            channel.keep(reading)
        channel.off_sent_ns = None
        return Event.OFF_UNCONFIRMED if confirmed_ns is None else Event.OFF_CONFIRMED

    # ---- on ---------------------------------------------------------------------------------------------------

    def _prepare(self, channel: Channel) -> Event:
        assert self.opened is not None
        asked = channel.asked
        assert asked is not None
        self._allow(PREPARE_EXCHANGES * self._timeout_s + self.opened.pace.prepare_s + 1.0)
        over_voltage_v = asked.rules.over_voltage_v if self.opened.protects_over_voltage else None
        try:
            with self._tending(channel):
                self.opened.supply.prepare(channel.number, asked.voltage_v, asked.limit_a, over_voltage_v)
        except (LinkError, SupplyError) as error:
            self._failure = str(error)
            return Event.REFUSED
        return self._unless_off_waits(channel, Event.PREPARED)

    def _switch_on(self, channel: Channel) -> Event:
        assert self.opened is not None
        asked = channel.asked
        assert asked is not None
        self._allow(4 * self._timeout_s + self.opened.pace.prepare_s + 1.0)
        limits = channel.within_envelope(asked.rules)
        rules = Rules(limits, asked.voltage_v, asked.limit_a, self.opened.resolution(channel.number), now_ns())
        try:
            with self._tending(channel):
                self.opened.supply.output_on(channel.number)
        except (LinkError, SupplyError) as error:
            self._failure = str(error)
            return Event.REFUSED
        channel.rules = rules
        return self._unless_off_waits(channel, Event.ON_CONFIRMED)

    def _unless_off_waits(self, channel: Channel, event: Event) -> Event:
        if self._off_pending(channel.number):
            self._failure = "an off was asked for meanwhile"
            return Event.OFF_ASKED
        return event

    # ---- commands ---------------------------------------------------------------------------------------------

    def power_on(self, command: PowerOn) -> None:
        """Carry out a power-on, or refuse it, and answer."""
        channel = self.channels.get(command.channel)
        if channel is None:
            self._answer(command.id, self._no_channel(command.channel))
            return
        try:
            check_limits(command.rules)
            problem = channel.refusal(command)
        except ValueError as error:
            problem = f"{self.name} channel {command.channel}: {error}"
        if problem:
            self._answer(command.id, problem)
            return
        if self.opened is not None and (problem := consent_refusal(command, self.opened.met)):
            self._answer(command.id, problem, CONSENT_NEEDED)
            return
        channel.asked = command
        self.event(channel, Event.POWER_ON_ASKED, "asked", "")
        failure = self._failure
        if channel.state is ChannelState.ON:
            self._answer(command.id, "")
            # Kept since before the settings were written: asking now would cost the first readings their time.
            if self.opened is not None and (earlier := self.opened.supply.earlier_errors()):
                self._report(
                    SupplyErrors(self.name, now_ns(), tuple(earlier), "left in its queue before this power-on")
                )
            return
        self.report_errors(f"power-on of channel {channel.number} at {command.voltage_v:g} V")
        self._answer(
            command.id,
            f"{self.name} channel {channel.number}: {command.voltage_v:g} V at {command.limit_a:g} A was asked "
            f"for, but {failure or channel.words}; the output is {channel.output.value}",
        )

    def refuse(self, command: PowerOn, why: str) -> None:
        """Answer a power-on that is not even tried."""
        asked = f"{command.voltage_v:g} V at {command.limit_a:g} A was asked for"
        self._answer(command.id, f"{self.name} channel {command.channel}: {asked}, but {why}")

    def power_off(self, command: PowerOff) -> None:
        """Switch off one output or all, confirm, and answer."""
        if command.channel is None:
            chosen = list(self.channels.values())
        elif command.channel in self.channels:
            chosen = [self.channels[command.channel]]
        else:
            self._answer(command.id, self._no_channel(command.channel))
            return
        self.all_off(chosen, Event.OFF_ASKED, "asked")
        unknown = [
            f"channel {channel.number}: {channel.words}" for channel in chosen if channel.output is not OutputState.OFF
        ]
        if unknown:
            self._answer(
                command.id,
                f"{self.name}: off was asked for but could not be confirmed, the state is unknown "
                f"({'; '.join(unknown)}): switch off at the instrument",
            )
        else:
            self._answer(command.id, "")

    def all_off(self, chosen: list[Channel], event: Event, reason: str) -> None:
        """OFF to every chosen output first, then confirm one after the other."""
        if len(chosen) == len(self.channels) and self.opened is not None:
            with contextlib.suppress(LinkError, SupplyError):
                self.opened.supply.off_at_once()
        for channel in chosen:
            self.send_off(channel)
        for channel in chosen:
            if channel.latched:
                self.event(channel, event)  # the trip stays the reason
            else:
                self.event(channel, event, reason, "")

    def rearm(self, command: Rearm) -> None:
        """Release the latch of a tripped output that is confirmed off, and answer."""
        channel = self.channels.get(command.channel)
        if channel is None:
            self._answer(command.id, self._no_channel(command.channel))
            return
        self.event(channel, Event.REARM, "re-armed", "")
        if channel.state is ChannelState.OFF:
            self._answer(command.id, "")
        else:
            self._answer(command.id, channel.what_to_do("re-arming was asked for"))

    def report_errors(self, during: str) -> None:
        """Hand on what stands in the instrument's error queue, if anything."""
        if self.opened is None:
            return
        try:
            errors = self.opened.supply.errors()
        except (LinkError, SupplyError):
            return
        if errors:
            self._report(SupplyErrors(self.name, now_ns(), tuple(errors), during))

    def _answer(self, id_: int, error: str, code: str = "") -> None:
        self._report(Answer(id_, not error, error, code))

    def _no_channel(self, number: int) -> str:
        present = ", ".join(str(each) for each in sorted(self.channels))
        return f"{self.name} has no channel {number}; it has {present}"
