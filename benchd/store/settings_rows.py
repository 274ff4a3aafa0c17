"""Which settings the daemon ran with, and when they changed."""

from __future__ import annotations

import time
from typing import Any

import msgspec

from benchd.jobs.job import JournalEntry
from benchd.store.log import Log


def record_settings(log: Log, settings: dict[str, Any]) -> JournalEntry | None:
    """Keep the settings (give them without secrets) when they differ from the last kept ones, with an entry `settings`.

    The entry's payload lists the changed keys as dotted paths. None when nothing changed. Raises LogError.
    """
    text = msgspec.json.encode(settings, order="sorted").decode()
    with log.transaction() as db:
        last = db.execute("SELECT settings FROM settings_changes ORDER BY id DESC LIMIT 1").fetchone()
        if last and last[0] == text:
            return None
        db.execute("INSERT INTO settings_changes (t_ns, settings) VALUES (?, ?)", (time.time_ns(), text))
        old = _flat(msgspec.json.decode(last[0])) if last else {}
        new = _flat(msgspec.json.decode(text))
        changed = sorted(k for k in old.keys() | new.keys() if old.get(k) != new.get(k))
        return log.add_entry("settings", payload={"changed": changed, "first": last is None})


def _flat(value: Any, path: str = "") -> dict[str, Any]:
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else None
    if pairs is None:
        return {path: value}
    out: dict[str, Any] = {}
    for key, inner in pairs:
        out |= _flat(inner, f"{path}.{key}" if path else str(key))
    return out
