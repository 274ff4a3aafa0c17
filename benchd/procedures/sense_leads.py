"""`sense-leads`: the clips on each other, measured without the sense leads and with them. Do both reach their clips?

With both on their clips what is left is the clips' own; a sense lead that is off leaves its side of the leads in, since
the supply then holds the voltage at its own terminal on that side, through a resistor inside (common practice, no
source). So none, half or all of the leads' resistance is left.
"""

from __future__ import annotations

import math
from typing import Literal

from benchd.procedures.lead_resistance import between
from benchd.procedures.record import LeadSet, Outcome, Result
from benchd.procedures.resistance import Resistance
from benchd.procedures.taken import Analysed, CannotTell, Taken
from benchd.traces.trip_words import quantity

ONE_OFF, BOTH_OFF = 0.25, 0.75
"""Share of the leads that is left from which on one sense lead is off, and both are: half-way between none, half and
all of it. Our choice."""

Verdict = Literal["good", "bad", "unclear"]
OUTCOMES: dict[Verdict, Outcome] = {"good": "passed", "bad": "failed", "unclear": "unclear"}


def analyse(taken: Taken) -> Analysed:
    """Goes by `measure` steps named `low` and `high` without the sense leads, `low_sense` and `high_sense` with them.

    Raises CannotTell where the leads have too little to tell them apart from none.
    """
    without, _ = between(taken, "low", "high")
    left, high = between(taken, "low_sense", "high_sense")
    if not without.ohm > 2 * (without.u_ohm + left.u_ohm):
        raise CannotTell(
            f"the leads have {quantity(without.ohm, 'Ω', without.u_ohm)}, which this supply cannot tell from nothing "
            "well enough: take a higher current"
        )
    verdict, told = judged(without, left)
    taken_off = (
        f"Without the sense leads {quantity(without.ohm, 'Ω', without.u_ohm)}, with them "
        f"{quantity(left.ohm, 'Ω', left.u_ohm)}: {told}"
    )
    results = (
        Result("resistance", "Resistance of the leads", without.ohm, "Ω", without.u_ohm),
        Result("left", "Left with the sense leads", left.ohm, "Ω", left.u_ohm, text=taken_off, verdict=verdict),
    )
    kept = [LeadSet(high.side, 0, "", without.ohm, without.u_ohm, high.current_a.value, None, 0)]
    if verdict == "good":  # else it holds only until they are mended
        kept.append(LeadSet(high.side, 0, "", left.ohm, left.u_ohm, high.current_a.value, None, 0, sense="remote"))
    return Analysed(OUTCOMES[verdict], taken_off, results, leads=tuple(kept))


def judged(without: Resistance, left: Resistance) -> tuple[Verdict, str]:
    """What share of the leads is left says of the sense leads."""
    share = left.ohm / without.ohm
    u = math.hypot(left.u_ohm, share * without.u_ohm) / without.ohm
    if share + u < ONE_OFF:
        return "good", "both sense leads reach their clips."
    if share - u > BOTH_OFF:
        return "bad", "neither sense lead reaches its clip, or the supply does not sense: look at both."
    if share - u > ONE_OFF and share + u < BOTH_OFF:
        return "bad", "one of the two sense leads is open, or not on its clip: look at both."
    return "unclear", "that is between what one open sense lead leaves and none: clean the clips, measure again."
