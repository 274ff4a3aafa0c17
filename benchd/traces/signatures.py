"""What a trace says: from scores to a finding with evidence, alternatives and next checks."""

from __future__ import annotations

from benchd.traces.advice import CAUTIONS, NEXT_CHECKS, tell_apart
from benchd.traces.evidence import evidence_for, quality
from benchd.traces.features import Features, extract
from benchd.traces.shapes import DEFAULT, NAMED, Thresholds, scores
from benchd.traces.trace import Alternative, Evidence, Finding, Trace

LEAST_SCORE = 0.45
"""Below this a shape does not fit well enough to be named."""
LEAST_LEAD = 0.08
"""Two shapes whose scores are nearer than this are not told apart."""
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
    (best, score), (second, next_score) = ranked[:2]
    factor, doubts = quality(f)
    button_s = f.start.button_s if f.start else None
    told = score >= LEAST_SCORE and score - next_score >= LEAST_LEAD
    if best in NAMED and told and f.start is not None:
        confidence = min(score * (1 - 0.5 * next_score / score), MOST_SURE) if next_score > 0.3 else score
        confidence = min(confidence, MOST_SURE) * factor
        others = [(n, s) for n, s in ranked[1:3] if s >= 0.1]
        if best == "clean-boot":
            others.append(("over-draw", 0.1))
        signature = best
    else:
        signature = "unclear"
        # The surer it is that it is something else, or nothing known, the surer `unclear` is right.
        named_best = max(s for n, s in ranked if n in NAMED)
        confidence = max(1 - named_best, 0.2) * factor * MOST_SURE
        others = ranked[:2] if score > 0 else []
    reference = best if signature == "unclear" else signature
    alternatives = []
    for name, s in others[:3]:
        other = second if name == reference else reference
        alternatives.append(Alternative(name, round(min(s, MOST_SURE) * factor, 2), tell_apart(other, name)))
    evidence = evidence_for(f, signature, best if score >= 0.2 else None)
    return Finding(
        signature,
        round(confidence, 2),
        (*evidence, *(Evidence(d) for d in doubts)),
        tuple(alternatives),
        NEXT_CHECKS[signature],
        CAUTIONS[signature],
        button_s,
    )
