"""With which plan, and how many outputs, a slow supply can be written: its readings must come within stale_ms."""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from benchd.supplies.pace import round_s
from benchd.supplies.profile_tables import Profile

Plan = Mapping[str, Any]
STALE_MS = 1000.0
"""What a plan that says nothing has; the tests compare it with the settings'."""
STEP_MS = 500.0


class Bearable(NamedTuple):
    """The outputs that can be used, each with its plan, and what the person has to know about it."""

    plans: dict[int, str]
    told: str
    slower: dict[str, Any] | None
    """A plan to be added, where none that is there has the patience for a single output."""


def bearable(within: Mapping[int, Sequence[Plan]], profile: Profile, serial: bool, taken: Sequence[str]) -> Bearable:
    """As many outputs as the plans have patience for.

    `within`: for each output the plans that it can power, at least one. `taken`: names of all plans.
    """
    numbers = list(within)
    for count in range(len(numbers), 0, -1):
        round_ms = 1e3 * round_s(profile, count, serial)
        patient = {n: [plan for plan in within[n] if _stale_ms(plan) >= round_ms] for n in numbers[:count]}
        if all(patient.values()):
            told = ""
            if count < len(numbers):
                all_ms = 1e3 * round_s(profile, len(numbers), serial)
                told = (
                    f"It is slow: reading its {len(numbers)} outputs takes {all_ms:.0f} ms, longer than stale_ms "
                    "of your plans, so not all are here. Raise stale_ms for more."
                )
            return Bearable({n: str(plans[0]["name"]) for n, plans in patient.items()}, told, None)
    first = numbers[0]
    round_ms = 1e3 * round_s(profile, 1, serial)
    slower = copy.deepcopy(dict(within[first][0]))
    slower["name"] = _free(f"{slower['name']}-slow", taken)
    slower["stale_ms"] = math.ceil(1.5 * round_ms / STEP_MS) * STEP_MS  # half as much again for a late reply
    told = (
        f"It is slow: a reading takes {round_ms:.0f} ms, longer than stale_ms of your plans; so plan {slower['name']} "
        "is for it, and trips later when readings stop."
    )
    return Bearable({first: slower["name"]}, told, slower)


def _stale_ms(plan: Plan) -> float:
    given = plan.get("stale_ms", STALE_MS)
    return float(given) if isinstance(given, int | float) else 0.0  # told by the check of the whole file


def _free(name: str, taken: Sequence[str]) -> str:
    names = [name, *(f"{name}-{number}" for number in range(2, 100))]
    return next(each for each in names if each not in taken)
