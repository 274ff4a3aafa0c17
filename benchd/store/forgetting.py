"""Takes a customer's data out of the log. The trace stays, and nothing in the file leads from it to a person.

What goes: what was said of the device, its symptom and its past, photos, notes in the journal, at steps, checks and
references, and the job's id, in the place of which stands a new one at random: in every table, in the journal of other
jobs, and in what servers refused.
What stays: kind of board, conditions, marks, findings, trips, readings, times.

SQLite overwrites what is deleted (`secure_delete`, sqlite.org/pragma.html); copies of pages that it had moved earlier
may still lie in the file and in its -wal file, so it is written anew afterwards, and looked through, byte by byte
(`forgetting_files`). What a disk keeps of overwritten files is beyond any program's reach.
"""

from __future__ import annotations

import secrets
import sqlite3
from typing import Any

import msgspec

from benchd.jobs.job import Job
from benchd.jobs.personal import TYPED, TYPED_OF_JOB, entry_without_person, job_without_person, typed
from benchd.procedures.record import run_without_person, typed_in
from benchd.store import job_rows
from benchd.store.compacting import OWED
from benchd.store.errors import LogError
from benchd.store.job_words import Words
from benchd.store.log import Log
from benchd.store.procedure_rows import data_of, decoded, runs

NEW_ID = "forgotten-"
SAMPLE_BYTES, MOST_SAMPLES = 48, 20
"""By what files are looked through for photos: enough to see whether a file was written anew."""
_SAMPLES = [f"substr(jpeg, length(jpeg) / 2 + {at}, {SAMPLE_BYTES})" for at in (0, 512)]


class Personal(msgspec.Struct, frozen=True):
    """What is to be forgotten of a job."""

    job: Job
    notes: tuple[str, ...]
    """What people wrote, in the journal and at references."""
    traces: int
    rows: int
    """Of readings."""
    photos: int = 0
    samples: tuple[bytes, ...] = ()
    """Some bytes out of some of its photos."""


class Forgotten(msgspec.Struct, frozen=True):
    """What was done."""

    job: str
    """The id that it has from now on."""
    t_ns: int
    notes: int
    traces: int
    rows: int
    photos: int = 0


def personal(log: Log, job: str) -> Personal:
    """Look at what there is to be forgotten. Raises LogError when there is no such job."""
    found = log.job(job)
    if found is None:
        raise LogError(f"job {job!r} is not in this log; `benchd job list` shows what is")
    notes = [text for e in log.journal(job=job, limit=-1, kinds=TYPED.keys()) for text in typed(e.kind, e.payload)]
    notes += [text for run in runs(log, job, limit=-1) for text in typed_in(run)]
    (traces,), (rows,), (photos,) = (
        log.rows(f"SELECT count(*) FROM {table} WHERE job = ?", (job,))[0]  # noqa: S608
        for table in ("traces", "blocks", "photos")
    )
    return Personal(found, tuple(notes), traces, rows, photos, _samples(log, job))


def forget(
    log: Log, job: str, now_ns: int, new: str | None = None, *, from_bench: bool = False, by: str = ""
) -> Forgotten:
    """Do it, in one transaction. `new`: the id from now on, where another copy of the log has given it already.
    `from_bench`: take the job off the bench, too. `by`: who asked for it, of the workshop.

    Raises LogError when there is no such job, or it is on the bench.
    """
    with log.transaction() as db:
        known = personal(log, job)
        if from_bench and log.current_job() == job:
            log.set_current_job(None)
        if log.current_job() == job:
            raise LogError(f"job {job} is on the bench: take it off first (`benchd job use`), then forget it")
        db.execute("PRAGMA secure_delete = ON")
        new = new or NEW_ID + secrets.token_hex(6)
        _blank(db, known.job)
        _rename(db, job, new)
        _clean_journal(db, new, Words(job, new))
        db.execute("INSERT OR REPLACE INTO forgotten VALUES (?, ?)", (new, now_ns))
        db.execute("INSERT OR REPLACE INTO bench VALUES (?, ?)", (OWED, str(now_ns)))
        said = {"text": "what was known of its owner was taken out, its id among it"} | ({"by": by} if by else {})
        log.add_entry("forgotten", job=new, payload=said, t_ns=now_ns)
        db.execute("PRAGMA secure_delete = FAST")  # as for everything else that is written
    return Forgotten(new, now_ns, len(known.notes), known.traces, known.rows, known.photos)


def _samples(log: Log, job: str) -> tuple[bytes, ...]:
    """Out of the middle of the newest photos; not what many pictures have, as of one colour.

    Two of each: a page of the file may end in one of them, but not in both.
    """
    sql = f"SELECT {', '.join(_SAMPLES)} FROM photos WHERE job = ? ORDER BY id DESC LIMIT ?"  # noqa: S608
    found = [bytes(sample) for row in log.rows(sql, (job, MOST_SAMPLES)) for sample in row]
    return tuple(sample for sample in found if len(set(sample)) > SAMPLE_BYTES / 2)


def still_shown(log: Log, samples: tuple[bytes, ...]) -> set[bytes]:
    """Those that photos of other jobs have as well: the same picture was added there, too."""
    has = f"SELECT EXISTS (SELECT 1 FROM photos WHERE ? IN ({', '.join(_SAMPLES)}))"  # noqa: S608
    return {sample for sample in samples if log.rows(has, (sample,))[0][0]}


def _blank(db: sqlite3.Connection, job: Job) -> None:
    job_rows.update(db, job_without_person(job))
    db.execute("DELETE FROM photos WHERE job = ?", (job.id,))
    db.execute("UPDATE board_references SET note = '' WHERE trace IN (SELECT id FROM traces WHERE job = ?)", (job.id,))
    for seq, data in db.execute("SELECT seq, data FROM runs WHERE job = ?", (job.id,)).fetchall():
        clean = data_of(run_without_person(decoded(data, None)))
        db.execute("UPDATE runs SET data = ?, state = NULL WHERE seq = ?", (clean, seq))
    rows = db.execute("SELECT seq, kind, payload FROM journal WHERE job = ?", (job.id,)).fetchall()
    for seq, kind, payload in rows:
        left = entry_without_person(kind, msgspec.json.decode(payload))
        if left is None:
            db.execute("DELETE FROM journal WHERE seq = ?", (seq,))
        else:
            db.execute("UPDATE journal SET payload = ? WHERE seq = ?", (_json(left), seq))


def _rename(db: sqlite3.Connection, old: str, new: str) -> None:
    """In every table that says of which job its rows are, whichever tables there are by now."""
    db.execute("UPDATE jobs SET id = ? WHERE id = ?", (new, old))
    tables = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()]
    for table in tables:
        columns = [row[1] for row in db.execute(f'PRAGMA table_info("{table}")').fetchall()]
        if "job" in columns:
            db.execute(f'UPDATE "{table}" SET job = ? WHERE job = ?', (new, old))  # noqa: S608


def _clean_journal(db: sqlite3.Connection, new: str, words: Words) -> None:
    """What other rows say of it: which job was on the bench before, notes that name it, what servers refused."""
    old = words.old
    rows = db.execute("SELECT seq, kind, job, payload FROM journal WHERE instr(payload, ?) OR job = ?", (old, new))
    for seq, kind, job, payload in rows.fetchall():
        told = msgspec.json.decode(payload)
        if kind == "unpacked" and job == new:
            told["packed_as"] = new  # what another bench calls it leads to the same person
        if kind != "job-state" and (clean := _json(words.payload(told))) != payload:
            db.execute("UPDATE journal SET payload = ? WHERE seq = ?", (clean, seq))
    for table, columns in (("jobs", TYPED_OF_JOB), ("board_references", ("note",)), ("runs", ("data",))):
        for column in columns:
            _renamed(db, table, column, words.said, old)
    for column in ("item", "reason"):
        _renamed(db, "rejected", column, words.sent, old)


def _renamed(db: sqlite3.Connection, table: str, column: str, rename: Any, old: str) -> None:
    db.create_function("renamed", 1, rename, deterministic=True)
    db.execute(f"UPDATE {table} SET {column} = renamed({column}) WHERE instr({column}, ?)", (old,))  # noqa: S608


def _json(value: Any) -> str:
    return msgspec.json.encode(value).decode()
