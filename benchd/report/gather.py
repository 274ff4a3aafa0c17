"""What a report is about, read from the log in one go: the job, its journal, its traces ready to be drawn, its trips,
photos and checklists, and how it was measured."""

from __future__ import annotations

import dataclasses
import io
import logging
from collections.abc import Iterable, Sequence

from benchd.jobs.around import Around, around, taken_back
from benchd.jobs.checklist_folder import Lists
from benchd.jobs.job import Job, JournalEntry
from benchd.jobs.photo import Photo
from benchd.jobs.ticks import ListState
from benchd.procedures.record import Curve, Run
from benchd.store.log import Log, StoredTrip, TraceRow
from benchd.store.photo_rows import photos, picture
from benchd.store.procedure_rows import beside, runs
from benchd.store.reference_rows import Bands, band_for, references
from benchd.store.step_entries import states_of
from benchd.traces.picture import Pictured, Scene, scene

log = logging.getLogger("benchd")

MOST_ENTRIES = 5000
"""Newest entries of the journal that are looked at."""
MOST_DRAWN = 40
"""Newest traces that are drawn; earlier ones are listed. Our choice: more fill a folder, not a report."""
MOST_PHOTOS = 24
MOST_RUNS = 50
PHOTO_SIDE, PHOTO_QUALITY = 900, 80
"""Pixels, and of JPEG's 100: 6 cm on paper at some 400 dots an inch, about 100 kB each."""
COLUMNS = 260
"""A drawing's time is cut into so many spans that keep their extremes: two a point on paper."""


class NoJob(ValueError):
    """There is no such job in the log."""


@dataclasses.dataclass(frozen=True, slots=True)
class Traced:
    """A trace of the job. `number`: counted from 1 in order of time."""

    number: int
    row: TraceRow
    scene: Scene | None = None
    why_not: str = ""
    """Why there is no drawing of it, in the words of what failed; empty: there is one, or it is one too many."""

    @property
    def rate_per_s(self) -> float:
        """Readings a second over its whole length."""
        seconds = (self.row.end_ns - self.row.start_ns) / 1e9
        return self.row.readings / seconds if seconds > 0 else 0.0


@dataclasses.dataclass(frozen=True, slots=True)
class KeptPhoto:
    """A photo of the job, small enough to be embedded."""

    jpeg: bytes
    width: int
    height: int
    caption: str
    t_ns: int


@dataclasses.dataclass(frozen=True, slots=True)
class StepKept:
    """A step that was written down, with the numbers of the traces beside it."""

    entry: JournalEntry
    before: int | None
    after: int | None
    shared: bool
    """Other steps lie between the same two traces."""
    taken_back_by: str | None = None
    """None: it stands."""


@dataclasses.dataclass(frozen=True, slots=True)
class Gathered:
    """All of a job that a report tells."""

    job: Job
    entries: tuple[JournalEntry, ...]
    """Oldest first."""
    steps: dict[int, StepKept]
    """By the number of their entry."""
    traces: tuple[Traced, ...]
    """Oldest first."""
    trips: tuple[StoredTrip, ...]
    photos: tuple[KeptPhoto, ...]
    photos_left: int
    """How many more there are."""
    checks: tuple[ListState, ...]
    supplies: dict[str, dict[str, str]]
    """By name: identity, profile, trust, as it was met last; empty where that is not known."""
    references: int
    """Of its kind of board."""
    runs: tuple[Run, ...] = ()
    """Procedures, oldest first; those that go on are none of them."""
    beside: dict[str, tuple[Curve, ...]] = dataclasses.field(default_factory=dict)
    """Curves of the runs on good boards that a run was compared with, by its id."""

    def trace(self, number: int | None) -> Traced | None:
        """The trace of that number."""
        return self.traces[number - 1] if number is not None else None


def gathered(db: Log, job_id: str, lists: Lists) -> Gathered:
    """Read it; `lists`: the checklists of the bench. Raises NoJob, LogError."""
    job = db.job(job_id)
    if job is None:
        raise NoJob(f"job {job_id!r} is not in the log")
    entries = tuple(db.journal(job=job_id, limit=MOST_ENTRIES))
    traces = tuple(_traced(db, db.traces(job=job_id, limit=-1)[::-1]))
    trips = tuple(db.trips(job=job_id, limit=1000)[::-1])
    kept = photos(db, job_id)
    measured = tuple(each for each in runs(db, job_id, limit=MOST_RUNS)[::-1] if each.outcome != "running")
    return Gathered(
        job,
        entries,
        _steps(entries, traces),
        traces,
        trips,
        tuple(_photos(db, kept[:MOST_PHOTOS])),
        len(kept[MOST_PHOTOS:]),
        tuple(states_of(db, job, lists)),
        _supplies(db, [t.row.supply for t in traces] + [t.supply for t in trips]),
        len(references(db, job.board)) if job.board else 0,
        measured,
        {run.id: tuple(curve for good in beside(db, run) for curve in good.curves) for run in measured},
    )


def _traced(db: Log, rows: Sequence[TraceRow]) -> Iterable[Traced]:
    """Each with its drawing, one after the other: the readings of one trace at a time are in memory."""
    bands = Bands()
    for number, row in enumerate(rows, 1):
        if number <= len(rows) - MOST_DRAWN:
            yield Traced(number, row)
            continue
        try:
            yield Traced(number, row, _scene(db, row, bands))
        except Exception as e:  # a damaged trace must not keep the others from being told
            log.warning("trace %s is in a report without its drawing: %r", row.id, e)
            yield Traced(number, row, None, str(e) or repr(e))


def _scene(db: Log, row: TraceRow, bands: Bands) -> Scene | None:
    whole = db.whole_trace(row.id)
    if whole is None or not len(whole.samples):
        return None
    band = band_for(db, row, bands)
    divergence = row.finding.divergence if row.finding is not None and band is not None else None
    return scene(row.id, [Pictured(row.id, whole, row.finding)], band, divergence, COLUMNS)


def _steps(entries: Sequence[JournalEntry], traces: Sequence[Traced]) -> dict[int, StepKept]:
    beside, gone = around(entries), taken_back(entries)
    numbers = {traced.row.id: traced.number for traced in traces}
    found = {}
    for entry in entries:
        if entry.kind != "step":
            continue
        its, by = beside.get(entry.seq, Around(None, None)), gone.get(entry.t_ns)
        found[entry.seq] = StepKept(
            entry,
            numbers.get(its.before or ""),
            numbers.get(its.after or ""),
            bool(its.with_steps),
            None if by is None else str(by.payload.get("by") or ""),
        )
    return found


def _photos(db: Log, kept: Iterable[Photo]) -> Iterable[KeptPhoto]:
    """Each made small; one that cannot be read (a damaged log) is left out."""
    from PIL import Image, UnidentifiedImageError  # most jobs have no photo

    for photo in kept:
        content = picture(db, photo.job, photo.id)
        if content is None:
            continue
        try:
            with Image.open(io.BytesIO(content), formats=["JPEG"]) as whole:
                whole.draft("RGB", (PHOTO_SIDE, PHOTO_SIDE))
                small = whole.convert("RGB")
                small.thumbnail((PHOTO_SIDE, PHOTO_SIDE))
        except (UnidentifiedImageError, OSError, ValueError) as e:
            log.warning("photo %d of job %s is not in a report: %r", photo.id, photo.job, e)
            continue
        file = io.BytesIO()
        small.save(file, "JPEG", quality=PHOTO_QUALITY)
        yield KeptPhoto(file.getvalue(), small.width, small.height, photo.caption, photo.t_ns)


def _supplies(db: Log, names: Iterable[str]) -> dict[str, dict[str, str]]:
    """What each supply said that it is, the last time it was met."""
    known: dict[str, dict[str, str]] = {name: {} for name in dict.fromkeys(names)}
    for entry in db.journal(kinds=["link"], limit=MOST_ENTRIES):
        if entry.supply in known and entry.payload.get("up"):
            known[entry.supply] = {key: str(entry.payload.get(key) or "") for key in ("identity", "profile", "trust")}
    return known
