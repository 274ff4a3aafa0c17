"""What the leads between supply and board take: copper wire by its gauge. Pure.

Solid wire; stranded wire of the same gauge is some 2 to 5 % higher (common practice, no source).
"""

from __future__ import annotations

import math

COPPER_OHM_M = 1.7241e-8
"""Resistivity of annealed copper at 20 °C, Ω·m (IEC 60028, from memory)."""
COPPER_PER_K = 0.00393
"""Its rise with temperature, of the value at 20 °C for each K (IEC 60028, from memory)."""
THICKEST_AWG, THINNEST_AWG = 4, 40
"""Gauges of leads. Our choice: what a clip on a bench may have."""


def awg_diameter_mm(gauge: int) -> float:
    """Diameter of solid wire, mm: 0.127 · 92^((36 − n)/39) (ASTM B258)."""
    return float(0.127 * 92 ** ((36 - gauge) / 39))


def copper_ohm_per_m(gauge: int, celsius: float = 20.0) -> float:
    """Resistance of one copper wire, Ω/m: ρ/A, with ρ = ρ20 · (1 + α·(t − 20 °C)) (IEC 60028)."""
    area_m2 = math.pi / 4 * (awg_diameter_mm(gauge) / 1e3) ** 2
    return COPPER_OHM_M * (1 + COPPER_PER_K * (celsius - 20.0)) / area_m2


def pair_ohm(gauge: int, metres: float, celsius: float = 20.0) -> float:
    """Resistance of two leads, there and back, each `metres` long, Ω. Contacts come on top."""
    return 2 * metres * copper_ohm_per_m(gauge, celsius)
