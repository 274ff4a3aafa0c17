"""Consent to an unverified profile: what it covers, and what is said while it is missing.

The operator is asked once. The answer is kept by the daemon and comes with each power-on; the guard compares it with
what it met and refuses where it is missing or was given for something else, whoever asks.
"""

from __future__ import annotations

import hashlib

import msgspec

from benchd.guard.wire import Met, PowerOn
from benchd.supplies.profile_link import Named
from benchd.supplies.profile_tables import Profile

CONSENT_NEEDED = "consent-needed"
"""`Answer.code` of a power-on that is refused for want of consent."""


def consent_key(supply: str, profile: Profile, named: Named | None) -> str:
    """What the operator has to consent to before this supply is switched on; empty where no consent is needed.

    A digest of the supply's name in the settings, all that its profile says, and the maker and model that answered: if
    any of them changes, consent is asked for again. The profile counts as it was read: a remark changes nothing.
    """
    if profile.trust != "unverified":
        return ""
    content = hashlib.sha256(msgspec.json.encode(profile, order="deterministic")).hexdigest()
    maker, model = (named.maker, named.model) if named is not None else ("", "")
    whole = msgspec.json.encode([supply, profile.name, content, maker, model])
    return hashlib.sha256(whole).hexdigest()


def explanation(met: Met) -> str:
    """Sentences for the operator on an unverified profile."""
    who = f"{met.maker} {met.model}".strip() or "this supply"
    notes = "".join(f" {note.rstrip('.')}." for note in met.notes)
    return (
        f"Profile {met.profile} is unverified: it was written from thin documents, and nobody has shown yet that it "
        f"drives {who} rightly.{notes} Voltage, current limit and switching off are read back all the same."
    )


def consent_refusal(command: PowerOn, met: Met) -> str:
    """Why a power-on is refused for want of consent; empty where it is not."""
    if not met.consent or command.consent == met.consent:
        return ""
    why = "nobody has consented to its unverified profile"
    if command.consent:
        why = "the consent that was given is for another unit or another text of its profile"
    return (
        f"{command.supply} channel {command.channel}: {command.voltage_v:g} V at {command.limit_a:g} A was asked for, "
        f"but {why}. {explanation(met)} Accept that on the page or with `benchd supplies accept {command.supply}`; at "
        "the first power-on have no board connected, and the supply in sight"
    )
