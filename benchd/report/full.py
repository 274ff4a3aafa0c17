"""The report for the next technician: everything, in the order in which it is asked for."""

from __future__ import annotations

from benchd.report.document import Block, Document, Para
from benchd.report.gather import Gathered
from benchd.report.part_checks import cautions, checks, photos
from benchd.report.part_conditions import conditions
from benchd.report.part_course import course
from benchd.report.part_job import device, found
from benchd.report.part_runs import runs
from benchd.report.part_traces import traces
from benchd.report.part_trips import trips
from benchd.report.texts import Texts
from benchd.report.words import foot, made


def full(g: Gathered, texts: Texts, made_ns: int, bench: str, version: str) -> Document:
    """The whole report. `made_ns`: now, ns since the epoch."""
    moment = texts.moment(made_ns)
    blocks: list[Block] = [
        *device(g, texts),
        *found(g, texts),
        *course(g, texts),
        *traces(g, texts),
        *trips(g, texts),
        *runs(g, texts),
        *checks(g, texts),
        *photos(g, texts),
        *cautions(g, texts),
        *conditions(g, texts, version),
    ]
    return Document(
        language=texts.language,
        title=texts("title.full", job=g.job.id),
        subtitle=" · ".join(w for w in (g.job.device, g.job.board) if w),
        foot=foot(texts, g.job.id, moment, bench),
        one_page=False,
        page_of=texts("format.page-of"),
        blocks=[*blocks, Para(made(texts, moment, bench, version), "quiet")],
    )
