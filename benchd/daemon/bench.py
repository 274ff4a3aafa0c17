"""The bench as people ask for it: what page, command line and MQTT may do. Implements `benchd.web.port.BenchPort`."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import msgspec

from benchd.daemon.core import Core
from benchd.daemon.exporting import Exporting
from benchd.daemon.file_changes import version_of
from benchd.daemon.memory import between
from benchd.daemon.plan_desk import plan_version, plan_view
from benchd.daemon.power import PowerAsk, asked, reduced
from benchd.daemon.power_up import Asked
from benchd.daemon.quiet import local_time, quiet_refusal
from benchd.daemon.watch import ChannelWatch
from benchd.guard.client import GuardClient, GuardRefused
from benchd.plans.shelf import Found, PlanError, values_of
from benchd.settings import Channel, check_plan
from benchd.supplies.clock import now_ns
from benchd.traces.samples import Samples
from benchd.traces.trace import HandKind
from benchd.web.port import BenchView, PlanView, Refused

if TYPE_CHECKING:
    from benchd.daemon.metrics import Metrics


class Bench(Exporting):
    """Checks what is asked, asks guard and log, answers or refuses. Lives in the event loop.

    `clock`: local time, for quiet hours.
    """

    def __init__(self, core: Core, log_path: Path, clock: Callable[[], datetime] = local_time) -> None:
        super().__init__(core, log_path)
        self._clock = clock
        self._metrics: Metrics | None = None

    def view(self) -> BenchView:
        """See `BenchPort.view`."""
        return self._core.view()

    def live(self) -> AsyncIterator[dict[str, Any]]:
        """See `BenchPort.live`."""
        return self._core.live()

    def metrics(self, accept: str) -> tuple[bytes, str]:
        """See `BenchPort.metrics`."""
        from benchd.daemon.metrics import Metrics  # most benches are never asked

        self._metrics = self._metrics or Metrics(self._core)
        return self._metrics.text(accept)

    def _watch(self, supply: str, channel: int) -> ChannelWatch:
        try:
            return self._core.watches[supply, channel]
        except KeyError:
            there = ", ".join(f"{s}/{c}" for s, c in self._core.watches)
            raise Refused(
                "not-found", f"supply {supply!r} channel {channel} is not on this bench; there are: {there}"
            ) from None

    def _channel(self, supply: str, channel: int) -> Channel:
        found = next(s for s in self._core.settings.supply if s.name == supply)
        return next(c for c in found.channel if c.number == channel)

    def _guard(self) -> GuardClient:
        if self._core.guard is None:
            raise Refused("link-down", "the guard is not running yet; wait a moment")
        return self._core.guard

    # ---- power ---------------------------------------------------------------------------------------------------

    async def power_on(
        self,
        supply: str,
        channel: int,
        plan: str | None,
        *,
        voltage_v: float | None = None,
        limit_a: float | None = None,
        by: str = "",
    ) -> None:
        """See `BenchPort.power_on`."""
        watch = self._watch(supply, channel)
        settings = self._channel(supply, channel)
        try:
            # Files are looked at in another thread: a disk may be slow.
            found = await asyncio.to_thread(
                check_plan, self._core.settings, supply, settings, plan, shelf=self._core.plans.shelf
            )
            chosen = reduced(found, voltage_v, limit_a)
        except ValueError as e:
            raise Refused("out-of-range", str(e)) from None
        _in_nobodys_use(watch, "switch it on")
        leads = self._core.leads.of(supply, channel)
        if settings.sense == "remote" and leads is None:
            self._core.alarm(
                f"{supply}/{channel}: its sense leads are switched in, and nobody has checked that they reach their "
                "clips: with an open one it may give more than it is set to. Run the procedure sense-check"
            )
        await self.switch_on(watch, Asked(chosen, "", by, leads), asked(chosen, leads.taken_off_ohm if leads else 0.0))

    async def switch_on(self, watch: ChannelWatch, wanted: Asked, ask: PowerAsk) -> None:
        """Switch on what a plan allows, for a person or for a run of a procedure: never in quiet hours, only once, and
        only with the consent that its supply needs. Raises Refused."""
        supply, channel = watch.supply, watch.number
        if told := quiet_refusal(self._core.settings.guard.quiet_hours, self._clock()):
            raise Refused("wrong-state", f"{supply}/{channel}: {told}")
        if watch.on:
            raise Refused("wrong-state", f"{supply}/{channel} is on already; switch it off first")
        if (supply, channel) in self._core.starting:
            raise Refused("wrong-state", f"{supply}/{channel} is being switched on already; wait for the outcome")
        self._core.starting.add((supply, channel))
        try:
            await self._switch_on(watch, wanted._replace(board=await self._board()), ask)
        finally:
            self._core.starting.discard((supply, channel))

    async def _switch_on(self, watch: ChannelWatch, wanted: Asked, ask: PowerAsk) -> None:
        before = watch.plan, watch.asked
        watch.plan, watch.asked = wanted.plan.name, wanted
        try:
            await self._guard().power_on(
                watch.supply,
                watch.number,
                ask.voltage_v,
                ask.limit_a,
                ask.rules,
                self._core.meetings.given(watch.supply),
                before=ask.before,
                over_current_delay_s=ask.over_current_delay_s,
                most_voltage_v=ask.most_voltage_v,
                most_limit_a=ask.most_limit_a,
                most_before_v=ask.most_before_v,
                sense=ask.sense or self._channel(watch.supply, watch.number).sense or "",
            )
        except GuardRefused as e:
            watch.plan, watch.asked = before
            raise Refused(e.code or "wrong-state", str(e)) from None

    async def _board(self) -> str:
        """The kind of board on the bench; empty where that is not known."""
        if (on_bench := self._core.job) is None:
            return ""
        with contextlib.suppress(Refused):  # a log that is down does not keep a board from being powered
            job = await self.read(lambda db: db.job(on_bench))
            return job.board if job else ""
        return ""

    async def advance(self, supply: str, channel: int, by: str = "") -> None:
        """See `BenchPort.advance`."""
        watch = self._watch(supply, channel)
        _in_nobodys_use(watch, "go on with its power-on")
        try:
            await self._guard().advance(supply, channel)
        except GuardRefused as e:
            raise Refused("wrong-state", str(e)) from None
        self._core.enter("advance", {"by": by}, supply, channel, watch.open)

    async def consent(self, supply: str, key: str, who: str) -> None:
        """See `BenchPort.consent`."""
        self._watch(supply, next((c for s, c in self._core.watches if s == supply), 1))
        met = self._core.meetings.of(supply)
        if met is None:
            raise Refused(
                "link-down", f"supply {supply} has not been reached yet: it has to be met before it can be consented to"
            )
        if not met.consent:
            raise Refused("wrong-state", f"supply {supply}: profile {met.profile} is {met.trust}; it needs no consent")
        if key != met.consent:
            raise Refused(
                "wrong-state",
                f"supply {supply}: what was consented to is not what is there now ({met.maker} {met.model} by profile "
                f"{met.profile}); read it again and decide again",
            )
        if self._core.meetings.needed(supply):
            self._core.accept(supply, who)

    async def power_off(self, supply: str | None, channel: int | None) -> None:
        """See `BenchPort.power_off`."""
        if supply is not None and channel is not None:
            self._watch(supply, channel)
        for (name, number), watch in self._core.watches.items():
            if watch.tap is not None and supply in (None, name) and channel in (None, number):
                watch.tap.off_asked()
        try:
            await self._guard().power_off(supply, channel)
        except GuardRefused as e:
            raise Refused("wrong-state", str(e)) from None

    async def rearm(self, supply: str, channel: int, by: str = "") -> None:
        """See `BenchPort.rearm`."""
        watch = self._watch(supply, channel)
        trip = watch.trip or {}
        try:
            await self._guard().rearm(supply, channel)
        except GuardRefused as e:
            raise Refused("wrong-state", str(e)) from None
        after = {"by": by, "rule": trip.get("rule"), "trip": trip.get("number")}
        self._core.enter("re-arm", after, supply, channel, None)

    # ---- plans ---------------------------------------------------------------------------------------------------

    def plans(self) -> list[PlanView]:
        """See `BenchPort.plans`."""
        return self._core.plans.views()

    async def save_plan(self, name: str, values: dict[str, Any], *, seen: str | None = None, by: str = "") -> PlanView:
        """See `BenchPort.save_plan`."""
        shelf = self._core.plans.shelf
        before = await asyncio.to_thread(shelf.find, name)
        _not_stale(name, before, seen)
        try:
            found = await asyncio.to_thread(shelf.save, name, values)
        except PlanError as e:
            raise Refused("out-of-range", _told(e)) from None
        await self.plan_changed(name, before, by)
        return plan_view(found)

    async def delete_plan(self, name: str, *, seen: str | None = None, by: str = "") -> None:
        """See `BenchPort.delete_plan`."""
        shelf = self._core.plans.shelf
        before = await asyncio.to_thread(shelf.find, name)
        if before is not None:  # else it is told that there is none
            _not_stale(name, before, seen)
        try:
            await asyncio.to_thread(shelf.delete, name)
        except PlanError as e:
            raise Refused("wrong-state" if before else "not-found", f"plan {name!r}: {_told(e)}") from None
        await self.plan_changed(name, before, by)

    async def plan_changed(self, name: str, before: Found | None, by: str) -> None:
        """A plan's file was written or deleted; `before`: the plan of that name that was used until then."""
        self._core.plans.changed()
        shelf = self._core.plans.shelf
        after = await asyncio.to_thread(shelf.find, name)
        version = ""
        if after is not None and after.origin == "own":
            with contextlib.suppress(PlanError):  # somebody was quicker, and it is gone again
                version = version_of(await asyncio.to_thread(shelf.text, name))
        old, new = ({} if found is None else values_of(found.plan) for found in (before, after))
        self._core.enter(
            "plan",
            {
                "name": name,
                "origin_before": before.origin if before else None,
                "origin": after.origin if after else None,
                "changed": sorted(key for key in old.keys() | new.keys() if old.get(key) != new.get(key)),
                "before": old or None,
                "after": new or None,
                "version": version,
                "by": by,
            },
        )
        self._core.event("plan", {"name": name})

    # ---- moments -------------------------------------------------------------------------------------------------

    async def mark(self, supply: str, channel: int, kind: str) -> None:
        """See `BenchPort.mark`."""
        watch = self._watch(supply, channel)
        if kind not in (kinds := get_args(HandKind)):
            raise Refused("out-of-range", f"mark {kind!r}: allowed are {', '.join(kinds)}")
        if not watch.on:
            raise Refused("wrong-state", f"{supply}/{channel} is {watch.output}: a mark belongs to a running trace")
        watch.mark(kind, now_ns())  # type: ignore[arg-type]
        self._core.state_changed(watch)

    async def recent(self, supply: str, channel: int, seconds: float) -> Samples:
        """See `BenchPort.recent`."""
        now = now_ns()
        parts = self._watch(supply, channel).memory.parts()
        return await asyncio.to_thread(between, parts, now - round(seconds * 1e9), now + 10**10)


def _in_nobodys_use(watch: ChannelWatch, what: str) -> None:
    """Raises Refused where a run of a procedure has the output."""
    if (tap := watch.tap) is None:
        return
    raise Refused(
        "wrong-state",
        f"{watch.supply}/{watch.number}: to {what} was asked for, but {tap.title} (run {tap.run}) uses it: wait for "
        "its end, or stop it; switching off works always and ends the run",
    )


def _not_stale(name: str, present: Found | None, seen: str | None) -> None:
    """Raises Refused where a plan is not as it was seen; `seen`: the version that was read, None: any."""
    if seen is not None and seen != (plan_version(present) if present else ""):
        told = f"plan {name} was changed meanwhile: look at it as it is now"
        raise Refused("stale", told, msgspec.to_builtins(plan_view(present)) if present else None)


def _told(error: PlanError) -> str:
    """One sentence a fault, each beginning with its key; where the file lies is nothing that a page needs."""
    return "\n".join(fault.text for fault in error.faults)
