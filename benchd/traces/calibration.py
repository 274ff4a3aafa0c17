"""From how well a shape fits to how often such a finding is right.

A raw confidence is a score, no probability. The maps below were fitted on the half of the labelled corpus that is kept
for it (`python -m tests.corpus calibrate`): at each corner the share of findings near it that name what was made (an
honest second answer counts as missed: what cannot be known must not be stated as sure), with 20 made-up findings added
that are right as often as the raw confidence says, since other boards than those of the corpus will be read less well;
then made to rise only (pool adjacent violators: Barlow et al., Statistical Inference under Order Restrictions, Wiley
1972). They add 0.08 at most: cards hold some confidence back for what the corpus has not got, such as a button that
nobody pressed. Straight lines between. How it comes out on the other half is in READING.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

NAMED = ((0.0, 0.0), (0.3, 0.355), (0.45, 0.53), (0.55, 0.63), (0.65, 0.73), (0.75, 0.826), (0.85, 0.905), (0.95, 0.95))
"""Of findings that name a signature: raw confidence times quality, and what is stated."""
UNCLEAR = ((0.0, 0.0), (0.3, 0.3), (0.45, 0.45), (0.55, 0.55), (0.65, 0.65), (0.75, 0.75), (0.85, 0.85), (0.95, 0.95))
"""Of `unclear`."""
MOST_STATED = 0.95
"""No trace alone makes surer than this (our choice)."""


def calibrated(signature: str, raw: float, quality: float) -> float:
    """The confidence to be stated, 0 to 1. `raw`: how well the shape fits, 0 to 1; `quality`: how much of the sureness
    the trace's readings can carry, 0 to 1."""
    corners = UNCLEAR if signature == "unclear" else NAMED
    return min(_between(corners, raw * quality), MOST_STATED)


def shared(confidence: float, fits: Sequence[float]) -> tuple[float, ...]:
    """What is left beside a finding's confidence, for its alternatives: in proportion to how well they fit (0 to 1),
    and none more than it fits."""
    whole = sum(fits)
    if whole <= 0:
        return tuple(0.0 for _ in fits)
    share = min(max(1 - confidence, 0.0) / whole, 1.0)
    return tuple(fit * share for fit in fits)


def _between(corners: Sequence[tuple[float, float]], x: float) -> float:
    """Along straight lines between the corners; beyond them as at the last."""
    if not x > corners[0][0]:  # NaN too: nothing is known then
        return corners[0][1]
    for (x0, y0), (x1, y1) in pairwise(corners):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return corners[-1][1]
