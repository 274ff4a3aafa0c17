"""Sentences with the figures of a trace in them: values with their units, uncertainties where they are known."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchd.traces.quantity_values import Values

FIELD = re.compile(r"\{([a-z][a-z0-9_]*)( ±)?\}")
"""A place for a quantity: {name}, or {name ±} with its uncertainty."""


def milliamps(value_a: float) -> str:
    """A current in the unit a technician would say it in."""
    return f"{value_a:.2f} A" if abs(value_a) >= 0.9995 else f"{value_a * 1e3:.3g} mA"


def within(value_a: float, u_a: float) -> str:
    """A current and its uncertainty, rounded to two digits of the uncertainty (JCGM 100:2008 §7.2.6)."""
    if not u_a > 0:
        return milliamps(value_a)
    scale, unit = (1.0, "A") if max(abs(value_a), u_a) >= 0.9995 else (1e3, "mA")
    digits = min(max(1 - math.floor(math.log10(u_a * scale)), 0), 4)
    return f"{value_a * scale:.{digits}f} {unit} ± {u_a * scale:.{digits}f} {unit}"


def coverage(stated: bool) -> str:
    """What stands behind a ±: the coverage factor, and whether the supply's accuracy is in it."""
    return "k = 2" if stated else "k = 2, accuracy of the supply not stated"


def said(value: float, unit: str, u: float | None = None) -> str:
    """A value with its unit, in as many digits as help at the bench; `u`: its expanded uncertainty."""
    if unit == "A":
        return milliamps(value) if u is None else within(value, u)
    if unit == "%":
        return f"{value:.0f} %" if u is None else f"{value:.1f} % ± {u:.1f} %"
    digits = ".2f" if unit in ("V", "s", "Ω") else ".2g"
    if (unit in ("V", "Ω") and abs(value) >= 100) or (unit == "s" and abs(value) >= 10):
        digits = ".1f" if unit == "s" else ".0f"
    number = f"{value:.0f}" if unit == "1" and value == round(value) else f"{value:{digits}}"
    unit = "" if unit == "1" else f" {unit}"
    return f"{number}{unit}" if u is None else f"{number}{unit} ± {u:.2g}{unit}"


def filled(template: str, values: Values) -> str | None:
    """The sentence with its figures; None where one of them could not be measured."""
    missing = False

    def one(match: re.Match[str]) -> str:
        nonlocal missing
        name, with_u = match.groups()
        value = values[name]
        if value is None:
            missing = True
            return ""
        unit = values.unit(name)
        if not with_u:
            return said(value, unit)
        u = values.uncertainty(name)
        if u is None:
            return said(value, unit)
        return f"{said(value, unit, u)} ({coverage(values.stated(name))})"

    text = FIELD.sub(one, template)
    return None if missing else text
