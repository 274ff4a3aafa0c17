"""What to read before power goes on: what follows from a plan's voltage and limit. Pure.

It names classes and thresholds of standards from memory; local rules and the standards themselves come first.
"""

from __future__ import annotations

from benchd.plans.plan import ES1_MAX_V, Plan

PS1_MOST_W, PS2_MOST_W = 15.0, 100.0
"""Power classes PS1 and PS2 (IEC 62368-1 section 6.2.2, from memory); above: PS3."""
CELL_LOW_V, CELL_HIGH_V, CELL_HIGHEST_V = 3.0, 4.25, 4.5
"""A lithium cell: discharged, the upper limit of a classic one (IEC 62133-2 annex A, from memory), and of those made
for more (common practice, no source)."""
MOST_CELLS = 4


def cautions(plan: Plan) -> list[str]:
    """Sentences for the person who powers a board with this plan, the nearest danger first."""
    return [
        "Disconnect the battery before its terminals are fed: supply and cell in parallel can drive tens of amperes "
        "into a fault, past the limit and past output off.",
        *_cells(plan.voltage_v),
        "Check polarity and voltage before the clip goes on.",
        _heat(plan),
        _power(plan),
        f"{plan.voltage_v:g} V is within ES1, at most {ES1_MAX_V:g} V DC (IEC 62368-1 table 4, from memory). A board "
        "may make more by itself, backlights for one; above that, and on any part connected to the mains, this tool "
        "has no place: that needs licensed practice. Local rules come first.",
    ]


def power_class(watts: float) -> str:
    """PS1, PS2 or PS3 by the power available, W, after the first seconds (IEC 62368-1 section 6.2.2, from memory)."""
    if watts <= PS1_MOST_W:
        return "PS1"
    return "PS2" if watts <= PS2_MOST_W else "PS3"


def cells(voltage_v: float) -> list[int]:
    """How many lithium cells in series may have this voltage."""
    return [n for n in range(1, MOST_CELLS + 1) if n * CELL_LOW_V <= voltage_v <= n * CELL_HIGHEST_V]


def _cells(voltage_v: float) -> list[str]:
    numbers = cells(voltage_v)
    if not numbers:
        return []
    many = " or ".join(str(n) for n in numbers)
    told = (
        f"{voltage_v:g} V is what {many} lithium cell{'' if numbers == [1] else 's in series'} may have. Never charge "
        "a cell from a bench supply: it watches neither the cell's temperature (no charging below 0 °C or above 60 °C, "
        "JEITA guide of 2007, from memory) nor its end. Swollen or punctured cells leave the room."
    )
    over = voltage_v > numbers[0] * CELL_HIGH_V
    highest = (
        f"{voltage_v:g} V is above the {numbers[0] * CELL_HIGH_V:g} V that {_of(numbers[0])} may have at most "
        f"({CELL_HIGH_V:g} V a cell, IEC 62133-2 annex A, from memory); only cells marked for more have it."
    )
    return [told, highest] if over and len(numbers) == 1 else [told]


def _of(number: int) -> str:
    return "a classic lithium cell" if number == 1 else f"{number} classic lithium cells"


def _heat(plan: Plan) -> str:
    short_w = plan.voltage_v * plan.limit_a * plan.short_voltage_fraction
    return (
        f"A limited supply still heats a short: a collapsed rail takes up to {short_w:.3g} W until it is cut. Bare "
        "metal burns skin at about 65 °C within a second and at 51 °C within a minute (ISO 13732-1, from memory)."
    )


def _power(plan: Plan) -> str:
    watts = plan.voltage_v * plan.limit_a
    kind = power_class(watts)
    means = {
        "PS1": "little can be set on fire by it, yet parts get hot",
        "PS2": "it can set parts on fire",
        "PS3": "it can set a board on fire; do not leave it alone",
    }[kind]
    bounds = {"PS1": f"at most {PS1_MOST_W:g} W", "PS2": f"at most {PS2_MOST_W:g} W", "PS3": f"above {PS2_MOST_W:g} W"}
    return (
        f"Up to {watts:.3g} W ({plan.voltage_v:g} V × {plan.limit_a:g} A): power class {kind}, {bounds[kind]} "
        f"(IEC 62368-1 section 6.2.2, from memory): {means}."
    )
