"""How alike a trace and its references are, from 0 to 1, in amperes.

Both curves are laid on bins of 0.2 s (wider where readings are rarer or the trace is long) over the time that both
have, and warped onto each other (`align.warp`) within the tolerance of time that divergence grants as well. Along the
way

    similarity = Σ min(a, b) / Σ max(a, b)

with what neither instrument tells from nothing raised to that (M. Ružička's measure, 1958). It says what share of the
larger charge both have in common: 1 for equal curves, 0.5 for one that draws twice as much throughout, near 0 for one
that draws nothing where the other works. Amperes are kept: a curve of the same shape at half the current is not alike.
"""

from __future__ import annotations

import numpy as np

from benchd.traces.align import warp
from benchd.traces.band import Band
from benchd.traces.divergence import Laid, lay, time_tolerance_s
from benchd.traces.features import Features
from benchd.traces.line import Floats
from benchd.traces.trace import Trace

WIDTH_S = 0.2
MOST_BINS = 300
"""The table of costs has the square of it."""


def similarity(trace: Trace, band: Band, features: Features | None = None) -> float | None:
    """Of a trace to its references, 0 to 1; None when it cannot be laid on them."""
    laid = lay(trace, band, features)
    return None if laid is None else similarity_of(laid)


def similarity_of(laid: Laid) -> float:
    """The same for a trace laid on its band already."""
    both = np.isfinite(laid.current_a) & np.isfinite(laid.reference_a)
    group = max(round(max(WIDTH_S, laid.length_s / MOST_BINS) / laid.width_s), 1)
    floor = max(laid.curve.seen_a, *(c.seen_a for c in laid.band.curves))
    mine, good, at_s = (_grouped(x[both], group) for x in (laid.current_a, laid.reference_a, laid.begin_s))
    return shared(np.maximum(mine, floor), np.maximum(good, floor), at_s, group * laid.width_s)


def shared(one_a: Floats, other_a: Floats, t_s: Floats, width_s: float) -> float:
    """Σ min / Σ max of two curves above 0 in the same bins, at `t_s` after the button, warped onto each other."""
    reach = time_tolerance_s(t_s, 0.0)
    apart = np.abs(t_s[:, None] - t_s[None, :])
    near = apart <= np.maximum(np.minimum(reach[:, None], reach[None, :]), width_s) + 1e-9
    cost = np.where(near, (one_a[:, None] - other_a[None, :]) ** 2, np.inf)
    _, way = warp(cost)
    a, b = one_a[way[:, 0]], other_a[way[:, 1]]
    return float(np.minimum(a, b).sum() / np.maximum(a, b).sum())


def _grouped(values: Floats, size: int) -> Floats:
    starts = np.arange(0, len(values), size)
    means: Floats = np.add.reduceat(values, starts) / np.diff(np.append(starts, len(values)))
    return means
