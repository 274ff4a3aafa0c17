"""Who answers on this bench, by which profiles, and what the operator has consented to."""

from __future__ import annotations

from collections.abc import Iterable

from benchd.guard.consent import explanation
from benchd.guard.wire import LinkChanged, Met


class Meetings:
    """The supplies that were met. `consents`: keys of what was consented to before (`Met.consent`)."""

    def __init__(self, consents: Iterable[str] = ()) -> None:
        self._met: dict[str, Met] = {}
        self._consents = set(consents)

    def take(self, change: LinkChanged) -> str:
        """Remember who answered; what to tell the operator of a new acquaintance, if anything."""
        met = change.met
        if met is None or self._met.get(change.supply) == met:
            return ""
        self._met[change.supply] = met
        if met.trust != "unverified":
            return ""
        told = f"supply {change.supply}: {explanation(met)}"
        return told if self.needed(change.supply) else f"{told} Consent was given before."

    def of(self, supply: str) -> Met | None:
        """Who answered last under this name."""
        return self._met.get(supply)

    def needed(self, supply: str) -> str:
        """The key of the consent that is missing for this supply; empty where none is."""
        met = self._met.get(supply)
        return "" if met is None or met.consent in self._consents else met.consent

    def question(self, supply: str) -> tuple[str, str]:
        """The key of the consent that is missing, and what the operator is asked; both empty where none is."""
        met = self._met.get(supply)
        key = self.needed(supply)
        return (key, explanation(met)) if met is not None and key else ("", "")

    def given(self, supply: str) -> str:
        """The key to send along with a power-on: that of the consent, where there is one for what was met."""
        met = self._met.get(supply)
        return met.consent if met is not None and met.consent in self._consents else ""

    def accept(self, key: str) -> None:
        """The operator consents to what has this key."""
        self._consents.add(key)

    def warnings(self) -> list[str]:
        """What holds as long as consent is missing."""
        return [
            f"supply {name}: profile {met.profile} is unverified: consent is asked for before power goes on"
            for name, met in self._met.items()
            if self.needed(name)
        ]
