"""One power-on as it goes: what was asked for, which stage it is in, and what the stages before have shown."""

from __future__ import annotations

import dataclasses
from typing import Any, NamedTuple

from benchd.daemon.stages import leak_result, probe_result
from benchd.guard.wire import OutputChanged, StageOver
from benchd.plans.plan import Plan
from benchd.procedures.record import LeadSet
from benchd.traces.trace import Conditions


class Asked(NamedTuple):
    """What somebody asked an output to be switched on with."""

    plan: Plan
    """As it was then, with the voltage and limit that were asked for: later changes of its file change nothing."""
    board: str = ""
    by: str = ""
    leads: LeadSet | None = None
    """What is known of them; None: nothing."""


@dataclasses.dataclass(slots=True)
class PowerUp:
    """From the output going on; it stays as the last one after the output has gone off."""

    on_ns: int
    asked: Asked | None
    """None: nobody here asked for it."""
    stage: str = ""
    second_layer: tuple[str, ...] = ()
    probe: dict[str, Any] | None = None
    leak: dict[str, Any] | None = None
    slow_told: bool = False
    """That the promise cannot be kept stands in the journal."""

    @property
    def plan(self) -> Plan | None:
        """The plan in force."""
        return self.asked.plan if self.asked is not None else None

    @property
    def lead_ohm(self) -> float | None:
        """What its leads have, Ω; None: not known."""
        leads = self.asked.leads if self.asked is not None else None
        return None if leads is None else leads.taken_off_ohm

    @property
    def by_hand(self) -> bool:
        """The stage goes on only when somebody says so."""
        hold = self.plan.hold if self.plan is not None else None
        return self.stage == "hold" and hold is not None and hold.by_hand

    def changed(self, change: OutputChanged) -> None:
        """The guard says that it is on, in this stage, with these settings."""
        self.stage, self.second_layer = change.stage, change.second_layer

    def stage_over(self, over: StageOver, conditions: Conditions) -> dict[str, Any]:
        """What a stage has shown."""
        if over.stage == "probe":
            self.probe = probe_result(over, self.plan, conditions)
            return self.probe
        self.leak = leak_result(over, self.plan, conditions)
        return self.leak
