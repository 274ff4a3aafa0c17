"""One run that goes on: its engine, its outputs, and how it is ended. Whatever happens, its outputs are off then."""

from __future__ import annotations

import asyncio
import functools
import logging
from collections.abc import Awaitable, Callable

import msgspec

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.procedure_hands import ProcedureHands, SideInUse
from benchd.guard.client import GuardRefused
from benchd.procedures.hands import Cut
from benchd.procedures.record import Run
from benchd.supplies.clock import now_ns
from benchd.web.procedure_port import ProcedureView

log = logging.getLogger("benchd")

FILED_WITHIN_S = 5.0

Engine = Callable[[ProcedureHands], Awaitable[Run]]
Keeper = Callable[[Run, "dict[str, object] | None"], None]


class Running:
    """Lives in the event loop. The outputs are its own from here on: `sides` have their taps in place.

    `engine`: runs the card with the hands that it is given. `over`: gets the run when its outputs are looked after.
    """

    def __init__(
        self,
        core: Core,
        bench: Bench,
        run: Run,
        sides: dict[str, SideInUse],
        keeper: Keeper,
        engine: Engine,
        over: Callable[[Run], Awaitable[None]],
        live: bool,
    ) -> None:
        self._core = core
        self._sides = sides
        self._engine = engine
        self._over = over
        self._live = live
        self.hands = ProcedureHands(core, bench, run, sides, keeper)
        for role, side in sides.items():
            side.tap.cut = self.hands.cut
            side.tap.on_filed = functools.partial(self.hands.filed, role)
            side.watch.tap = side.tap
            core.state_changed(side.watch)
        self.task = asyncio.get_running_loop().create_task(self._go(), name=f"run {run.id}")

    @property
    def run(self) -> Run:
        """As it stands."""
        return self.hands.run

    def uses(self, supply: str, channel: int) -> bool:
        """Whether it has this output."""
        return any((s.watch.supply, s.watch.number) == (supply, channel) for s in self._sides.values())

    async def stop(self, cut: Cut) -> None:
        """End it, and wait until its outputs are looked after and it is kept."""
        self.hands.cut(cut)
        await asyncio.wait({self.task})

    async def _go(self) -> None:
        try:
            run = await self._carried_out()
        finally:
            await asyncio.shield(self._made_safe())
            for side in self._sides.values():
                side.watch.tap = None
                self._core.state_changed(side.watch)
        await self._over(run)

    async def _carried_out(self) -> Run:
        try:
            run = self.hands.illustrated(await self._engine(self.hands))
        except Cut as cut:
            run = msgspec.structs.replace(self.run, outcome=cut.outcome, text=cut.text)
        except Exception as e:  # its outputs are the daemon's to look after, whatever the engine did
            log.exception("run %s", self.run.id)
            text = f"it ended by a fault of benchd: {e!r}"
            run = msgspec.structs.replace(self.run, outcome="interrupted", text=text)
            self._core.alarm(f"{run.title} (run {run.id}): {text}")
        if any(side.tap.traces for side in self._sides.values()):
            await self._core.all_filed(FILED_WITHIN_S)
            run = msgspec.structs.replace(run, traces=tuple(self.hands.trace_ids()))
        return run if run.ended_ns is not None else msgspec.structs.replace(run, ended_ns=now_ns())

    async def _made_safe(self) -> None:
        """What the engine should have switched off, and has not."""
        for side in self._sides.values():
            side.tap.held = False
            if not side.maybe_on or side.read_off:
                continue
            try:
                if self._core.guard is None:
                    raise GuardRefused("the guard is not running")
                await self._core.guard.power_off(side.watch.supply, side.watch.number)
            except GuardRefused as e:
                self._core.alarm(
                    f"{side.place}: {self.run.title} has ended, but its output is not known to be off: {e}"
                )

    def view(self) -> ProcedureView:
        """How it stands, for pages."""
        run, hands, progress = self.run, self.hands, self.hands.progress
        shown = ProcedureView(
            run.id, run.card, run.title, run.job, list(run.sides), run.plan, run.began_ns,
            max(0.0, (now_ns() - run.began_ns) / 1e9), 0, 0, "", live=self._live, ending=hands.ending is not None,
        )  # fmt: skip
        shown.question = hands.question
        if progress is not None:
            shown.step, shown.steps, shown.doing = progress.step, progress.steps, progress.title
            shown.share, shown.told = progress.share, progress.told
        return shown
