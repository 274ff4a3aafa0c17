"""While the output is on: other settings, and whether somebody else has changed them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from benchd.supplies.errors import LinkError, SupplyError
from benchd.supplies.protecting import over_current_level_a, write_level
from benchd.supplies.setting import Check, check_range, read_setting, write_setting
from benchd.supplies.supply_output import Output

if TYPE_CHECKING:
    from benchd.supplies.supply import Supply

NOT_SWITCHED = "The output was not switched"


class Drift(NamedTuple):
    """Settings are not what was written last. `raised`: one of them is higher. `text`: which, with figures."""

    raised: bool
    text: str


def check(supply: Supply, output: Output, voltage_v: float, limit_a: float) -> None:
    """Raises SupplyError where these are out of range, V and A, or the voltage is above the over-voltage level."""
    span = output.range
    most_v = min(span.max_voltage_v, math.inf if output.level_v is None else output.level_v)
    checks: list[Check] = [
        ("voltage", voltage_v, span.min_voltage_v, most_v, "V"),
        ("current limit", limit_a, span.min_limit_a, span.max_limit_a, "A"),
    ]
    check_range(supply, output, checks)


def adjust(supply: Supply, output: Output, voltage_v: float, limit_a: float) -> None:
    """Other settings for an output that may be on, V and A: first what gets lower, and the limit before the voltage.

    Raises LinkError, SupplyError; the settings are then not known. Nothing is switched in any case. What the
    instrument says about errors is left for `Supply.errors`: the read-back is the proof, and time counts.
    """
    check(supply, output, voltage_v, limit_a)
    known = output.settings is not None
    now = output.settings or (read_setting(supply, output, "voltage"), read_setting(supply, output, "limit"))
    present = {"voltage": now[0], "limit": now[1]}
    wanted = {"limit": limit_a, "voltage": voltage_v}
    try:
        for what in sorted(wanted, key=lambda what: wanted[what] > present[what]):
            if known and wanted[what] == present[what] and _still_set(supply, output, what, wanted[what]):
                continue
            rises = wanted[what] > present[what]
            if what == "limit" and rises:
                _move_over_current(supply, output, limit_a)
            write_setting(supply, output, what, wanted[what], NOT_SWITCHED)
            if what == "limit" and not rises:
                _move_over_current(supply, output, limit_a)
            present[what] = wanted[what]
            # Readings that come in between tell constant current by what is set now.
            output.remember_settings(present["voltage"], present["limit"])
    except (LinkError, SupplyError):
        output.forget_settings()
        raise


def _still_set(supply: Supply, output: Output, what: str, value: float) -> bool:
    """Whether what is to stay as it is, is so: asking is quicker than writing, after which many supplies need a rest.

    Somebody may have changed it at the panel since.
    """
    step, _ = output.step(what)
    same = abs(read_setting(supply, output, what) - value) <= step * (1 + 1e-6)
    supply.between()
    return same


def _move_over_current(supply: Supply, output: Output, limit_a: float) -> None:
    """A level of its own goes with the limit: above it, it would never be reached, far below it would be too soon."""
    protection = output.over_current
    level_a = over_current_level_a(output, limit_a)
    if protection is not None and protection.ours and level_a is not None and level_a > 0:
        write_level(supply, output, protection, level_a, NOT_SWITCHED)


def drift(supply: Supply, output: Output) -> Drift | None:
    """Whether voltage and limit are as written last, within a step each. None: they are, or nothing was written.

    Raises LinkError, SupplyError.
    """
    written = output.settings
    if written is None:
        return None
    raised, told = False, list[str]()
    for what, value in zip(("voltage", "limit"), written, strict=True):
        step, unit = output.step(what)
        found = read_setting(supply, output, what)
        supply.between()
        if abs(found - value) <= step * (1 + 1e-6):
            continue
        raised = raised or not found < value  # no number counts as the worse
        asked, came_back = output.getters[what].asked, "no number" if math.isnan(found) else f"{found:g} {unit}"
        told.append(f"asked {asked}, came back {came_back}, written were {value:g} {unit}")
    if not told:
        return None
    return Drift(
        raised,
        f"{supply.place(output.channel)}: {'; '.join(told)}: somebody at its panel or another program changes its "
        "settings; end that",
    )
