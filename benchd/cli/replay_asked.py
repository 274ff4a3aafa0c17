"""What `benchd replay` is asked to try, from the words of the command: plans, single keys, supplies."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.cli import out

if TYPE_CHECKING:
    from benchd.plans.plan import Plan
    from benchd.plans.trial import Changes
    from benchd.store.replay_pool import Outlet
    from benchd.traces.replay import Trial
    from benchd.traces.replay_rules import Guarding


@dataclasses.dataclass(frozen=True)
class Asked:
    """What is to be tried."""

    plan: Plan | None
    """In place of those that the traces were powered with."""
    values: Changes
    """Keys of plans."""


def asked(plan: str | None, rules: list[str], config: Path | None) -> Asked:
    """The plan and keys that were named; ends the command when they cannot be used."""
    from benchd.plans.trial import TrialError, changes

    with out.errors(TrialError):
        return Asked(_plan(plan, config) if plan is not None else None, changes(rules))


def trials(names: Iterable[str], what: Asked, config: Path | None) -> dict[str, Trial]:
    """By the name of the plan that a trace was powered with, and for those of none: what it is judged by."""
    from benchd.cli.plans import find
    from benchd.plans.plan import Plan
    from benchd.traces.replay import Trial

    # The voltage and limit of a plan are no rules: the defaults of all else are the same in every plan.
    plans: dict[str, Plan] = {"": Plan(name="none", voltage_v=1.0, limit_a=1.0)}
    for name in names:
        if name and (found := find(name, config)) is not None:
            plans[name] = found
    judged = {}
    for name, then in plans.items():
        tried = _guarding(what.plan or then, what)
        asks = what.plan is not None or bool(what.values)
        # Of a trace whose plan is not known, nothing is known of the rules then either.
        before = _guarding(then, Asked(None, {})) if asks or not name else None
        shown, volts = (name, None) if what.plan is None else (what.plan.name, what.plan.voltage_v)
        judged[name] = Trial(shown, tried, volts, before, asks)
    return judged


def outlets(config: Path | None) -> dict[tuple[str, int], Outlet]:
    """The outputs of the settings, with what the guard knows of them; none where there are no settings."""
    from benchd.daemon.known import Known
    from benchd.store.replay_pool import Outlet
    from benchd.supplies.profile import ProfileError

    if config is None and not out.config_path(None).exists():
        return {}
    settings = out.settings(config)
    try:
        known = Known(settings.supply)
    except ProfileError:
        return {}  # the daemon would say what is wrong with it: here a trace's own conditions do
    found = {}
    for supply in settings.supply:
        expected = known.expected(supply, supply.reading_interval_ms or 0.0)
        for channel in supply.channel:
            what = expected.get((supply.name, channel.number))
            resolution = what.resolution if what is not None else None
            found[supply.name, channel.number] = Outlet(resolution, channel.max_voltage_v, channel.lead_ohm)
    return found


def _plan(text: str, config: Path | None) -> Plan:
    """A plan's file, or the plan of that name."""
    from benchd.cli.plans import find
    from benchd.plans.shelf import PlanError, read_plan

    if text.endswith(".toml"):
        with out.errors(PlanError):
            return read_plan(Path(text))
    found = find(text, config)
    if found is None:
        out.fail(f"plan {text!r} is not there; `benchd plans list` shows what is, a file has to end in .toml")
    return found


def _guarding(plan: Plan, what: Asked) -> Guarding:
    from benchd.daemon.power import rule_limits, stages
    from benchd.plans.trial import changed
    from benchd.traces.replay_rules import Guarding

    tried = changed(plan, what.values)
    asks_limit = what.plan is not None or "limit_a" in what.values
    return Guarding(rule_limits(tried), stages(tried), tried.limit_a if asks_limit else None)
