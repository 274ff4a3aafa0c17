"""Two traces beside each other: before and after a repair step, or one board and another."""

from __future__ import annotations

import math
from collections.abc import Sequence

import msgspec

from benchd.traces.align import Curve, curve_of
from benchd.traces.band import USUAL_SHARE, Band, other_voltage
from benchd.traces.cards import Shelf
from benchd.traces.divergence import parted
from benchd.traces.features import Features, extract
from benchd.traces.signatures import read_trace
from benchd.traces.similarity import similarity_of
from benchd.traces.trace import Divergence, Trace
from benchd.traces.uncertainty import COVERAGE

EARLIER = "the earlier one"
"""What the first of two traces is called: nothing says that it is of a good board."""


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
    """With what it usually differs by from one power-up of a board to the next."""
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


def compare(
    before: Trace, after: Trace, cards: Shelf | None = None, bands: tuple[Band | None, Band | None] = (None, None)
) -> Comparison:
    """Compare two traces, read by these cards and with these bands of their boards' references. Any readings will do.

    Where they cannot be laid on each other the answer says why.
    """
    f, g = extract(before), extract(after)
    one, other = read_trace(before, cards, bands[0]), read_trace(after, cards, bands[1])
    said = (one.signature, one.confidence, other.signature, other.confidence)
    curves = curve_of(before, f), curve_of(after, g)
    first, second = curves
    if first is None or second is None:
        told = (
            f"the {'first' if first is None else 'second'} trace shows no button, so that nothing says where it begins"
        )
        return Comparison(*said, _figures(f, g), why_not=f"{told}; mark the button in it")
    told = other_voltage(second.set_v, first.set_v, EARLIER)
    found = None if told else parted(after, before, EARLIER, (g, f))
    if found is None:
        return Comparison(*said, _figures(f, g), why_not=told or "they have no time in common after the button")
    figures = _figures(f, g, (first, second))
    similarity = round(similarity_of(found.laid), 4)
    return Comparison(*said, figures, similarity, found.divergence, round(found.laid.length_s, 3))


def _charge(curve: Curve, until_s: float) -> float | None:
    """From the button until so long after it, C: the same stretch for both, so that they can be compared."""
    if not until_s > 0:
        return None
    charge = curve.mean_over(0.0, until_s) * until_s
    return charge if math.isfinite(charge) else None


def _figures(f: Features, g: Features, curves: tuple[Curve, Curve] | None = None) -> tuple[Figure, ...]:
    leaks = [(x.start.leak_a, x.leak_u_a) if x.start else _NOT_SEEN for x in (f, g)]
    # One reading in a burst: how much it differs from one power-up to the next is not known.
    peaks = [(x.rest.peak_a, None) if x.rest else _NOT_SEEN for x in (f, g)]
    tails = [(x.rest.tail_a, x.settled_u_a) if x.rest and x.rest.tail_s > 0 else _NOT_SEEN for x in (f, g)]
    usual_a = [COVERAGE * USUAL_SHARE * a for a, _ in tails if a is not None]
    until_s = 0.0 if curves is None else min(c.to_s for c in curves)
    charges = [(_charge(c, until_s), None) for c in curves] if curves is not None else [_NOT_SEEN, _NOT_SEEN]
    return (
        _figure("leak before the button", "A", leaks),
        _figure("peak after the button", "A", peaks),
        _figure("settled mean", "A", tails, usual_a),
        _figure("charge" + (f" in the first {until_s:.1f} s" if until_s > 0 else ""), "C", charges),
        _figure("lowest voltage, of set", "1", [(1 - x.sag, x.sag_u) for x in (f, g)]),
    )


def _figure(
    name: str, unit: str, both: Sequence[tuple[float | None, float | None]], usual: Sequence[float] = ()
) -> Figure:
    """`usual`: what each differs by from one power-up to the next (k = 2), beyond the uncertainty of measuring it."""
    (before, before_u), (after, after_u) = both
    difference = None if before is None or after is None else after - before
    u = None if difference is None or before_u is None or after_u is None else math.hypot(before_u, after_u, *usual)
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
