"""What the stages of a power-up tell of the rail: its resistance from the probe, its leak from the hold.

Means of readings with their uncertainties (JCGM 100:2008, k = 2). What the readings cannot tell apart from an open rail
is given as a bound, never as infinity.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from benchd.guard.wire import StageOver
from benchd.traces.trace import Conditions
from benchd.traces.uncertainty import Known


class Resistance(NamedTuple):
    """Resistance of the rail under test, leads taken off, Ω."""

    ohm: float | None
    """None: open as far as the readings can tell, or not to be told."""
    u_ohm: float | None
    """Expanded (k = 2); None: the supply's accuracy is not stated."""
    above_ohm: float | None
    """Where open: at least this."""


def resistance(over: StageOver, conditions: Conditions) -> Resistance:
    """R = V/I less the leads, from the means of a stage (Ohm's law; root sum of squares, JCGM 100 §5.1.2)."""
    known = Known.of(conditions)
    lead_ohm, lead_u_ohm = conditions.lead_ohm or 0.0, conditions.lead_u_ohm or 0.0
    volts, amps = over.voltage_v, over.current_a
    volts_u = known.voltage_u(volts, conditions.resolution_v or 0.0, over.spread_v, over.readings)
    amps_u = known.current_u(amps, conditions.resolution_a or 0.0, over.spread_a, over.readings)
    if not amps > amps_u:
        most_a = max(amps, 0.0) + max(amps_u, conditions.resolution_a or 0.0)
        above = (volts - volts_u) / most_a - lead_ohm if most_a > 0 else 0.0
        return Resistance(None, None, above if above > 0 else None)
    u = math.sqrt((volts_u / amps) ** 2 + (volts * amps_u / amps**2) ** 2 + lead_u_ohm**2)
    stated = known.current_stated and known.voltage_stated
    return Resistance(max(0.0, volts / amps - lead_ohm), u if stated else None, None)


def leak_u_a(over: StageOver, conditions: Conditions) -> float | None:
    """Expanded uncertainty (k = 2) of the mean current, A; None where the supply's accuracy is not stated."""
    known = Known.of(conditions)
    u = known.current_u(over.current_a, conditions.resolution_a or 0.0, over.spread_a, over.readings)
    return u if known.current_stated else None
