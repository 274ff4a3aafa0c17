"""Packs a job with all that belongs to it into one archive (`benchd.store.packed`).

What goes in is of one moment, also while the daemon records. Readings go in as the log has them, row by row, so the
memory needed does not grow with them. A row of another job that reaches into a trace (its first two seconds, say) goes
in with the readings of that trace only. Ids of other jobs and of traces that are not in it are left out.
"""

from __future__ import annotations

import contextlib
import hashlib
import zipfile
from collections.abc import Callable, Iterator
from typing import IO, Any

import msgspec
import numpy as np

from benchd import __version__
from benchd.jobs.personal import entry_without_person, job_without_person
from benchd.store import codec, packed
from benchd.store.blocks import MAX_ROW_SPAN_NS
from benchd.store.errors import LogError
from benchd.store.exporting import long_trace
from benchd.store.log import Log, TraceRow
from benchd.store.migrations import STEPS
from benchd.store.packed_runs import packed_runs
from benchd.store.photo_rows import ADDED, REMOVED, photos, picture, thumbnail
from benchd.store.reference_rows import references
from benchd.traces.csv_write import csv_pieces
from benchd.traces.samples import Samples

Span = tuple[int, int]
Put = Callable[[bytes], object]

_MADE = (1980, 1, 1, 0, 0, 0)
"""The first date that a zip file can say (APPNOTE.TXT, 4.4.6): the same archive has the same bytes at any time."""
_UNIX, _PLAIN_FILE = 3, 0o100644 << 16
_PAYLOAD = msgspec.json.Decoder(dict[str, Any])


def pack_job(
    log: Log, job: str, to: IO[bytes], *, bench: str, with_csv: bool = False, without_person: bool = False
) -> packed.Manifest:
    """Write the archive of a job to a file that was opened for writing; what it says of itself.

    `bench`: the name of the bench that the log is of; empty where it is not known. `without_person`: leave out what was
    said of the device and in notes, and photos.

    Raises LogError (no such job or name of a bench, a damaged row), OSError.
    """
    if bench and not packed.BENCH.fullmatch(bench):
        raise LogError(f"bench {bench!r}: allowed are 1 to 32 of a-z, 0-9 and '-', as in the settings; give --bench")
    with snapshot(log):
        if log.job(job) is None:
            raise LogError(f"job {job!r} is not in this log; `benchd job list` shows what is")
        with zipfile.ZipFile(to, "w") as archive:
            return _Packing(log, job, archive, without_person).whole(bench, with_csv)


@contextlib.contextmanager
def snapshot(log: Log) -> Iterator[None]:
    """All that is read inside is of one moment (sqlite.org/isolation.html). For a connection that only reads."""
    log.rows("BEGIN DEFERRED")
    try:
        yield
    finally:
        log.rows("ROLLBACK")


class _Packing:
    """One archive on its way."""

    def __init__(self, log: Log, job: str, archive: zipfile.ZipFile, without_person: bool) -> None:
        self._log, self._job, self._zip, self._without = log, job, archive, without_person
        self._files: list[packed.PackedFile] = []
        self._traces = sorted(log.traces(job=job, limit=-1), key=lambda row: (row.start_ns, row.id))
        self._known = {row.id for row in self._traces}
        self._trips = log.trips(job=job, limit=-1)[::-1]
        self._numbers = {trip.number: n for n, trip in enumerate(self._trips, 1)}
        self._photos = [] if without_person else photos(log, job)
        self._photo_numbers = {photo.id: n for n, photo in enumerate(self._photos, 1)}

    def whole(self, bench: str, with_csv: bool) -> packed.Manifest:
        job = self._log.job(self._job)
        assert job is not None
        entries = self._entries()
        self._text("job.json", [job_without_person(job) if self._without else job])
        self._text("journal.jsonl", entries)
        self._text("traces.jsonl", self._packed_traces())
        self._text("trips.jsonl", self._packed_trips())
        rows = self._rows()
        self._text("readings.jsonl", rows)
        self._text(packed.PHOTOS, self._packed_photos())
        runs = packed_runs(self._log, self._job, self._photo_numbers, self._known, self._without)
        self._text(packed.RUNS, runs)
        for row in self._traces if with_csv else ():
            self._csv(row)
        manifest = packed.Manifest(
            kind="benchd job",
            format=packed.FORMAT,
            log_version=len(STEPS),
            benchd=__version__,
            bench=bench,
            log=self._log.log_id,
            job=job.id,
            created=packed.rfc3339(job.created_ns),
            first=packed.rfc3339(min(row.t0_ns for row in rows)) if rows else None,
            last=packed.rfc3339(max(row.t1_ns for row in rows)) if rows else None,
            without_person=self._without,
            counts=packed.Counts(
                len(entries),
                len(self._traces),
                len(self._trips),
                len(rows),
                sum(row.n for row in rows),
                len(self._photos),
                len(runs),
            ),
            checksum=packed.checksum(self._files),
            files=(),
        )
        with self._member(packed.README) as put:
            put(packed.readme(manifest).encode())
        manifest = msgspec.structs.replace(manifest, files=tuple(sorted(self._files, key=lambda file: file.name)))
        with self._member(packed.MANIFEST) as put:
            put(msgspec.json.format(msgspec.json.encode(manifest), indent=1) + b"\n")
        return manifest

    # ---- files ----------------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _member(self, name: str, squeeze: bool = True) -> Iterator[Put]:
        """A file of the archive; its size and checksum are kept for the manifest."""
        info = zipfile.ZipInfo(name, _MADE)
        info.create_system, info.external_attr = _UNIX, _PLAIN_FILE
        info.compress_type = zipfile.ZIP_DEFLATED if squeeze else zipfile.ZIP_STORED
        digest, size = hashlib.sha256(), 0
        with self._zip.open(info, "w", force_zip64=True) as member:

            def put(data: bytes) -> None:
                nonlocal size
                size += len(data)
                digest.update(data)
                member.write(data)

            yield put
        self._files.append(packed.PackedFile(name, size, digest.hexdigest()))

    def _text(self, name: str, lines: list[Any]) -> None:
        with self._member(name) as put:
            for line in lines:
                put(msgspec.json.encode(line) + b"\n")
        if self._files[-1].bytes > packed.MOST_TEXT_BYTES:
            raise LogError(
                f"job {self._job}: {name} would have {self._files[-1].bytes} bytes, more than the "
                f"{packed.MOST_TEXT_BYTES} that an archive may have of it; export its traces instead"
            )

    def _csv(self, row: TraceRow) -> None:
        with self._member(f"{packed.CSV_FOLDER}{row.id}.csv") as put:
            for piece in csv_pieces(long_trace(self._log, row)):
                put(piece.encode())

    # ---- what goes in ---------------------------------------------------------------------------------------------

    def _entries(self) -> list[packed.PackedEntry]:
        out = []
        lines: dict[int, int] = {}
        sql = "SELECT seq, t_ns, kind, supply, channel, trace, payload FROM journal WHERE job = ? ORDER BY seq"
        for seq, t_ns, kind, supply, channel, trace, text in self._log.rows(sql, (self._job,)):
            payload = self._own(kind, _PAYLOAD.decode(text), lines)
            kept = entry_without_person(kind, payload) if self._without else payload
            if kept is not None:
                out.append(packed.PackedEntry(t_ns, kind, supply, channel, self._filed(trace), kept))
                lines[seq] = len(out)
        return out

    def _own(self, kind: str, payload: dict[str, Any], lines: dict[int, int]) -> dict[str, Any]:
        """With numbers of this archive, and without other jobs' ids. `lines`: of the entries before it, by seq."""
        if kind == "trip" and "trip" in payload:
            return payload | {"trip": self._numbers.get(payload["trip"])}
        if kind in (ADDED, REMOVED) and "photo" in payload:
            return payload | {"photo": self._photo_numbers.get(payload["photo"])}
        if kind == "step-taken-back" and "seq" in payload:
            return payload | {"seq": lines.get(payload["seq"])}
        if kind == "job-chosen":
            return payload | {"before": None}
        return payload

    def _filed(self, trace: str | None) -> str | None:
        return trace if trace in self._known else None

    def _packed_traces(self) -> list[packed.PackedTrace]:
        out = []
        good = {each.trace: each for each in references(self._log)}
        for row in self._traces:
            reference = None
            if (kept := good.get(row.id)) is not None:
                note = "" if self._without else kept.note
                reference = packed.PackedReference(kept.board, note, kept.added_ns)
            out.append(packed.PackedTrace(row, reference))
        return out

    def _packed_trips(self) -> list[packed.PackedTrip]:
        return [
            packed.PackedTrip(
                n, self._filed(trip.trace), trip.figures, msgspec.msgpack.encode(trip.tripped)
            )
            for n, trip in enumerate(self._trips, 1)
        ]  # fmt: skip

    def _packed_photos(self) -> list[packed.PackedPhoto]:
        """Write the files of the photos; what they are."""
        out = []
        for n, photo in enumerate(self._photos, 1):
            line = packed.PackedPhoto(n, photo.t_ns, photo.caption, photo.width, photo.height, photo.by)
            for name, get in zip(line.files, (picture, thumbnail), strict=True):
                with self._member(name, squeeze=False) as put:
                    put(get(self._log, self._job, photo.id) or b"")
            out.append(line)
        return out

    # ---- readings -------------------------------------------------------------------------------------------------

    def _rows(self) -> list[packed.PackedRow]:
        """Write readings.bin; what is in it."""
        out: list[packed.PackedRow] = []
        at = 0
        with self._member(packed.ROWS, squeeze=False) as put:
            for seq, spans in sorted(self._wanted().items()):
                found = self._row(seq, spans, at)
                if found is None:
                    continue
                row, data = found
                put(data)
                out.append(row)
                at += len(data)
        return out

    def _wanted(self) -> dict[int, list[Span] | None]:
        """Rows by their seq; with the times of the job's traces where they are of another job, or of none."""
        wanted: dict[int, list[Span] | None] = {}
        for row in self._traces:
            found = self._log.rows(
                "SELECT seq FROM blocks WHERE supply = ? AND channel = ? AND t0_ns >= ? AND t0_ns <= ? AND t1_ns >= ?"
                " AND job IS NOT ?",
                (row.supply, row.channel, row.start_ns - MAX_ROW_SPAN_NS, row.end_ns, row.start_ns, self._job),
            )
            for (seq,) in found:
                spans = wanted.setdefault(seq, [])
                assert spans is not None
                spans.append((row.start_ns, row.end_ns))
        for (seq,) in self._log.rows("SELECT seq FROM blocks WHERE job = ?", (self._job,)):
            wanted[seq] = None
        return wanted

    def _row(self, seq: int, spans: list[Span] | None, at: int) -> tuple[packed.PackedRow, bytes] | None:
        supply, channel, trace, t0_ns, t1_ns, n, half_trip_ns, dropped, thinned_from, data = self._log.rows(
            "SELECT supply, channel, trace, t0_ns, t1_ns, n, half_trip_ns, dropped, thinned_from, data FROM blocks"
            " WHERE seq = ?",
            (seq,),
        )[0]
        try:
            samples = codec.decode(data)
        except codec.CodecError as e:
            raise LogError(
                f"row {seq} of the readings of {supply} channel {channel}, {packed.rfc3339(t0_ns)}: {e}; "
                "`benchd log check --repair` sets it aside, then the job can be packed"
            ) from e
        if spans is not None:
            part = _within(samples, spans)
            if not len(part):
                return None
            if part.t_ns[0] != samples.t_ns[0]:
                dropped = 0  # before what is left out
            t0_ns, t1_ns, n, data = int(part.t_ns.min()), int(part.t_ns.max()), len(part), codec.encode(part)
        row = packed.PackedRow(
            supply, channel, self._filed(trace), t0_ns, t1_ns, n, half_trip_ns, dropped, thinned_from, at, len(data)
        )
        return row, data


def _within(samples: Samples, spans: list[Span]) -> Samples:
    """The readings at these times, ends included."""
    kept = np.zeros(len(samples), bool)
    for start_ns, end_ns in spans:
        kept |= (samples.t_ns >= start_ns) & (samples.t_ns <= end_ns)
    return samples.where(kept)
