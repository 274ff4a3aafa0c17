"""How well cases were read: shares of right ones, the confusions, and whether confidence means what it says."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Iterable, Sequence

from tests.corpus.run import Result

CLASSES = (("5 to 8 /s", 0.0, 9.0), ("8 to 18 /s", 9.0, 18.0), ("20 /s and more", 18.0, math.inf))
SHORTS = frozenset({"dead-short", "late-short"})
GOOD = frozenset({"clean-boot", "over-draw"})
BINS = (0.0, 0.3, 0.5, 0.6, 0.7, 0.8, 0.9, 1.01)


def share(results: Sequence[Result]) -> float:
    """Of right readings; 1 where there are none."""
    return sum(r.right for r in results) / len(results) if results else 1.0


def by_rate(results: Iterable[Result]) -> list[tuple[str, list[Result]]]:
    """The results in classes of readings per s."""
    kept = list(results)
    return [(name, [r for r in kept if low <= r.rate < high]) for name, low, high in CLASSES]


def forbidden(results: Iterable[Result]) -> list[Result]:
    """A short that was read as clean, or a clean start as a short: never, whatever else is accepted."""
    return [
        r for r in results if (r.truth in SHORTS and r.signature in GOOD) or (r.truth in GOOD and r.signature in SHORTS)
    ]


def confusion(results: Iterable[Result]) -> Counter[tuple[str, str]]:
    """How often each truth was read as each signature. A reading that is right though it is not `truth`, as the case
    explains, counts as (truth, "also right")."""
    return Counter((r.truth, r.signature if r.signature == r.truth or not r.right else "also right") for r in results)


def wilson(hits: int, n: int, z: float = 1.96) -> tuple[float, float]:
    """The interval in which a share lies with 95 % (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209)."""
    if n == 0:
        return 0.0, 1.0
    p = hits / n
    middle = p + z * z / (2 * n)
    half = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return max((middle - half) / (1 + z * z / n), 0.0), min((middle + half) / (1 + z * z / n), 1.0)


def reliability(results: Iterable[Result]) -> list[tuple[float, float, int, float, float]]:
    """Bins of confidence: from, to, findings, mean confidence, share that name what was made. An answer that is honest
    and not what was made counts as missed: what cannot be known must not be stated as sure. `unclear` states no claim
    about the board, and is not in it."""
    rows = []
    named = [r for r in results if r.signature != "unclear"]
    for low, high in itertools.pairwise(BINS):
        some = [r for r in named if low <= r.confidence < high]
        if some:
            mean = sum(r.confidence for r in some) / len(some)
            rows.append((low, min(high, 1.0), len(some), mean, sum(r.exact for r in some) / len(some)))
    return rows
