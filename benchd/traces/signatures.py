"""What a trace says: from scores to a finding with evidence, alternatives and next checks."""

from __future__ import annotations

from benchd.traces.advice import CAUTIONS, NEIGHBOUR, NEXT_CHECKS, tell_apart
from benchd.traces.evidence import evidence_for, quality
from benchd.traces.features import Features, extract
from benchd.traces.shapes import DEFAULT, NAMED, Thresholds, scores
from benchd.traces.trace import Alternative, Evidence, Finding, Trace

LEAST_SCORE = 0.45
"""Below this a shape does not fit well enough to be named."""
SECOND_COUNTS = 0.35
"""A second shape that scores less takes nothing from the sureness of the first."""
LEAST_LEAD = 0.08
"""Two shapes whose scores are nearer than this are not told apart."""
WITHOUT_BUTTON = ("no-draw", "dead-short")
"""In these no rise can be the button."""
SUREST_UNCLEAR = 0.9
"""Nor that nothing known fits."""
MOST_SURE = 0.95
"""No trace alone makes surer than this."""


def read_trace(trace: Trace, limits: Thresholds = DEFAULT) -> Finding:
    """Read a trace. Any readings will do, none too: then the finding is `unclear` and says why. Never raises on data.

    The button is taken as marked by hand; a mark made while recording is looked for again, now with the whole trace.
    """
    return judge(extract(trace), limits)


def judge(f: Features, limits: Thresholds = DEFAULT) -> Finding:
    """The finding on a trace whose features are known."""
    ranked = sorted(scores(f, limits).items(), key=lambda x: (-x[1], x[0]))
    (best, score), (_, next_score) = ranked[:2]
    factor, doubts = quality(f)
    if best in NAMED and score >= LEAST_SCORE and score - next_score >= LEAST_LEAD and f.start is not None:
        signature = best
        # A second shape that fits too takes its share of the sureness.
        confidence = score - 0.5 * next_score if next_score > SECOND_COUNTS else score
        others = [(n, s) for n, s in ranked[1:3] if s >= 0.1]
        if best == "clean-boot":
            others.append(("over-draw", 0.1))
    else:
        signature = "unclear"
        named = max(s for n, s in ranked if n in NAMED)
        # With two that fit equally well, each may be right.
        confidence = min(1 - named if named < LEAST_SCORE or best not in NAMED else 0.5, SUREST_UNCLEAR)
        others = _nearest_two(ranked) if score > 0 else []
    alternatives = [
        Alternative(name, round(min(s, MOST_SURE) * factor, 2), tell_apart(_against(name, signature, others), name))
        for name, s in others
    ]
    return Finding(
        signature,
        round(max(min(confidence, MOST_SURE), 0.1) * factor, 2),
        (*evidence_for(f, signature, best if score >= 0.2 else None), *(Evidence(d) for d in doubts)),
        tuple(alternatives),
        NEXT_CHECKS[signature],
        CAUTIONS[signature],
        _button_s(f, signature, ranked),
    )


def _button_s(f: Features, signature: str, ranked: list[tuple[str, float]]) -> float | None:
    """The button; only as a person marked it where the board gave no sign of one."""
    if f.start is None or (signature in WITHOUT_BUTTON and f.start.button_by != "hand"):
        return None
    if signature == "unclear" and f.start.clip_untold and dict(ranked)["mid-stall"] >= LEAST_SCORE:
        # One start in two rungs is likelier than a leak and a stall on one board.
        return f.start.first_s
    return f.start.button_s


def _nearest_two(ranked: list[tuple[str, float]]) -> list[tuple[str, float]]:
    """The nearest two shapes; where only one is near, the one that it is most easily mistaken for."""
    first, second = ranked[:2]
    if second[1] < 0.05:
        second = (NEIGHBOUR[first[0]], second[1])
    return [first, second]


def _against(name: str, signature: str, others: list[tuple[str, float]]) -> str:
    """What an alternative is to be told apart from: the signature, or for `unclear` the other one of the two."""
    if signature != "unclear":
        return signature
    return next((n for n, _ in others if n != name), name)
