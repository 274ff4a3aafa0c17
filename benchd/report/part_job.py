"""The parts of a report that tell of the device, and what was found on it in short."""

from __future__ import annotations

from collections.abc import Iterator

from benchd.report.document import Block, Facts, Heading, Items, Para
from benchd.report.gather import Gathered, Traced
from benchd.report.texts import Texts
from benchd.report.words import known_word, sure


def device(g: Gathered, texts: Texts) -> Iterator[Block]:
    """The job as it was taken in."""
    job = g.job
    said = (
        ("device", job.device),
        ("board", job.board),
        ("symptom", job.symptom),
        ("history", job.history),
        ("wanted-back", job.wanted_back),
        ("battery", known_word("battery", job.battery, texts) if job.battery else ""),
        ("accessories", job.accessories),
        ("taken-in", texts.moment(job.created_ns) if job.created_ns else ""),
        ("state", known_word("state", job.state, texts)),
    )
    yield Heading(texts("job.heading"))
    yield Facts([(texts(f"job.{key}"), text) for key, text in said if text])
    if job.consent:
        yield Para(texts("job.consent"))
        yield Items([known_word("risk", risk, texts) for risk in job.consent])


def found(g: Gathered, texts: Texts) -> Iterator[Block]:
    """The first finding and the last, and whether a trip was not confirmed off."""
    yield Heading(texts("found.heading"))
    for trip in g.trips:
        if not trip.figures.get("off_confirmed"):
            yield Para(texts("trips.loud", number=trip.number), "loud")
    if not g.traces:
        yield Para(texts("found.none"))
    elif len(g.traces) == 1:
        yield Para(_told("only", g.traces[0], texts), "lead")
    else:
        yield Para(_told("first", g.traces[0], texts), "lead")
        yield Para(_told("last", g.traces[-1], texts), "lead")
    if g.traces or g.trips:
        trips = texts("found.trips-none") if not g.trips else texts.counted("found.trips", len(g.trips))
        counts = texts("found.counts", traces=texts.counted("found.traces", len(g.traces)), trips=trips)
        yield Para(f"{counts} {texts('found.note')}", "quiet")


def _told(key: str, traced: Traced, texts: Texts) -> str:
    return texts(
        f"found.{key}",
        number=traced.number,
        moment=texts.moment(traced.row.start_ns),
        finding=sure(traced.row.finding, texts),
    )
