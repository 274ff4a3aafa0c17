"""What leads were measured, or typed, to have: each is kept, the newest of an output and lead set counts."""

from __future__ import annotations

import msgspec

from benchd.jobs.job import JournalEntry
from benchd.procedures.record import LeadSet
from benchd.store.log import Log

MEASURED = "lead"
"""Kind of the journal's entry."""
_LEADS = msgspec.json.Decoder(LeadSet)


def add_leads(log: Log, leads: LeadSet) -> JournalEntry:
    """Keep what leads have, and write it into the journal."""
    with log.transaction() as db:
        data = msgspec.json.encode(leads).decode()
        db.execute(
            "INSERT INTO leads (t_ns, supply, channel, name, data) VALUES (?, ?, ?, ?, ?)",
            (leads.since_ns, leads.supply, leads.channel, leads.name, data),
        )
        payload = {key: value for key, value in msgspec.to_builtins(leads).items() if key not in ("supply", "channel")}
        return log.add_entry(MEASURED, job=None, supply=leads.supply, channel=leads.channel, payload=payload)


def leads(log: Log, limit: int = 200) -> list[LeadSet]:
    """All that are kept, newest first."""
    return [
        _LEADS.decode(data)
        for (data,) in log.rows("SELECT data FROM leads ORDER BY t_ns DESC, id DESC LIMIT ?", (limit,))
    ]


def newest(log: Log) -> list[LeadSet]:
    """The newest of each output and lead set, with sense leads and without."""
    found: dict[tuple[str, int, str, str], LeadSet] = {}
    for each in leads(log, -1):
        found.setdefault((each.supply, each.channel, each.name, each.sense), each)
    return list(found.values())


def lead_of(log: Log, supply: str, channel: int, name: str = "", sense: str = "two-wire") -> LeadSet | None:
    """The newest of one; None: never measured."""
    found = log.rows(
        "SELECT data FROM leads WHERE supply = ? AND channel = ? AND name = ? AND json_extract(data, '$.sense') = ?"
        " ORDER BY t_ns DESC, id DESC LIMIT 1",
        (supply, channel, name, sense),
    )
    return _LEADS.decode(found[0][0]) if found else None
