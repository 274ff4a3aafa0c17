"""What a trace says: from scores to a finding with evidence, alternatives and next checks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from benchd.traces.calibration import calibrated, shared
from benchd.traces.card import UNCLEAR, Card
from benchd.traces.card_score import holds, nearness, scores
from benchd.traces.card_words import filled
from benchd.traces.cards import Shelf, shipped_shelf
from benchd.traces.cautions import CAUTIONS
from benchd.traces.evidence import beyond_limit, general, nothing_on, quality, references_told, usb_hint
from benchd.traces.features import Features, extract
from benchd.traces.quantities import QUANTITIES
from benchd.traces.quantity_values import Values, of
from benchd.traces.trace import Alternative, Evidence, Finding, Trace

if TYPE_CHECKING:
    from benchd.traces.against import Against
    from benchd.traces.band import Band

LEAST_SCORE = 0.45
"""Below this a shape does not fit well enough to be named."""
SECOND_COUNTS = 0.35
"""A second shape that scores less takes nothing from the sureness of the first."""
LEAST_LEAD = 0.08
"""Two shapes whose scores are nearer than this are not told apart."""
LEAST_NEAR = 0.2
"""A shape that fits less is not near enough for its figures to be told."""
FAR = 0.1
"""Most that a shape which is ruled out can have in an `unclear` finding. Our choice."""
LEAST_OTHER = 0.1
"""An alternative that fits less is not named."""
REVERSED_SHARE = 0.3
"""Share of readings with current and a voltage below zero from which on nothing else is looked at. Our choice."""
WITHOUT_BUTTON = ("no-draw", "dead-short")
"""In these no rise can be the button."""
SUREST_UNCLEAR = 0.9
"""Nor that nothing known fits."""
MOST_SURE = 0.95
"""No trace alone makes surer than this."""
Side = Literal["battery", "usb"]


def read_trace(trace: Trace, cards: Shelf | None = None, band: Band | None = None, side: Side | None = None) -> Finding:
    """Read a trace. Any readings will do, none too: then the finding is `unclear` and says why. Never raises on data.

    `cards`: None for the shipped ones. `band`: of the board's references. `side`: where the board is fed; None: as the
    trace's conditions say, else not on USB, for many boards are fed with 5 V. The button is taken as marked by hand; a
    mark made while recording is looked for again, now with the whole trace.
    """
    rule = next((m.why for m in trace.marks if m.kind == "tripped" and m.why), "")
    f = extract(trace)
    compared = None
    if band is not None:
        from benchd.traces.against import against  # most traces have no references

        compared = against(trace, band, f)
    return judge(f, cards or shipped_shelf(), side or _told_side(trace.conditions.side), rule, compared)


def _told_side(told: str) -> Side | None:
    return "usb" if told == "usb" else "battery" if told else None


def judge(
    f: Features,
    cards: Shelf,
    side: Side | None = None,
    trip_rule: str = "",
    compared: Against | None = None,
) -> Finding:
    """The finding on a trace whose features are known. `trip_rule`: the guard's, where it cut; `compared`: with the
    references of its board, where there are any."""
    values = of(f, trip_rule, compared)
    factor, doubts = quality(f)
    if values is None:
        return _finding(
            cards.card(UNCLEAR),
            calibrated(UNCLEAR, 0.1, factor),
            [nothing_on(f), *map(Evidence, doubts)],
            (),
            None,
            None,
        )
    ordered = [card for card in cards.cards if card.side in (side or "battery", "any")]
    fits = scores(ordered, values)
    impossible = beyond_limit(f)
    if impossible is not None or (f.reversed is not None and f.reversed.share > REVERSED_SHARE):
        # No shape means anything with a board the wrong way round, or with numbers of another unit.
        fits = dict.fromkeys(fits, 0.0)
    ranked = sorted(fits.items(), key=lambda x: (-x[1], x[0]))
    (best, score), (_, next_score) = ranked[:2]
    if score >= LEAST_SCORE and score - next_score >= LEAST_LEAD:
        card = shape = cards.card(best)
        # A second shape that fits too takes its share of the sureness.
        raw = score - 0.5 * next_score if next_score > SECOND_COUNTS else score
        others = _others(card, ranked, values)
    else:
        card, shape = cards.card(UNCLEAR), cards.card(best)
        # With two that fit equally well, each may be right.
        raw = min(1 - score if score < LEAST_SCORE else 0.5, SUREST_UNCLEAR)
        others = _nearest_two(ranked, ordered, values, card)
    confidence = calibrated(card.id, max(min(raw, MOST_SURE), 0.1), factor)
    left = shared(confidence, [min(s, MOST_SURE) * factor for _, s in others])
    alternatives = tuple(
        Alternative(name, round(min(rest, confidence), 2), _tell_apart(name, card, others, cards))
        for (name, _), rest in zip(others, left, strict=True)
    )
    told = [impossible] if impossible is not None else []
    told += sentences(card, values) if card.id == UNCLEAR else []
    told += (sentences(shape, values) if score >= LEAST_NEAR else []) or general(values)
    doubts += references_told(compared)
    if side is None and (hint := usb_hint(values)):
        told.append(hint)
    return _finding(
        card,
        confidence,
        [*told, *map(Evidence, doubts)],
        alternatives,
        values,
        _button_s(f, card.id, dict(ranked)),
    )


def _finding(
    card: Card,
    confidence: float,
    evidence: list[Evidence],
    alternatives: tuple[Alternative, ...],
    values: Values | None,
    button_s: float | None,
) -> Finding:
    compared = values.whole.against if values else None
    return Finding(
        card.id,
        round(confidence, 2),
        tuple(evidence),
        alternatives,
        tuple(c.text for c in card.check if not c.when or (values is not None and holds(c.when, values))),
        tuple(CAUTIONS.get(c, c) for c in card.cautions),
        button_s,
        card.stamp,
        compared.divergence if compared else None,
        compared.similarity if compared else None,
    )


def sentences(card: Card, values: Values) -> list[Evidence]:
    """A card's evidence, with the figures of a trace in it."""
    told = []
    for each in card.evidence:
        text = filled(each.text, values) if holds(each.when, values) else None
        if text is None:
            continue
        if not each.quantity:
            told.append(Evidence(text))
            continue
        name = each.quantity
        label = each.label or QUANTITIES[name].label
        unit = values.unit(name).replace("1", "")
        told.append(Evidence(text, label, values[name], unit, values.uncertainty(name)))
    return told


def _button_s(f: Features, signature: str, score: dict[str, float]) -> float | None:
    """The button; only as a person marked it where the board gave no sign of one."""
    if f.start is None or (signature in WITHOUT_BUTTON and f.start.button_by != "hand"):
        return None
    if signature == UNCLEAR and f.start.clip_untold and score.get("mid-stall", 0.0) >= LEAST_SCORE:
        # One start in two rungs is likelier than a leak and a stall on one board.
        return f.start.first_s
    return f.start.button_s


def _others(card: Card, ranked: list[tuple[str, float]], values: Values) -> list[tuple[str, float]]:
    """What else fits; and what no trace alone rules out."""
    score = dict(ranked)
    least = {o.signature: o.share * score[card.id] for o in card.alternative if o.share and holds(o.when, values)}
    others = {n: max(s, least.get(n, 0.0)) for n, s in ranked if n != card.id}
    found = sorted(((n, s) for n, s in others.items() if s >= LEAST_OTHER), key=lambda x: (-x[1], x[0]))
    # However sure: what it is most easily taken for is worth a look.
    usual = [(o.signature, FAR / 2) for o in card.alternative if o.signature in score][:1]
    return found[:3] or usual


def _nearest_two(
    ranked: list[tuple[str, float]], cards: Sequence[Card], values: Values, unclear: Card
) -> list[tuple[str, float]]:
    """The nearest two shapes; where fewer fit at all, those that most is alike of. What the card of `unclear` names
    itself comes before."""
    said = [(o.signature, o.share) for o in unclear.alternative if holds(o.when, values)]
    near = {card.id: FAR * nearness(card, values) for card in cards if card.id != UNCLEAR}
    found = sorted(((n, max(s, near[n])) for n, s in ranked), key=lambda x: (-x[1], x[0]))
    return [*said, *(each for each in found if each[0] not in dict(said))][:2]


def _tell_apart(name: str, card: Card, others: list[tuple[str, float]], cards: Shelf) -> str:
    """What tells an alternative from the finding, or for `unclear` from the other one of the two."""
    if card.id != UNCLEAR:
        return tell_apart(card, cards.card(name))
    if said := next((o.tell_apart for o in card.alternative if o.signature == name), ""):
        return said
    other = next((n for n, _ in others if n != name), "")
    return tell_apart(cards.card(other), cards.card(name)) if other else cards.card(name).would


def tell_apart(one: Card, other: Card) -> str:
    """What would tell `other` from `one`: as either card says, else what would be seen if it were the other."""
    said = [a.tell_apart for a in one.alternative if a.signature == other.id]
    said += [a.tell_apart for a in other.alternative if a.signature == one.id]
    return said[0] if said else other.would
