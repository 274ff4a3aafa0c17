"""Two traces beside each other: before and after a repair step, or one board and another."""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from benchd.traces.against import against
from benchd.traces.align import curve_of
from benchd.traces.band import USUAL_SHARE, Band, BandError
from benchd.traces.cards import Shelf
from benchd.traces.features import Features, extract
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Divergence, Trace
from benchd.traces.uncertainty import COVERAGE


class Figure(msgspec.Struct, frozen=True):
    """One quantity of both traces. None: one of them does not show it; uncertainties are expanded (k = 2)."""

    name: str
    unit: str
    before: float | None
    before_u: float | None
    after: float | None
    after_u: float | None
    difference: float | None
    """After less before."""
    difference_u: float | None
    changed: bool | None
    """Whether the difference is more than its uncertainty; None: that is not known."""


_NOT_SEEN: tuple[None, None] = (None, None)


class Comparison(msgspec.Struct, frozen=True):
    """What two traces have in common and where the later one leaves the earlier."""

    before_signature: str
    before_confidence: float
    after_signature: str
    after_confidence: float
    figures: tuple[Figure, ...]
    similarity: float | None = None
    """0 to 1, see `benchd.traces.similarity`."""
    divergence: Divergence | None = None
    """Where the second leaves the first; None: nowhere in the time compared."""
    compared_s: float = 0.0
    why_not: str = ""
    """Why the curves cannot be laid on each other; empty: they were."""


def compare(before: Trace, after: Trace, cards: Shelf | None = None) -> Comparison:
    """Compare two traces, read by these cards. Any readings will do.

    Where they cannot be laid on each other the answer says why.
    """
    f, g = extract(before), extract(after)
    one, other = read_trace(before, cards), read_trace(after, cards)
    said = (one.signature, one.confidence, other.signature, other.confidence)
    try:
        band = Band.of([before], [f])
    except BandError:
        told = "the first trace shows no button, so that nothing can be laid on it; mark the button in it"
        return Comparison(*said, _figures(f, g, None, None), why_not=told)
    found = against(after, band, g)
    if found.why_not:
        return Comparison(*said, _figures(f, g, None, None), why_not=found.why_not)
    common_s = min(c.to_s for c in (band.curves[0], curve_of(after, g)) if c is not None)
    figures = _figures(f, g, _charge(before, f, common_s), _charge(after, g, common_s))
    similarity = None if found.similarity is None else round(found.similarity, 4)
    return Comparison(*said, figures, similarity, found.divergence, round(found.compared_s, 3))


def _charge(trace: Trace, f: Features, until_s: float) -> float | None:
    """From the button until so long after it, C: the same stretch for both, so that they can be compared."""
    curve = curve_of(trace, f)
    if curve is None or not until_s > 0:
        return None
    charge = curve.mean_over(0.0, until_s) * until_s
    return charge if math.isfinite(charge) else None


def _figures(f: Features, g: Features, before_c: float | None, after_c: float | None) -> tuple[Figure, ...]:
    leaks = [(x.start.leak_a, x.leak_u_a) if x.start else _NOT_SEEN for x in (f, g)]
    # One reading in a burst: how much it differs from one power-up to the next is not known.
    peaks = [(x.rest.peak_a, None) if x.rest else _NOT_SEEN for x in (f, g)]
    tails = [(x.rest.tail_a, _settled_u(x)) if x.rest and x.rest.tail_s > 0 else _NOT_SEEN for x in (f, g)]
    return (
        _figure("leak before the button", "A", leaks),
        _figure("peak", "A", peaks),
        _figure("settled mean", "A", tails),
        _figure("charge since the button", "C", [(before_c, None), (after_c, None)]),
        _figure("lowest voltage share", "1", [(1 - x.sag, x.sag_u) for x in (f, g)]),
    )


def _settled_u(f: Features) -> float | None:
    """Of the settled current, with what it usually differs by from one power-up to the next (k = 2), A."""
    if f.rest is None or f.settled_u_a is None:
        return None
    return math.hypot(f.settled_u_a, COVERAGE * USUAL_SHARE * f.rest.tail_a)


def _figure(name: str, unit: str, both: Sequence[tuple[float | None, float | None]]) -> Figure:
    (before, before_u), (after, after_u) = both
    difference = None if before is None or after is None else after - before
    u = None if difference is None or before_u is None or after_u is None else math.hypot(before_u, after_u)
    return Figure(
        name,
        unit,
        _rounded(before),
        _rounded(before_u),
        _rounded(after),
        _rounded(after_u),
        _rounded(difference),
        _rounded(u),
        None if difference is None or u is None else abs(difference) > u,
    )


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 7)
