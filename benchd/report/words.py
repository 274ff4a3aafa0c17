"""Short wordings that several parts of a report share."""

from __future__ import annotations

from benchd.report.gather import Traced
from benchd.report.texts import Texts
from benchd.traces.trace import Finding

UNNAMED = "bench"
"""What a bench is called whose settings give it no name."""


def foot(texts: Texts, job: str, moment: str, bench: str) -> str:
    """The line at the foot of each page."""
    if bench == UNNAMED:
        return texts("title.foot-unnamed", job=job, moment=moment)
    return texts("title.foot", job=job, moment=moment, bench=bench)


def made(texts: Texts, moment: str, bench: str, version: str) -> str:
    """When, where and with what the report was made."""
    if bench == UNNAMED:
        return texts("title.made-unnamed", moment=moment, version=version)
    return texts("title.made", moment=moment, bench=bench, version=version)


def signature(id: str, texts: Texts) -> str:
    """`low-stall (stalls at a few tens of mA)`; the id alone of a card of one's own."""
    words = texts.get(f"signature.{id}")
    return f"{id} ({words})" if words else id


def sure(finding: Finding | None, texts: Texts) -> str:
    """The signature in words, and how sure."""
    if finding is None:
        return texts("found.no-finding")
    name = signature(finding.signature, texts)
    return texts("found.sure", signature=name, confidence=texts.percent(finding.confidence))


def short_finding(finding: Finding | None, texts: Texts) -> str:
    """`low-stall (stalls at a few tens of mA), 82 %`."""
    if finding is None:
        return texts("found.no-finding")
    return f"{signature(finding.signature, texts)}, {texts.percent(finding.confidence)}"


def peak(traced: Traced, texts: Texts) -> str:
    """The highest reading of a trace."""
    return texts.figure(traced.row.peak_a, "A")


def known_word(table: str, key: str, texts: Texts) -> str:
    """The word for one of a set of names; the name itself where it has none."""
    return texts.get(f"{table}.{key}") or key
