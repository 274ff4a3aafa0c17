"""How well each card fits a trace, 0 to 1."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from graphlib import TopologicalSorter

from benchd.traces.card import UNCLEAR, Card, Condition, Look, Yield
from benchd.traces.quantity_values import Values

BEFORE_TAKES = 0.9
"""Share of its score that a card loses where one that stands before it fits fully."""
LEAST_FIT = 0.05
"""See `nearness`; our choice."""


def ramp(value: float, low: float, high: float) -> float:
    """0 at `low` and before, 1 at `high` and beyond, straight between; `low` may be the larger."""
    if low == high:
        return float(value >= high)
    return min(max((value - low) / (high - low), 0.0), 1.0)


def holds(conditions: Iterable[Condition], values: Values) -> bool:
    """Whether all of them hold."""
    return all(_holds(each, values[each.quantity]) for each in conditions)


def _holds(condition: Condition, value: float | None) -> bool:
    if value is None:
        return False
    low = -math.inf if condition.at_least is None else condition.at_least
    high = math.inf if condition.at_most is None else condition.at_most
    return low <= value <= high


def fit(look: Look, values: Values) -> float:
    """What a look leaves of the score, 0 to 1."""
    value = values[look.quantity]
    if value is None:
        return look.least if look.unknown is None else look.unknown
    return look.least + (look.most - look.least) * ramp(value, look.no_at, look.full_at)


def own_score(card: Card, values: Values) -> float:
    """How well a card fits by itself, whatever else may fit."""
    score = card.most * math.prod(fit(look, values) for look in card.look)
    for each in card.any:
        if not score:
            break
        score *= max(math.prod(fit(look, values) for look in way) for way in each.ways)
    return score


def nearness(card: Card, values: Values) -> float:
    """How near a trace is to a card that does not fit, 0 to 1: the geometric mean of what its looks leave, each counted
    as `LEAST_FIT` at least, so that one that rules the card out does not hide how much else is like it."""
    fits = [fit(look, values) for look in card.look]
    fits += [max(_mean([fit(look, values) for look in way]) for way in each.ways) for each in card.any]
    return _mean(fits)


def _mean(fits: Sequence[float]) -> float:
    return math.exp(sum(math.log(max(x, LEAST_FIT)) for x in fits) / len(fits))


def in_order(cards: Sequence[Card]) -> list[Card]:
    """The cards so that each comes after those that it yields to, those that another card stands `before` told so.

    Raises graphlib.CycleError, whose second argument names the circle. Signatures that are not among the cards are
    passed over.
    """
    by_id = {card.id: card for card in cards}
    for card in cards:
        for name in card.before:
            if (other := by_id.get(name)) is not None:
                gives = [*other.yields_to, Yield(to=[card.id], takes=BEFORE_TAKES)]
                by_id[name] = other.model_copy(update={"yields_to": gives})
    graph = {card.id: [name for y in card.yields_to for name in y.to if name in by_id] for card in by_id.values()}
    return [by_id[name] for name in TopologicalSorter(graph).static_order()]


def scores(ordered: Sequence[Card], values: Values) -> dict[str, float]:
    """Score of each signature; `ordered` as `in_order` gives them."""
    result: dict[str, float] = {}
    for card in ordered:
        if card.id == UNCLEAR:
            continue
        score = own_score(card, values)
        for each in card.yields_to if score else ():
            if holds(each.when, values):
                other = max((result.get(name, 0.0) for name in each.to), default=0.0)
                score *= 1 - each.takes * ramp(other, each.no_at, each.full_at)
        result[card.id] = score
    return result
