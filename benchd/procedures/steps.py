"""What each step of a card does. One `Steps` for one run; see `engine`."""

from __future__ import annotations

import math
from functools import partial
from typing import NamedTuple

import msgspec

from benchd.procedures.analyses import analysis
from benchd.procedures.averaging import Labelled, collected, mean_of, reached, shown
from benchd.procedures.card import (
    Analyse,
    AnyStep,
    Ask,
    Card,
    Compare,
    End,
    Measure,
    Note,
    Off,
    On,
    Record,
    Repeat,
    Set,
    Wait,
    Watch,
)
from benchd.procedures.check import WITHIN, Output
from benchd.procedures.hands import Bounds, Cut, Hands, Progress, Question
from benchd.procedures.judging import UNITS, judged
from benchd.procedures.record import Curve, Happened, LeadSet, Outcome, Result, Run, Value
from benchd.procedures.taken import Analysed, Answered, CannotTell, Live, Taken, TraceSeen
from benchd.procedures.values import Scope
from benchd.procedures.watching import watch
from benchd.traces.samples import Samples
from benchd.traces.trip_words import quantity

MOST_RECORDED = 400_000
"""Readings that `record` keeps of a side. Our choice: 12 MB."""
OPEN_SHARE = 3.0
"""Less current than so many uncertainties of it is none. Our choice."""


class Ended(Exception):
    """A step ended the run in order. `outcome` None: as the results say."""

    def __init__(self, outcome: Outcome | None, text: str) -> None:
        super().__init__(text)
        self.outcome = outcome
        self.text = text


class _Now(NamedTuple):
    voltage_v: float
    limit_a: float
    bounds: Bounds


class Steps:
    """Carries steps out and keeps what they show."""

    def __init__(
        self,
        card: Card,
        outputs: dict[str, Output],
        hands: Hands,
        record: Run,
        reference: dict[str, tuple[Curve, ...]],
    ) -> None:
        self.card = card
        self.hands = hands
        self.record = record
        self.leads: tuple[LeadSet, ...] = ()
        main = next(iter(card.sides))
        plan = outputs[main].plan
        self.scope = Scope(plan, record.parameters)
        self.taken = Taken(
            plan,
            record.parameters,
            {role: hands.conditions(role) for role in card.sides},
            {role: hands.leads(role) for role in card.sides},
            happened=list(record.happened),
            reference=reference,
        )
        self._outputs = outputs
        self._on: dict[str, _Now] = {}
        self._asked_on: list[str] = []
        """Sides that were asked on, whether or not that was carried out, and not confirmed off since."""
        self._labels: list[tuple[int, dict[str, Value]]] = []
        """From when on which loop variables were in force, ns."""
        self._place = 0
        self._said: list[tuple[Outcome, str]] = []
        self.measuring: Live | None = None
        """The live measurement that goes on."""
        self._state: dict[str, object] | None = None
        self._gap: tuple[int, int] | None = None

    # ---- the run -------------------------------------------------------------------------------------------------

    def resumed(self, state: dict[str, object] | None, gap: tuple[int, int]) -> None:
        """It goes on after an interruption: the steps begin anew, a live measurement where it was."""
        self._state, self._gap = state, gap
        seconds = (gap[1] - gap[0]) / 1e9
        self.moment(
            "gap", f"nothing was recorded for {seconds:.0f} s", {"from_ns": float(gap[0]), "to_ns": float(gap[1])}
        )
        self.moment("resumed", "goes on")

    async def all(self) -> None:
        """Every step of the card."""
        self.moment("began", self.card.title)
        await self._each(self.card.step, top=True)

    @property
    def has_said(self) -> bool:
        """Whether anything was compared or worked out."""
        return bool(self._said)

    def outcome(self) -> tuple[Outcome, str]:
        """How a run ends that has come to its end: the worst that was found."""
        for worst in ("failed", "unclear", "passed", "done"):
            told = [text for outcome, text in self._said if outcome == worst]
            if told:
                return worst, " ".join(text for _, text in self._said if text)
        return "done", "all steps were carried out"

    def ended(self, outcome: Outcome, text: str) -> Run:
        """The record, complete."""
        self.moment("ended", text)
        self.record = msgspec.structs.replace(
            self.record,
            ended_ns=self.hands.now_ns(),
            outcome=outcome,
            text=text,
            traces=tuple(each.id for each in self.hands.traces()),
        )
        return self.record

    async def all_off(self) -> str:
        """Ask each output off that was asked on; what could not be confirmed, else an empty text."""
        unsure = []
        for side in list(self._asked_on):
            try:
                await self._off(side)
            except Cut as cut:
                unsure.append(f"side {side}: {cut.text}")
            except Exception as error:  # the other outputs have to be asked all the same
                unsure.append(f"side {side}: {type(error).__name__}: {error}")
        return "; ".join(unsure)

    def moment(self, kind: str, text: str, values: dict[str, Value] | None = None) -> None:
        """Write a moment down."""
        happened = Happened(self.hands.now_ns(), kind, text, values or {})  # type: ignore[arg-type]
        self.keep_moment(happened)

    def keep_moment(self, happened: Happened) -> None:
        """The same, for one that is made already."""
        self.taken.happened.append(happened)
        self.record = msgspec.structs.replace(self.record, happened=tuple(self.taken.happened))
        self.hands.happened(happened)

    def progress(self, title: str, share: float | None = None, question: Question | None = None) -> Progress:
        """Where the run is."""
        return Progress(self._place, len(self.card.step), title, share, question)

    # ---- steps ---------------------------------------------------------------------------------------------------

    async def _each(self, steps: list[AnyStep], top: bool = False) -> None:
        for number, step in enumerate(steps):
            if top:
                self._place = number
            self.hands.tell(self.progress(step.title or _title(step)))
            await self._one(step)
            if top:
                await self.hands.keep(self.record)

    async def _one(self, step: AnyStep) -> None:
        if isinstance(step, On):
            await self._switch_on(step)
        elif isinstance(step, Off):
            await self._off(step.side)
        elif isinstance(step, Set):
            await self._set(step)
        elif isinstance(step, Wait):
            await self._wait(step)
        elif isinstance(step, Measure):
            await self._measure(step)
        elif isinstance(step, Compare):
            self._compare(step)
        elif isinstance(step, Ask):
            await self._ask(step)
        elif isinstance(step, Note):
            self.moment("mark", step.text, dict(self.scope.loops))
        elif isinstance(step, Record):
            await self._record(step)
        elif isinstance(step, Repeat):
            await self._repeat(step)
        elif isinstance(step, Watch):
            await self._watch(step)
        elif isinstance(step, Analyse):
            await self._analyse(step)
        elif isinstance(step, End):
            raise Ended(None, step.text)

    async def _switch_on(self, step: On) -> None:
        volts, amps = self.scope.number(step.voltage_v), self.scope.number(step.limit_a)
        bounds = Bounds(
            volts if step.most_voltage_v is None else self.scope.number(step.most_voltage_v),
            amps if step.most_limit_a is None else self.scope.number(step.most_limit_a),
            step.injection,
            None if step.power_w is None else self.scope.number(step.power_w),
            None if step.energy_j is None else self.scope.number(step.energy_j),
            None if step.longest_on_s is None else self.scope.number(step.longest_on_s),
            step.stages,
            not (step.hold_unless and self.scope.parameters.get(step.hold_unless) is True),
            # Where sensing is left as it is, there is nothing to switch out.
            "" if step.sense == "local" and not self._outputs[step.side].senses else step.sense,
        )
        self._look_at(step.side, volts, amps, bounds)
        self._asked_on.append(step.side)
        await self.hands.on(step.side, volts, amps, bounds)
        self._on[step.side] = _Now(volts, amps, bounds)

    def _look_at(self, side: str, voltage_v: float, limit_a: float, bounds: Bounds) -> None:
        """What was worked out while it ran stays inside plan and output, too. Raises Cut."""
        plan, max_voltage_v, max_limit_a, _ = self._outputs[side]
        most_v, most_a = min(plan.voltage_v, max_voltage_v), min(plan.limit_a, max_limit_a)
        inside_v = 0 < voltage_v <= bounds.voltage_v * WITHIN and bounds.voltage_v <= most_v * WITHIN
        inside_a = 0 < limit_a <= bounds.limit_a * WITHIN and bounds.limit_a <= most_a * WITHIN
        if not (inside_v and inside_a):
            raise Cut(
                "refused",
                f"side {side}: {voltage_v:g} V at {limit_a:g} A was asked for, and up to {bounds.voltage_v:g} V and "
                f"{bounds.limit_a:g} A later; allowed is above 0, up to {most_v:g} V and {most_a:g} A",
            )

    async def _off(self, side: str) -> None:
        self._on.pop(side, None)
        await self.hands.off(side)
        self._asked_on = [each for each in self._asked_on if each != side]
        self.moment("off", f"{self.card.sides[side].title}: off, read back", dict(self.scope.loops))

    async def _set(self, step: Set) -> None:
        now = self._now(step.side)
        volts = now.voltage_v if step.voltage_v is None else self.scope.number(step.voltage_v)
        amps = now.limit_a if step.limit_a is None else self.scope.number(step.limit_a)
        await self.change(step.side, volts, amps)

    async def change(self, side: str, voltage_v: float, limit_a: float) -> None:
        """Other settings for a side that is on, within its bounds."""
        now = self._now(side)
        if not (0 < voltage_v <= now.bounds.voltage_v * (1 + 1e-9) and 0 < limit_a <= now.bounds.limit_a * (1 + 1e-9)):
            raise Cut(
                "refused",
                f"side {side}: {voltage_v:g} V at {limit_a:g} A was asked for; allowed is above 0, up to "
                f"{now.bounds.voltage_v:g} V and {now.bounds.limit_a:g} A",
            )
        await self.hands.change(side, voltage_v, limit_a)
        self._on[side] = _Now(voltage_v, limit_a, now.bounds)

    def settings(self, side: str) -> tuple[float, float]:
        """Voltage in V and limit in A as they are set now. Raises Cut where the side is off."""
        return self._now(side)[:2]

    def _now(self, side: str) -> _Now:
        if side not in self._on:
            raise Cut("refused", f"side {side} is off: the card goes on as if it were on; mend the card")
        return self._on[side]

    async def _wait(self, step: Wait) -> None:
        if step.quantity is None:
            assert step.seconds is not None
            await self.hands.sleep(self.scope.number(step.seconds))
            return
        assert step.timeout_s is not None
        timeout_s = self.scope.number(step.timeout_s)
        limit = step.above if step.above is not None else step.below
        assert limit is not None
        level, is_above = self.scope.number(limit), step.above is not None
        if await reached(self.hands, step.side, step.quantity, level, is_above, step.for_s, timeout_s):
            return
        if step.then == "end":
            what = f"{step.quantity} {'above' if is_above else 'below'} {level:g} {UNITS[step.quantity]}"
            raise Cut("timed-out", f"{what} did not come within {timeout_s:g} s")

    async def _measure(self, step: Measure) -> None:
        set_v, limit_a = self.settings(step.side) if step.side in self._on or not step.off else (0.0, 0.0)
        seconds = self.scope.number(step.seconds)
        samples = await collected(self.hands, step.side, seconds, step.settle_s, step.least_readings)
        said = Labelled(step.name, step.side, dict(self.scope.loops), set_v, limit_a)
        measured = mean_of(samples, said, self.taken.accuracy[step.side])
        if step.connected and abs(measured.current_a.value) < OPEN_SHARE * measured.current_a.none_within:
            raise Cut(
                "refused",
                f"the leads are open: {quantity(measured.current_a.value, 'A', measured.current_a.u)} flows at "
                f"{measured.voltage_v.value:.3g} V; look at the clips, then begin again",
            )
        self.taken.measured.append(measured)
        self.scope.measured[step.name] = measured
        values: dict[str, Value] = {"voltage_v": measured.voltage_v.value, "current_a": measured.current_a.value}
        self.moment("step", f"{step.title or step.name}: {shown(measured)}", {**self.scope.loops, **values})

    def _compare(self, step: Compare) -> None:
        result, outcome = judged(step, self.scope)
        self._keep_results((result,))
        self._said.append((outcome, result.text))
        if outcome == "failed" and step.end_if_bad:
            raise Ended("failed", result.text)

    async def _ask(self, step: Ask) -> None:
        if not step.powered:
            for side in list(self._asked_on):
                await self._off(side)
        until_ns = self.hands.now_ns() + round(step.timeout_s * 1e9)
        question = Question(
            step.name, step.text, step.kind, tuple(step.choices), step.unit, step.low, step.high, until_ns
        )
        self.hands.tell(self.progress(step.title or "waits for an answer", question=question))
        answer = await self.hands.ask(question)
        self.taken.answers.append(Answered(step.name, answer, self.hands.now_ns()))
        if isinstance(answer, int | float) and not isinstance(answer, bool):
            self.scope.parameters = {**self.scope.parameters, step.name: float(answer)}
        self.moment("answer", step.text, {step.name: answer})
        if step.end_if and answer == step.end_if:
            raise Ended(None, f"{step.text} {answer}")

    async def _record(self, step: Record) -> None:
        samples = await collected(self.hands, step.side, self.scope.number(step.seconds), 0.0, 1)
        kept = Samples.concat([self.taken.recorded.get(step.side, Samples.empty()), samples])
        if len(kept) > MOST_RECORDED:
            raise CannotTell(f"{len(kept)} readings were to be kept; at most {MOST_RECORDED} are: record for less long")
        self.taken.recorded[step.side] = kept

    async def _repeat(self, step: Repeat) -> None:
        values = self._values(step)
        for n, value in enumerate(values):
            self.scope.loops[step.name] = value
            self._labels.append((self.hands.now_ns(), dict(self.scope.loops)))
            self.hands.tell(self.progress(step.title or f"{step.name} {value:g}", n / len(values)))
            await self._each(step.step)
            if step.until and self._reached(step):
                break
        self.scope.loops.pop(step.name, None)
        self._labels.append((self.hands.now_ns(), dict(self.scope.loops)))

    def _values(self, step: Repeat) -> list[float]:
        if step.times is not None:
            return [float(n) for n in range(1, int(self.scope.number(step.times)) + 1)]
        assert step.from_ is not None
        assert step.to is not None
        assert step.by is not None
        first, last, by = (self.scope.number(each) for each in (step.from_, step.to, step.by))
        count = math.floor(abs(last - first) / by + 1e-6) + 1
        sign = 1 if last >= first else -1
        return [float(f"{first + sign * by * n:.9g}") for n in range(count)]

    def _reached(self, step: Repeat) -> bool:
        value = self.scope.number(step.until)
        above = step.above is not None and value > self.scope.number(step.above)
        return above or (step.below is not None and value < self.scope.number(step.below))

    async def _watch(self, step: Watch) -> None:
        state, gap, self._state, self._gap = self._state, self._gap, None, None
        analysed = await watch(self, step, state, gap)
        self._analysed(analysed)

    async def _analyse(self, step: Analyse) -> None:
        self.taken.traces = [self._labelled(each) for each in self.hands.traces()]
        self._analysed(await self.hands.work(lambda: analysis(step.using)(self.taken)))

    async def so_far(self) -> str:
        """Work out what was measured before the run ended early; the sentence, empty where that tells nothing.

        What leads have is not taken from a run that did not come to its end.
        """
        self.taken.traces = [self._labelled(each) for each in self.hands.traces()]
        works = [] if self.measuring is None else [self.measuring.analysed]
        if not self._said:
            works += [partial(analysis(step.using), self.taken) for step in self.card.step if isinstance(step, Analyse)]
        told = []
        for work in works:
            try:
                analysed = await self.hands.work(work)
            except ValueError:  # too little for it: the run has ended for another reason, which is told
                continue
            except Exception as error:  # the end of a run is written down whatever is wrong here
                told.append(f"a fault in benchd kept it from being worked out ({error!r}); please report it")
                continue
            self._keep_results(analysed.results)
            self.record = msgspec.structs.replace(self.record, curves=(*self.record.curves, *analysed.curves))
            told.append(analysed.text)
        return f"Until then: {' '.join(told)}" if told else ""

    def _analysed(self, analysed: Analysed) -> None:
        self._keep_results(analysed.results)
        self.record = msgspec.structs.replace(self.record, curves=(*self.record.curves, *analysed.curves))
        self.leads = (*self.leads, *(self._signed(each) for each in analysed.leads))
        self._said.append((analysed.outcome, analysed.text))

    def _signed(self, leads: LeadSet) -> LeadSet:
        return msgspec.structs.replace(leads, run=self.record.id, by=self.record.by, t_ns=self.hands.now_ns())

    def _keep_results(self, results: tuple[Result, ...]) -> None:
        self.record = msgspec.structs.replace(self.record, results=(*self.record.results, *results))

    def _labelled(self, seen: TraceSeen) -> TraceSeen:
        """With the loop variables that were in force when it began."""
        labels = next((labels for from_ns, labels in reversed(self._labels) if from_ns <= seen.start_ns), {})
        return seen._replace(labels={**labels, **seen.labels})


def _title(step: AnyStep) -> str:
    """What a step does, in a few words."""
    words = {
        "on": "switches on", "off": "switches off", "set": "changes the settings", "wait": "waits",
        "measure": "measures", "compare": "compares", "ask": "waits for an answer", "mark": "marks",
        "record": "records", "repeat": "repeats",
        "watch": "measures until you say done", "analyse": "works it out", "end": "ends",
    }  # fmt: skip
    return words[step.do]
