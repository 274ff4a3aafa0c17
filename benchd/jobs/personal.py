"""What in a job and its journal was typed by people, and may name or describe a customer.

The kind of board, the figures and what benchd itself wrote stay. A kind of entry that is not known here loses all its
text, so that a new one gives nothing away before somebody has thought of it.
"""

from __future__ import annotations

from typing import Any

import msgspec

from benchd.jobs.job import Job

TYPED_OF_JOB = ("device", "symptom", "history", "wanted_back", "accessories")
"""Fields of a job that are free text of a person."""

OURS = frozenset(
    ("trace", "finding", "mark", "trip", "re-arm", "probe", "leak", "advance", "promise", "quiet-hours", "plan",
     "job-chosen", "job-changed", "job-state", "photo-removed", "step-taken-back", "output", "link",
     "instrument-error", "settings", "forgotten", "thinned", "lead")
)  # fmt: skip
"""Kinds of entries in which nothing is free text of a person; who of the workshop did it (`by`) is none."""

TYPED = {
    "note": ("text",),
    "reference": ("note",),
    "photo": ("caption",),
    "step": ("detail", "text"),
    "check": ("note",),
}
"""Where in entries of other kinds stands what a person typed. A step's `label` and `plain` are from the shop's list."""


def typed(kind: str, payload: dict[str, Any]) -> list[str]:
    """What a person typed into an entry."""
    return [text for key in TYPED.get(kind, ()) if isinstance(text := payload.get(key), str) and text]


def job_without_person(job: Job) -> Job:
    """The job without what was said of the device, its symptom, what came before and with it; its id stays."""
    return msgspec.structs.replace(job, **dict.fromkeys(TYPED_OF_JOB, ""))


def entry_without_person(kind: str, payload: dict[str, Any]) -> dict[str, Any] | None:
    """What may stay of an entry; None: nothing, it is a person's text and no more."""
    match kind:
        case "note":
            return None
        case "job-created":
            by = {"by": payload["by"]} if "by" in payload else {}
            return {"device": "", "board": payload.get("board", ""), "symptom": ""} | by
        case "reference":
            # The note stands behind a colon at the end of the text.
            text, note = str(payload.get("text", "")), str(payload.get("note", ""))
            return payload | {"note": "", "text": text.removesuffix(f": {note}") if note else text}
        case "photo" | "step" | "check":
            return payload | {key: "" for key in TYPED[kind] if key in payload}
        case "unpacked":
            # The id that the job had at another bench.
            text = str(payload.get("text", "")).partition(", where it was job ")[0]
            return {key: value for key, value in payload.items() if key != "packed_as"} | {"text": text}
        case "consent":
            return payload | {"who": ""}
        case "procedure":
            # What came of it is in the run itself; here it may stand beside what somebody typed.
            kept = ("run", "card", "title", "outcome", "began_ns", "ended_ns", "sides", "by")
            return {key: payload[key] for key in kept if key in payload}
        case _ if kind in OURS:
            return payload
        case _:
            return {key: value for key, value in payload.items() if isinstance(value, int | float)}
