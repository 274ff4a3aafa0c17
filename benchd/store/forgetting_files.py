"""Whether files still hold what was forgotten, byte by byte; and the same forgetting in copies of the log."""

from __future__ import annotations

import contextlib
import json
import os
import re
import sqlite3
import subprocess
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

from benchd.jobs.personal import TYPED_OF_JOB
from benchd.store.compacting import compact
from benchd.store.copying import copy_database
from benchd.store.errors import LogDown, LogError, from_sqlite
from benchd.store.forgetting import Forgotten, Personal, forget, still_shown
from benchd.store.job_words import telling
from benchd.store.log import Log
from benchd.store.migrations import copy_before
from benchd.whole_file import sync_file, sync_folder

LEAST_BYTES = 6
"""Shorter texts are found anywhere by chance, and say nothing of anybody."""
MOST_BYTES = 48
"""Long texts are looked for in pieces: SQLite cuts what does not fit a page."""


def needles(known: Personal) -> list[bytes]:
    """By what a file is looked through: the texts, in pieces as they lie in a file, and the id where it is telling."""
    texts = [*(getattr(known.job, field) for field in TYPED_OF_JOB), *known.notes]
    # In JSON a line break, a quote or a backslash is another byte: what lies between them is the same in both.
    pieces = [piece.encode() for text in texts for piece in re.split(r'[\x00-\x1f"\\]+', text)]
    cut = {piece[at : at + MOST_BYTES] for piece in pieces for at in range(0, len(piece), MOST_BYTES)}
    found = sorted({piece for piece in cut if len(piece) >= LEAST_BYTES} | set(known.samples))
    return [*found, known.job.id.encode()] if telling(known.job.id) else found


def still_said(log: Log, sought: Sequence[bytes]) -> set[bytes]:
    """Those that rows of the log hold as well, as "no start" or "charger" may stand anywhere: no sign of anybody. For
    after the forgetting. Raises LogError."""
    found: set[bytes] = set()
    for table, sql in log.rows("SELECT name, sql FROM sqlite_master WHERE type = 'table' AND name <> 'blocks'"):
        schema = f"table{table}{table} {sql}".encode()  # as its row in sqlite_master lies in the file
        found |= {each for each in sought if each in schema}
        # Pictures hold no words, and are large.
        columns = [row[1] for row in log.rows(f'PRAGMA table_info("{table}")') if row[1] not in ("jpeg", "thumbnail")]
        text = " || x'00' || ".join(f"coalesce(CAST(\"{column}\" AS BLOB), x'')" for column in columns)
        holds = f'SELECT EXISTS (SELECT 1 FROM "{table}" WHERE instr({text}, ?))'  # noqa: S608
        found |= {each for each in sought if each not in found and log.rows(holds, (each,))[0][0]}
    return found


def residue(files: Iterable[Path], sought: Sequence[bytes]) -> list[Path]:
    """Those of the files that hold any of these bytes. Raises OSError.

    Another process looks: one that closes any descriptor of a file loses its locks on it (fcntl(2)), and the log would
    be taken for one that nobody has open (sqlite.org/howtocorrupt.html, 2.2).
    """
    there = [file for file in files if file.is_file() and file.stat().st_size]
    if not there or not sought:
        return []
    words = [sys.executable, "-I", "-S", "-c", _LOOK, *(str(file.absolute()) for file in there)]
    asked = json.dumps([each.hex() for each in sought]).encode()
    done = subprocess.run(words, check=False, input=asked, capture_output=True)
    if done.returncode:
        raise OSError(
            f"the log's files cannot be looked through: {done.stderr.decode(errors='replace').strip()[-300:]}"
        )
    return [there[number] for number in json.loads(done.stdout)]


_LOOK = """
import json, mmap, sys
sought = [bytes.fromhex(each) for each in json.load(sys.stdin)]
found = []
for number, file in enumerate(sys.argv[1:]):
    with open(file, "rb") as opened, mmap.mmap(opened.fileno(), 0, access=mmap.ACCESS_READ) as content:
        if any(content.find(each) >= 0 for each in sought):
            found.append(number)
print(json.dumps(found))
"""


def clean(log: Log, known: Personal) -> list[Path]:
    """Write the log's file anew after a forgetting; then `left_in_log`.

    Outside of a transaction. Raises LogDown when it cannot be written anew now, LogError, OSError.
    """
    compact(log)
    return left_in_log(log, known)


def left_in_log(log: Log, known: Personal) -> list[Path]:
    """The log's own files that still hold something of what was forgotten. Raises LogError, OSError."""
    own = [log.path.with_name(log.path.name + end) for end in ("", "-wal", "-shm")]
    sought = needles(known)
    # An id that is one has been renamed wherever it stood: it is no word like others.
    common = still_said(log, sought) - {known.job.id.encode()} | still_shown(log, known.samples)
    return residue(own, [each for each in sought if each not in common])


def left_text(files: Sequence[Path]) -> str:
    """What to say of `left_in_log`; empty: nothing of it is left."""
    if not files:
        return ""
    names = ", ".join(file.name for file in files)
    return f"{names}: some of its words are still found there; end the daemon and run `benchd log compact`"


def forget_in_copy(copy: Path, job: str, done: Forgotten) -> bool:
    """The same in a copy of the log, which then has this benchd's version; False when the job is not in it.

    A new file takes its place, whole or not at all. Raises LogError and LogDown: it is as it was.
    """
    part = copy.with_name(copy.name + ".forgetting")
    try:
        copy_database(copy, part)
        with Log.open(part) as log:
            if log.job(job) is None:
                return False
            forget(log, job, done.t_ns, done.job, from_bench=True)
            compact(log)
            log.rows("PRAGMA journal_mode = DELETE")  # else whoever looks at it needs two more files beside it
        for end in ("-wal", "-shm"):
            part.with_name(part.name + end).unlink(missing_ok=True)
        sync_file(part)
        os.replace(part, copy)
        sync_folder(copy.parent)
    except sqlite3.Error as e:
        raise from_sqlite(e, copy) from e
    except OSError as e:
        raise LogDown(f"{copy}: cannot be written anew: {e.strerror or e}") from e
    except LogError as e:
        raise type(e)(f"{copy}: {e}") from e
    finally:
        for left in (part, copy_before(part), *(part.with_name(part.name + end) for end in ("-wal", "-shm"))):
            with contextlib.suppress(OSError):
                left.unlink(missing_ok=True)
    return True
