"""The part of a report that tells of every power-up: its drawing, its finding, and what that stands on."""

from __future__ import annotations

from collections.abc import Iterator

from benchd.report.document import Block, Drawing, Drawings, Heading, Items, Para, Table
from benchd.report.drawing import wide
from benchd.report.gather import MOST_DRAWN, Gathered, Traced
from benchd.report.texts import Texts
from benchd.report.words import peak, short_finding, signature, sure
from benchd.traces.trace import Finding


def traces(g: Gathered, texts: Texts) -> Iterator[Block]:
    """A table of all, then each."""
    if not g.traces:
        return
    yield Heading(texts("traces.heading"))
    head = [texts(f"traces.{key}") for key in ("number", "start", "finding", "peak", "energy", "length")]
    yield Table(head, [_row(traced, texts) for traced in g.traces], right=[3, 4, 5])
    if len(g.traces) > MOST_DRAWN:
        yield Para(texts("traces.not-drawn", number=len(g.traces) - MOST_DRAWN), "quiet")
    shown: dict[tuple[str, ...], int] = {}
    for traced in g.traces[-MOST_DRAWN:]:
        yield from _one(traced, texts)
        yield from _checks(traced, shown, texts)


def _row(traced: Traced, texts: Texts) -> list[str]:
    row = traced.row
    return [
        str(traced.number),
        texts.moment(row.start_ns),
        short_finding(row.finding, texts),
        peak(traced, texts),
        texts.figure(row.energy_j, "J"),
        texts.seconds((row.end_ns - row.start_ns) / 1e9),
    ]


def _one(traced: Traced, texts: Texts) -> Iterator[Block]:
    row, finding = traced.row, traced.row.finding
    length = texts.seconds((row.end_ns - row.start_ns) / 1e9)
    yield Heading(texts("traces.title", number=traced.number, finding=sure(finding, texts)), 2)
    if traced.scene is not None:
        words = short_finding(finding, texts)
        alt = texts("traces.alt", number=traced.number, length=length, finding=words, peak=peak(traced, texts))
        yield Drawings([Drawing(wide(traced.scene, texts, alt), _facts(traced, length, texts), alt)], wide=True)
    else:
        yield Para(_facts(traced, length, texts), "quiet")
    if traced.why_not:
        yield Para(texts("traces.reading-failed", why=traced.why_not))
    if finding is not None:
        yield from _finding(finding, texts)


def _facts(traced: Traced, length: str, texts: Texts) -> str:
    row, c = traced.row, traced.row.conditions
    known = c.set_voltage_v is not None and c.limit_a is not None
    settings = texts("traces.set-unknown")
    if known and c.set_voltage_v is not None and c.limit_a is not None:
        settings = texts("traces.set", voltage=texts.plain(c.set_voltage_v), limit=texts.plain(c.limit_a))
    return texts(
        "traces.facts",
        id=row.id,
        moment=texts.moment(row.start_ns),
        supply=row.supply,
        channel=row.channel,
        settings=settings,
        length=length,
        readings=row.readings,
        rate=texts.figure(traced.rate_per_s, "").strip(),
        peak=peak(traced, texts),
        charge=texts.figure(row.charge_c, "C"),
        energy=texts.figure(row.energy_j, "J"),
    )


def _finding(finding: Finding, texts: Texts) -> Iterator[Block]:
    yield Para(texts("traces.evidence"), "lead")
    yield Items([texts.said(each.text) for each in finding.evidence])
    if finding.alternatives:
        yield Para(texts("traces.alternatives"), "lead")
        yield Items(
            [
                texts(
                    "traces.alternative",
                    **{
                        "signature": signature(each.signature, texts),
                        "confidence": texts.percent(each.confidence),
                        "tell-apart": texts.said(each.tell_apart),
                    },
                )
                for each in finding.alternatives
            ]
        )


def _checks(traced: Traced, shown: dict[tuple[str, ...], int], texts: Texts) -> Iterator[Block]:
    """What to check next; the same again is named by the trace that it stands at. `shown`: those so far, by checks."""
    checks = traced.row.finding.next_checks if traced.row.finding is not None else ()
    if not checks:
        return
    if (at := shown.setdefault(checks, traced.number)) != traced.number:
        yield Para(texts("traces.checks-as", number=at), "quiet")
        return
    yield Para(texts("traces.checks"), "lead")
    yield Items([texts.said(check) for check in checks], ordered=True)
