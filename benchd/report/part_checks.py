"""The parts of a report that tell of checklists, photos and cautions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from benchd.jobs.ticks import ItemState
from benchd.report.document import Block, Heading, Items, Para, Photo, Photos, Ticked, Ticks
from benchd.report.gather import Gathered, KeptPhoto, StepKept
from benchd.report.part_trips import cautions_of
from benchd.report.texts import Texts
from benchd.traces.cautions import BATTERY, SHORT_HEAT

PHOTOS_ABREAST = 3
CHIP_STEPS = ("storage-lifted", "storage-swapped")
"""Steps after which what the storage held may be gone."""


def checks(g: Gathered, texts: Texts) -> Iterator[Block]:
    """Every list that applies; what was not ticked is told as not done."""
    yield Heading(texts("checks.heading"))
    if not g.checks:
        yield Para(texts("checks.none"))
    for each in g.checks:
        yield Heading(texts.said(each.label), 2)
        untouched = all(item.t_ns is None for item in each.items)
        if each.open and each.moment == "before-chip" and untouched and not chip_steps(g):
            yield Para(texts("checks.no-chip"), "quiet")
            continue  # its items would only read as if something had been left out
        elif each.open:
            yield Para(texts("checks.open-warning", count=texts.counted("checks.items", each.open)), "loud")
        yield Ticks([_ticked(item, texts) for item in each.items])


def chip_steps(g: Gathered) -> list[StepKept]:
    """Steps that stand, after which what a storage chip held may be gone."""
    return [s for s in g.steps.values() if s.taken_back_by is None and s.entry.payload.get("step") in CHIP_STEPS]


def _ticked(item: ItemState, texts: Texts) -> Ticked:
    label = texts.said(item.label) + (f" {texts('checks.retired')}" if item.retired else "")
    note = item.note
    if item.t_ns is not None and item.state != "open":
        by = item.by or texts("course.somebody")
        note = texts("checks.note-by" if note else "checks.by", note=note, by=by, moment=texts.moment(item.t_ns))
    return Ticked(label, item.state, texts(f"checks.{item.state}"), note)


def photos(g: Gathered, texts: Texts) -> Iterator[Block]:
    """All that are embedded, some abreast."""
    if not g.photos:
        return
    yield Heading(texts("photos.heading"))
    yield from photo_rows(g.photos, texts)
    if g.photos_left:
        yield Para(texts("photos.more", number=g.photos_left), "quiet")


def photo_rows(kept: Sequence[KeptPhoto], texts: Texts) -> Iterator[Block]:
    """Photos with their captions."""
    for first in range(0, len(kept), PHOTOS_ABREAST):
        yield Photos([_photo(photo, texts) for photo in kept[first : first + PHOTOS_ABREAST]])


def _photo(photo: KeptPhoto, texts: Texts) -> Photo:
    caption = photo.caption or texts("photos.none-said")
    return Photo(
        photo.jpeg,
        photo.width,
        photo.height,
        texts("photos.caption", caption=caption, moment=texts.moment(photo.t_ns)),
        texts("photos.alt", caption=caption),
    )


def cautions(g: Gathered, texts: Texts) -> Iterator[Block]:
    """What to mind with this device: of its battery, its findings, its trips and its steps. None twice."""
    told = [texts("cautions.swollen")] if g.job.battery == "swollen" else []
    told += [texts("cautions.storage")] if chip_steps(g) else []
    found = [c for traced in g.traces if traced.row.finding is not None for c in traced.row.finding.cautions]
    found += cautions_of(g) + ([BATTERY, SHORT_HEAT] if g.traces or g.trips else [])
    told += [texts.said(caution) for caution in dict.fromkeys(found)]
    of_runs = dict.fromkeys(caution for run in g.runs for caution in run.cautions if caution not in found)
    told += [texts.said_of_run(caution) for caution in of_runs]
    if told:
        yield Heading(texts("cautions.heading"))
        yield Items(told)
