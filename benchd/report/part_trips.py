"""The part of a report that tells of trips: why, how soon, and what was let through."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from benchd.report.document import Block, Facts, Heading, Items, Para
from benchd.report.gather import Gathered
from benchd.report.texts import Texts
from benchd.report.words import known_word
from benchd.store.log import StoredTrip


def trips(g: Gathered, texts: Texts) -> Iterator[Block]:
    """Each trip with its figures and the next checks."""
    if not g.trips:
        return
    from benchd.traces.trip_words import advice  # reads the shipped cards, and takes as long as all else

    numbers = {traced.row.id: traced.number for traced in g.traces}
    yield Heading(texts("trips.heading"))
    for trip in g.trips:
        rule = str(trip.figures["rule"])
        yield Heading(texts("trips.title", number=trip.number, rule=known_word("rule", rule, texts)), 2)
        where = texts(
            "trips.facts", moment=texts.moment(trip.tripped.detected_ns), supply=trip.supply, channel=trip.channel
        )
        if trip.trace in numbers:
            where += f", {texts('trips.of-trace', number=numbers[trip.trace])}"
        yield Para(where, "quiet")
        yield Facts(_figures(trip, texts))
        yield Para(texts("trips.checks"), "lead")
        yield Items([texts.said(check) for check in advice(rule).checks], ordered=True)


def cautions_of(g: Gathered) -> list[str]:
    """What the rules that tripped say to mind."""
    if not g.trips:
        return []
    from benchd.traces.trip_words import advice

    return [caution for trip in g.trips for caution in advice(str(trip.figures["rule"])).cautions]


def _figures(trip: StoredTrip, texts: Texts) -> list[tuple[str, str]]:
    f = trip.figures
    rows = [
        ("why", texts.said(str(f["text"]))),
        ("set", texts("traces.set", voltage=texts.plain(f["set_voltage_v"]), limit=texts.plain(f["limit_a"]))),
        ("decided", _after("trips.decided-after", f.get("detected_after_ms"), "ms", texts)),
        ("sent", _after("trips.sent-after", f.get("off_sent_after_us"), "µs", texts) or texts("trips.not-sent")),
        ("off", _off(f, texts)),
        ("charge", _through(f, "c", "C", texts)),
        ("energy", _through(f, "j", "J", texts)),
        ("square", _through(f, "a2s", "A²s", texts)),
    ]
    if f.get("budget_j"):
        share = texts.percent(f["let_through_j"] / f["budget_j"])
        rows.append(
            ("budget", texts("trips.budget-share", budget=_quantity(f["budget_j"], "J", None, texts), share=share))
        )
    return [(texts(f"trips.{key}"), text) for key, text in rows if text]


def _off(f: dict[str, Any], texts: Texts) -> str:
    if not f.get("off_confirmed"):
        return texts("trips.off-unknown")
    after_ms = f.get("off_confirmed_after_ms")
    if after_ms is None:
        return texts("trips.off-confirmed-plain")
    return texts("trips.off-confirmed", time=f"{texts.plain(after_ms)} ms")


def _after(key: str, value: float | None, unit: str, texts: Texts) -> str:
    return "" if value is None else texts(key, time=f"{texts.numbers(f'{value:.3g}')} {unit}")


def _through(f: dict[str, Any], key: str, unit: str, texts: Texts) -> str:
    name = f"let_through_{key}"
    u, most = f.get(f"{name}_u"), f.get(f"{name}_most")
    text = _quantity(f[name], unit, u, texts) + (" (k = 2)" if u is not None else "")
    if most is None or not math.isfinite(most):
        return text
    return texts("trips.at-most", figure=text, most=_quantity(most, unit, None, texts))


def _quantity(value: float, unit: str, u: float | None, texts: Texts) -> str:
    from benchd.traces.trip_words import quantity

    if not math.isfinite(value):
        return texts("format.not-known")
    return texts.numbers(quantity(value, unit, u))
