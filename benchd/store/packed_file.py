"""Opens the archive of a job and checks all of it before anything is done with it.

Nothing in it is trusted: names are compared with the few that there are and never used as paths, sizes are limited and
counted while they are unpacked, every file has to have its SHA-256, every line its shape, every row its readings.
What is wrong is an `ArchiveError` that names the file in the archive, and the line.
"""

from __future__ import annotations

import hashlib
import re
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any, TypeVar

import msgspec

from benchd.guard.wire import Tripped
from benchd.jobs.job import Job, JobError, check_job_id
from benchd.jobs.jpeg import JpegError, plain_size
from benchd.jobs.personal import TYPED_OF_JOB, typed
from benchd.reading import Mode
from benchd.store import codec, packed, packed_runs
from benchd.store.blocks import MAX_ROW_READINGS, MAX_ROW_SPAN_NS
from benchd.store.migrations import STEPS

T = TypeVar("T")

MOST_MANIFEST_BYTES = 16_000_000
MOST_FILES = 100_000
_AT_ONCE = 1 << 20
_INT64 = range(-(2**63), 2**63)
_CSV = re.compile(r"csv/[A-Za-z0-9][A-Za-z0-9._@-]*\.csv")
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._@-]{0,150}")
_SUPPLY = re.compile(r"[A-Za-z0-9][A-Za-z0-9._@-]{0,150}")
_LOG = re.compile("[0-9a-f]{12}")
_KIND = re.compile(r"[a-z][a-z-]{0,40}")
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f]")
"""But line break and tab: a terminal obeys them."""
_ENCRYPTED = 0x1
"""General purpose bit 0 (APPNOTE.TXT, 4.4.4)."""
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError, ValueError)
"""What `zipfile` raises for a file that is damaged, or of a kind that it does not read."""
_TRIPPED = msgspec.msgpack.Decoder(Tripped)


class ArchiveError(Exception):
    """A file that is no sound archive of a job; says where, what, and what to do."""


class _Head(msgspec.Struct, frozen=True):
    """What every manifest says, also of a format to come."""

    kind: str
    format: int
    log_version: int
    benchd: str = "?"


_HEAD = msgspec.json.Decoder(_Head)


class Archive:
    """A checked archive; open until closed. `rows` may be read again and again."""

    def __init__(self, path: Path) -> None:
        """Open and check. Takes about a second for ten million readings and memory for the texts.

        Raises ArchiveError.
        """
        self.path = path
        if not path.is_file():  # a device or a pipe may never end
            raise ArchiveError(f"{path}: there is no such file")
        try:
            self._zip = zipfile.ZipFile(path)
        except _BROKEN as e:
            raise ArchiveError(f"{path}: is no archive of a job: {e}") from e
        try:
            self.manifest = self._manifest()
            self._files = self._listed()
            self.job = self._one_job()
            self.traces = self._lines("traces.jsonl", packed.TRACE, self.manifest.counts.traces)
            self._known = self._check_traces()
            self.photos = self._lines(packed.PHOTOS, packed.PHOTO_OF, self.manifest.counts.photos)
            self.entries = self._lines("journal.jsonl", packed.ENTRY, self.manifest.counts.journal)
            self._check_entries()
            self.trips = self._lines("trips.jsonl", packed.TRIP, self.manifest.counts.trips)
            self.tripped = self._check_trips()
            self.row_heads = self._lines("readings.jsonl", packed.ROW, self.manifest.counts.rows)
            self._check_rows()
            self.runs = self._lines(packed.RUNS, packed.RUN, self.manifest.counts.runs)
            self._check_runs()
            self._check_photos()
            for name in self._files.keys() - set(packed.CONTENT):
                for _ in self._pieces(name):
                    pass  # read for its checksum
        except BaseException:
            self._zip.close()
            raise

    def close(self) -> None:
        """Close the file; again is fine."""
        self._zip.close()

    def __enter__(self) -> Archive:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def rows(self) -> Iterator[tuple[packed.PackedRow, bytes]]:
        """The rows of readings, as they are to be stored. Raises ArchiveError if the file has changed meanwhile."""
        buffer, pieces = bytearray(), self._pieces(packed.ROWS)
        for head in self.row_heads:
            while len(buffer) < head.bytes:
                piece = next(pieces, None)
                if piece is None:
                    raise self._bad(packed.ROWS, None, "ends within a row")
                buffer += piece
            yield head, bytes(buffer[: head.bytes])
            del buffer[: head.bytes]
        if buffer or next(pieces, None) is not None:
            raise self._bad(packed.ROWS, None, "has more than readings.jsonl tells of")

    def file(self, name: str) -> bytes:
        """What a file of the archive holds. Raises ArchiveError if it has changed meanwhile."""
        return b"".join(self._pieces(name))

    def _bad(self, name: str, line: int | None, problem: str) -> ArchiveError:
        place = f"{self.path}: {name}" + (f", line {line}" if line else "")
        return ArchiveError(f"{place}: {problem}; nothing was taken in, ask for the archive again")

    # ---- the zip file ---------------------------------------------------------------------------------------------

    def _manifest(self) -> packed.Manifest:
        infos = self._zip.infolist()
        names = [info.filename for info in infos]
        if packed.MANIFEST not in names:
            raise ArchiveError(f"{self.path}: is no archive of a job: it has no {packed.MANIFEST}")
        if len(infos) > MOST_FILES or len(set(names)) < len(names):
            raise self._bad(packed.MANIFEST, None, f"{len(infos)} files, or two of one name, are in the archive")
        for info in infos:
            if info.flag_bits & _ENCRYPTED or info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                raise self._bad(info.filename, None, "is encrypted, or packed in a way that benchd does not use")
        size = self._zip.getinfo(packed.MANIFEST).file_size
        if not 0 <= size <= MOST_MANIFEST_BYTES:
            raise self._bad(packed.MANIFEST, None, f"{size} bytes; allowed are {MOST_MANIFEST_BYTES}")
        data = b"".join(self._raw(packed.MANIFEST, size))
        head = self._shape(packed.MANIFEST, None, _HEAD, data)
        if head.kind != packed.KIND:
            raise ArchiveError(f"{self.path}: holds {head.kind!r}, wanted {packed.KIND!r}")
        if head.format > packed.FORMAT or head.log_version > len(STEPS):
            raise ArchiveError(
                f"{self.path}: was packed by benchd {head.benchd} (format {head.format}, log version "
                f"{head.log_version}); this one reads up to format {packed.FORMAT}, log version {len(STEPS)}: "
                "install that version or a newer one"
            )
        manifest: packed.Manifest = self._shape(packed.MANIFEST, None, packed.MANIFEST_OF, data)
        if manifest.bench and not packed.BENCH.fullmatch(manifest.bench):
            raise self._bad(packed.MANIFEST, None, f"bench {manifest.bench[:40]!a}: not such a name")
        if not _LOG.fullmatch(manifest.log):
            raise self._bad(packed.MANIFEST, None, f"log {manifest.log[:40]!a}: not such an id")
        return manifest

    def _listed(self) -> dict[str, packed.PackedFile]:
        """The files that the manifest names, which are those that are there."""
        files = {file.name: file for file in self.manifest.files}
        there = {info.filename for info in self._zip.infolist()} - {packed.MANIFEST}
        if len(files) < len(self.manifest.files):
            raise self._bad(packed.MANIFEST, None, "names a file twice")
        for name in sorted(there ^ files.keys()):
            problem = "is not in the manifest" if name in there else "is missing"
            raise self._bad(ascii(name)[1:-1], None, problem)
        for name, file in files.items():
            photo = packed.PHOTO.fullmatch(name) is not None
            if name not in (*packed.CONTENT, packed.README) and not _CSV.fullmatch(name) and not photo:
                raise self._bad(ascii(name)[1:-1], None, "is no file of such an archive")
            most = packed.MOST_TEXT_BYTES if name in packed.TEXTS else packed.MOST_BYTES
            most = packed.MOST_PHOTO_BYTES if photo else most
            if not (0 <= file.bytes <= most and file.bytes == self._zip.getinfo(name).file_size):
                said = self._zip.getinfo(name).file_size
                raise self._bad(name, None, f"has {said} bytes, the manifest says {file.bytes}; allowed are {most}")
        for name in packed.content(self.manifest.format):
            if name not in files:
                raise self._bad(name, None, "is missing")
        if not sum(file.bytes for file in files.values()) <= packed.MOST_BYTES:
            raise self._bad(packed.MANIFEST, None, f"more than {packed.MOST_BYTES} bytes in all")
        if packed.checksum(self.manifest.files, self.manifest.format) != self.manifest.checksum:
            raise self._bad(packed.MANIFEST, None, "its checksum is not that of its files")
        return files

    def _raw(self, name: str, size: int) -> Iterator[bytes]:
        """A file's content, no more of it than `size` and one piece."""
        try:
            with self._zip.open(name) as member:
                yield from _at_most(member, size)
        except _BROKEN as e:
            raise self._bad(name, None, f"is damaged: {e}") from e

    def _pieces(self, name: str) -> Iterator[bytes]:
        """A file's content, piece by piece; in the end it is what the manifest says, or ArchiveError."""
        file, digest, size = self._files[name], hashlib.sha256(), 0
        for piece in self._raw(name, file.bytes):
            size += len(piece)
            digest.update(piece)
            yield piece
        if size != file.bytes or digest.hexdigest() != file.sha256:
            raise self._bad(name, None, f"is damaged: {size} of {file.bytes} bytes, SHA-256 {digest.hexdigest()}, "
                            f"the manifest says {file.sha256}")  # fmt: skip

    # ---- what stands in it ----------------------------------------------------------------------------------------

    def _shape(self, name: str, line: int | None, decoder: msgspec.json.Decoder[T], data: bytes) -> T:
        try:
            return decoder.decode(data)
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as e:
            raise self._bad(name, line, f"has not the shape of such a file: {e}") from e

    def _lines(self, name: str, decoder: msgspec.json.Decoder[T], count: int) -> list[T]:
        if self.manifest.format < packed.SINCE.get(name, 1):
            return []
        data = b"".join(self._pieces(name)).split(b"\n")
        if data.pop() or len(data) != count:
            raise self._bad(name, None, f"has {len(data)} lines, the manifest says {count}")
        return [self._whole(name, n, decoder, line) for n, line in enumerate(data, 1)]

    def _whole(self, name: str, n: int, decoder: msgspec.json.Decoder[T], line: bytes) -> T:
        """A line in its shape, with nothing left out."""
        found = self._shape(name, n, decoder, line)
        self._all_known(name, n, msgspec.json.decode(line), found)
        return found

    def _all_known(self, name: str, line: int, said: Any, taken: Any) -> None:
        if lost := _unknown(said, msgspec.to_builtins(taken)):
            problem = (
                f"has {lost!r}, which this benchd does not know and would lose; benchd {self.manifest.benchd} wrote it"
            )
            raise self._bad(name, line, problem)

    def _one_job(self) -> Job:
        (job,) = self._lines("job.json", packed.JOB, 1)
        try:
            check_job_id(job.id)
        except JobError as e:
            raise self._bad("job.json", None, str(e)) from e
        if job.id != self.manifest.job:
            raise self._bad("job.json", None, f"is of job {job.id}, the manifest says {self.manifest.job!r}")
        self._numbers("job.json", 1, job.created_ns, job.changed_ns, job.version)
        self._typed("job.json", 1, job.board, *(getattr(job, field) for field in TYPED_OF_JOB), *job.consent)
        return job

    def _numbers(self, name: str, line: int, *values: int | None) -> None:
        for value in values:
            if value is not None and value not in _INT64:
                raise self._bad(name, line, f"{value} has more than 64 bits")

    def _typed(self, name: str, line: int, *texts: str) -> None:
        for text in texts:
            if found := _CONTROL.search(text):
                raise self._bad(name, line, f"the character U+{ord(found[0]):04X} is not allowed in a text")

    def _named(self, name: str, line: int, supply: str | None, channel: int | None, trace: str | None) -> None:
        if supply is not None and not _SUPPLY.fullmatch(supply):
            raise self._bad(name, line, f"supply {supply!r}: not such a name")
        if channel is not None and not 0 <= channel <= 1000:
            raise self._bad(name, line, f"channel {channel}: allowed are 0 to 1000")
        if trace is not None and trace not in self._known:
            raise self._bad(name, line, f"trace {trace!r} is not in traces.jsonl")

    def _check_traces(self) -> set[str]:
        known: set[str] = set()
        for line, trace in enumerate(self.traces, 1):
            row, reference = trace.row, trace.reference
            if not _ID.fullmatch(row.id) or row.id in known:
                raise self._bad("traces.jsonl", line, f"trace {row.id!r}: not such an id, or there twice")
            known.add(row.id)
            self._known = known
            self._named("traces.jsonl", line, row.supply, row.channel, None)
            moments = [row.start_ns, row.end_ns, row.readings, *(mark.t_ns for mark in row.marks)]
            self._numbers("traces.jsonl", line, *moments, reference.added_ns if reference else 0)
            self._typed("traces.jsonl", line, row.reason, row.conditions.board, row.conditions.side)
            if reference is not None:
                self._typed("traces.jsonl", line, reference.board, reference.note)
            if row.job != self.job.id or not row.start_ns <= row.end_ns:
                problem = f"is of job {row.job!r}, wanted {self.job.id!r}; from {row.start_ns} to {row.end_ns} ns"
                raise self._bad("traces.jsonl", line, problem)
        return known

    def _check_entries(self) -> None:
        for line, entry in enumerate(self.entries, 1):
            self._named("journal.jsonl", line, entry.supply, entry.channel, entry.trace)
            self._numbers("journal.jsonl", line, entry.t_ns)
            if not _KIND.fullmatch(entry.kind):
                raise self._bad("journal.jsonl", line, f"kind {entry.kind!r}: not such a word")
            self._typed("journal.jsonl", line, *typed(entry.kind, entry.payload))
            counts = self.manifest.counts
            for kind, key, most in (("trip", "trip", counts.trips), ("photo", "photo", counts.photos)):
                number = entry.payload.get(key)
                if entry.kind == kind and number is not None and number not in range(1, most + 1):
                    raise self._bad("journal.jsonl", line, f"{key} {number!r} is not in {key}s.jsonl")
            before = entry.payload.get("seq")
            if entry.kind == "step-taken-back" and before is not None and before not in range(1, line):
                raise self._bad("journal.jsonl", line, f"takes back {before!r}, which is no line before it")

    def _check_trips(self) -> list[Tripped]:
        out = []
        for line, trip in enumerate(self.trips, 1):
            try:
                tripped = _TRIPPED.decode(trip.record)
            except msgspec.MsgspecError as e:
                raise self._bad("trips.jsonl", line, f"its record cannot be read: {e}") from e
            self._all_known("trips.jsonl", line, msgspec.msgpack.decode(trip.record), tripped)
            if trip.number != line:
                raise self._bad("trips.jsonl", line, f"has the number {trip.number}")
            self._named("trips.jsonl", line, tripped.supply, tripped.channel, trip.trace)
            self._numbers("trips.jsonl", line, tripped.detected_ns, tripped.onset_ns, tripped.off_sent_ns)
            for block in (tripped.before, tripped.after):
                n = len(block)
                if {len(block.t_ns), len(block.voltage_v), len(block.current_a)} != {8 * n} or len(block.flags) != n:
                    raise self._bad("trips.jsonl", line, "its readings have columns of unequal length")
            out.append(tripped)
        return out

    def _check_photos(self) -> None:
        for line, photo in enumerate(self.photos, 1):
            self._numbers(packed.PHOTOS, line, photo.t_ns)
            self._typed(packed.PHOTOS, line, photo.caption, photo.by)
            if photo.number != line:
                raise self._bad(packed.PHOTOS, line, f"has the number {photo.number}")
            for name in photo.files:
                if name not in self._files:
                    raise self._bad(name, None, "is missing")
                try:
                    size = plain_size(self.file(name))
                except JpegError as e:
                    raise self._bad(name, None, str(e)) from e
                if name == photo.files[0] and size != (photo.width, photo.height):
                    said = f"{photo.width} × {photo.height}"
                    raise self._bad(name, None, f"has {size[0]} × {size[1]} pixels, {packed.PHOTOS} says {said}")
        named = {name for photo in self.photos for name in photo.files}
        for name in sorted(name for name in self._files if packed.PHOTO.fullmatch(name) and name not in named):
            raise self._bad(name, None, f"is not in {packed.PHOTOS}")

    def _check_runs(self) -> None:
        known: set[str] = set()
        for line, each in enumerate(self.runs, 1):
            run = each.run
            if not _ID.fullmatch(run.id) or run.id in known:
                raise self._bad(packed.RUNS, line, f"run {run.id!r}: not such an id, or there twice")
            for side in run.sides:
                self._named(packed.RUNS, line, side.supply, side.channel, None)
            for trace in run.traces:
                self._named(packed.RUNS, line, None, None, trace)
            self._numbers(packed.RUNS, line, *packed_runs.numbers_in(run))
            self._typed(packed.RUNS, line, *packed_runs.texts_in(each))
            if fault := packed_runs.fault_of(each, known, len(self.photos)):
                raise self._bad(packed.RUNS, line, fault)
            known.add(run.id)

    def _check_rows(self) -> None:
        at = readings = 0
        for line, head in enumerate(self.row_heads, 1):
            self._named("readings.jsonl", line, head.supply, head.channel, head.trace)
            self._numbers("readings.jsonl", line, head.half_trip_ns, head.dropped, head.thinned_from)
            if head.at != at or not 0 < head.bytes <= packed.MOST_ROW_BYTES:
                raise self._bad("readings.jsonl", line, f"{head.bytes} bytes at {head.at}; wanted at {at}, and at most "
                                f"{packed.MOST_ROW_BYTES}")  # fmt: skip
            at += head.bytes
            if not (0 < head.n <= MAX_ROW_READINGS and 0 <= head.t1_ns - head.t0_ns <= MAX_ROW_SPAN_NS):
                problem = f"{head.n} readings in {head.t1_ns - head.t0_ns} ns: more than a row of a log has"
                raise self._bad("readings.jsonl", line, problem)
        for line, (head, data) in enumerate(self.rows(), 1):
            try:
                samples = codec.decode(data)
            except codec.CodecError as e:
                raise self._bad(packed.ROWS, None, f"row {line}: {e}") from e
            if len(samples) != head.n or (int(samples.t_ns.min()), int(samples.t_ns.max())) != (head.t0_ns, head.t1_ns):
                raise self._bad(packed.ROWS, None, f"row {line}: not the readings that readings.jsonl tells of")
            if int(samples.mode.max()) > max(Mode):
                raise self._bad(packed.ROWS, None, f"row {line}: mode {int(samples.mode.max())} is none")
            readings += head.n
        if readings != self.manifest.counts.readings:
            problem = f"{readings} readings, the manifest says {self.manifest.counts.readings}"
            raise self._bad(packed.ROWS, None, problem)


def _unknown(said: Any, taken: Any) -> str:
    """The first key of what was said that is not among what was taken; empty: there is none."""
    if isinstance(said, dict) and isinstance(taken, dict):
        for key, value in said.items():
            if key not in taken:
                return str(key)
            if lost := _unknown(value, taken[key]):
                return lost
    if isinstance(said, list) and isinstance(taken, list | tuple):
        return next((lost for pair in zip(said, taken, strict=False) if (lost := _unknown(*pair))), "")
    return ""


def _at_most(member: IO[Any], size: int) -> Iterator[bytes]:
    """What it holds; it ends past `size`, however much a spoilt file would unpack to."""
    taken = 0
    while taken <= size and (piece := member.read(_AT_ONCE)):
        taken += len(piece)
        yield piece
