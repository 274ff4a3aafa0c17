"""The plans as the bench shows and changes them. Files are looked at again every LOOK_S at most."""

from __future__ import annotations

import hashlib
import json
import time
from typing import Any

from benchd.plans.cautions import cautions
from benchd.plans.plan import Plan
from benchd.plans.shelf import Found, Shelf, values_of
from benchd.web.port import PlanView

LOOK_S = 5.0
"""The page asks five times a second, and a look at all files takes some milliseconds. Power-on looks by itself."""


class PlanDesk:
    """Over one shelf. Lives in the event loop; `shelf` itself may be used in any thread."""

    def __init__(self, shelf: Shelf) -> None:
        self.shelf = shelf
        self._looked_s = -LOOK_S
        self._found: dict[str, Found] = {}
        self._listed: list[dict[str, Any]] = []
        self._faults: list[str] = []

    def named(self, name: str) -> Plan | None:
        """The plan of that name; None where there is none."""
        self._look()
        found = self._found.get(name)
        return found.plan if found is not None else None

    def listed(self) -> list[dict[str, Any]]:
        """All plans, every key of each, for a choice."""
        self._look()
        return self._listed

    def faults(self) -> list[str]:
        """What is wrong with files of one's own."""
        self._look()
        return self._faults

    def views(self) -> list[PlanView]:
        """All plans as they are this moment."""
        self.changed()
        self._look()
        return [plan_view(found) for found in self._found.values()]

    def changed(self) -> None:
        """A plan was written or deleted."""
        self._looked_s = -LOOK_S

    def _look(self) -> None:
        now_s = time.monotonic()
        if now_s - self._looked_s < LOOK_S:
            return
        self._looked_s = now_s
        self._found = {found.plan.name: found for found in self.shelf.all()}
        self._listed = [found.plan.model_dump(mode="json") for found in self._found.values()]
        self._faults = self.shelf.faults()


def plan_view(found: Found) -> PlanView:
    """A plan with what follows from it."""
    values, told = values_of(found.plan), cautions(found.plan)
    return PlanView(found.plan.name, found.origin, found.overrides, values, told, plan_version(found))


def plan_version(found: Found) -> str:
    """Changes with what the plan says, and with where it stands."""
    said = json.dumps([found.origin, values_of(found.plan)], sort_keys=True)
    return hashlib.sha256(said.encode()).hexdigest()[:16]
