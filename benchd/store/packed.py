"""A whole job as one archive: a zip file, and what stands in it.

    README.txt       what this is, for a person who opens it
    manifest.json    formats, where the job is from, times, counts, and each other file with size and SHA-256 (Manifest)
    job.json         the job
    journal.jsonl    its journal, oldest first                                                          (PackedEntry)
    traces.jsonl     its traces with conditions, marks and findings, oldest first                       (PackedTrace)
    trips.jsonl      its trips, oldest first: figures, and the guard's record                           (PackedTrip)
    readings.jsonl   a line for each row of readings: what it is of, and where it is in readings.bin      (PackedRow)
    readings.bin     the rows, one behind the other, as the log has them: lossless, see `benchd.store.codec`
    photos.jsonl     its photos, oldest first (format 2 and up)                                         (PackedPhoto)
    runs.jsonl       its runs of procedures that have ended, oldest first (format 3 and up)               (PackedRun)
    photos/N.jpg     the photo of that number, and photos/N-small.jpg
    csv/TRACE.csv    if wanted, each trace for other programs; never read back

`.jsonl`: one JSON object a line. Times are ns since the epoch (UTC), those of the manifest RFC 3339. Units are in the
names. The same content packed again gives the same bytes: nothing in an archive says when it was packed.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Literal

import msgspec

from benchd.jobs.job import Job
from benchd.procedures.record import Run
from benchd.store.log import TraceRow

FORMAT = 3
"""Raised when an archive says something that an earlier benchd would read wrongly."""
KIND = "benchd job"
MANIFEST, README = "manifest.json", "README.txt"
PHOTOS = "photos.jsonl"
RUNS = "runs.jsonl"
SINCE = {PHOTOS: 2, RUNS: 3}
"""Files that came with a format."""
TEXTS = ("job.json", "journal.jsonl", "traces.jsonl", "trips.jsonl", "readings.jsonl", PHOTOS, RUNS)
ROWS = "readings.bin"
CONTENT = (*TEXTS, ROWS)
"""What an archive must have, and what its checksum is made of, in this order; then its photos."""
CSV_FOLDER = "csv/"
PHOTO = re.compile(r"photos/[1-9][0-9]{0,5}(?:-small)?\.jpg")

BENCH = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,30}[a-z0-9])?")
"""A bench's name, as the settings allow it: it becomes a part of the names of supplies on another bench."""

MOST_TEXT_BYTES = 256_000_000
"""Of one text file, unpacked: a job with 10 000 traces and trips has some 100 MB."""
MOST_ROW_BYTES = 1_000_000
"""Of one row of readings: 8192 readings that fit no grid have 213 kB."""
MOST_PHOTO_BYTES = 12_000_000
"""Of one photo as it is kept: 2560 × 2560 pixels of noise have some 7 MB."""
MOST_BYTES = 16_000_000_000
"""Of all files, unpacked: 10^9 readings have some 5 GB."""


class PackedFile(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One file of the archive."""

    name: str
    bytes: int
    sha256: str


class Counts(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How much is in it."""

    journal: int
    traces: int
    trips: int
    rows: int
    readings: int
    photos: int = 0
    runs: int = 0


class Manifest(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the archive is."""

    kind: Literal["benchd job"]
    format: int
    log_version: int
    """Version of the log that the shapes are those of."""
    benchd: str
    """The version that packed it."""
    bench: str
    log: str
    """Id of the log that it is from."""
    job: str
    created: str
    """The job's, RFC 3339."""
    first: str | None
    """Time of the first reading, RFC 3339; null: there is none."""
    last: str | None
    without_person: bool
    """Packed without photos, and without what was said of the device, its symptom and past, and in notes."""
    counts: Counts
    checksum: str
    """SHA-256 over the SHA-256s of the files in CONTENT and of the photos: the same for the same content."""
    files: tuple[PackedFile, ...]


class PackedEntry(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A line of the journal."""

    t_ns: int
    kind: str
    supply: str | None
    channel: int | None
    trace: str | None
    payload: dict[str, Any]


class PackedReference(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """That a trace is a reference for a kind of board."""

    board: str
    note: str
    added_ns: int


class PackedTrace(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A trace without its readings."""

    row: TraceRow
    reference: PackedReference | None


class PackedTrip(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A trip. `number`: from 1 in this archive; journal entries name it by that."""

    number: int
    trace: str | None
    figures: dict[str, Any]
    record: bytes
    """`Tripped` as MessagePack (in JSON as base64): with the readings around it."""


class PackedPhoto(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A photo. `number`: from 1 in this archive; journal entries name it by that, and so are its files named."""

    number: int
    t_ns: int
    caption: str
    width: int
    height: int
    by: str

    @property
    def files(self) -> tuple[str, str]:
        """Names of the picture and of its thumbnail."""
        return f"photos/{self.number}.jpg", f"photos/{self.number}-small.jpg"


class PackedRun(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A run of a procedure, without its job, which stands in job.json; photos of its moments by their number here."""

    run: Run
    reference: str
    """The kind of board that it is a reference for; empty: none."""


class PackedRow(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A row of readings; `at`, `bytes`: where in readings.bin."""

    supply: str
    channel: int
    trace: str | None
    t0_ns: int
    t1_ns: int
    n: int
    half_trip_ns: int
    dropped: int
    thinned_from: int | None
    at: int
    bytes: int


# Made here, while one thread imports: msgspec 0.22 crashes the process when two threads meet a type for the first time.
JOB = msgspec.json.Decoder(Job)
MANIFEST_OF = msgspec.json.Decoder(Manifest)
ENTRY = msgspec.json.Decoder(PackedEntry)
TRACE = msgspec.json.Decoder(PackedTrace)
TRIP = msgspec.json.Decoder(PackedTrip)
ROW = msgspec.json.Decoder(PackedRow)
PHOTO_OF = msgspec.json.Decoder(PackedPhoto)
RUN = msgspec.json.Decoder(PackedRun)


def content(format: int) -> tuple[str, ...]:
    """What an archive of a format must have."""
    return tuple(name for name in CONTENT if format >= SINCE.get(name, 1))


def checksum(files: Sequence[PackedFile], format: int = FORMAT) -> str:
    """See `Manifest.checksum`. Raises KeyError when something of its content is missing."""
    by_name = {file.name: file.sha256 for file in files}
    names = [*content(format), *sorted(name for name in by_name if PHOTO.fullmatch(name))]
    return hashlib.sha256("\n".join(by_name[name] for name in names).encode()).hexdigest()


def rfc3339(t_ns: int) -> str:
    """A time as RFC 3339 has it, UTC, to the ns."""
    seconds, ns = divmod(t_ns, 1_000_000_000)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{ns:09d}Z"


def readme(manifest: Manifest) -> str:
    """What a person reads who opens the archive."""
    person = "without photos and what people wrote of it" if manifest.without_person else (
        "with photos and what people wrote of it: it may name a customer"
    )  # fmt: skip
    c = manifest.counts
    return f"""\
Job {manifest.job} of bench {manifest.bench or manifest.log}, packed by benchd {manifest.benchd}, {person}.

{c.traces} traces, {c.trips} trips, {c.journal} journal entries, {c.readings} readings, {c.photos} photos,
{c.runs} runs of procedures.

On another bench:   benchd job unpack FILE --dry-run     checks it and says what it would do
                    benchd job unpack FILE               takes it into that bench's log

manifest.json    where it is from, and every file with its size and SHA-256
job.json         the job
journal.jsonl    its journal, oldest first
traces.jsonl     its traces: conditions, marks, findings
trips.jsonl      its trips: figures, and the whole record (MessagePack in base64)
readings.jsonl   what each row of readings is of, and where it is in readings.bin
readings.bin     the readings, lossless, in benchd's own blocks (their layout: benchd/store/codec.py)
photos.jsonl     its photos: when, what they show, by whom
runs.jsonl       its runs of procedures: what was asked, results with their uncertainty, curves
photos/          the photos themselves, each with a small one
csv/             (if packed with --csv) each trace as CSV: time_s, voltage_v, current_a

.jsonl: one JSON object a line. Times in ns are since 1970-01-01 UTC; units stand in the names (v, a, c, j, s, ns).
"""
