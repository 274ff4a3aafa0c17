"""A job (one device from intake to hand-over) and the entries of its journal."""

from __future__ import annotations

import re
from typing import Any

import msgspec

JOB_ID = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,38}[A-Za-z0-9])?")
"""1 to 40 letters, digits, dot, dash, underscore; starts and ends with a letter or digit. It rides on every stored
point as a tag and in MQTT topics, hence no spaces, commas, slashes, wildcards; and no leading = + - @, which
spreadsheets run."""


class JobError(ValueError):
    """A job that cannot be: says which field, what was given and what is allowed."""


def check_job_id(text: str) -> str:
    """The id as given, or JobError."""
    if not JOB_ID.fullmatch(text):
        raise JobError(
            f"job id {text!r}: allowed are 1 to 40 letters, digits, '.', '-', '_', "
            "starting and ending with a letter or digit (example: R-1042)"
        )
    return text


class Job(msgspec.Struct, frozen=True):
    """One device from intake to hand-over."""

    id: str
    device: str = ""
    board: str = ""
    """Kind of board: what references and comparison go by."""
    symptom: str = ""
    created_ns: int = 0


class JournalEntry(msgspec.Struct, frozen=True):
    """One line of the timeline. `seq` orders all entries of a log and is what followers' cursors count."""

    seq: int
    t_ns: int
    kind: str
    """trace, finding, mark, reference, trip, re-arm, probe, leak, advance, promise, quiet-hours, plan, note,
    job-created, job-chosen, output, link, instrument-error, consent, settings, unpacked, thinned, forgotten,
    backup, repaired, readings-lost"""
    job: str | None
    supply: str | None
    channel: int | None
    trace: str | None
    payload: dict[str, Any]
