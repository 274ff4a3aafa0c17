"""The values of a card's steps: worked out while it runs, and between which ends they may lie before it does."""

from __future__ import annotations

import dataclasses
import math
from typing import NamedTuple

from benchd.plans.plan import Plan
from benchd.procedures.card import Card
from benchd.procedures.parameter import Amount, Chosen, Parameter, Worked, check_given
from benchd.procedures.record import Value
from benchd.procedures.taken import Measured

QUANTITIES = ("voltage_v", "current_a", "power_w", "resistance_ohm")
PLAN_KEYS = ("voltage_v", "limit_a", "expected_leak_a", "longest_on_s", "over_voltage_v")
ANYTHING = (-math.inf, math.inf)


class NoValue(ValueError):
    """A value of a card that cannot be worked out: a sentence that says which and why."""


class Span(NamedTuple):
    """Between which ends a value lies, both in it."""

    low: float
    high: float


@dataclasses.dataclass(slots=True)
class Scope:
    """What names in a card's values mean."""

    plan: Plan
    parameters: dict[str, Value]
    loops: dict[str, float] = dataclasses.field(default_factory=dict)
    measured: dict[str, Measured] = dataclasses.field(default_factory=dict)
    """The last measurement of each name."""

    def number(self, amount: Amount) -> float:
        """The value now. Raises NoValue."""
        if isinstance(amount, int | float):
            return float(amount)
        if isinstance(amount, str):
            return self._named(amount)
        value = self._named(amount.of) * amount.times + amount.plus
        if amount.at_least is not None:
            value = max(value, self.number(amount.at_least))
        if amount.at_most is not None:
            value = min(value, self.number(amount.at_most))
        return _finite(value, amount.of)

    def _named(self, name: str) -> float:
        if name in self.loops:
            return self.loops[name]
        if name in self.parameters:
            value = self.parameters[name]
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise NoValue(f"{name} is {value!r}, which is no number")
            return float(value)
        head, _, quantity = name.rpartition(".")
        if head == "plan":
            return _of_plan(self.plan, quantity)
        if head in self.measured:
            return measured_value(self.measured[head], quantity)
        raise NoValue(f"{name}: no parameter, loop variable or earlier measurement is called that")


def measured_value(measured: Measured, quantity: str) -> float:
    """One quantity of a measurement, in the unit of its name. Raises NoValue."""
    volts, amps = measured.voltage_v.value, measured.current_a.value
    if quantity == "voltage_v":
        return volts
    if quantity == "current_a":
        return amps
    if quantity == "power_w":
        return volts * amps
    if quantity == "resistance_ohm":
        if amps == 0:
            raise NoValue(f"{measured.name}.resistance_ohm: no current flows")
        return volts / amps
    raise NoValue(f"{measured.name}.{quantity}: allowed are {', '.join(QUANTITIES)}")


def measured_u(measured: Measured, quantity: str) -> float:
    """Half of its 95 % interval, in the unit of its name; products and quotients by relative root sum of squares
    (JCGM 100 §5.1.6)."""
    volts, amps = measured.voltage_v, measured.current_a
    if quantity == "voltage_v":
        return volts.u
    if quantity == "current_a":
        return amps.u
    if volts.value == 0 or amps.value == 0:
        return math.inf
    return abs(measured_value(measured, quantity)) * math.hypot(volts.u / volts.value, amps.u / amps.value)


@dataclasses.dataclass(slots=True)
class Spans:
    """The same before it runs: what is not known yet lies anywhere."""

    plan: Plan
    parameters: dict[str, Value]
    loops: dict[str, Span] = dataclasses.field(default_factory=dict)
    measured: set[str] = dataclasses.field(default_factory=set)

    def span(self, amount: Amount) -> Span:
        """Between which ends the value will lie. Raises NoValue where it can never be worked out."""
        if isinstance(amount, int | float):
            return Span(float(amount), float(amount))
        if isinstance(amount, str):
            return self._named(amount)
        base = self._named(amount.of)
        ends = sorted(end * amount.times + amount.plus if math.isfinite(end) else end * _sign(amount) for end in base)
        low, high = ends
        if amount.at_least is not None:
            least = self.span(amount.at_least)
            low, high = max(low, least.low), max(high, least.high)
        if amount.at_most is not None:
            most = self.span(amount.at_most)
            low, high = min(low, most.low), min(high, most.high)
        return Span(low, high)

    def _named(self, name: str) -> Span:
        if name in self.loops:
            return self.loops[name]
        if name in self.parameters or name.startswith("plan."):
            value = Scope(self.plan, self.parameters).number(name)
            return Span(value, value)
        head, _, quantity = name.rpartition(".")
        if head in self.measured and quantity in QUANTITIES:
            return Span(*ANYTHING)
        raise NoValue(f"{name}: no parameter, loop variable or earlier measurement is called that")


def _sign(amount: Worked) -> float:
    return 1.0 if amount.times >= 0 else -1.0


def _of_plan(plan: Plan, key: str) -> float:
    if key not in PLAN_KEYS:
        raise NoValue(f"plan.{key}: allowed are {', '.join('plan.' + each for each in PLAN_KEYS)}")
    value = getattr(plan, key)
    if value is None:
        raise NoValue(f"plan.{key}: plan {plan.name!r} does not say it")
    return float(value)


def _finite(value: float, name: str) -> float:
    if not math.isfinite(value):
        raise NoValue(f"{name}: comes to {value}, which is no number")
    return value


def parameters_of(card: Card, given: dict[str, Value], plan: Plan) -> tuple[dict[str, Value], list[str]]:
    """All parameters of a run, and what is wrong with those that were given, a sentence each."""
    told = [
        f"{name}: card {card.name} has no such parameter; it has {', '.join(card.parameter) or 'none'}"
        for name in given
        if name not in card.parameter
    ]
    found: dict[str, Value] = {}
    for name, parameter in card.parameter.items():
        try:
            value = _value_of(parameter, given.get(name), plan, found)
        except ValueError as error:
            told.append(f"{name}: {error}")
            continue
        if value is not None:
            found[name] = value
    return found, told


def _value_of(parameter: Parameter, given: Value, plan: Plan, before: dict[str, Value]) -> Value:
    if given is not None:
        return check_given(parameter, given)
    if isinstance(parameter.default, Worked):
        return check_given(parameter, _rounded(Scope(plan, before).number(parameter.default)))
    if isinstance(parameter.default, Chosen):
        answer = before.get(parameter.default.choice)
        return None if answer is None else check_given(parameter, parameter.default.values[str(answer)])
    if parameter.default is not None:
        return check_given(parameter, parameter.default)
    if parameter.optional:
        return None
    raise ValueError(f"has to be given{f', in {parameter.unit}' * bool(parameter.unit)}: {parameter.title}")


def _rounded(value: float) -> float:
    """Without the last digits of binary fractions: 4.0 · 0.8 is 3.2."""
    return float(f"{value:.9g}")
