"""The log's tables, step by step. `PRAGMA user_version` counts the steps a file has taken; they only go forward.

A file that holds something is copied before its first step (`copy_before`), and takes all steps or none.
"""

from __future__ import annotations

import contextlib
import logging
import os
import sqlite3
import uuid
from pathlib import Path

from benchd.store.copying import copy_database
from benchd.store.errors import LogDown, LogError

log = logging.getLogger(__name__)

APPLICATION_ID = 0x626E6364
"""Marks a SQLite file as a log of benchd ("bncd"), so that another program's database is refused."""

_V1 = """
CREATE TABLE bench (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE jobs (
  id TEXT PRIMARY KEY, device TEXT NOT NULL, board TEXT NOT NULL, symptom TEXT NOT NULL, created_ns INTEGER NOT NULL);
CREATE TABLE journal (
  seq INTEGER PRIMARY KEY AUTOINCREMENT, t_ns INTEGER NOT NULL, kind TEXT NOT NULL,
  job TEXT, supply TEXT, channel INTEGER, trace TEXT, payload TEXT NOT NULL);
CREATE INDEX journal_job ON journal (job, seq);
CREATE TABLE traces (
  id TEXT PRIMARY KEY, job TEXT, supply TEXT NOT NULL, channel INTEGER NOT NULL,
  start_ns INTEGER NOT NULL, end_ns INTEGER NOT NULL, reason TEXT NOT NULL,
  conditions TEXT NOT NULL, marks TEXT NOT NULL, finding TEXT,
  readings INTEGER NOT NULL, peak_a REAL, charge_c REAL, energy_j REAL);
CREATE INDEX traces_start ON traces (start_ns);
CREATE INDEX traces_job ON traces (job, start_ns);
CREATE TABLE blocks (
  seq INTEGER PRIMARY KEY AUTOINCREMENT, supply TEXT NOT NULL, channel INTEGER NOT NULL, job TEXT, trace TEXT,
  t0_ns INTEGER NOT NULL, t1_ns INTEGER NOT NULL, n INTEGER NOT NULL, half_trip_ns INTEGER NOT NULL,
  dropped INTEGER NOT NULL, data BLOB NOT NULL);
CREATE INDEX blocks_time ON blocks (supply, channel, t0_ns);
CREATE TABLE trips (
  id INTEGER PRIMARY KEY AUTOINCREMENT, detected_ns INTEGER NOT NULL, supply TEXT NOT NULL, channel INTEGER NOT NULL,
  job TEXT, trace TEXT, rule TEXT NOT NULL, record BLOB NOT NULL);
CREATE TABLE cursors (name TEXT PRIMARY KEY, seq INTEGER NOT NULL, rejected INTEGER NOT NULL DEFAULT 0) WITHOUT ROWID;
CREATE TABLE rejected (
  id INTEGER PRIMARY KEY AUTOINCREMENT, follower TEXT NOT NULL, seq INTEGER NOT NULL, t_ns INTEGER NOT NULL,
  reason TEXT NOT NULL, item TEXT NOT NULL);
CREATE TABLE settings_changes (id INTEGER PRIMARY KEY AUTOINCREMENT, t_ns INTEGER NOT NULL, settings TEXT NOT NULL);
"""

_V2 = """
CREATE TABLE consents (
  id INTEGER PRIMARY KEY AUTOINCREMENT, t_ns INTEGER NOT NULL, supply TEXT NOT NULL, profile TEXT NOT NULL,
  maker TEXT NOT NULL, model TEXT NOT NULL, key TEXT NOT NULL, who TEXT NOT NULL, text TEXT NOT NULL);
UPDATE traces SET conditions = replace(conditions, '"accuracy_fraction":', '"accuracy_fraction_a":');
"""
# Quotes inside of the board's name are escaped in JSON, so that the key alone has the colon right behind its quote.

_V3 = """
ALTER TABLE trips ADD COLUMN figures TEXT;
CREATE INDEX trips_job ON trips (job, id);
"""

_V4 = """
CREATE TABLE board_references (
  trace TEXT PRIMARY KEY, board TEXT NOT NULL, note TEXT NOT NULL, added_ns INTEGER NOT NULL) WITHOUT ROWID;
CREATE INDEX board_references_board ON board_references (board, added_ns);
CREATE TABLE descriptors (
  trace TEXT PRIMARY KEY, version INTEGER NOT NULL, data BLOB NOT NULL) WITHOUT ROWID;
"""
# What describes a trace is apart from it, so that a search reads these bytes only, one behind the other.

_V5 = """
CREATE INDEX traces_signature ON traces (json_extract(finding, '$.signature'), start_ns);
CREATE INDEX traces_board ON traces (json_extract(conditions, '$.board'), start_ns);
CREATE INDEX jobs_board ON jobs (board, created_ns);
CREATE INDEX jobs_created ON jobs (created_ns);
CREATE INDEX journal_trace ON journal (trace, seq) WHERE trace IS NOT NULL;
CREATE INDEX journal_kind ON journal (kind, seq);
CREATE INDEX trips_trace ON trips (trace, id) WHERE trace IS NOT NULL;
CREATE INDEX blocks_trace ON blocks (trace, seq) WHERE trace IS NOT NULL;
ALTER TABLE blocks ADD COLUMN thinned_from INTEGER;
CREATE INDEX blocks_whole ON blocks (t1_ns) WHERE thinned_from IS NULL;
CREATE TABLE forgotten (job TEXT PRIMARY KEY, t_ns INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE unpacked (
  id INTEGER PRIMARY KEY AUTOINCREMENT, t_ns INTEGER NOT NULL, job TEXT NOT NULL, from_bench TEXT NOT NULL,
  from_log TEXT NOT NULL, checksum TEXT NOT NULL);
"""
# `thinned_from`: how many readings there were before they were thinned; NULL: all are there. `forgotten`: jobs whose
# owner's data was taken out, by the id they have since. `unpacked`: jobs that came in an archive from another bench.

_V6 = """
ALTER TABLE jobs ADD COLUMN history TEXT NOT NULL DEFAULT '';
ALTER TABLE jobs ADD COLUMN wanted_back TEXT NOT NULL DEFAULT '';
ALTER TABLE jobs ADD COLUMN battery TEXT NOT NULL DEFAULT '';
ALTER TABLE jobs ADD COLUMN accessories TEXT NOT NULL DEFAULT '';
ALTER TABLE jobs ADD COLUMN consent TEXT NOT NULL DEFAULT '[]';
ALTER TABLE jobs ADD COLUMN state TEXT NOT NULL DEFAULT 'taken-in';
ALTER TABLE jobs ADD COLUMN changed_ns INTEGER NOT NULL DEFAULT 0;
ALTER TABLE jobs ADD COLUMN version INTEGER NOT NULL DEFAULT 1;
UPDATE jobs SET changed_ns = created_ns;
CREATE INDEX jobs_state ON jobs (state, created_ns);
CREATE TABLE photos (
  id INTEGER PRIMARY KEY AUTOINCREMENT, job TEXT NOT NULL, t_ns INTEGER NOT NULL, caption TEXT NOT NULL,
  width INTEGER NOT NULL, height INTEGER NOT NULL, added_by TEXT NOT NULL, thumbnail BLOB NOT NULL,
  jpeg BLOB NOT NULL);
CREATE INDEX photos_job ON photos (job, id);
"""
# `consent`: a JSON list of the ids of risks. The picture stands last in its row: what lists read comes before it.

_V7 = """
CREATE TABLE runs (
  seq INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE, card TEXT NOT NULL, job TEXT,
  began_ns INTEGER NOT NULL, ended_ns INTEGER, outcome TEXT NOT NULL, reference TEXT NOT NULL DEFAULT '',
  data TEXT NOT NULL, state TEXT);
CREATE INDEX runs_job ON runs (job, began_ns);
CREATE INDEX runs_card ON runs (card, began_ns);
CREATE INDEX runs_began ON runs (began_ns);
CREATE INDEX runs_reference ON runs (reference, card) WHERE reference != '';
CREATE INDEX runs_running ON runs (began_ns) WHERE outcome = 'running';
CREATE TABLE leads (
  id INTEGER PRIMARY KEY AUTOINCREMENT, t_ns INTEGER NOT NULL, supply TEXT NOT NULL, channel INTEGER NOT NULL,
  name TEXT NOT NULL, data TEXT NOT NULL);
CREATE INDEX leads_of ON leads (supply, channel, name, t_ns);
"""
# `data`: a run, or what leads have, as JSON; the job of a run stands in its column alone. `state`: what a live
# measurement goes on from. `reference`: the kind of board that a run is a good one of.

STEPS = (_V1, _V2, _V3, _V4, _V5, _V6, _V7)
"""Step n takes a file from version n to n + 1. Add at the end; never change one that has been released."""


def version_of(db: sqlite3.Connection) -> int:
    """The file's version; 0 for an empty file. Raises LogError for another program's database."""
    version = int(db.execute("PRAGMA user_version").fetchone()[0])
    owner = int(db.execute("PRAGMA application_id").fetchone()[0])
    if owner != APPLICATION_ID and (version or db.execute("SELECT 1 FROM sqlite_master").fetchone()):
        raise LogError("this is a database of another program, not a log of benchd; name another file")
    if version > len(STEPS):
        raise LogError(
            f"the log has version {version}, this benchd knows up to {len(STEPS)}: it was written by a newer benchd; "
            "install that one or name another file (nothing was changed)"
        )
    return version


def migrate(db: sqlite3.Connection, path: Path) -> None:
    """Take the file at `path` to the newest version, all steps or none; one that holds something is copied first.

    The connection must be in autocommit mode (`isolation_level=None`). Raises LogError (see `version_of`), and LogDown
    when the copy cannot be made: nothing was changed then.
    """
    if version_of(db) == len(STEPS):
        return
    db.execute("BEGIN IMMEDIATE")
    try:
        first = version_of(db)  # again, now that nobody else can take a step
        copy = _copied(path) if 0 < first < len(STEPS) else None
        take_steps(db, first, len(STEPS))
        give_id(db)
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise
    if copy is not None:
        log.warning("%s: taken from version %d to %d; the file as it was is %s", path, first, len(STEPS), copy)


def take_steps(db: sqlite3.Connection, first: int, last: int) -> None:
    """From version `first` to version `last`; in the transaction that is open, if one is."""
    for step in STEPS[first:last]:
        for statement in step.split(";"):
            if statement.strip():
                db.execute(statement)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {last}")


def give_id(db: sqlite3.Connection) -> None:
    """Give the log its id, if it has none."""
    db.execute("INSERT OR IGNORE INTO bench VALUES ('log', ?)", (uuid.uuid4().hex[:12],))


def copy_before(path: Path) -> Path:
    """Where the file is copied to before it is taken to this benchd's version."""
    return path.with_name(f"{path.name}.before-v{len(STEPS)}")


def _copied(path: Path) -> Path:
    """Copy the file, which nobody else can write now. One from an earlier try is replaced, no other."""
    copy = copy_before(path)
    if os.path.lexists(copy) and (_log_id(copy) is None or _log_id(copy) != _log_id(path)):
        raise LogDown(
            f"before the log is taken to version {len(STEPS)} it is copied to {copy}, but there is a file of that name "
            "that is not an older copy of this log: move it away (nothing was changed)"
        )
    try:
        copy_database(path, copy)
    except LogDown as e:
        raise LogDown(
            f"before the log is taken to version {len(STEPS)} it is copied, and that failed (nothing was changed): {e}"
        ) from e
    return copy


def _log_id(path: Path) -> str | None:
    """The id of a log of an older version; None: it is none."""
    try:
        with contextlib.closing(sqlite3.connect(path.absolute().as_uri() + "?mode=ro", uri=True)) as db:
            if not 0 < version_of(db) < len(STEPS):
                return None
            found = db.execute("SELECT value FROM bench WHERE key = 'log'").fetchone()
            return str(found[0]) if found else None
    except (sqlite3.Error, LogError):
        return None
