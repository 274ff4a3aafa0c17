"""The part of a report that tells how it was measured: supply, plan, settings, rate, accuracy, versions."""

from __future__ import annotations

import time
from collections.abc import Iterator

from benchd.report.document import Block, Facts, Heading
from benchd.report.gather import Gathered
from benchd.report.texts import Texts
from benchd.report.words import known_word
from benchd.traces.trace import Conditions


def conditions(g: Gathered, texts: Texts, version: str) -> Iterator[Block]:
    """What the next technician has to know to repeat it."""
    yield Heading(texts("conditions.heading"))
    rows = [(texts("conditions.supply"), said) for said in _supplies(g, texts)]
    plans = dict.fromkeys(str(e.payload["plan"]) for e in g.entries if e.kind == "output" and e.payload.get("plan"))
    rows += [(texts("conditions.plan"), ", ".join(plans))] if plans else []
    rows += [(texts("conditions.set"), "; ".join(_settings(g, texts)))] if g.traces else []
    rows += [(texts("conditions.rate"), _rates(g, texts))] if g.traces else []
    rows += _accuracies(g, texts)
    if g.traces or g.trips:
        rows.append((texts("conditions.uncertainty"), texts("conditions.uncertainty-line")))
    if g.job.board:
        key = "conditions.references-line" if g.references else "conditions.references-none"
        rows.append((texts("conditions.references"), texts(key, number=g.references)))
    rows.append((texts("conditions.times"), texts("conditions.times-line", zone=time.strftime("%z"))))
    rows.append((texts("conditions.versions"), _versions(g, texts, version)))
    yield Facts(rows)


def _supplies(g: Gathered, texts: Texts) -> Iterator[str]:
    for name, told in g.supplies.items():
        if told.get("identity"):
            trust = known_word("trust", told["trust"], texts)
            profile = told["profile"] or texts("format.not-known")
            yield texts("conditions.supply-line", name=name, identity=told["identity"], profile=profile, trust=trust)
    if unknown := [name for name, told in g.supplies.items() if not told.get("identity")]:
        yield texts("conditions.supply-unknown", names=", ".join(unknown))


def _settings(g: Gathered, texts: Texts) -> list[str]:
    """Each that a trace was taken with, once."""
    found = {}
    for traced in g.traces:
        c = traced.row.conditions
        if c.set_voltage_v is not None and c.limit_a is not None:
            words = texts("traces.set", voltage=texts.plain(c.set_voltage_v), limit=texts.plain(c.limit_a))
            found[words] = True
    return list(found) or [texts("traces.set-unknown")]


def _rates(g: Gathered, texts: Texts) -> str:
    rates = sorted(traced.rate_per_s for traced in g.traces)
    low, high = (texts.figure(each, "").strip() for each in (rates[0], rates[-1]))
    if low == high:
        return texts("conditions.rate-one", low=low)
    return texts("conditions.rate-line", low=low, high=high)


def _accuracies(g: Gathered, texts: Texts) -> list[tuple[str, str]]:
    """Of current and voltage, as known when the traces were taken."""
    rows = []
    every = [traced.row.conditions for traced in g.traces]
    for key, unit, of in (("accuracy-a", "A", _of_current), ("accuracy-v", "V", _of_voltage)):
        said = dict.fromkeys(_accuracy(*of(c), unit, texts) for c in every)
        rows += [(texts(f"conditions.{key}"), "; ".join(said))] if said else []
    return rows


def _of_current(c: Conditions) -> tuple[float | None, float | None, float | None]:
    return c.accuracy_fraction_a, c.accuracy_offset_a, c.resolution_a


def _of_voltage(c: Conditions) -> tuple[float | None, float | None, float | None]:
    return c.accuracy_fraction_v, c.accuracy_offset_v, c.resolution_v


def _accuracy(fraction: float | None, offset: float | None, step: float | None, unit: str, texts: Texts) -> str:
    if not fraction and not offset:
        return texts("conditions.accuracy-unknown")
    parts = [texts("conditions.accuracy-share", percent=texts.plain((fraction or 0.0) * 100))] if fraction else []
    parts += [texts.figure(offset, unit)] if offset else []
    steps = texts("conditions.accuracy-steps", step=texts.figure(step, unit)) if step else ""
    return f"± ({' + '.join(parts)}){steps}"


def _versions(g: Gathered, texts: Texts, version: str) -> str:
    cards = sorted({t.row.finding.cards for t in g.traces if t.row.finding is not None and t.row.finding.cards})
    key = "conditions.versions-line" if cards else "conditions.versions-none"
    return texts(key, version=version, cards=", ".join(cards))
