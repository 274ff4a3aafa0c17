"""Changes of a job that is there: its fields, its state, and the id that the next one gets."""

from __future__ import annotations

import re
import time
from typing import Any

import msgspec

from benchd.jobs.job import Job, State
from benchd.store import job_rows
from benchd.store.errors import LogError
from benchd.store.log import Log

NUMBER = "{number}"
"""Where the number stands in the pattern of ids."""


class StaleJob(LogError):
    """The job was changed since it was read; `present` is how it is now."""

    def __init__(self, present: Job) -> None:
        super().__init__(f"job {present.id} was changed meanwhile: look at it as it is now, then change it again")
        self.present = present


def change_job(log: Log, job: str, changes: dict[str, Any], by: str, seen: int | None = None) -> Job:
    """Give fields of a job other values, with a journal entry `job-changed` that names the fields; where nothing is
    other than it was, nothing is written. `seen`: the version that whoever asks has read; None: any.

    Raises LogError when there is no such job, StaleJob when `seen` is not its version.
    """
    with log.transaction():
        before = _present(log, job, seen)
        changed = sorted(name for name, value in changes.items() if getattr(before, name) != value)
        if not changed:
            return before
        return _written(log, before, changes, "job-changed", {"changed": changed, "by": by})


def set_state(log: Log, job: str, state: State, by: str, seen: int | None = None) -> Job:
    """Say where a repair stands, with a journal entry `job-state`. Raises as `change_job` does."""
    with log.transaction():
        before = _present(log, job, seen)
        if before.state == state:
            return before
        said = {"before": before.state, "after": state, "by": by}
        return _written(log, before, {"state": state}, "job-state", said)


def next_job_id(log: Log, pattern: str) -> str:
    """The id after the highest that the pattern ever gave or that is there: `R-{number}` → R-1043."""
    head, _, tail = pattern.partition(NUMBER)
    shape = re.compile(f"{re.escape(head)}([0-9]{{1,15}}){re.escape(tail)}")
    # No sign that GLOB obeys can stand in an id, and so in a pattern.
    there = (shape.fullmatch(id) for (id,) in log.rows("SELECT id FROM jobs WHERE id GLOB ?", (f"{head}*{tail}",)))
    highest = max((int(found[1]) for found in there if found), default=0)
    given = log.rows("SELECT value FROM bench WHERE key = ?", (_key(pattern),))
    return pattern.replace(NUMBER, str(max(highest, int(given[0][0]) if given else 0) + 1))


def add_made_job(log: Log, job: Job, pattern: str, by: str = "") -> Job:
    """Take a device in under the next id. A number that was given once is not given again, forgotten or not."""
    with log.transaction() as db:
        made = msgspec.structs.replace(job, id=next_job_id(log, pattern))
        head, _, tail = pattern.partition(NUMBER)
        number = made.id[len(head) : len(made.id) - len(tail)]
        db.execute("INSERT OR REPLACE INTO bench VALUES (?, ?)", (_key(pattern), number))
        return log.add_job(made, by)


def _key(pattern: str) -> str:
    return f"highest id {pattern}"


def _present(log: Log, job: str, seen: int | None) -> Job:
    present = log.job(job)
    if present is None:
        raise LogError(f"job {job!r} is not in this log; `benchd job list` shows what is")
    if seen is not None and seen != present.version:
        raise StaleJob(present)
    return present


def _written(log: Log, before: Job, changes: dict[str, Any], kind: str, said: dict[str, Any]) -> Job:
    after = msgspec.structs.replace(before, **changes, changed_ns=time.time_ns(), version=before.version + 1)
    with log.transaction() as db:
        job_rows.update(db, after)
        log.add_entry(kind, job=after.id, payload=said, t_ns=after.changed_ns)
    return after
