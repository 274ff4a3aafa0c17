"""What a trace says: from scores to a finding with evidence, alternatives and next checks."""

from __future__ import annotations

from benchd.traces.advice import CAUTIONS, NEIGHBOUR, NEXT_CHECKS, tell_apart
from benchd.traces.evidence import evidence_for, quality
from benchd.traces.features import Features, extract
from benchd.traces.shapes import DEFAULT, NAMED, Thresholds, scores
from benchd.traces.trace import Alternative, Evidence, Finding, Trace

LEAST_SCORE = 0.45
"""Below this a shape does not fit well enough to be named."""
LEAST_LEAD = 0.08
"""Two shapes whose scores are nearer than this are not told apart."""
SUREST_UNCLEAR = 0.8
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
        confidence = score - 0.5 * next_score if next_score > 0.3 else score
        others = [(n, s) for n, s in ranked[1:3] if s >= 0.1]
        if best == "clean-boot":
            others.append(("over-draw", 0.1))
    else:
        signature = "unclear"
        confidence = min(1 - max(s for n, s in ranked if n in NAMED), SUREST_UNCLEAR)
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
        f.start.button_s if f.start else None,
    )


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
