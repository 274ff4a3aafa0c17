"""Quiet hours: outputs that nobody watches go off at their beginning, and none goes on before their end."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from datetime import datetime

from benchd.daemon.core import Core
from benchd.daemon.watch import ChannelWatch
from benchd.guard.client import GuardRefused
from benchd.plans.quiet import ends, is_quiet, parse_hours

LOOK_S = 1.0


def local_time() -> datetime:
    """Of the clock on the wall, with its zone."""
    return datetime.now().astimezone()


def quiet_refusal(hours: str, now: datetime) -> str:
    """Why nothing is switched on now, and when it may be; empty where it may. `hours`: as in the settings."""
    parsed = parse_hours(hours)
    if parsed is None or not is_quiet(parsed, now):
        return ""
    return (
        f"it is {now:%H:%M} and quiet hours are {hours}: nothing is switched on before {ends(parsed, now):%H:%M} "
        "(guard.quiet_hours in the settings)"
    )


class QuietHours:
    """Looks at the clock and switches off. Not by the edge but as long as it is quiet: a clock may be set meanwhile."""

    def __init__(self, core: Core, clock: Callable[[], datetime]) -> None:
        self._core = core
        self._hours_text = core.settings.guard.quiet_hours
        self._hours = parse_hours(self._hours_text)
        self._clock = clock

    async def keep(self, sleep: Callable[[float], Awaitable[object]] = asyncio.sleep) -> None:
        """Until cancelled."""
        while self._hours is not None:
            await self.look()
            await sleep(LOOK_S)

    async def look(self) -> None:
        """Switch off what is on without being made for it, if it is quiet."""
        if not is_quiet(self._hours, self._clock()):
            return
        for watch in self._core.watches.values():
            plan = watch.power.plan if watch.power is not None else None
            if watch.on and not (plan is not None and plan.soak):
                await self._end(watch)

    async def _end(self, watch: ChannelWatch) -> None:
        where = f"{watch.supply}/{watch.number}"
        guard = self._core.guard
        if guard is None:
            return
        opened = watch.open
        try:
            why = f"quiet hours ({self._hours_text}) have begun"
            await guard.power_off(watch.supply, watch.number, why)
        except GuardRefused as e:
            self._core.alarm(f"{where}: quiet hours ({self._hours_text}) have begun, but it is not off: {e}")
            return
        self._core.enter("quiet-hours", {"hours": self._hours_text}, watch.supply, watch.number, opened)
        self._core.alarm(
            f"{where} was switched off: quiet hours ({self._hours_text}) have begun, and its plan "
            f"{watch.plan!r} is not made to run through them (soak = true)"
        )
