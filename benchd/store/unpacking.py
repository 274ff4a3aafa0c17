"""Takes the archive of a job from another bench into the log, whole or not at all.

Times stay as they are. What would be mixed up with this bench's own gets a name that cannot be: a supply becomes
`psu@bench-b`, since the log finds readings by supply and time; trips get the next numbers; a trace whose id is taken
gets another. Rows of readings and journal entries get numbers below 0, and followers' cursors begin at 0: what another
bench has measured is never sent as this one's own.
"""

from __future__ import annotations

import sqlite3
import time
from datetime import datetime
from typing import Any

import msgspec

from benchd.guard.wire import Tripped
from benchd.jobs.job import check_job_id
from benchd.jobs.photo import Developed
from benchd.store import job_rows, packed_runs, photo_rows, procedure_rows, trace_rows, trip_rows
from benchd.store.errors import LogError
from benchd.store.log import Log
from benchd.store.packed import PackedTrace
from benchd.store.packed_file import Archive


class Placed(msgspec.Struct, frozen=True):
    """Under which names a job comes into a log."""

    job: str
    supplies: dict[str, str]
    """There → here."""
    traces: dict[str, str]
    """There → here; most are the same."""
    runs: dict[str, str] = {}
    """There → here, of procedures; most are the same."""


def place(log: Log, archive: Archive, as_job: str | None = None, again: bool = False) -> Placed:
    """Under which names it would come in. Changes nothing. `as_job`: id of the job here; None: as there. `again`: also
    when the very same came in before. Raises LogError when it cannot come in, JobError for a bad `as_job`."""
    manifest = archive.manifest
    came = log.rows("SELECT t_ns, job FROM unpacked WHERE checksum = ? ORDER BY id DESC LIMIT 1", (manifest.checksum,))
    if came and not again:
        t_ns, known = came[0]
        raise LogError(
            f"{archive.path}: this very job came in at {_when(t_ns)}, it is job {known} here; to have it twice, say "
            "--again, and --as with another id"
        )
    job = check_job_id(as_job) if as_job is not None else archive.job.id
    if log.job(job) is not None:
        own = " (the archive was packed from this very log)" if manifest.log == log.log_id else ""
        raise LogError(f"{archive.path}: there is a job {job} in this log already{own}; give another id with --as")
    return Placed(job, _supplies(log, archive), _trace_ids(log, archive), packed_runs.ids_here(log, archive.runs))


def unpack_job(
    log: Log, archive: Archive, as_job: str | None = None, *, again: bool = False, with_references: bool = False
) -> Placed:
    """Take it in, in one transaction, with a journal entry `unpacked`. `with_references`: traces and runs that were
    references there are references here. Raises as `place`, and ArchiveError if the file changes meanwhile."""
    manifest = archive.manifest
    with log.transaction() as db:
        placed = place(log, archive, as_job, again)
        was = archive.job  # one from before jobs were changed has no version
        job = msgspec.structs.replace(
            was, id=placed.job, version=max(was.version, 1), changed_ns=was.changed_ns or was.created_ns
        )
        job_rows.insert(db, job)
        for trace in archive.traces:
            _insert_trace(db, trace, placed, with_references)
        _insert_rows(db, archive, placed)
        trips, photos = _insert_trips(db, archive, placed), _insert_photos(db, archive, placed)
        for run in archive.runs:
            packed_runs.insert(db, run, job.id, placed.runs, placed.supplies, placed.traces, photos, with_references)
        _insert_entries(db, archive, placed, trips, photos)
        db.execute(
            "INSERT INTO unpacked (t_ns, job, from_bench, from_log, checksum) VALUES (?, ?, ?, ?, ?)",
            (time.time_ns(), job.id, manifest.bench, manifest.log, manifest.checksum),
        )
        said = {
            "text": f"taken in from an archive of bench {manifest.bench or manifest.log}, where it was job "
            f"{archive.job.id}",
            "from_bench": manifest.bench,
            "from_log": manifest.log,
            "packed_as": archive.job.id,
            "checksum": manifest.checksum,
        }
        log.add_entry("unpacked", job=job.id, payload=said)
    return placed


# ---- names ----------------------------------------------------------------------------------------------------------


def _supplies(log: Log, archive: Archive) -> dict[str, str]:
    """Each supply's name here: one that this log has nothing under yet."""
    named = {trace.row.supply for trace in archive.traces} | {row.supply for row in archive.row_heads}
    named |= {trip.supply for trip in archive.tripped} | {entry.supply for entry in archive.entries if entry.supply}
    named |= {side.supply for each in archive.runs for side in each.run.sides}
    origin = archive.manifest.bench or archive.manifest.log
    taken = set()
    for table in ("traces", "blocks", "trips", "journal"):
        sql = f"SELECT DISTINCT supply FROM {table} WHERE supply LIKE '%@%'"  # noqa: S608
        taken |= {supply for (supply,) in log.rows(sql)}
    n = 1
    while True:
        here = {name: f"{name}@{origin}" + (f".{n}" if n > 1 else "") for name in sorted(named)}
        if not taken & set(here.values()):
            return here
        n += 1


def _trace_ids(log: Log, archive: Archive) -> dict[str, str]:
    out: dict[str, str] = {}
    used = {trace.row.id for trace in archive.traces}
    for trace in archive.traces:
        id, n = trace.row.id, 1
        while log.trace(id) is not None or (n > 1 and id in used):
            n += 1
            id = f"{trace.row.id}-{n}"
        used.add(id)
        out[trace.row.id] = id
    return out


def _here(trace: str | None, placed: Placed) -> str | None:
    return None if trace is None else placed.traces[trace]


def _renamed(value: Any, names: dict[str, str]) -> Any:
    """With other names of traces wherever a text has them."""
    match value:
        case str():
            for there, here in names.items():
                value = value.replace(there, here)
            return value
        case dict():
            return {key: _renamed(each, names) for key, each in value.items()}
        case list():
            return [_renamed(each, names) for each in value]
        case _:
            return value


# ---- rows -----------------------------------------------------------------------------------------------------------


def _insert_trace(db: sqlite3.Connection, trace: PackedTrace, placed: Placed, with_references: bool) -> None:
    row = trace.row
    id = placed.traces[row.id]
    here = msgspec.structs.replace(row, id=id, job=placed.job, supply=placed.supplies[row.supply])
    trace_rows.insert(db, here)
    if with_references and (good := trace.reference) is not None:
        db.execute(
            "INSERT INTO board_references (trace, board, note, added_ns) VALUES (?, ?, ?, ?)",
            (id, good.board, good.note, good.added_ns),
        )


def _lowest(db: sqlite3.Connection, table: str) -> int:
    """The lowest number of a table, 0 at most."""
    found = db.execute(f"SELECT min(seq) FROM {table}").fetchone()[0]  # noqa: S608
    return min(0, found or 0)


def _insert_rows(db: sqlite3.Connection, archive: Archive, placed: Placed) -> None:
    first = _lowest(db, "blocks") - len(archive.row_heads)
    for seq, (row, data) in enumerate(archive.rows(), first):
        db.execute(
            "INSERT INTO blocks (seq, supply, channel, job, trace, t0_ns, t1_ns, n, half_trip_ns, dropped,"
            " thinned_from, data) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (seq, placed.supplies[row.supply], row.channel, placed.job, _here(row.trace, placed), row.t0_ns, row.t1_ns,
             row.n, row.half_trip_ns, row.dropped, row.thinned_from, data),
        )  # fmt: skip


def _insert_trips(db: sqlite3.Connection, archive: Archive, placed: Placed) -> dict[int, int]:
    """Their numbers there → here."""
    numbers = {}
    for trip, tripped in zip(archive.trips, archive.tripped, strict=True):
        named = _trip_here(tripped, placed.supplies[tripped.supply])
        numbers[trip.number] = trip_rows.insert(db, named, placed.job, _here(trip.trace, placed), trip.figures)
    return numbers


def _insert_photos(db: sqlite3.Connection, archive: Archive, placed: Placed) -> dict[int, int]:
    """Their numbers there → here."""
    numbers = {}
    for photo in archive.photos:
        picture, thumbnail = map(archive.file, photo.files)
        made = Developed(picture, thumbnail, photo.width, photo.height)
        numbers[photo.number] = photo_rows.insert(db, placed.job, made, photo.caption, photo.by, photo.t_ns)
    return numbers


def _trip_here(tripped: Tripped, supply: str) -> Tripped:
    before, after = (msgspec.structs.replace(b, supply=supply) for b in (tripped.before, tripped.after))
    return msgspec.structs.replace(tripped, supply=supply, before=before, after=after)


def _insert_entries(
    db: sqlite3.Connection, archive: Archive, placed: Placed, trips: dict[int, int], photos: dict[int, int]
) -> None:
    names = {there: here for there, here in placed.traces.items() if there != here}
    first = _lowest(db, "journal") - len(archive.entries)
    for seq, entry in enumerate(archive.entries, first):
        payload = _renamed(entry.payload, names)
        if entry.kind == "trip" and "trip" in payload:
            payload |= {"trip": trips.get(payload["trip"])}
        if entry.kind in (photo_rows.ADDED, photo_rows.REMOVED) and "photo" in payload:
            payload |= {"photo": photos.get(payload["photo"])}
        if entry.kind == "step-taken-back" and isinstance(payload.get("seq"), int):
            payload |= {"seq": first + payload["seq"] - 1}
        if entry.kind == "job-chosen":
            payload |= {"job": placed.job}
        if entry.kind in (procedure_rows.ENDED, procedure_rows.REFERENCE) and "run" in payload:
            payload |= _of_run(payload, placed.runs)
        supply = None if entry.supply is None else placed.supplies[entry.supply]
        db.execute(
            "INSERT INTO journal (seq, t_ns, kind, job, supply, channel, trace, payload)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (seq, entry.t_ns, entry.kind, placed.job, supply, entry.channel, _here(entry.trace, placed),
             msgspec.json.encode(payload).decode()),
        )  # fmt: skip


def _of_run(payload: dict[str, Any], runs: dict[str, str]) -> dict[str, Any]:
    """The run that an entry tells of, by its id here."""
    there = payload["run"]
    here = runs.get(there) if isinstance(there, str) else None
    if here is None:
        return {"run": ""}
    text = str(payload.get("text", "")).replace(f"run {there} ", f"run {here} ")
    return {"run": here} | ({"text": text} if "text" in payload else {})


def _when(t_ns: int) -> str:
    """Local date and time for people, to the second."""
    return f"{datetime.fromtimestamp(t_ns // 1_000_000_000):%Y-%m-%d %H:%M:%S}"
