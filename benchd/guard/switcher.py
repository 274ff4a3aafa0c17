"""Switching the outputs of one supply: raises events, carries out the actions of `states.TABLE`, reports.

Everything here runs in the supply's own thread. `SupplyThread` reads and schedules; this is what it switches with. What
people ask for comes through `commands.py`.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator

from benchd.guard import states
from benchd.guard.adjusting import adjust
from benchd.guard.channel import Channel
from benchd.guard.held import GuardedSupply, Opened
from benchd.guard.let_through import LetThrough
from benchd.guard.rules import Rules, Verdict
from benchd.guard.states import POWERED, Action, Event
from benchd.guard.tending import Tending
from benchd.guard.wire import Report, SupplyErrors, Tripping
from benchd.reading import OutputState, Reading
from benchd.supplies.clock import now_ns
from benchd.supplies.errors import LinkError, SupplyError
from benchd.supplies.off import OffOutcome

__all__ = ["GuardedSupply", "Opened", "Switcher"]

PREPARE_EXCHANGES = 24
"""More exchanges than any profile needs to prepare an output; with the supply's pace it bounds how long that takes."""


class Switcher:
    """The outputs of one supply. `opened` is None while there is no link.

    `watchdog_s`: see `SupplyConfig.link_watchdog_s`. `may_take(seconds)` is told before anything long;
    `off_pending(number)` says whether an OFF waits for a channel.
    """

    def __init__(
        self,
        name: str,
        timeout_s: float,
        channels: dict[int, Channel],
        report: Callable[[Report], None],
        may_take: Callable[[float], None],
        off_pending: Callable[[int], bool],
        watchdog_s: float | None = None,
    ) -> None:
        self.name = name
        self.channels = channels
        self.opened: Opened | None = None
        self.timeout_s = timeout_s
        self._report = report
        self._may_take = may_take
        self._off_pending = off_pending
        self._watchdog_s = watchdog_s
        self._until_s = 0.0
        """How far what is under way may take, `time.monotonic`."""
        self.failure = ""
        """Why the power-on under way is not carried out."""
        self.tending = Tending(name, channels, report, self.send_off, self.repeat_off, off_pending)

    # ---- events -----------------------------------------------------------------------------------------------

    def event(self, channel: Channel, event: Event, reason: str | None = None, text: str = "") -> None:
        """Raise an event and carry out everything that follows from it, then report what changed."""
        self.failure = ""
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
                why = ("refused", self.failure)
            elif pending is Event.OFF_ASKED:
                why = ("asked", self.failure)
            elif pending is Event.TRIP and channel.verdict is not None:
                why = ("trip", f"{channel.verdict.rule}: {channel.verdict.text}")
        self.tell(channel)
        self._carry_out()

    def _carry_out(self) -> None:
        """The trips of others that were noticed while one was being switched."""
        while (found := self.tending.next()) is not None:
            other, verdict = found
            other.verdict = verdict
            self.event(other, Event.TRIP, "trip", f"{verdict.rule}: {verdict.text}")

    def look_after(self, supply: GuardedSupply) -> None:
        """Read and judge what is on, in between other things that take their time."""
        self.may_take_a_round()
        self.tending.tend(supply, list(self.channels.values()))
        self._carry_out()
        self.may_take_a_round()

    def may_take_a_round(self) -> None:
        """What follows may take as long as a round of readings, and a timeout of each question of it."""
        round_s = self.opened.pace.round_s if self.opened is not None else 0.0
        self.allow(2 * round_s + 4 * self.timeout_s + 0.5)

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
        if action is Action.ADJUST:
            return adjust(self, channel)
        if action is Action.READ_STATE:
            return self._read_state(channel)
        if action is Action.TELL_ON:
            self.tell(channel, OutputState.ON)
        return None  # REFUSE: whoever asked is answered by the command that raised the event

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
        if channel.off_sent_ns is None:
            self.send_off(channel)
        if reading is not None:
            channel.keep(reading)
        channel.verdict = verdict
        self.event(channel, Event.TRIP, "trip", f"{verdict.rule}: {verdict.text}")

    def stage_over(self, channel: Channel, reading: Reading) -> None:
        """The stage under way has shown what it is for: on to the next one, or off where it speaks against that."""
        run = channel.run
        assert run is not None
        verdict = run.verdict()
        if verdict is not None:
            self.send_off(channel)
        if verdict is not None or not run.told:
            self._report(run.report(self.name, channel.number, verdict is None))
        if verdict is not None:
            self.trip(channel, verdict, reading)
        else:
            self.event(channel, Event.STAGE_OVER)

    def stage_waits(self, channel: Channel) -> None:
        """A stage that goes on by hand has shown what it is for: whoever decides wants to know it."""
        run = channel.run
        assert run is not None
        if not run.told and run.verdict() is None:
            run.told = True
            self._report(run.report(self.name, channel.number, True))

    def allow_preparing(self) -> None:
        """What follows may take as long as preparing an output."""
        prepare_s = self.opened.pace.prepare_s if self.opened is not None else 0.0
        self.allow(PREPARE_EXCHANGES * self.timeout_s + prepare_s + 1.0)

    def allow(self, seconds: float) -> None:
        """What follows may take so long, s."""
        self._until_s = time.monotonic() + seconds
        self._may_take(seconds)

    @contextlib.contextmanager
    def tended(self, busy: Channel, itself: bool = False) -> Iterator[None]:
        """While one output is being switched, the others that are on are read and judged between its exchanges.

        With `itself` that output too: it is on meanwhile.
        """
        assert self.opened is not None
        supply = self.opened.supply
        before = supply.between
        others = [channel for channel in self.channels.values() if itself or channel is not busy]
        # A slow family with many outputs takes longer for the others than for what is being done.
        round_s = self.opened.pace.round_s + 2 * self.timeout_s

        def between() -> None:
            began_s, until_s = time.monotonic(), self._until_s
            self.allow(max(0.0, until_s - began_s) + round_s)
            self.tending.tend(supply, others)
            self.allow(max(0.0, until_s - began_s))

        supply.between = between
        try:
            yield
        finally:
            supply.between = before
            for channel in self.channels.values():
                if channel.rules is None:
                    channel.meter.skip()

    def link_lost(self, text: str) -> None:
        """Every output becomes unknown; one that was on has tripped."""
        for channel in self.channels.values():
            if channel.state in POWERED:
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
        channel.end_rules()
        if channel.verdict is not None:
            # The latch must outlive this process, should it end before the proof.
            self._report(Tripping(self.name, channel.number, f"{channel.verdict.rule}: {channel.verdict.text}"))
        if channel.verdict is not None and channel.let_through is None and channel.before:
            last = channel.before[-1]
            channel.let_through = LetThrough(last.t_ns, last.voltage_v, last.current_a)
        deadline_s = self.opened.pace.off_deadline_s if self.opened is not None else 0.0
        self.allow(1.5 * deadline_s + 2 * self.timeout_s + 0.5)  # the last look may begin just before the deadline
        if self.opened is None:
            outcome = OffOutcome(OutputState.UNKNOWN, None, "there is no link to the supply", [])
        else:
            with self.tended(channel):
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
            channel.bound.tripped(now_ns())
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
        self.allow_preparing()
        over_voltage_v = asked.rules.over_voltage_v if self.opened.protects_over_voltage else None
        voltage_v, limit_a = channel.settings_of(channel.coming)
        try:
            with self.tended(channel):
                channel.second_layer = self.opened.supply.prepare(
                    channel.number,
                    voltage_v,
                    limit_a,
                    over_voltage_v,
                    over_current_delay_s=asked.over_current_delay_s,
                    watchdog_s=self._watchdog_s,
                    sense=asked.sense,
                )
        except (LinkError, SupplyError) as error:
            self.failure = str(error)
            return Event.REFUSED
        return self.unless_off_waits(channel, Event.PREPARED)

    def _switch_on(self, channel: Channel) -> Event:
        assert self.opened is not None
        asked = channel.asked
        assert asked is not None
        self.allow(4 * self.timeout_s + self.opened.pace.prepare_s + 1.0)
        limits, stage = channel.within_envelope(asked.rules), channel.coming
        probing = stage is not None and stage.name == "probe"
        on_ns = now_ns()
        rules = Rules(
            limits, *channel.settings_of(stage), self.opened.resolution(channel.number), on_ns, probing=probing
        )
        channel.ended, channel.on_ns = None, on_ns
        why, channel.reason = channel.reason, "switching-on"
        self.tell(channel)  # from here on `off` would be a lie
        channel.reason = why
        try:
            with self.tended(channel):
                self.opened.supply.output_on(channel.number)
        except (LinkError, SupplyError) as error:
            self.failure = str(error)
            return Event.REFUSED
        channel.rules = rules
        return self.unless_off_waits(channel, channel.enter_stage(now_ns()))

    def unless_off_waits(self, channel: Channel, event: Event) -> Event:
        """The event, or OFF_ASKED where an OFF waits for this output."""
        if self._off_pending(channel.number):
            self.failure = "an off was asked for meanwhile"
            return Event.OFF_ASKED
        return event

    def all_off(self, chosen: list[Channel], event: Event, reason: str, text: str = "") -> None:
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
                self.event(channel, event, reason, text)

    def tell_drift(self, channel: Channel, text: str) -> None:
        """Settings are lower than they were written: no danger, but worth knowing; told once a power-on."""
        if not channel.drift_told:
            channel.drift_told = True
            self._report(SupplyErrors(self.name, now_ns(), ((0, text),), f"channel {channel.number} was on"))

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
