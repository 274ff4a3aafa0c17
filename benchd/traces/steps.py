"""Where a level changes: least-squares segmentation, exact."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def change_points(values: NDArray[np.float64], penalty: float, min_size: int = 1) -> list[int]:
    """Ends of the segments of `values` (the last is their length), so that the sum of squared distances from each
    segment's mean plus `penalty` per segment is least. `penalty` in the square of the values' unit.

    Optimal partitioning (Jackson et al., IEEE Signal Processing Letters 12, 2005): exact, O(n²) in time and memory, so
    for some hundred values.
    """
    n = len(values)
    if n < 2 * min_size:
        return [n] if n else []
    costs = _costs(values, penalty)
    best = np.full(n + 1, np.inf)
    best[0] = -penalty
    before = np.zeros(n + 1, np.int64)
    for end in range(min_size, n + 1):
        cost = best[: end - min_size + 1] + costs[end, : end - min_size + 1]
        at = int(cost.argmin())
        best[end] = cost[at]
        before[end] = at
    ends = [n]
    while before[ends[-1]] > 0:
        ends.append(int(before[ends[-1]]))
    return ends[::-1]


def _costs(values: NDArray[np.float64], penalty: float) -> NDArray[np.float64]:
    """Row `end`, column `first`: squared distances of values[first:end] from their mean, with the penalty. Nothing of
    use where first >= end."""
    # About the overall mean, or the difference of two large sums would leave little of a small scatter.
    x = values - values.mean()
    sums = np.concatenate([[0.0], np.cumsum(x)])
    squares = np.concatenate([[0.0], np.cumsum(x * x)])
    counts = np.arange(len(x) + 1, dtype=np.float64)
    length = np.maximum(counts[:, None] - counts, 1.0)
    costs: NDArray[np.float64] = np.subtract.outer(sums, sums)
    costs *= costs
    costs /= -length
    costs += np.subtract.outer(squares, squares) + penalty
    return costs
