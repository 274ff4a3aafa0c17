"""`lead-resistance`: the two clips on each other, two levels of current. What the leads have from now on."""

from __future__ import annotations

from benchd.procedures.record import LeadSet, Result
from benchd.procedures.resistance import Resistance, at_celsius, from_two
from benchd.procedures.taken import Analysed, CannotTell, Measured, Taken
from benchd.traces.trip_words import quantity

MOST_OHM = 2.0
"""More than this are no leads with their clips on each other. Our choice: long thin ones have some tenths of an ohm."""


def analyse(taken: Taken) -> Analysed:
    """Goes by `measure` steps named `low` and `high`, and the parameters `celsius` and `lead_set`.

    Raises CannotTell where the levels lie too close for this supply, or what was measured are no leads.
    """
    found, high = between(taken, "low", "high")
    told = f"The leads have {quantity(found.ohm, 'Ω', found.u_ohm)}, there and back, with their contacts."
    results = [Result("resistance", "Resistance of the leads", found.ohm, "Ω", found.u_ohm, text=told)]
    celsius = taken.parameters.get("celsius")
    warm = float(celsius) if isinstance(celsius, int | float) and not isinstance(celsius, bool) else None
    if warm is not None:
        results.append(_warmer(found, warm))
    results.append(_drop(taken, found))
    name = taken.parameters.get("lead_set")
    kept = LeadSet(
        high.side, 0, name if isinstance(name, str) else "", found.ohm, found.u_ohm, high.current_a.value, warm, 0
    )
    wanted = taken.parameters.get("wanted_mohm")
    if isinstance(wanted, int | float) and not isinstance(wanted, bool) and found.u_ohm > wanted / 1e3:
        told += (
            f" Asked was ± {wanted:g} mΩ; at {quantity(high.current_a.value, 'A')} this supply can tell "
            f"± {1e3 * found.u_ohm:.2g} mΩ."
        )
        return Analysed("unclear", told, tuple(results), leads=(kept,))
    return Analysed("done", told, tuple(results), leads=(kept,))


def between(taken: Taken, low_name: str, high_name: str) -> tuple[Resistance, Measured]:
    """The resistance by the measurements of these names, and the second of them. Raises CannotTell."""
    low, high = _level(taken, low_name), _level(taken, high_name)
    rise_a = high.current_a.value - low.current_a.value
    if rise_a <= high.current_a.none_within / 2:
        raise CannotTell(
            f"between the two levels the current rose by {quantity(rise_a, 'A')}, and a reading is known within "
            f"{quantity(high.current_a.none_within, 'A')}: are the clips on each other? Else take a higher current"
        )
    found = from_two(low, high, taken.accuracy[high.side])
    if not found.ohm <= MOST_OHM:
        raise CannotTell(
            f"{quantity(found.ohm, 'Ω', found.u_ohm)}: those are no leads with their clips on each other (up to "
            f"{MOST_OHM:g} Ω): look at the clips"
        )
    return found, high


def _level(taken: Taken, name: str) -> Measured:
    found = [each for each in taken.measured if each.name == name]
    if not found:
        raise CannotTell(f"nothing was measured under the name {name!r}: mend the card")
    return found[-1]


def _warmer(found: Resistance, celsius: float) -> Result:
    """What 10 K more make of copper leads: the reason for measuring anew in another season."""
    more = at_celsius(found.ohm, celsius, celsius + 10) - found.ohm
    told = f"Copper has {quantity(more, 'Ω')} more at 10 K more (IEC 60028); it was measured at {celsius:g} °C."
    return Result("per_10k", "More at 10 K more", more, "Ω", text=told)


def _drop(taken: Taken, found: Resistance) -> Result:
    """V = R·I (Ohm's law) at the plan's limit."""
    limit_a = taken.plan.limit_a
    drop_v = found.ohm * limit_a
    told = f"At {limit_a:g} A, the limit of plan {taken.plan.name}, they take {quantity(drop_v, 'V')} from the board."
    return Result("drop", "Taken from the board at the limit", drop_v, "V", found.u_ohm * limit_a, text=told)
