"""A job (one device from intake to hand-over) and the entries of its journal."""

from __future__ import annotations

import re
from typing import Any, Literal

import msgspec

State = Literal[
    "taken-in", "looking", "waiting-owner", "waiting-parts", "repairing", "testing", "ready", "handed-over", "given-up"
]
"""Where a repair stands."""

Battery = Literal["", "in", "out", "swollen", "none", "unknown"]
"""Of the device's own battery at intake; empty: nobody has looked yet."""

JOB_ID = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,38}[A-Za-z0-9])?")
"""1 to 40 letters, digits, dot, dash, underscore; starts and ends with a letter or digit. It rides on every stored
point as a tag and in MQTT topics, hence no spaces, commas, slashes, wildcards; and no leading = + - @, which
spreadsheets run."""


RESERVED = frozenset(("choices", "by-label"))
"""Words that stand in the place of an id in addresses."""


class JobError(ValueError):
    """A job that cannot be: says which field, what was given and what is allowed."""


def check_job_id(text: str) -> str:
    """The id as given, or JobError."""
    if not JOB_ID.fullmatch(text):
        raise JobError(
            f"job id {text!r}: allowed are 1 to 40 letters, digits, '.', '-', '_', "
            "starting and ending with a letter or digit (example: R-1042)"
        )
    if text in RESERVED:
        raise JobError(f"job id {text!r}: this word has another meaning here; give another id (example: R-1042)")
    return text


class Job(msgspec.Struct, frozen=True):
    """One device from intake to hand-over."""

    id: str
    device: str = ""
    board: str = ""
    """Kind of board: what references and comparison go by."""
    symptom: str = ""
    created_ns: int = 0
    history: str = ""
    """What happened to it before, as the owner tells it."""
    wanted_back: str = ""
    """What the owner needs back: the device, or what is stored in it."""
    battery: Battery = ""
    accessories: str = ""
    """What came with it."""
    consent: tuple[str, ...] = ()
    """Ids of the risks that the owner has consented to (`benchd.jobs.choices`)."""
    state: State = "taken-in"
    changed_ns: int = 0
    version: int = 0
    """Counts the changes of this job, from 1 when it was taken in: whoever changes it says which one was seen."""


class JournalEntry(msgspec.Struct, frozen=True):
    """One line of the timeline. `seq` orders all entries of a log and is what followers' cursors count."""

    seq: int
    t_ns: int
    kind: str
    """trace, finding, mark, reference, trip, re-arm, probe, leak, advance, promise, quiet-hours, plan, note,
    job-created, job-changed, job-state, job-chosen, photo, photo-removed, step, step-taken-back, check, output, link,
    instrument-error, consent, settings, files, access, unpacked, thinned, forgotten, backup, repaired,
    readings-lost, procedure, lead"""
    job: str | None
    supply: str | None
    channel: int | None
    trace: str | None
    payload: dict[str, Any]
