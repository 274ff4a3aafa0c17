"""How well each card fits a trace, 0 to 1."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from graphlib import CycleError, TopologicalSorter

from benchd.traces.card import UNCLEAR, Card, Condition, Look
from benchd.traces.quantities import Values


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


def in_order(cards: Sequence[Card]) -> list[Card]:
    """The cards so that each comes after those that it yields to. Raises graphlib.CycleError, whose second argument
    names the circle; signatures that are not among the cards are passed over."""
    by_id = {card.id: card for card in cards}
    graph = {card.id: [name for y in card.yields_to for name in y.to if name in by_id] for card in cards}
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


__all__ = ["CycleError", "fit", "holds", "in_order", "own_score", "ramp", "scores"]
