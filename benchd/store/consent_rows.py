"""Which unverified profiles the operator has consented to, when and in which words."""

from __future__ import annotations

import time

import msgspec

from benchd.jobs.job import JournalEntry
from benchd.store.log import Log


class Consent(msgspec.Struct, frozen=True):
    """One consent. `key`: the digest of what it covers, as the guard makes it; `who`: as given, may be empty."""

    supply: str
    profile: str
    maker: str
    model: str
    key: str
    who: str
    text: str
    """What the operator was told."""


def add_consent(log: Log, consent: Consent) -> JournalEntry:
    """Keep a consent, with its journal entry `consent`. Raises LogError."""
    t_ns = time.time_ns()
    with log.transaction() as db:
        db.execute(
            "INSERT INTO consents (t_ns, supply, profile, maker, model, key, who, text)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (t_ns, *msgspec.structs.astuple(consent)),
        )
        facts = {k: v for k, v in msgspec.structs.asdict(consent).items() if k != "supply"}
        return log.add_entry("consent", supply=consent.supply, payload=facts, t_ns=t_ns)


def consented(log: Log) -> frozenset[str]:
    """The keys of all consents. Raises LogError."""
    return frozenset(str(key) for (key,) in log.rows("SELECT key FROM consents"))
