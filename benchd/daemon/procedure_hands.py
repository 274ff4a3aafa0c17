"""What a run does things with, in earnest: the guard, readings as they come in, the operator, the log.

A run ends by the first `Cut`: a trip, an output that goes off whoever did it, a lost link, a person who stops it, the
daemon that ends. From then on whatever the engine asks for raises it again, and only `off` still works.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
from collections.abc import AsyncIterator, Callable
from typing import Any, TypeVar

import msgspec

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.memory import between
from benchd.daemon.power import within
from benchd.daemon.power_up import Asked
from benchd.daemon.procedure_traces import seen
from benchd.daemon.tap import Tap
from benchd.daemon.watch import ChannelWatch
from benchd.guard.client import GuardClient, GuardRefused
from benchd.plans.plan import Plan
from benchd.procedures.hands import Bounds, Cut, Progress, Question
from benchd.procedures.record import Happened, LeadSet, Run, Value
from benchd.procedures.taken import TraceSeen
from benchd.reading import OutputState
from benchd.store.log import TraceRow
from benchd.supplies.clock import now_ns
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions
from benchd.web.port import Refused

T = TypeVar("T")

ASK_WITHIN_S = 600.0
"""For an answer where the card does not say. Our choice: who has not come back by then is away."""
TOLD_EVERY_S = 0.1
"""So often at most is what is measured told to the pages. Our choice: an ear follows ten changes a second."""
KEPT_EVERY_S = 1.0
"""So often at most is a run written for what was measured. Our choice: a kill costs a second of it, and no reading."""
FILED_WITHIN_S = 2.0
MOST_COMMANDS = 1000


@dataclasses.dataclass(slots=True)
class SideInUse:
    """One output in its role."""

    role: str
    watch: ChannelWatch
    plan: Plan
    tap: Tap
    leads: LeadSet | None
    bounds: Bounds | None = None
    maybe_on: bool = False
    """It was asked on, and has not been confirmed off since."""
    asked_ns: int = 0
    """When it was asked on last."""

    @property
    def read_off(self) -> bool:
        """Whether it was read back as off since it was asked on. What was known before that proves nothing."""
        return self.watch.output is OutputState.OFF and self.watch.changed_ns > self.asked_ns

    @property
    def place(self) -> str:
        """For people."""
        return f"{self.watch.supply}/{self.watch.number}"


class ProcedureHands:
    """Implements `procedures.hands.Hands` for one run. Lives in the event loop.

    `keeper`: writes the run (and a live measurement's state) into the log, without being waited for.
    """

    def __init__(
        self,
        core: Core,
        bench: Bench,
        run: Run,
        sides: dict[str, SideInUse],
        keeper: Callable[[Run, dict[str, object] | None], None],
    ) -> None:
        self._core = core
        self._bench = bench
        self._sides = sides
        self._keeper = keeper
        self.run = run
        """As it was kept last, and what has happened since."""
        self.progress: Progress | None = None
        self.question: Question | None = None
        self._answered: asyncio.Future[Value] | None = None
        self._commands: list[tuple[str, str]] = []
        self._photos: list[str] = []
        self._with_photo: dict[tuple[int, str], str] = {}
        self._cut: Cut | None = None
        self._over = asyncio.Event()
        self._told_s = self._kept_s = 0.0
        self._rows: list[tuple[str, TraceRow]] = []
        self._trace_ids: list[str] = []
        self._traces: list[TraceSeen] = []

    # ---- what ends it --------------------------------------------------------------------------------------------

    def cut(self, cut: Cut) -> None:
        """It cannot go on. The first reason counts."""
        if self._cut is not None:
            return
        self._cut = cut
        self._over.set()
        for side in self._sides.values():
            side.tap.wake()
        self._core.tell_soon()

    @property
    def ending(self) -> Cut | None:
        """Why it cannot go on; None: it can."""
        return self._cut

    def check(self) -> None:
        """Raises Cut where it cannot go on."""
        if self._cut is not None:
            raise Cut(self._cut.outcome, self._cut.text)

    # ---- power ---------------------------------------------------------------------------------------------------

    def now_ns(self) -> int:
        """See `Hands`."""
        return now_ns()

    def conditions(self, side: str) -> Conditions:
        """See `Hands`."""
        return self._sides[side].watch.conditions

    def leads(self, side: str) -> LeadSet | None:
        """See `Hands`."""
        return self._sides[side].leads

    def _guard(self) -> GuardClient:
        if self._core.guard is None:
            raise Cut("interrupted", "the guard is not running")
        return self._core.guard

    async def on(self, side: str, voltage_v: float, limit_a: float, bounds: Bounds) -> None:
        """See `Hands`."""
        self.check()
        use = self._sides[side]
        lead_ohm = use.leads.taken_off_ohm if use.leads is not None else 0.0
        try:
            first = all(side.bounds is None for side in self._sides.values())
            ask = within(use.plan, voltage_v, limit_a, bounds, lead_ohm, first)
        except ValueError as e:
            raise Cut("refused", f"{use.place}: {e}") from None
        use.bounds, use.maybe_on, use.tap.held, use.asked_ns = bounds, True, True, now_ns()
        try:
            wanted = Asked(use.plan, "", f"run {self.run.id}", use.leads)
            await self._bench.switch_on(use.watch, wanted, ask)
        except Refused as e:
            use.tap.held = False
            self.check()
            raise Cut("refused", e.message) from None
        await self._in_boot(use)
        use.tap.from_now(use.watch.changed_ns)

    async def _in_boot(self, use: SideInUse) -> None:
        while use.watch.power is not None and use.watch.power.stage not in ("", "boot"):
            self.check()
            await use.tap.changed()
        self.check()

    async def change(self, side: str, voltage_v: float, limit_a: float) -> None:
        """See `Hands`."""
        self.check()
        use = self._sides[side]
        bounds = use.bounds
        if bounds is None or not (0 < voltage_v <= bounds.voltage_v and 0 < limit_a <= bounds.limit_a):
            most = f"up to {bounds.voltage_v:g} V and {bounds.limit_a:g} A" if bounds else "nothing, since it is off"
            raise Cut("refused", f"{use.place}: {voltage_v:g} V at {limit_a:g} A was asked for; allowed is {most}")
        try:
            await self._guard().adjust(use.watch.supply, use.watch.number, voltage_v, limit_a)
        except GuardRefused as e:
            self.check()
            raise Cut("refused", str(e)) from None
        self.check()
        use.tap.from_now(now_ns())

    async def off(self, side: str) -> None:
        """See `Hands`. Works after a cut, too."""
        use = self._sides[side]
        use.tap.held = False
        try:
            await self._guard().power_off(use.watch.supply, use.watch.number)
        except GuardRefused as e:
            if not use.read_off:  # else somebody was quicker, such as a daemon that ends
                raise Cut("interrupted", str(e)) from None
        use.maybe_on = False
        if use.tap.traces and self._cut is None:
            await self._core.all_filed(FILED_WITHIN_S)
            await self._look_at_traces()

    # ---- readings ------------------------------------------------------------------------------------------------

    def readings(self, side: str) -> AsyncIterator[Samples]:
        """See `Hands`."""
        return self._sides[side].tap.readings(now_ns(), self.check)

    async def sleep(self, seconds: float) -> None:
        """See `Hands`."""
        self.check()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._over.wait(), seconds)
        self.check()

    def filed(self, side: str, row: TraceRow) -> None:
        """A power-up of one of its outputs is in the log."""
        self._rows.append((side, row))
        self._trace_ids.append(row.id)

    def trace_ids(self) -> list[str]:
        """Ids of the power-ups that were filed."""
        return sorted(self._trace_ids)

    async def _look_at_traces(self) -> None:
        while self._rows:
            side, row = self._rows.pop(0)
            parts = self._sides[side].watch.memory.parts()

            def look(row: TraceRow = row, parts: tuple[Samples, ...] = parts, side: str = side) -> TraceSeen:
                return seen(row, between(parts, row.start_ns, row.end_ns + 1), side)

            self._traces.append(await asyncio.to_thread(look))

    def traces(self) -> list[TraceSeen]:
        """See `Hands`."""
        return sorted(self._traces, key=lambda each: each.start_ns)

    # ---- the operator --------------------------------------------------------------------------------------------

    async def ask(self, question: Question) -> Value:
        """See `Hands`."""
        self.check()
        until_ns = question.until_ns or now_ns() + round(ASK_WITHIN_S * 1e9)
        self.question = question = msgspec.structs.replace(question, until_ns=until_ns)
        self._answered = answered = asyncio.get_running_loop().create_future()
        over = asyncio.ensure_future(self._over.wait())
        self._core.tell_soon()
        try:
            left_s = max(0.0, (until_ns - now_ns()) / 1e9)
            await asyncio.wait({answered, over}, timeout=left_s, return_when=asyncio.FIRST_COMPLETED)
            self.check()
            if not answered.done():
                raise Cut("timed-out", f"nobody has answered within {left_s:.0f} s: {question.text}")
            found: Value = answered.result()
            return found
        finally:
            over.cancel()
            answered.cancel()
            self.question = self._answered = None
            self._core.tell_soon()

    def answer(self, name: str, value: Value) -> None:
        """The operator answers the question of that name. Raises Refused."""
        question, answered = self.question, self._answered
        if question is None or answered is None or answered.done():
            raise Refused("wrong-state", f"answer {name!r}: nothing is asked now")
        if question.name != name:
            told = f"answer {name!r}: that is not asked now, but {question.name!r}: {question.text}"
            raise Refused("stale", told, msgspec.to_builtins(question))
        answered.set_result(right_answer(question, value))

    async def work(self, ask: Callable[[], T]) -> T:
        """See `Hands`: in a thread, since other outputs are looked after meanwhile."""
        return await asyncio.to_thread(ask)

    def command(self, word: str, text: str = "", photo: str = "") -> None:
        """The operator says something that the engine asks for when it comes round to it. Raises Refused."""
        if len(self._commands) >= MOST_COMMANDS:
            raise Refused(
                "wrong-state", f"{MOST_COMMANDS} points wait to be taken: the run does not come round to them"
            )
        self._commands.append((word, text))
        if word == "point":
            self._photos.append(photo)

    def commands(self) -> list[tuple[str, str]]:
        """See `Hands`."""
        found, self._commands = self._commands, []
        return found

    def tell(self, progress: Progress) -> None:
        """See `Hands`."""
        before, self.progress = self.progress, progress
        now_s = asyncio.get_running_loop().time()
        same = before is not None and (before.step, before.title) == (progress.step, progress.title)
        if not same or now_s - self._told_s >= TOLD_EVERY_S:
            self._told_s = now_s
            self._core.tell_soon()

    # ---- the record ----------------------------------------------------------------------------------------------

    def happened(self, moment: Happened) -> None:
        """See `Hands`."""
        if moment.kind == "point" and self._photos and (photo := self._photos.pop(0)):
            self._with_photo[moment.t_ns, moment.text] = photo
        moment = self._illustrated(moment)
        self.run = msgspec.structs.replace(self.run, happened=(*self.run.happened, moment))
        now_s = asyncio.get_running_loop().time()
        if moment.kind != "step" or now_s - self._kept_s >= KEPT_EVERY_S:  # each time all of the run is written
            self._kept_s = now_s
            self._keeper(self.run, None)
        payload: dict[str, Any] = {"run": self.run.id, "card": self.run.card, "title": self.run.title}
        self._core.event("procedure", payload | {"what": "moment", "moment": msgspec.to_builtins(moment)})

    async def keep(self, run: Run, state: dict[str, object] | None = None) -> None:
        """See `Hands`."""
        await self._look_at_traces()
        self.run = self.illustrated(run)
        self._keeper(self.run, state)

    def illustrated(self, run: Run) -> Run:
        """A run as the engine tells of it, with the photos that go with its points."""
        if not self._with_photo:
            return run
        return msgspec.structs.replace(run, happened=tuple(self._illustrated(each) for each in run.happened))

    def _illustrated(self, moment: Happened) -> Happened:
        photo = self._with_photo.get((moment.t_ns, moment.text)) if moment.kind == "point" else None
        return msgspec.structs.replace(moment, photo=photo) if photo else moment


def right_answer(question: Question, value: Value) -> Value:
    """The answer, where it is one. Raises Refused."""
    given = f"{question.name} = {value!r}"
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if question.kind == "ready":
        return True
    if question.kind == "choice" and value not in question.choices:
        raise Refused("out-of-range", f"{given}: allowed are {', '.join(question.choices)}")
    if question.kind == "text" and not isinstance(value, str):
        raise Refused("out-of-range", f"{given}: allowed is text")
    if question.kind != "number":
        return value
    low = float("-inf") if question.low is None else question.low
    high = float("inf") if question.high is None else question.high
    if not number or not low <= float(value) <= high:  # type: ignore[arg-type]
        raise Refused("out-of-range", f"{given}: allowed is a number from {low:g} to {high:g} {question.unit}".rstrip())
    return value
