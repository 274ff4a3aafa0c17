"""Procedures as people ask for them: cards, checks, runs and what is said to them, leads.

One run uses an output at a time. Its engine is a task of the event loop; the guard knows nothing of runs.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import logging
import time
from concurrent.futures import Future
from typing import Any

import msgspec

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.procedure_course import course
from benchd.daemon.procedure_hands import ProcedureHands, SideInUse
from benchd.daemon.procedure_restart import end_left, left_of, may_resume, wrapped
from benchd.daemon.procedure_running import Running
from benchd.daemon.procedure_views import card_view, checked_view, lead_view, new_id, placed, stopped
from benchd.daemon.tap import Tap
from benchd.plans.plan import Plan
from benchd.procedures.card import Card, Watch
from benchd.procedures.check import Output, check
from benchd.procedures.comparing import compared
from benchd.procedures.engine import RunAsked, run
from benchd.procedures.hands import Cut
from benchd.procedures.record import Curve, LeadSet, Run, Side, Value, comparable
from benchd.procedures.shelf import FOLDER, procedure_folder
from benchd.settings import Channel, check_plan
from benchd.store import lead_rows, procedure_rows
from benchd.store.log import Log
from benchd.supplies.clock import now_ns
from benchd.toml_folder import Kept
from benchd.web.port import Refused
from benchd.web.procedure_port import (
    Leads,
    ProcedureCard,
    ProcedureChecked,
    Procedures,
    ProcedureView,
    RunAsk,
    RunBeside,
    RunBins,
    RunRow,
    RunView,
    SideChosen,
    row_of,
)

log = logging.getLogger("benchd")

END_WITHIN_S = 5.0
"""For runs to end when benchd does: their outputs are off by then, and a log that is down may stay so for days."""


class ProcedureDesk:
    """Implements `benchd.web.procedure_port.ProcedurePort`. Lives in the event loop."""

    def __init__(self, core: Core, bench: Bench) -> None:
        self._core = core
        self._bench = bench
        self.folder = procedure_folder(core.settings.data_path / FOLDER)
        self.book = core.leads
        self._running: dict[str, Running] = {}
        core.procedures = self.views
        self._starting = asyncio.get_running_loop().create_task(self._started(), name="runs of an earlier daemon")

    def views(self) -> list[ProcedureView]:
        """Runs that go on, the oldest first."""
        return [each.view() for each in self._running.values()]

    async def _started(self) -> None:
        """Leads as they were measured last; runs that an earlier daemon left are told as what they are."""
        with contextlib.suppress(Refused):
            for leads in await self._bench.read(lead_rows.newest):
                self.book.take(leads)
            for left in await self._bench.write(lambda db: end_left(db, now_ns(), frozenset(self._running))):
                self._core.alarm(f"{left.title} (run {left.id}) was interrupted: {left.text}")

    def ending(self) -> None:
        """The daemon ends: no run asks for anything any more."""
        for each in self._running.values():
            each.hands.cut(Cut("interrupted", "benchd was ended"))

    async def close(self) -> None:
        """Wait until the runs are kept. For after the outputs are off."""
        self.ending()
        self._starting.cancel()
        tasks = [each.task for each in self._running.values()]
        if tasks:
            _, late = await asyncio.wait(tasks, timeout=END_WITHIN_S)
            for task in late:
                task.cancel()

    # ---- cards ---------------------------------------------------------------------------------------------------

    async def procedures(self) -> Procedures:
        """See `ProcedurePort`."""
        found = await asyncio.to_thread(self.folder.read)
        return Procedures([card_view(each) for each in found.found], list(found.faults))

    async def procedure(self, name: str) -> ProcedureCard:
        """See `ProcedurePort`."""
        return card_view(await self._card(name))

    async def _card(self, name: str) -> Kept[Card]:
        found = await asyncio.to_thread(self.folder.read)
        if (kept := found.find(name)) is None:
            raise Refused("not-found", f"procedure {name!r} is not there; there are: {', '.join(found.names)}")
        return kept

    # ---- before a run --------------------------------------------------------------------------------------------

    async def check_run(self, ask: RunAsk) -> ProcedureChecked:
        """See `ProcedurePort`."""
        card = (await self._card(ask.card)).card
        try:
            outputs = await self._outputs(card, ask.sides)
        except Refused as e:
            if e.code == "not-found":
                raise
            return ProcedureChecked(e.message.splitlines(), [], None, list(card.cautions), {})
        return checked_view(ask.sides, outputs, check(card, ask.parameters, outputs))

    async def _outputs(self, card: Card, sides: tuple[SideChosen, ...]) -> dict[str, Output]:
        """What each side may have. Raises Refused."""
        found: dict[str, Output] = {}
        for side in sides:
            if side.role in found:
                raise Refused("out-of-range", f"side {side.role}: stands twice; each side takes one output")
            if any((each.supply, each.channel) == (side.supply, side.channel) for each in sides if each is not side):
                raise Refused("out-of-range", f"{side.supply}/{side.channel}: each side takes an output of its own")
            channel = self._channel(side)
            wanted = card.sides[side.role].plan if side.role in card.sides else ""
            plan = await self._plan(side, channel, side.plan or wanted or card.plan or None)
            identity = self._core.watches[side.supply, side.channel].identity
            # Where the settings leave sensing as it is, nothing here switches it: the next power-on would find it so.
            senses = channel.sense is not None and self._core.senses(side.supply, identity, side.channel)
            found[side.role] = Output(plan, channel.max_voltage_v, channel.max_limit_a, senses)
        return found

    def _channel(self, side: SideChosen) -> Channel:
        for supply in self._core.settings.supply:
            for channel in supply.channel:
                if (supply.name, channel.number) == (side.supply, side.channel):
                    return channel
        there = ", ".join(f"{s}/{c}" for s, c in self._core.watches)
        raise Refused("not-found", f"{side.supply}/{side.channel} is not on this bench; there are: {there}")

    async def _plan(self, side: SideChosen, channel: Channel, name: str | None) -> Plan:
        try:
            return await asyncio.to_thread(
                check_plan, self._core.settings, side.supply, channel, name, self._core.plans.shelf
            )
        except ValueError as e:
            raise Refused("out-of-range", str(e)) from None

    # ---- runs ----------------------------------------------------------------------------------------------------

    async def begin(self, ask: RunAsk) -> ProcedureView:
        """See `ProcedurePort`."""
        card = (await self._card(ask.card)).card
        outputs = await self._outputs(card, ask.sides)
        checked = check(card, ask.parameters, outputs)
        if checked.faults:
            raise Refused("out-of-range", "\n".join(checked.faults))
        if card.cautions and not ask.accepted:
            told = f"procedure {card.name}: its cautions were not accepted (accept_cautions): read them first"
            raise Refused("cautions", told, list(card.cautions))
        job = self._core.job
        reference = await self._reference(card, job)
        await asyncio.wait({self._starting})  # what an earlier daemon left is told apart by then
        self._free(ask.sides)
        sides = tuple(Side(each.role, each.supply, each.channel) for each in ask.sides)
        record = Run(
            new_id(), card.name, card.version, card.title, job, now_ns(), sides,
            next(iter(outputs.values())).plan.name, checked.parameters, ask.by, cautions=tuple(card.cautions),
        )  # fmt: skip
        return self._begun(card, record, outputs, reference).view()

    async def _reference(self, card: Card, job: str | None) -> dict[str, tuple[Curve, ...]]:
        if job is None:
            return {}

        def look(db: Log) -> dict[str, tuple[Curve, ...]]:
            known = db.job(job)
            return procedure_rows.reference_curves(db, card.name, known.board if known else "")

        with contextlib.suppress(Refused):  # a log that is down keeps nobody from measuring
            return await self._bench.read(look)
        return {}

    def _free(self, sides: tuple[SideChosen, ...]) -> None:
        """Raises Refused where an output is in use, on, or not to be used."""
        for side in sides:
            watch = self._core.watches[side.supply, side.channel]
            place = f"{side.supply}/{side.channel}"
            if watch.tap is not None:
                using = (each for each in self._running.values() if each.uses(side.supply, side.channel))
                present = next((each.view() for each in using), None)
                told = f"{place}: {watch.tap.title} (run {watch.tap.run}) uses it: wait for its end, or stop it"
                raise Refused("wrong-state", told, msgspec.to_builtins(present))
            if watch.on or (side.supply, side.channel) in self._core.starting:
                raise Refused("wrong-state", f"{place} is on: switch it off first; a procedure begins with it off")
            if watch.latched:
                raise Refused("wrong-state", f"{place} has tripped: find the cause, then re-arm")

    def _begun(
        self,
        card: Card,
        record: Run,
        outputs: dict[str, Output],
        reference: dict[str, tuple[Curve, ...]],
        state: dict[str, object] | None = None,
    ) -> Running:
        """`state`: of the live measurement of an interrupted run, which goes on."""
        taps = {
            side.role: Tap(f"{side.supply}/{side.channel}", record.id, record.title, record.job, card.traces)
            for side in record.sides
        }
        uses = {
            side.role: SideInUse(
                side.role,
                self._core.watches[side.supply, side.channel],
                outputs[side.role].plan,
                taps[side.role],
                self.book.of(side.supply, side.channel),
            )
            for side in record.sides
        }
        asked = RunAsked(record.id, record.job, record.sides, outputs, record.parameters, record.by, reference)
        if state is not None:
            gap = (record.ended_ns or record.began_ns, now_ns())
            asked = dataclasses.replace(asked, earlier=record, state=state, gap=gap)
        plans = {role: output.plan.name for role, output in outputs.items()}

        def keep(kept: Run, live_state: dict[str, object] | None) -> None:
            resumable = live_state is not None and card.resumes
            self._keep(kept, wrapped(live_state or {}, plans) if resumable else None)

        async def engine(hands: ProcedureHands) -> Run:
            finished = await run(card, asked, hands)
            for leads in finished.leads:
                try:
                    await self._take_leads(placed(leads, finished.run))
                except Refused as e:
                    self._core.alarm(f"what the leads have holds until benchd ends, and is not in the log: {e.message}")
            return finished.run

        live = any(isinstance(step, Watch) for _, _, step in card.steps())
        running = Running(self._core, self._bench, record, uses, keep, engine, self._over, live)
        self._running[record.id] = running
        self._core.event("procedure", {"run": record.id, "card": record.card, "title": record.title, "what": "began"})
        return running

    def _keep(self, run: Run, state: dict[str, object] | None) -> None:
        """How a run stands, into the log, without being waited for."""
        if run.outcome != "running":
            return  # its end is written with the entry of the journal

        def done(future: Future[None]) -> None:
            if not future.cancelled() and (error := future.exception()) is not None:
                log.error("the log did not take run %s: %s", run.id, error)

        self._core.writer.submit(lambda db: procedure_rows.keep_run(db, run, state)).add_done_callback(done)

    async def _over(self, run: Run) -> None:
        """It has ended, and its outputs are looked after."""
        try:
            with contextlib.suppress(Refused):
                earlier = await self._bench.read(lambda db: procedure_rows.earlier_run(db, run))
                if earlier is not None and run.outcome in ("passed", "failed", "done", "unclear"):
                    run = msgspec.structs.replace(run, earlier=earlier.id, compared=compared(earlier, run))
            await asyncio.wrap_future(self._core.writer.submit(lambda db: procedure_rows.end_run(db, run)))
        except Exception:
            log.exception("the log did not take the end of run %s", run.id)
            self._core.alarm(f"{run.title} (run {run.id}) has ended ({run.outcome}), and the log did not take it")
        finally:
            self._running.pop(run.id, None)
            told: dict[str, Any] = {"run": run.id, "card": run.card, "title": run.title, "what": "ended"}
            self._core.event("procedure", told | {"outcome": run.outcome, "text": run.text})
            self._core.event("journal", {"job": run.job})

    async def runs(self, job: str | None, card: str | None, limit: int) -> list[RunRow]:
        """See `ProcedurePort`."""
        found = await self._bench.read(
            lambda db: [(each, may_resume(db, each)) for each in procedure_rows.runs(db, job, card, limit)]
        )
        return [
            row_of(self._running[each.id].run, False) if each.id in self._running else row_of(each, resumable)
            for each, resumable in found
        ]

    async def run(self, id: str) -> RunView:
        """See `ProcedurePort`."""
        if (running := self._running.get(id)) is not None:
            return RunView(running.run, running.view())

        def look(db: Log) -> RunView | None:
            found = procedure_rows.run_of(db, id)
            if found is None:
                return None
            good = [
                RunBeside(run.id, run.job, run.began_ns, list(run.curves)) for run in procedure_rows.beside(db, found)
            ]
            return RunView(found, None, may_resume(db, found), procedure_rows.reference_of(db, id), good)

        if (view := await self._bench.read(look)) is None:
            raise Refused("not-found", f"run {id!r} is not in the log")
        return view

    async def bins(self, id: str, role: str, columns: int) -> RunBins:
        """See `ProcedurePort`."""
        run = (await self.run(id)).run
        return await self._bench.read(lambda db: course(db, run, role, columns, now_ns()))

    # ---- what is said to a run -----------------------------------------------------------------------------------

    def _going_on(self, id: str) -> Running:
        running = self._running.get(id)
        if running is None:
            raise Refused("wrong-state", f"run {id!r} does not go on (any more)")
        return running

    async def answer(self, id: str, name: str, value: Value, by: str = "") -> ProcedureView:
        """See `ProcedurePort`."""
        running = self._going_on(id)
        running.hands.answer(name, value)
        return running.view()

    async def point(self, id: str, text: str, photo: str, by: str = "") -> ProcedureView:
        """See `ProcedurePort`."""
        running = self._going_on(id)
        running.hands.command("point", text, photo)
        return running.view()

    async def done(self, id: str, by: str = "") -> ProcedureView:
        """See `ProcedurePort`."""
        running = self._going_on(id)
        running.hands.command("done")
        return running.view()

    async def stop(self, id: str, by: str = "") -> RunView:
        """See `ProcedurePort`."""
        if (running := self._running.get(id)) is not None:
            await running.stop(Cut("stopped", stopped(by)))
        return await self.run(id)

    async def resume(self, id: str, accepted: bool, by: str = "") -> ProcedureView:
        """See `ProcedurePort`."""
        record = (await self.run(id)).run
        card = (await self._card(record.card)).card
        left = await self._bench.read(lambda db: left_of(db, record, card, self._core.job))
        if card.cautions and not accepted:
            told = f"procedure {card.name}: its cautions were not accepted (accept_cautions): read them first"
            raise Refused("cautions", told, list(card.cautions))
        sides = tuple(SideChosen(s.role, s.supply, s.channel, left.plans.get(s.role)) for s in record.sides)
        outputs = await self._outputs(card, sides)
        reference = await self._reference(card, record.job)
        if id in self._running:
            raise Refused("wrong-state", f"run {id} ({record.title}) goes on already")
        self._free(sides)
        return self._begun(card, record, outputs, reference, left.state).view()

    async def make_reference(self, id: str, board: str, note: str, by: str = "") -> RunView:
        """See `ProcedurePort`."""
        found = (await self.run(id)).run
        if found.outcome not in ("passed", "failed", "done", "unclear") or not any(map(comparable, found.curves)):
            told = f"run {id} ({found.title}) has no curve over a voltage or the like of a run that came to its end"
            raise Refused("wrong-state", told)
        known = None if found.job is None else await self._bench.read(lambda db: db.job(str(found.job)))
        board = board or (known.board if known is not None else "")
        if not board:
            raise Refused("out-of-range", f"run {id}: say for which kind of board; its job has none")
        await self._bench.write(lambda db: procedure_rows.set_reference(db, id, board, note, by))
        self._core.event("journal", {"job": found.job})
        return await self.run(id)

    # ---- leads ---------------------------------------------------------------------------------------------------

    async def leads(self) -> Leads:
        """See `ProcedurePort`."""
        now = time.time_ns()
        shown = [lead_view(supply, channel, self.book, now) for supply, channel in self._core.watches]
        return Leads(shown, await self._bench.read(lead_rows.leads))

    async def type_leads(self, leads: LeadSet) -> Leads:
        """See `ProcedurePort`."""
        if (leads.supply, leads.channel) not in self._core.watches:
            raise Refused("not-found", f"{leads.supply}/{leads.channel} is not on this bench")
        wired = self.book.wired(leads.supply, leads.channel)
        await self._take_leads(msgspec.structs.replace(leads, sense=wired))
        return await self.leads()

    async def put_on_leads(self, supply: str, channel: int, name: str, by: str = "") -> Leads:
        """See `ProcedurePort`."""
        if (supply, channel) not in self._core.watches:
            raise Refused("not-found", f"{supply}/{channel} is not on this bench")
        wired = self.book.wired(supply, channel)
        found = await self._bench.read(lambda db: lead_rows.lead_of(db, supply, channel, name, wired))
        if found is None:
            called = f"leads {name!r}" if name else "the usual leads"
            raise Refused("not-found", f"{supply}/{channel}: {called} were never measured there, nor typed in")
        await self._take_leads(msgspec.structs.replace(found, chosen_ns=now_ns(), by=by))
        return await self.leads()

    async def _take_leads(self, leads: LeadSet) -> None:
        self.book.take(leads)
        await self._bench.write(lambda db: lead_rows.add_leads(db, leads))
        self._core.event("journal", {"job": None})
