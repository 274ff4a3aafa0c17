"""The outcomes of a replay as one JSON object each, and as the tables of a terminal."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import Any

import msgspec

from benchd.traces.replay import CANNOT_KNOW, Outcome, Trip


def record(outcome: Outcome) -> dict[str, Any]:
    """One trace, then and now; units in the names."""
    return {"kind": "trace", **msgspec.to_builtins(outcome), "flips": outcome.flips, "changed": outcome.changed}


def counts(results: Sequence[Outcome], asked: int, seconds: float) -> dict[str, Any]:
    """How many of each, and how many of these on good boards."""
    good = [outcome for outcome in results if outcome.good]
    found: dict[str, Any] = {"kind": "summary", "traces": len(results), "asked": asked, "good": len(good)}
    for key, which in _COUNTED.items():
        found |= {key: sum(map(which, results)), f"{key}_good": sum(map(which, good))}
    return found | {"seconds": round(seconds, 3)}


def table(results: Sequence[Outcome], found: dict[str, Any], only_changed: bool, missing_plans: Collection[str]) -> str:
    """All that changed, good boards first; then what stayed, the sums, and what no replay can know."""
    if not results:
        return "no traces to replay: none in this log is as asked"
    lines: list[str] = []
    for title, which, words in _GROUPS:
        rows = sorted(filter(which, results), key=lambda o: (_GOOD_FIRST[o.good], o.trace))
        if rows:
            lines += [f"{title} ({len(rows)})", *_aligned([_cells(row, words(row)) for row in rows]), ""]
    if not only_changed:
        rows = [o for o in results if not o.changed]
        lines += [f"As before ({len(rows)})", *_aligned([_cells(row, _as_before(row)) for row in rows]), ""]
    lines += _sums(found)
    if missing_plans:
        names = ", ".join(sorted(missing_plans))
        lines.append(f"Not there any more, so their traces were judged by the rules' own defaults: {names}")
    lines += ["", "What a replay cannot know:", *(f"  {text}" for text in CANNOT_KNOW)]
    return "\n".join(lines)


_SUMS = {
    "new_trips": "new trips",
    "held": "held at a lower limit",
    "no_trips": "trips that would not come",
    "earlier": "trips that come earlier",
    "later": "trips that come later",
    "other_rule": "trips by another rule",
    "flips": "findings that flip",
    "not_comparable": "trips not comparable",
    "not_judged": "trips not judged",
    "errors": "could not be replayed",
}
_COUNTED: dict[str, Callable[[Outcome], bool]] = {
    "new_trips": lambda o: o.change == "new-trip",
    "held": lambda o: o.held_from_s is not None,
    "no_trips": lambda o: o.change == "no-trip",
    "earlier": lambda o: o.change == "earlier",
    "later": lambda o: o.change == "later",
    "other_rule": lambda o: o.change == "other-rule",
    "flips": lambda o: o.flips,
    "not_comparable": lambda o: o.change == "not-comparable",
    "not_judged": lambda o: o.change == "not-judged" and not o.error,
    "errors": lambda o: bool(o.error),
}


# ---- rows -----------------------------------------------------------------------------------------------------------

_GOOD_FIRST = {"reference": 0, "clean-boot": 1, "": 2}


def _trip(trip: Trip | None) -> str:
    if trip is None:
        return "no trip"
    stage = f" in {trip.stage}" if trip.stage not in ("", "boot") else ""
    at = f"at {trip.at_s:.3f} s" if trip.at_s >= 0 else f"{-trip.at_s:.3f} s before the trace"
    return f"{trip.rule or 'trip'} {at}{stage}"


def _new(o: Outcome) -> str:
    assert o.trip_now is not None
    return f"{_trip(o.trip_now)}: {o.trip_now.text}"


def _held(o: Outcome) -> str:
    return f"from {o.held_from_s:.3f} s, for {o.held_longest_s:.3f} s in one stretch"


def _gone(o: Outcome) -> str:
    return f"{_trip(o.trip_was)}; not decided by the time it was cut"


def _moved(o: Outcome) -> str:
    assert o.moved is not None
    ms, energy_j = o.moved.ms, o.moved.energy_j
    words = f"{abs(ms):.3g} ms {'later' if ms > 0 else 'earlier'}, {abs(energy_j):.3g} J {'more' if ms > 0 else 'less'}"
    return f"{_trip(o.trip_was)} -> {_trip(o.trip_now)}" + (f" ({words})" if ms else "")


def _flip(o: Outcome) -> str:
    return f"{_said(o.signature_was, o.confidence_was)} -> {_said(o.signature_now, o.confidence_now)}"


def _said(signature: str | None, confidence: float | None) -> str:
    return "no finding" if signature is None else f"{signature} ({confidence or 0.0:.0%})"


def _as_before(o: Outcome) -> str:
    said = _said(o.signature_now, o.confidence_now)
    return "; ".join([_trip(o.trip_was), said, *o.notes])


_GROUPS: tuple[tuple[str, Callable[[Outcome], bool], Callable[[Outcome], str]], ...] = (
    ("New trips on good boards", lambda o: o.change == "new-trip" and bool(o.good), _new),
    ("Good boards that the lower limit would hold back", lambda o: o.held_from_s is not None and bool(o.good), _held),
    ("New trips on other boards", lambda o: o.change == "new-trip" and not o.good, _new),
    ("Other boards that the lower limit would hold back", lambda o: o.held_from_s is not None and not o.good, _held),
    ("Trips that would not come", lambda o: o.change == "no-trip", _gone),
    ("Trips that would come earlier", lambda o: o.change == "earlier", _moved),
    ("Trips that would come later", lambda o: o.change == "later", _moved),
    ("Trips by another rule", lambda o: o.change == "other-rule", _moved),
    ("Findings that flip", lambda o: o.flips, _flip),
    ("Traces that could not be replayed", lambda o: bool(o.error), lambda o: o.error),
)


def _cells(o: Outcome, words: str) -> tuple[str, ...]:
    good = {"reference": "reference", "clean-boot": "clean boot", "": "-"}[o.good]
    return (o.trace, o.job or "-", o.board or "-", good, words)


def _aligned(rows: list[tuple[str, ...]]) -> list[str]:
    widths = [max(len(row[n]) for row in rows) for n in range(4)] if rows else []
    return ["  " + "  ".join([*(c.ljust(w) for c, w in zip(row, widths, strict=False)), row[-1]]) for row in rows]


def _sums(found: dict[str, Any]) -> list[str]:
    lines = [
        f"{found['traces']} traces in {found['seconds']:.1f} s",
        f"  {'':<28}{'all':>8}{'good boards':>14}",
        f"  {'traces':<28}{found['traces']:>8}{found['good']:>14}",
        *(f"  {label:<28}{found[key]:>8}{found[f'{key}_good']:>14}" for key, label in _SUMS.items()),
    ]
    if found["not_comparable"] or found["not_judged"]:
        lines.append("  Why they could not be judged stands behind each in the list without --only-changed.")
    return lines
