"""The thread that holds one supply: reads it, judges each reading, switches off, and obeys commands in between.

One supply, one thread, one link: everything that touches the instrument happens here, one exchange at a time.
Switching is in `switcher.py`, looking at output states and settings in `looks.py`.
On the way from the offending reading to OFF on the wire nothing is logged, packed or sent to anybody.

What each round does: commands (OFF first), one reading of every channel, and now and then a look at the output
states. Output states change only as `states.TABLE` says; this module raises the events and carries out the actions.

The link. An exchange that fails is a missed reading; `stale` decides when that has gone on for too long. A lost
link (or SILENT_LINK_S without one good exchange) is a trip for an output that is on, and makes every state
`unknown`. It is then opened again after a growing, capped delay, and whatever is found is switched off and
confirmed, since nobody can vouch for what happened meanwhile. The same at the start: an output found on is
reported `on` with the reason `found-on` and switched off, because its limits are not known.
"""

from __future__ import annotations

import sys
import threading
import time
import traceback
from collections.abc import Callable

import msgspec

from benchd.guard.arrays import Arrays
from benchd.guard.channel import Channel
from benchd.guard.commands import Commands
from benchd.guard.held import GuardedSupply, Opened
from benchd.guard.looks import Looks
from benchd.guard.opening import make_config_safe
from benchd.guard.rearm import RearmBound
from benchd.guard.ring import Ring
from benchd.guard.rules import Rules
from benchd.guard.states import POWERED, Event
from benchd.guard.switcher import Switcher
from benchd.guard.units import WrongUnit
from benchd.guard.waiting import AllOff, Orderly, TakenOver, Urgent, Waiting
from benchd.guard.wire import (
    Adjust,
    Advance,
    Answer,
    LinkChanged,
    PowerOff,
    PowerOn,
    Report,
    SupplyConfig,
    SupplyErrors,
)
from benchd.reading import OutputState, Reading
from benchd.supplies.clock import now_ns
from benchd.supplies.errors import AnotherUnit, LinkError, LinkLost, SupplyError
from benchd.supplies.makesafe import ChannelSafe

SILENT_LINK_S = 2.0
FIRST_RETRY_S = 0.2
LONGEST_RETRY_S = 5.0
IDLE_ROUND_S = 0.05
"""How often a thread without a link comes round when nothing wakes it, s."""
OPEN_MAY_TAKE_S = 10.0
"""Connecting and identifying, s. No output of ours is on meanwhile that another way could reach sooner."""


class SupplyThread(threading.Thread):
    """Holds one supply. `post` hands it a command from any thread; reports go out through `report`.

    `read`, when given, is called after every round of readings.
    `open_supply` opens, identifies and locks, and raises an exception whose text says what to do.
    `last_resort` switches off what could not be opened here.
    `busy_until` (time.monotonic, s) is how far the exchange under way may take; later than that it is stuck.
    """

    def __init__(
        self,
        config: SupplyConfig,
        open_supply: Callable[[SupplyConfig], Opened],
        report: Callable[[Report], None],
        read: Callable[[], None] | None = None,
        last_resort: Callable[[SupplyConfig], list[ChannelSafe]] = make_config_safe,
        rearm_pause_s: float = 0.0,
        rearm_per_minute: int = 60,
    ) -> None:
        super().__init__(name=f"supply-{config.name}", daemon=True)
        self.config = config
        self.channels = {
            each.number: Channel(config.name, each, Ring(), RearmBound(rearm_pause_s, rearm_per_minute))
            for each in config.channels
        }
        self.round_s = time.monotonic()
        self.busy_until = self.round_s + OPEN_MAY_TAKE_S
        self._open_supply = open_supply
        self._report = report
        self._read = read
        self._last_resort = last_resort
        self._supply: GuardedSupply | None = None
        """None while there is no link; `_switcher.opened` outlives a lost link, to be reconnected."""
        self._waiting = Waiting()
        self._switcher = Switcher(
            config.name, config.timeout_s, self.channels, report, self._may_take, self._off_pending,
            config.link_watchdog_s,
        )  # fmt: skip
        self._commands = Commands(self._switcher, report)
        self._looks = Looks(self.channels, self._switcher, lambda: bool(self._waiting.urgent))
        self._ended = False
        self._good_s = self._retry_at_s = self.round_s
        self._retry_delay_s = self._round_s = 0.0
        self._down_text = ""
        self._down_kind = ""
        self.alone = False
        """Set by the guard process: the daemon is gone, and what is on is held all the same."""
        self.being_rescued = False
        """Set by the watchdog: it switches over a link of its own, and tells what it proved."""
        self._another_unit = False
        """The last attempt to reopen met another instrument."""
        self._arrays: Arrays | None = None

    # ---- for other threads ------------------------------------------------------------------------------------

    def post(self, command: Orderly | Urgent) -> None:
        """Hand over a command. The urgent ones overtake the others."""
        self._waiting.put(command)

    @property
    def opened(self) -> bool:
        """True once the supply was opened, and so held, by this thread: from then on its outputs are our affair."""
        return self._switcher.opened is not None

    def nothing_on(self) -> bool:
        """True when every output is confirmed off, or when this supply never was ours to switch."""
        return not self.opened or all(channel.output is OutputState.OFF for channel in self.channels.values())

    # ---- the loop ---------------------------------------------------------------------------------------------

    def run(self) -> None:
        """Until `End` is posted. An exception that nobody foresaw counts as a lost link."""
        due = time.monotonic()
        while not self._ended:
            try:
                due = self._come_round(due)
            except LinkLost as error:
                self._link_lost(str(error))
            except Exception:
                # A mistake of ours must not leave an output on with nobody looking. Off first: writing may block.
                words = traceback.format_exc()
                self._link_lost("the guard's own code failed, see its error output")
                print(words, file=sys.stderr, flush=True)
        if self._switcher.opened is not None:
            self._switcher.opened.close()

    def _come_round(self, due: float) -> float:
        self.round_s = now = time.monotonic()
        # A read may have to reopen and identify first; a slow family takes its time for a whole round.
        self.busy_until = now + 4 * self.config.timeout_s + 0.5 + self._round_s
        if self._waiting.due(now):
            self._obey()
        elif self._supply is None:
            self._waiting.round_done()
            if now >= self._retry_at_s:
                self._open()
            else:
                self._pause(min(IDLE_ROUND_S, self._retry_at_s - now))
        elif now < due:
            self._pause(due - now)
            late_s = time.monotonic() - due
            for channel in self.channels.values() if late_s > 0 else ():
                channel.meter.late(late_s)
        else:
            self._read_all(self._supply, now)
            self._waiting.round_done()
            if self._read is not None:
                self._read()
            # What was missed stays missed: a burst of late readings helps nobody.
            due = max(due + self.config.reading_interval_s, now)
        return due

    def _pause(self, seconds: float) -> None:
        self._may_take(seconds + 0.5)
        self._waiting.pause(seconds)

    def _may_take(self, seconds: float) -> None:
        self.busy_until = time.monotonic() + seconds

    def _read_all(self, supply: GuardedSupply, now: float) -> None:
        odd = False
        for channel in self.channels.values():
            rules = channel.rules
            try:
                reading = supply.read(channel.number)
            except LinkLost:
                raise
            except (LinkError, SupplyError):
                if rules is not None and (verdict := rules.idle(now_ns())) is not None:
                    self._switcher.trip(channel, verdict)
                continue
            if rules is not None and (verdict := rules.feed(reading)) is not None:
                self._switcher.trip(channel, verdict, reading)
            elif self._arrays is None:
                channel.keep(reading)
            else:
                self._keep_array(self._arrays, channel, reading, now)
            if rules is not None and channel.rules is rules:
                self._after(channel, rules, reading)
            if channel.meter.add(reading):
                self._report(channel.meter.report(self.config.name, channel.number))
            self._good_s = now
            odd = odd or channel.contradicts(reading)
            if self._waiting.urgent:
                return
        if self._looks.due(now, odd) and self._looks.look(supply, now):
            self._good_s = now
        # Where an output is on, `stale` decides first, however long it was told to wait.
        if now - self._good_s > SILENT_LINK_S + self._round_s and now - self._good_s > max(
            (c.rules.limits.stale_s for c in self.channels.values() if c.rules), default=0.0
        ):
            what = "no good reply for so long; check its cable and its power"
            raise LinkLost(self.config.resource, what, waited_ms=(now - self._good_s) * 1000)

    def _after(self, channel: Channel, rules: Rules, reading: Reading) -> None:
        """What is to be done after a reading that no rule objects to: is a stage over, or the time?"""
        if reading.t_ns > rules.until_ns:
            words = f"on for {rules.limits.longest_on_s:g} s, the longest that its plan allows"
            self._switcher.event(channel, Event.TIME_OVER, "on-time", words)
        elif channel.run is not None and channel.run.feed(
            reading, rules.in_limit, rules.since_on.energy_j if rules.since_on is not None else 0.0
        ):
            if self.alone:  # what is on is held as asked, but nobody is there for whom it should be raised
                self._switcher.event(channel, Event.DAEMON_LOST, "daemon-lost")
            else:
                self._switcher.stage_over(channel, reading)
        elif channel.run is not None and channel.run.waits:
            self._switcher.stage_waits(channel)

    def _keep_array(self, arrays: Arrays, channel: Channel, reading: Reading, now: float) -> None:
        for each in arrays.turn(channel.number, channel.state in POWERED, now):
            channel.keep(each)
        channel.array_runs = arrays.running(channel.number)
        if not channel.array_runs:
            channel.keep(reading)

    # ---- commands ---------------------------------------------------------------------------------------------

    def _obey(self) -> None:
        if self._waiting.urgent:
            number, urgent = self._waiting.urgent.popleft()
            if isinstance(urgent, PowerOff):
                self._refuse_earlier(number, urgent.channel)
                if self.opened:
                    self._commands.power_off(urgent)
                else:
                    self._off_unheld(urgent)
            elif isinstance(urgent, AllOff):
                self._refuse_earlier(number, None)
                self._switcher.all_off(list(self.channels.values()), urgent.event, urgent.reason, urgent.text)
            elif isinstance(urgent, TakenOver):
                words = "an exchange with the supply was stuck; it was made safe over a second link"
                self._link_lost(words, taken_over=True)
            else:
                self._ended = True
            return
        command = self._waiting.take()
        if self._supply is None and isinstance(command, PowerOn):
            self._commands.refuse(command, f"there is no link to it ({self._down_text or 'still opening'})")
        elif isinstance(command, PowerOn):
            self._commands.power_on(command)
        elif isinstance(command, Advance):
            self._commands.advance(command)
        elif isinstance(command, Adjust):
            self._commands.adjust(command)
            self._hold_back(command.channel)
        else:
            self._commands.rearm(command)

    def _off_unheld(self, command: PowerOff) -> None:
        """Off, for a supply that was never open here: held by the guard of an earlier daemon, for one.

        What is asked for is done, but nobody here can say what its holder does next, so the state stays unknown.
        """
        self._may_take(OPEN_MAY_TAKE_S)
        chosen = tuple(each for each in self.config.channels if command.channel in (None, each.number))
        reached = self._last_resort(msgspec.structs.replace(self.config, channels=chosen))
        words = "; ".join(f"channel {each.channel}: {each.state} ({each.text})" for each in reached)
        why = self._down_text or "still opening"
        text = f"off was sent over a connection of its own: {words or 'no such channel'}"
        self._report(
            Answer(
                command.id, False, f"{self.config.name}: it is not held here ({why}), so its state is unknown; {text}"
            )
        )

    def _refuse_earlier(self, number: int, channel: int | None) -> None:
        """A power-on that was asked for before this OFF must not run after it."""
        for command in self._waiting.void(number, channel):
            self._commands.refuse(command, "an off was asked for after it")

    def _hold_back(self, number: int) -> None:
        """Nothing else is changed until readings of the settings just written could be judged."""
        channel, opened = self.channels.get(number), self._switcher.opened
        if channel is not None and channel.rules is not None and opened is not None:
            # What is read may be a mean over so long, and be shown for as long again.
            wait_s = 2 * opened.resolution(number).oldest_s + channel.rules.limits.short_hold_s
            self._waiting.hold_back(time.monotonic() + wait_s)

    def _off_pending(self, channel: int) -> bool:
        return self.being_rescued or self._waiting.off_for(channel)

    # ---- the link ---------------------------------------------------------------------------------------------

    def _open(self) -> None:
        """Open or reopen; what is found is read and switched off. A failure is reported once, not every time."""
        self._may_take(OPEN_MAY_TAKE_S)
        opened = self._switcher.opened
        try:
            if opened is None:
                opened = self._open_supply(self.config)
                identity = opened.identity
            else:
                for channel in self.channels.values():
                    # It may be on, so OFF comes before any question. Where another unit answered last time, it may be
                    # somebody else's, who does not want it switched off with every attempt.
                    if channel.output is not OutputState.OFF and not self._another_unit:
                        self._switcher.repeat_off(channel)
                identity = opened.reconnect()
        except Exception as error:
            # Whatever it is (link, profile, lock, a refused address): say it, wait, try again. Nothing is known of the
            # outputs, also where this guard never knew: the daemon may hold on to what an earlier one said.
            text = str(error) or type(error).__name__
            self._another_unit = isinstance(error, AnotherUnit) or isinstance(error.__cause__, AnotherUnit)
            self._switcher.link_lost(text)
            self._link_down(text, type(error).__name__, text if isinstance(error, WrongUnit) else "")
            return
        self._another_unit = False
        self._switcher.opened = opened
        self._supply = opened.supply
        met = opened.met
        # The watchdog goes by this too.
        self.config = msgspec.structs.replace(self.config, resource=met.resource, identity=identity)
        self._round_s = 2 * opened.pace.round_s
        arrays = opened.arrays() if self.config.array_readback else {}
        self._arrays = Arrays(arrays, self._array_trouble) if arrays else None
        self._retry_delay_s = 0.0
        self._down_text = self._down_kind = ""
        self._good_s = time.monotonic()
        self._looks.again(self._good_s)
        self._report(LinkChanged(self.config.name, True, now_ns(), identity=identity, met=met, warning=opened.news()))
        for channel in self.channels.values():
            self._switcher.event(channel, Event.LINK_BACK)

    def _array_trouble(self, text: str) -> None:
        self._report(SupplyErrors(self.config.name, now_ns(), ((0, text),), "fetching an array of readings"))

    def _link_lost(self, text: str, taken_over: bool = False) -> None:
        self._supply = None
        self._may_take(OPEN_MAY_TAKE_S)
        if taken_over:
            self._switcher.taken_over(text)
        else:
            self._switcher.link_lost(text)
        self._retry_delay_s = 0.0
        self._link_down(text, LinkLost.__name__)
        self._retry_at_s = time.monotonic()  # the first attempt at once: it may have been a hiccup

    def _link_down(self, text: str, kind: str, warning: str = "") -> None:
        self._supply = None
        self._down_text = text
        if kind != self._down_kind:  # the texts themselves differ every time, by the milliseconds in them
            self._down_kind = kind
            self._report(LinkChanged(self.config.name, False, now_ns(), text=text, warning=warning))
        self._retry_delay_s = min(max(2 * self._retry_delay_s, FIRST_RETRY_S), LONGEST_RETRY_S)
        self._retry_at_s = time.monotonic() + self._retry_delay_s
