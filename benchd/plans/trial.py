"""Single keys of a plan changed for a trial: `short_hold_ms=5`, `budget.energy_j=none`. Pure.

Only keys by which stored readings can be judged again. The names are those of a plan's file, with their units.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from benchd.checked import faults
from benchd.plans.plan import Plan

MAY_BE_NONE = ("over_voltage_v", "over_current_a", "budget.energy_j", "budget.square_a2s", "budget.fault_j")
KEYS = (
    *MAY_BE_NONE, "limit_a", "short_voltage_fraction", "short_hold_ms", "limit_hold_ms", "harmless_bulk_uf", "stale_ms",
    "probe.least_ohm", "hold.limit_a",
)  # fmt: skip
"""What can be changed."""

Changes = Mapping[str, float | None]

# A plan in which nothing speaks against any value that its key allows by itself.
_HARMLESS: dict[str, Any] = {"name": "trial", "voltage_v": 0.001, "limit_a": 100.0}
_TABLES: dict[str, dict[str, Any]] = {
    "probe": {"voltage_v": 0.001, "least_ohm": 1.0}, "hold": {"limit_a": 0.1}, "budget": {},
}  # fmt: skip


class TrialError(ValueError):
    """A change that no plan could have. The text names key, what was given, and what is allowed."""


def changes(words: Sequence[str]) -> dict[str, float | None]:
    """From `key=value` to values by key; `none` switches a rule off. Raises TrialError."""
    found: dict[str, float | None] = {}
    for word in words:
        key, equals, text = (part.strip() for part in word.partition("="))
        if not equals:
            raise TrialError(f"{word!r}: a rule is given as key=value, such as short_hold_ms=5")
        if key not in KEYS:
            raise TrialError(f"{key}: no key that can be tried{_near(key)}; there are: {', '.join(KEYS)}")
        if key in found:
            raise TrialError(f"{key}: given twice; a trial has one value of it")
        found[key] = _value(key, text)
    return found


def changed(plan: Plan, values: Changes) -> Plan:
    """The plan with these values. A stage that it does not have gets none."""
    whole: dict[str, Any] = {}
    tables: dict[str, dict[str, Any]] = {}
    for key, value in values.items():
        table, _, name = key.rpartition(".")
        (tables.setdefault(table, {}) if table else whole)[name] = value
    for table, inner in tables.items():
        if (present := getattr(plan, table)) is not None:
            whole[table] = present.model_copy(update=inner)
    return plan.model_copy(update=whole)


def _value(key: str, text: str) -> float | None:
    if text == "none":
        if key not in MAY_BE_NONE:
            raise TrialError(f"{key} = none: it has to have a value; none is for: {', '.join(MAY_BE_NONE)}")
        return None
    try:
        value = float(text)
    except ValueError:
        raise TrialError(f"{key} = {text!r}: allowed is a number, such as 5 or 0.3") from None
    table, _, name = key.rpartition(".")
    asked = _HARMLESS | ({table: _TABLES[table] | {name: value}} if table else {name: value})
    try:
        Plan.model_validate(asked)
    except ValidationError as error:
        raise TrialError("; ".join(fault.text for fault in faults(error, Plan))) from None
    return value


def _near(key: str) -> str:
    near = difflib.get_close_matches(key, KEYS, n=1)
    return f"; did you mean {near[0]}?" if near else ""
