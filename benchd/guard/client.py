"""The daemon's end: starts the guard, keeps it told that the daemon lives, and makes safe when the guard is gone.

All dealings with the guard process are in a thread of their own (`GuardKeeper`, in `keeper.py`), so that an event
loop that is busy neither looks like a dead daemon for a while nor delays making safe. A loop that has not come round
for LOOP_DEAD_S does count as dead: heartbeats stop, and the guard switches off.

A latch outlives the guard: what has tripped before a crash of the guard still needs a person afterwards. It
outlives the daemon where whoever starts the next one hands it over (`latched`).
"""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import time
from collections import deque
from collections.abc import Callable, Iterable
from typing import Literal

import msgspec

from benchd.guard.keeper import GuardKeeper
from benchd.guard.rearm import RearmBound
from benchd.guard.wire import (
    Adjust,
    Advance,
    Answer,
    Configure,
    LinkChanged,
    OutputChanged,
    PowerOff,
    PowerOn,
    Rearm,
    Report,
    RuleLimits,
    Shutdown,
    Stage,
    Tripped,
    Tripping,
)
from benchd.reading import SenseAt
from benchd.supplies.clock import now_ns

LOOP_TICK_S = 0.25
START_WITHIN_S = 15.0
ANSWER_WITHIN_S = 20.0
"""Preparing may take two dozen exchanges, switching off and confirming another half second; a slow serial link
needs most of this. A guard that hangs is noticed long before, by its heartbeat."""
STOP_WITHIN_S = 8.0
LINKS_WITHIN_S = 2.0


class GuardRefused(Exception):
    """The guard did not do what was asked. The text says what was asked, what came back, and what to do.

    `code`: see `Answer.code`.
    """

    def __init__(self, text: str, code: str = "") -> None:
        super().__init__(text)
        self.code = code


class GuardClient:
    """The guard as the daemon sees it. Make and use it in one event loop.

    `on_report` gets every report but heartbeats and answers, in order, in the event loop; `on_alarm` gets sentences
    for the operator. `latched`: (supply, channel) of outputs that an earlier daemon left tripped.
    """

    def __init__(
        self,
        configure: Configure,
        on_report: Callable[[Report], None],
        on_alarm: Callable[[str], None],
        latched: Iterable[tuple[str, int]] = (),
    ) -> None:
        self._on_report = on_report
        self._on_alarm = on_alarm
        self._ids = itertools.count(1)
        self._waiting: dict[int, asyncio.Future[Answer]] = {}
        self._outputs: dict[tuple[str, int], OutputChanged | None] = {
            (supply.name, channel.number): None for supply in configure.supplies for channel in supply.channels
        }
        # The guard has these too, but one that is started anew knows of no trip.
        self._bounds = {key: RearmBound(configure.rearm_pause_s, configure.rearm_per_minute) for key in self._outputs}
        self._tripping: dict[tuple[str, int], str] = {}
        """Trips that have begun and whose record is still to come: why."""
        self._latched: set[tuple[str, int]] = self._outputs.keys() & set(latched)
        self._links_awaited = {supply.name for supply in configure.supplies}
        self._links_told = asyncio.Event()
        self._inbox: deque[Report | str] = deque()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._tick: asyncio.TimerHandle | None = None
        self._keeper = GuardKeeper(configure, self._arrived)

    @property
    def state(self) -> Literal["alive", "restarting", "gone"]:
        """`gone` before `start` and after `stop`."""
        return self._keeper.state

    @property
    def pid(self) -> int | None:
        """Process id of the guard that runs now."""
        return self._keeper.pid

    @property
    def restarts(self) -> int:
        """How many guards were started after the first."""
        return max(0, self._keeper.guards - 1)

    async def start(self) -> None:
        """Start the guard, wait for its first heartbeat, and a little for the links.

        A link that is down, or slow to come up, is not waited for longer than LINKS_WITHIN_S. Raises TimeoutError
        without a heartbeat; the guard then goes on starting.
        """
        self._loop = asyncio.get_running_loop()
        self._come_round()
        self._keeper.start()
        deadline = time.monotonic() + START_WITHIN_S
        while self.state != "alive":
            if time.monotonic() > deadline:
                raise TimeoutError(f"the guard has not shown life within {START_WITHIN_S:g} s; see its error output")
            await asyncio.sleep(0.01)
        if not self._links_awaited:
            return
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._links_told.wait(), LINKS_WITHIN_S)

    async def power_on(
        self,
        supply: str,
        channel: int,
        voltage_v: float,
        limit_a: float,
        rules: RuleLimits | None = None,
        consent: str = "",
        before: tuple[Stage, ...] = (),
        over_current_delay_s: float | None = None,
        most_voltage_v: float | None = None,
        most_limit_a: float | None = None,
        most_before_v: float | None = None,
        sense: SenseAt = "",
    ) -> None:
        """Prepare, read back, switch on, confirm; the stages in `before` come first. Raises GuardRefused.

        For the arguments see `PowerOn`.
        """
        if (supply, channel) in self._latched:
            raise GuardRefused(
                f"{supply} channel {channel}: {voltage_v:g} V at {limit_a:g} A was asked for, but it has tripped "
                "and nobody has re-armed it: find the cause, then re-arm"
            )
        command = PowerOn(
            next(self._ids),
            supply,
            channel,
            voltage_v,
            limit_a,
            rules or RuleLimits(),
            consent,
            before,
            over_current_delay_s,
            most_voltage_v,
            most_limit_a,
            most_before_v,
            sense,
        )
        await self._ask(command)

    async def advance(self, supply: str, channel: int) -> None:
        """End the stage `hold`, where it waits for that. Raises GuardRefused."""
        await self._ask(Advance(next(self._ids), supply, channel))

    async def adjust(self, supply: str, channel: int, voltage_v: float, limit_a: float) -> None:
        """Other settings, V and A, for an output that is on; returns when they were read back. Raises GuardRefused.

        Outside the ceilings of the power-on nothing is changed; where they do not come back as written, it is off.
        """
        await self._ask(Adjust(next(self._ids), supply, channel, voltage_v, limit_a))

    async def power_off(self, supply: str | None = None, channel: int | None = None, why: str = "") -> None:
        """Switch off and confirm; without `supply` everything. Raises GuardRefused when it could not be confirmed.

        `why`: see `PowerOff.why`.
        """
        await self._ask(PowerOff(next(self._ids), supply, channel, why))

    async def rearm(self, supply: str, channel: int) -> None:
        """Release the latch after a trip. Raises GuardRefused unless the output is confirmed off."""
        key = (supply, channel)
        bound = self._bounds.get(key)
        latched = key in self._latched
        if bound is not None and latched and (refusal := bound.refusal(now_ns())):
            raise GuardRefused(f"{supply} channel {channel}: re-arming was asked for, but {refusal}")
        await self._ask(Rearm(next(self._ids), supply, channel))
        if bound is not None and latched:
            bound.rearmed(now_ns())
        if key not in self._latched:
            return
        self._latched.discard(key)
        last = self._outputs[key]
        if last is not None and last.latched:  # a guard that started after the trip knows of no latch to release
            self._deliver_output(
                OutputChanged(supply, channel, last.state, "re-armed", now_ns(), text="the latch was released")
            )

    async def stop(self) -> bool:
        """Every output off, confirmed; then end the guard. True when all were confirmed off.

        An output that an earlier guard of ours had held counts too: the last guard may never have reached it.
        """
        if self.state == "gone":
            return True
        self._keeper.expect_end()
        with contextlib.suppress(GuardRefused):
            await self._ask(Shutdown(next(self._ids)), STOP_WITHIN_S + self._keeper.longer_s)
        made_safe = await asyncio.to_thread(self._keeper.stop)
        if self._tick is not None:
            self._tick.cancel()
        self._deliver()
        return made_safe

    # ---- inside -----------------------------------------------------------------------------------------------

    async def _ask(
        self, command: PowerOn | PowerOff | Rearm | Advance | Adjust | Shutdown, within_s: float = ANSWER_WITHIN_S
    ) -> None:
        asked = msgspec.to_builtins(command)
        if self.state != "alive":
            raise GuardRefused(f"{asked['type']} was asked for, but the guard is {self.state}; wait and ask again")
        loop = asyncio.get_running_loop()
        future = self._waiting[command.id] = loop.create_future()
        try:
            self._keeper.send(command)
            answer = await asyncio.wait_for(future, within_s)
        except TimeoutError:
            raise GuardRefused(
                f"{asked['type']} was asked for, but the guard has not answered within {within_s:g} s; "
                "look at the instrument"
            ) from None
        finally:
            del self._waiting[command.id]
        if not answer.ok:
            raise GuardRefused(answer.error, answer.code)

    def _come_round(self) -> None:
        assert self._loop is not None
        self._keeper.loop_seen_s = time.monotonic()
        self._tick = self._loop.call_later(LOOP_TICK_S, self._come_round)

    def _arrived(self, item: Report | str) -> None:
        """From the keeper's thread: a report, or a sentence for the operator."""
        self._inbox.append(item)
        # Longer than one: `_deliver` has been called for or is running, and looks again after each item.
        if len(self._inbox) == 1 and self._loop is not None:
            with contextlib.suppress(RuntimeError):  # the loop has closed; nobody is left to be told
                self._loop.call_soon_threadsafe(self._deliver)

    def _deliver(self) -> None:
        while self._inbox:
            item = self._inbox.popleft()
            try:
                self._deliver_one(item)
            except Exception as error:  # a mistake in the daemon's own handling must not hold up the next trip
                assert self._loop is not None
                context = {"message": f"a report of the guard was not handled: {item!r:.200}", "exception": error}
                self._loop.call_exception_handler(context)
        if self.state == "restarting":
            self._tell_lost_trips()
        for id_ in list(self._waiting) if self.state == "restarting" else ():
            words = "the guard went away before it answered; the outputs are being made safe"
            if not self._waiting[id_].done():
                self._waiting[id_].set_result(Answer(id_, False, words))

    def _tell_lost_trips(self) -> None:
        while self._tripping:
            (supply, channel), text = self._tripping.popitem()
            self._bounds[supply, channel].tripped(now_ns())
            self._on_alarm(
                f"{supply} channel {channel}: the guard went away while it cut a trip ({text}); it stays latched, and "
                "there is no record of what was let through"
            )

    def _deliver_one(self, item: Report | str) -> None:
        if isinstance(item, str):
            self._on_alarm(item)
        elif isinstance(item, Answer):
            future = self._waiting.get(item.id)
            if future is not None and not future.done():
                future.set_result(item)
        elif isinstance(item, OutputChanged):
            self._deliver_output(item)
        elif isinstance(item, Tripping):
            self._tripping[item.supply, item.channel] = item.text
            self._latched.add((item.supply, item.channel))
        else:
            if isinstance(item, Tripped):
                self._tripping.pop((item.supply, item.channel), None)
                self._latched.add((item.supply, item.channel))
                # Not when it arrived here: the guard's own pause, which the page counts down, would then end earlier.
                self._bounds[item.supply, item.channel].tripped(item.off_confirmed_ns or item.off_sent_ns)
            if isinstance(item, LinkChanged):
                self._links_awaited.discard(item.supply)
                if not self._links_awaited:
                    self._links_told.set()
            self._on_report(item)

    def _deliver_output(self, report: OutputChanged) -> None:
        key = (report.supply, report.channel)
        if report.latched:
            self._latched.add(key)
        elif report.reason == "re-armed":
            self._latched.discard(key)
        elif key in self._latched:
            report = msgspec.structs.replace(report, latched=True)
        last = self._outputs.get(key)
        self._outputs[key] = report
        if last is None or msgspec.structs.replace(last, t_ns=report.t_ns) != report:
            self._on_report(report)
