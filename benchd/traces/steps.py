"""Where a level changes: least-squares segmentation, exact."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def change_points(values: NDArray[np.float64], penalty: float, min_size: int = 1) -> list[int]:
    """Ends of the segments of `values` (the last is their length), so that the sum of squared distances from each
    segment's mean plus `penalty` per segment is least. `penalty` in the square of the values' unit.

    Optimal partitioning (Jackson et al., IEEE Signal Processing Letters 12, 2005): exact, O(n²), so for some hundred
    values.
    """
    n = len(values)
    if n < 2 * min_size:
        return [n] if n else []
    sums = np.concatenate([[0.0], np.cumsum(values)])
    squares = np.concatenate([[0.0], np.cumsum(values * values)])
    counts = np.arange(n + 1, dtype=np.float64)
    best = np.full(n + 1, np.inf)
    best[0] = -penalty
    before = np.zeros(n + 1, np.int64)
    for end in range(min_size, n + 1):
        last = end - min_size + 1
        mean_part = (sums[end] - sums[:last]) ** 2 / (end - counts[:last])
        cost = best[:last] - squares[:last] - mean_part
        at = int(np.argmin(cost))
        best[end] = cost[at] + squares[end] + penalty
        before[end] = at
    ends = [n]
    while before[ends[-1]] > 0:
        ends.append(int(before[ends[-1]]))
    return ends[::-1]
