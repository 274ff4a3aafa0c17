"""Fits what a stated confidence means: see `benchd.traces.calibration` for the procedure and its result."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from pathlib import Path
from unittest import mock

import numpy as np

from benchd.traces import signatures
from tests.corpus.run import Task, case_of, each, judged

AT = (0.0, 0.3, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95)
"""Raw confidences at which the map has its corners."""
MOST_RAISED = 0.08
"""What a map of named findings may add at most. Our choice, and half of what the corpus would allow."""
PRIOR = 20.0
"""So many findings are believed to have been seen at each corner besides, right as often as the raw confidence says:
the corpus is of one make, and other boards will be read less well."""


@dataclasses.dataclass(frozen=True)
class Stated:
    """What the scores said of one case (raw times quality), before it was mapped; and whether it was right: named as it
    was made, or `unclear` where that is honest."""

    unclear: bool
    raw: float
    right: bool


def stated(task: Task) -> Stated:
    """Read a case and take down what was passed to the map for the finding."""
    number, keep = task
    case = case_of(number, keep)
    with mock.patch.object(signatures, "calibrated", lambda _signature, raw, quality: raw * quality):
        result = judged(number, case)
    unclear = result.signature == "unclear"
    return Stated(unclear, result.confidence, result.right if unclear else result.exact)


def fit(rows: Sequence[Stated], most_raised: float) -> list[tuple[float, float]]:
    """Corners (raw, share of right ones) of a map that never falls.

    Each finding counts at its two nearest corners by how near it is; `PRIOR` findings are added at each; then
    neighbours that fall are pooled (pool adjacent violators: Barlow et al., Statistical Inference under Order
    Restrictions, Wiley 1972). No corner is raised by more than `most_raised`: the cards hold some confidence back for
    what the corpus has not got, such as a button that nobody pressed.
    """
    at = np.array(AT)
    n, hits = np.full(len(at), PRIOR), PRIOR * at
    for row in rows:
        above = int(np.clip(np.searchsorted(at, row.raw), 1, len(at) - 1))
        share = float(np.clip((row.raw - at[above - 1]) / (at[above] - at[above - 1]), 0, 1))
        for k, weight in ((above - 1, 1 - share), (above, share)):
            n[k] += weight
            hits[k] += weight * row.right
    blocks: list[tuple[float, float, int]] = []
    for count, right in zip(n, hits, strict=True):
        blocks.append((float(right), float(count), 1))
        while len(blocks) > 1 and blocks[-2][0] * blocks[-1][1] > blocks[-1][0] * blocks[-2][1]:
            (r1, c1, k1), (r2, c2, k2) = blocks[-2:]
            blocks[-2:] = [(r1 + r2, c1 + c2, k1 + k2)]
    levels = [round(r / c, 3) for r, c, k in blocks for _ in range(k)]
    return [(raw, round(min(raw + most_raised, level), 3)) for raw, level in zip(AT, levels, strict=True)]


def fit_and_tell(numbers: Iterable[int], keep: Path | None, workers: int) -> int:
    """Print the two maps, to be put into `benchd.traces.calibration`."""
    rows = each(numbers, stated, keep, workers)
    for name, some, most_raised in (
        ("NAMED", [r for r in rows if not r.unclear], MOST_RAISED),
        ("UNCLEAR", [r for r in rows if r.unclear], 0.0),
    ):
        print(f"{name} = {tuple(fit(some, most_raised))}  # {len(some)} findings")
    return 0
