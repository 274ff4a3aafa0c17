"""What people ask of the outputs of one supply: checked, carried out by the switcher, and answered.

In the supply's own thread, like everything that switches.
"""

from __future__ import annotations

from collections.abc import Callable

from benchd.guard.back_feed import voltage_before
from benchd.guard.channel import Channel
from benchd.guard.consent import CONSENT_NEEDED, consent_refusal
from benchd.guard.limits import check_limits
from benchd.guard.states import POWERED, ChannelState, Event
from benchd.guard.switcher import Switcher
from benchd.guard.wire import Adjust, Advance, Answer, PowerOff, PowerOn, Rearm, Report, SupplyErrors
from benchd.reading import OutputState
from benchd.supplies.clock import now_ns
from benchd.supplies.errors import LinkError, SupplyError


class Commands:
    """For one supply. Each command is answered once, through `report`."""

    def __init__(self, switcher: Switcher, report: Callable[[Report], None]) -> None:
        self._switcher = switcher
        self._name = switcher.name
        self._report = report

    def power_on(self, command: PowerOn) -> None:
        """Carry out a power-on, or refuse it, and answer."""
        channel = self._switcher.channels.get(command.channel)
        if channel is None:
            self._answer(command.id, self._no_channel(command.channel))
            return
        try:
            check_limits(command.rules)
            problem = channel.refusal(command)
        except ValueError as error:
            problem = f"{self._name} channel {command.channel}: {error}"
        if problem:
            self._answer(command.id, problem)
            return
        if self._switcher.opened is not None and (problem := consent_refusal(command, self._switcher.opened.met)):
            self._answer(command.id, problem, CONSENT_NEEDED)
            return
        if problem := self._fed_from_elsewhere(channel, command):
            self._answer(command.id, problem)
            return
        channel.begin(command)
        self._switcher.event(channel, Event.POWER_ON_ASKED, "asked", "")
        failure = self._switcher.failure
        if channel.state in POWERED:
            self._answer(command.id, "")
            # Kept since before the settings were written: asking now would cost the first readings their time.
            if self._switcher.opened is not None and (earlier := self._switcher.opened.supply.earlier_errors()):
                self._report(
                    SupplyErrors(self._name, now_ns(), tuple(earlier), "left in its queue before this power-on")
                )
            return
        self._switcher.report_errors(f"power-on of channel {channel.number} at {command.voltage_v:g} V")
        self._answer(
            command.id,
            f"{self._name} channel {channel.number}: {command.voltage_v:g} V at {command.limit_a:g} A was asked "
            f"for, but {failure or channel.words}; the output is {channel.output.value}",
        )

    def _fed_from_elsewhere(self, channel: Channel, command: PowerOn) -> str:
        opened, most_v = self._switcher.opened, command.most_before_v
        if opened is None or most_v is None:
            return ""
        place = f"{self._name} channel {channel.number}: {command.voltage_v:g} V at {command.limit_a:g} A was asked for"
        try:
            reading = opened.supply.read(channel.number)
        except (LinkError, SupplyError) as error:
            return f"{place}, but whether another source is connected could not be read: {error}"
        margin_v = opened.resolution(channel.number).rise_margin_v
        found = voltage_before(reading, channel.before, most_v, margin_v)
        return f"{place}, but {found}" if found else ""

    def refuse(self, command: PowerOn, why: str) -> None:
        """Answer a power-on that is not even tried."""
        asked = f"{command.voltage_v:g} V at {command.limit_a:g} A was asked for"
        self._answer(command.id, f"{self._name} channel {command.channel}: {asked}, but {why}")

    def power_off(self, command: PowerOff) -> None:
        """Switch off one output or all, confirm, and answer."""
        if command.channel is None:
            chosen = list(self._switcher.channels.values())
        elif command.channel in self._switcher.channels:
            chosen = [self._switcher.channels[command.channel]]
        else:
            self._answer(command.id, self._no_channel(command.channel))
            return
        self._switcher.all_off(chosen, Event.OFF_ASKED, "asked", command.why)
        unknown = [
            f"channel {channel.number}: {channel.words}" for channel in chosen if channel.output is not OutputState.OFF
        ]
        if unknown:
            self._answer(
                command.id,
                f"{self._name}: off was asked for but could not be confirmed, the state is unknown "
                f"({'; '.join(unknown)}): switch off at the instrument",
            )
        else:
            self._answer(command.id, "")

    def rearm(self, command: Rearm) -> None:
        """Release the latch of a tripped output that is confirmed off, and answer."""
        channel = self._switcher.channels.get(command.channel)
        if channel is None:
            self._answer(command.id, self._no_channel(command.channel))
            return
        if refusal := channel.bound.refusal(now_ns()):
            self._answer(command.id, f"{self._name} channel {channel.number}: re-arming was asked for, but {refusal}")
            return
        was_latched = channel.latched
        self._switcher.event(channel, Event.REARM, "re-armed", "")
        if channel.state is ChannelState.OFF:
            if was_latched:
                channel.bound.rearmed(now_ns())
            self._answer(command.id, "")
        else:
            self._answer(command.id, channel.what_to_do("re-arming was asked for"))

    def advance(self, command: Advance) -> None:
        """A person ends the stage `hold`, and answer; the limit is raised with the next readings."""
        channel = self._switcher.channels.get(command.channel)
        if channel is None:
            self._answer(command.id, self._no_channel(command.channel))
            return
        place, run = f"{self._name} channel {channel.number}: the limit of the boot was asked for", channel.run
        if channel.state is not ChannelState.HOLDING or run is None:
            doing = f"in stage {channel.stage}" if channel.state in POWERED else channel.state.value
            self._answer(command.id, f"{place}, but it is {doing}, not in stage hold; nothing was changed")
        elif not run.stage.by_hand:
            self._answer(command.id, f"{place}, but stage hold ends by itself after {run.stage.seconds:g} s: wait")
        else:
            run.asked_to_go_on = True
            self._answer(command.id, "")

    def adjust(self, command: Adjust) -> None:
        """Write other settings to an output that is on, read them back, and answer."""
        channel, opened = self._switcher.channels.get(command.channel), self._switcher.opened
        if channel is None:
            self._answer(command.id, self._no_channel(command.channel))
            return
        problem = channel.adjust_refusal(command)
        if not problem and opened is not None:
            try:
                opened.supply.check_settings(command.channel, command.voltage_v, command.limit_a)
            except SupplyError as error:
                problem = str(error)
        if problem:
            self._answer(command.id, problem)
            return
        wanted = channel.settings = (command.voltage_v, command.limit_a)
        self._switcher.event(channel, Event.ADJUST_ASKED)
        if channel.state is ChannelState.ON and channel.settings == wanted:
            self._answer(command.id, "")
            return
        self._answer(
            command.id,
            f"{self._name} channel {channel.number}: {command.voltage_v:g} V at {command.limit_a:g} A was asked for "
            f"while on, but {self._switcher.failure or channel.words}; the output is {channel.output.value}",
        )

    def _answer(self, id_: int, error: str, code: str = "") -> None:
        self._report(Answer(id_, not error, error, code))

    def _no_channel(self, number: int) -> str:
        present = ", ".join(str(each) for each in sorted(self._switcher.channels))
        return f"{self._name} has no channel {number}; it has {present}"
