"""What a run of a card would be, looked at before anything is switched on: whether it stays inside plans and outputs,
how much it applies at most, and how long it takes."""

from __future__ import annotations

import dataclasses
import math
from typing import NamedTuple

from benchd.plans.plan import Plan
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
from benchd.procedures.parameter import Amount
from benchd.procedures.record import Value
from benchd.procedures.values import NoValue, Span, Spans, parameters_of

MOST_MEASUREMENTS = 10_000
"""In one run. Our choice: more is a soak, which is watched."""
MOST_ROUNDS = 100_000
CHANGE_S = 0.2
"""What a change of settings is counted with, s. Our choice, for the estimate only."""
WITHIN = 1 + 1e-9


class Output(NamedTuple):
    """One output for a side, and what it may have."""

    plan: Plan
    max_voltage_v: float
    max_limit_a: float
    senses: bool = False
    """Its settings say how it senses, and that can be switched from here."""


@dataclasses.dataclass(slots=True)
class Most:
    """The most that a run applies to one side."""

    voltage_v: float = 0.0
    limit_a: float = 0.0
    power_w: float | None = None
    energy_j: float | None = None


class Checked(NamedTuple):
    """What a run would be."""

    faults: list[str]
    """A sentence each; empty: it can begin."""
    most: dict[str, Most]
    """By role."""
    seconds: float
    """At most, waiting for the operator left out."""
    parameters: dict[str, Value]
    cautions: list[str]


def check(card: Card, given: dict[str, Value], outputs: dict[str, Output]) -> Checked:
    """Look at a run. `outputs`: by role of the side."""
    faults = [
        f"side {role}: no output was chosen for it ({card.sides[role].title})"
        for role in card.sides
        if role not in outputs
    ]
    faults += [f"side {role}: card {card.name} has no such side" for role in outputs if role not in card.sides]
    if faults:
        return Checked(faults, {}, 0.0, {}, list(card.cautions))
    main = next(iter(card.sides))
    parameters, told = parameters_of(card, given, outputs[main].plan)
    if told:
        return Checked(told, {}, 0.0, parameters, list(card.cautions))
    look = _Look(card, outputs, Spans(outputs[main].plan, parameters))
    look.steps(card.step, "", 1.0)
    if look.measurements > MOST_MEASUREMENTS:
        look.faults.append(
            f"{look.measurements:.0f} measurements would be made; allowed are {MOST_MEASUREMENTS}: take larger steps"
        )
    return Checked(list(dict.fromkeys(look.faults)), look.most, look.seconds, parameters, list(card.cautions))


class _Look:
    """Walks through the steps once, with the ends of all values."""

    def __init__(self, card: Card, outputs: dict[str, Output], spans: Spans) -> None:
        self.card = card
        self.outputs = outputs
        self.spans = spans
        self.faults: list[str] = []
        self.most = {role: Most() for role in card.sides}
        self.seconds = 0.0
        self.measurements = 0.0
        self._bounds: dict[str, tuple[float, float]] = {}
        """Of sides that are on."""

    def steps(self, steps: list[AnyStep], before: str, times: float) -> None:
        for number, step in enumerate(steps):
            place = f"{before}step[{number}]"
            try:
                self._step(step, place, times)
            except NoValue as error:
                self.faults.append(f"{place}: {error}")

    def _step(self, step: AnyStep, place: str, times: float) -> None:
        if isinstance(step, On):
            self._on(step, place)
            self.seconds += times * CHANGE_S
        elif isinstance(step, Off):
            self._bounds.pop(step.side, None)
        elif isinstance(step, Set):
            self._set(step, place)
            self.seconds += times * CHANGE_S
        elif isinstance(step, Wait):
            length = step.seconds if step.quantity is None else step.timeout_s
            assert length is not None
            self.seconds += times * self._length_s(length, place)
            self._is_on(step.side, place, step.quantity is not None)
        elif isinstance(step, Measure | Record):
            self._is_on(step.side, place, not (isinstance(step, Measure) and step.off))
            settle_s = step.settle_s if isinstance(step, Measure) else 0.0
            self.seconds += times * (self._length_s(step.seconds, place) + settle_s)
            if isinstance(step, Measure):
                self.measurements += times
                self.spans.measured.add(step.name)
        elif isinstance(step, Compare):
            for amount in (step.what, step.above, step.below):
                if amount is not None:
                    self.spans.span(amount)
        elif isinstance(step, Ask):
            if not step.powered:
                self._bounds.clear()
        elif isinstance(step, Repeat):
            self._repeat(step, place, times)
        elif isinstance(step, Watch):
            length_s = self._length_s(step.longest_s, place)
            for side in step.sides:
                self._is_on(side, place, True)
                self._may_last(side, length_s, place)
            self.seconds += times * length_s
        else:
            assert isinstance(step, Note | Analyse | End)

    def _is_on(self, side: str, place: str, needed: bool) -> None:
        if needed and side not in self._bounds:
            self.faults.append(
                f"{place}: side {side} is off then; switch it on before, or say `powered = true` where it is asked"
            )

    def _length_s(self, amount: Amount, place: str) -> float:
        span = self.spans.span(amount)
        if not 0 <= span.low <= span.high <= 30 * 86400:
            self.faults.append(f"{place}: takes {span.high:g} s; allowed is 0 to {30 * 86400} s (30 days)")
            return 0.0
        return span.high

    def _may_last(self, side: str, seconds: float, place: str) -> None:
        """Whether the plan lets an output be on for so long."""
        plan = self.outputs[side].plan
        if plan.longest_on_s is not None and seconds >= plan.longest_on_s:
            self.faults.append(
                f"{place}.longest_s: {seconds:g} s would be watched, and plan {plan.name!r} switches off after "
                f"{plan.longest_on_s:g} s (longest_on_s): watch for less, or take a plan of your own for long tests"
            )

    def _on(self, step: On, place: str) -> None:
        output, most = self.outputs[step.side], self.most[step.side]
        if step.sense == "remote" and not output.senses:
            self.faults.append(
                f"{place}.sense: side {step.side} would be held at the far end of its sense leads; that takes "
                "`sense` in the settings of its output, and a supply with a command for it"
            )
        ceilings = (output.plan.voltage_v, output.max_voltage_v, "V"), (output.plan.limit_a, output.max_limit_a, "A")
        volts = self._within(step.voltage_v, "voltage_v", *ceilings[0], place, step)
        amps = self._within(step.limit_a, "limit_a", *ceilings[1], place, step)
        most_v, most_a = volts, amps
        if step.most_voltage_v is not None:
            most_v = self._within(step.most_voltage_v, "most_voltage_v", *ceilings[0], place, step)
        if step.most_limit_a is not None:
            most_a = self._within(step.most_limit_a, "most_limit_a", *ceilings[1], place, step)
        if most_v < volts or most_a < amps:
            self.faults.append(
                f"{place}: most_voltage_v = {most_v:g} V and most_limit_a = {most_a:g} A; allowed is no less than "
                f"it is switched on with, {volts:g} V and {amps:g} A"
            )
        self._bounds[step.side] = (most_v, most_a)
        most.voltage_v, most.limit_a = max(most.voltage_v, most_v), max(most.limit_a, most_a)
        if step.power_w is not None:
            power_w = self.spans.span(step.power_w).low
            most.power_w = max(most.power_w or 0.0, power_w)
            if step.injection and most_v * most_a > power_w * WITHIN:
                self.faults.append(
                    f"{place}: {most_v:g} V with {most_a:g} A may give {most_v * most_a:.3g} W; allowed is power_w = "
                    f"{power_w:g} W: lower one of them"
                )
        if step.energy_j is not None:
            most.energy_j = (most.energy_j or 0.0) + self.spans.span(step.energy_j).high

    def _within(self, amount: Amount, key: str, plan: float, channel: float, unit: str, place: str, step: On) -> float:
        span = self.spans.span(amount)
        whose = f"plan {self.outputs[step.side].plan.name!r}" if plan <= channel else "the output"
        whose += f" of side {step.side}" if len(self.card.sides) > 1 else ""
        most = min(plan, channel)
        if not 0 < span.low <= span.high <= most * WITHIN:
            self.faults.append(
                f"{place}.{key}: {_said(span)} {unit} would be set; allowed is above 0 {unit} up to {most:g} {unit}, "
                f"as {whose} says"
            )
        return span.high

    def _set(self, step: Set, place: str) -> None:
        self._is_on(step.side, place, True)
        bounds = self._bounds.get(step.side)
        for key, amount, place_in, unit in (("voltage_v", step.voltage_v, 0, "V"), ("limit_a", step.limit_a, 1, "A")):
            if amount is None or bounds is None:
                continue
            span = self.spans.span(amount)
            if not 0 < span.low <= span.high <= bounds[place_in] * WITHIN:
                self.faults.append(
                    f"{place}.{key}: {_said(span)} {unit} would be set; allowed is above 0 {unit} up to "
                    f"{bounds[place_in]:g} {unit}, which it was switched on for (most_{key})"
                )

    def _repeat(self, step: Repeat, place: str, times: float) -> None:
        rounds, loop = self._rounds(step, place)
        outer = dict(self.spans.loops)
        self.spans.loops[step.name] = loop
        self.steps(step.step, f"{place}.", times * rounds)
        self.steps(step.step, f"{place}.", 0.0)  # the second round begins as the first has ended
        self.spans.loops = outer
        if step.until:
            self.spans.span(step.until)

    def _rounds(self, step: Repeat, place: str) -> tuple[float, Span]:
        if step.times is not None:
            span = self.spans.span(step.times)
            if not 1 <= span.low <= span.high <= MOST_ROUNDS:
                self.faults.append(f"{place}.times: {_said(span)}; allowed is 1 to {MOST_ROUNDS}")
                return 1.0, Span(1.0, 1.0)
            return math.floor(span.high), Span(1.0, math.floor(span.high))
        assert step.from_ is not None
        assert step.to is not None
        assert step.by is not None
        first, last, by = (self.spans.span(each) for each in (step.from_, step.to, step.by))
        if not (by.low > 0 and math.isfinite(first.low + first.high + last.low + last.high)):
            self.faults.append(f"{place}: from {_said(first)} to {_said(last)} by {_said(by)}; allowed is by above 0")
            return 1.0, Span(min(first.low, last.low), max(first.high, last.high))
        rounds = max(abs(last.high - first.low), abs(last.low - first.high)) / by.low + 1
        if rounds > MOST_ROUNDS:
            self.faults.append(f"{place}: {rounds:.0f} rounds; allowed are {MOST_ROUNDS}: take larger steps")
        return rounds, Span(min(first.low, last.low), max(first.high, last.high))


def _said(span: Span) -> str:
    return f"{span.low:g}" if span.low == span.high else f"{span.low:g} to {span.high:g}"
