"""The audit list of settings files: what an entry of the journal says of a change, and how it is shown."""

from __future__ import annotations

import difflib
import hashlib
import tomllib
from collections.abc import Mapping
from typing import Any, Literal

from benchd.jobs.job import JournalEntry
from benchd.plans.written import plan_text
from benchd.web.files_port import FileChange, FileKind

KINDS = ("files", "plan")
"""Kinds of entries: any file, and plans, whose entries have all values before and after."""
MOST_DIFF = 200
"""Lines of a change that are kept, of LONGEST characters each. Our choice: a whole long file has as many."""
LONGEST = 200

What = Literal["made", "changed", "deleted"]


def version_of(text: str) -> str:
    """Changes with the text."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]


def payload(kind: FileKind, name: str, what: What, before: str, after: str, by: str) -> dict[str, Any]:
    """An entry for a change from one text to another, secrets hidden in both; for a file that is made, `before` is the
    shipped one of its name. Empty: there was none, or is none."""
    keys = sorted(changed_keys(_said(before), _said(after)))
    return {"file": kind, "name": name, "what": what, "changed": keys, "diff": diff_of(before, after), "by": by}


def diff_of(before: str, after: str) -> str:
    """Lines that went (-) and came (+), each change with the table header or key above it in its place."""
    lines = list(difflib.unified_diff(before.splitlines(), after.splitlines(), lineterm="", n=1))[2:]
    more = len(lines) - MOST_DIFF
    shown = [line if len(line) <= LONGEST else line[: LONGEST - 1] + "…" for line in lines[:MOST_DIFF]]
    return "\n".join([*shown, *([f"… and {more} more lines"] if more > 0 else [])])


def changed_keys(before: Any, after: Any, at: str = "") -> set[str]:
    """Keys whose values differ, as `supply[0].name`; of a table that came or went its own key."""
    if isinstance(before, Mapping) and isinstance(after, Mapping):
        found: set[str] = set()
        for key in before.keys() | after.keys():
            found |= changed_keys(before.get(key), after.get(key), f"{at}.{key}" if at else str(key))
        return found
    if isinstance(before, list) and isinstance(after, list) and len(before) == len(after):
        return {key for n, one in enumerate(before) for key in changed_keys(one, after[n], f"{at}[{n}]")}
    return set() if before == after and isinstance(before, bool) == isinstance(after, bool) else {at or "(all)"}


def _said(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError):
        return {}


def change_of(entry: JournalEntry) -> FileChange:
    """An entry as the list shows it."""
    said = entry.payload
    if entry.kind == "plan":
        return _plan_change(entry)
    return FileChange(
        entry.seq, entry.t_ns, said.get("file", "supplies"), str(said.get("name", "")), said.get("what", "changed"),
        [str(key) for key in said.get("changed", [])], str(said.get("diff", "")), str(said.get("by", "")),
    )  # fmt: skip


def _plan_change(entry: JournalEntry) -> FileChange:
    said = entry.payload
    before, after = (_without_name(said.get(key)) for key in ("before", "after"))
    old_own, new_own = said.get("origin_before") == "own", said.get("origin") == "own"
    what: What = "changed" if old_own and new_own else "made" if new_own else "deleted"
    return FileChange(
        entry.seq, entry.t_ns, "plan", str(said.get("name", "")), what, [str(key) for key in said.get("changed", [])],
        diff_of(plan_text(before), plan_text(after)), str(said.get("by", "")),
    )  # fmt: skip


def _without_name(values: Any) -> dict[str, Any]:
    return {key: value for key, value in values.items() if key != "name"} if isinstance(values, dict) else {}
