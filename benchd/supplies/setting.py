"""Settings of one output: within its range, written, read back and compared."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

from benchd.supplies.errors import SupplyError
from benchd.supplies.supply_output import Output

if TYPE_CHECKING:
    from benchd.supplies.supply import Supply

ROUNDING = 0.1
"""A setting may be changed by no more than this share of it to fit the digits that the supply takes."""

STAYS_OFF = "The output stays off"

Check = tuple[str, float, float, float, str]
"""What is asked for, its value, the lowest and the highest allowed, and the unit."""


class CameBack(NamedTuple):
    """What was asked for and what came back (None: no number), how far they may differ, and the unit."""

    asked: float
    came_back: float | None
    step: float
    unit: str


def check_range(supply: Supply, output: Output, checks: list[Check]) -> None:
    """Raises SupplyError for a value out of range, or too fine for the digits that the supply takes."""
    place = supply.place(output.channel)
    for what, value, low, high, unit in checks:
        if not (low <= value <= high and math.isfinite(value)):
            raise SupplyError(
                f"{place}: asked for a {what} of {value} {unit}; allowed {low} to {high} {unit}. Nothing was sent"
            )
    for what, value, low, high, unit, text in _as_written(output, checks):
        sent = abs(float(text))
        # A rounded 0.4 mA is 0, and a rounded 0.6 mA nearly twice as much; the tenth is our choice.
        if not (abs(sent - value) <= ROUNDING * value and low <= sent <= high):
            raise SupplyError(
                f"{place}: asked for a {what} of {value} {unit}, which would be written as {text} {unit}: the supply "
                f"takes no finer steps. Allowed {low} to {high} {unit} in such steps. Nothing was sent"
            )


def _as_written(output: Output, checks: list[Check]) -> Iterator[tuple[str, float, float, float, str, str]]:
    for what, value, low, high, unit in checks:
        if what == "over-voltage level":
            assert output.over_voltage is not None
            text = output.written_level(output.over_voltage, value)
        elif unit == "s":
            continue  # delays are moved to what the supply can have
        else:
            text = output.written("voltage" if what == "voltage" else "limit", value)
        yield what, value, low, high, unit, text


def write_setting(supply: Supply, output: Output, what: str, value: float, state: str = STAYS_OFF) -> None:
    """Write `voltage` (V) or `limit` (A), read it back, compare. Raises SupplyError where it came back different.

    `state`: what the error says of the output.
    """
    supply.order(output, output.setter(what, value))
    compare_setting(supply, output, what, value, state)
    supply.between()


def compare_setting(supply: Supply, output: Output, what: str, value: float, state: str = STAYS_OFF) -> None:
    """Raises SupplyError where `voltage` (V) or `limit` (A) is set to something else."""
    step, unit = output.step(what)
    compare(supply, output, what, CameBack(value, read_setting(supply, output, what), step, unit), state)


def read_setting(supply: Supply, output: Output, what: str) -> float:
    """What `voltage` (V) or `limit` (A) is set to; NaN where the instrument says no number."""
    value = supply.number(output, output.getters[what])
    if value is None:
        return math.nan
    return -value if what == "voltage" and output.range.negative else value


def compare(supply: Supply, output: Output, what: str, told: CameBack, state: str = STAYS_OFF) -> None:
    """Raises SupplyError where something else came back. Within a step is the same."""
    asked, came_back, step, unit = told
    # Not nothing in place of something, though: at one step those two are the same.
    near = came_back is not None and abs(asked - came_back) <= step * (1 + 1e-6)
    if near and (came_back or not asked):
        return
    words = "no number" if came_back is None else f"{came_back:g} {unit}"
    raise SupplyError(
        f"{supply.place(output.channel)}: asked for a {what} of {asked:g} {unit}, came back {words} "
        f"(they may differ by {step:g} {unit}). {state}; check the supply's own limits and ranges"
    )
