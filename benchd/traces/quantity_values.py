"""The quantities of one trace."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING, Any

from benchd.traces.features import Features
from benchd.traces.quantities import QUANTITIES, Formula
from benchd.traces.quantity_formulas import Whole

if TYPE_CHECKING:
    from benchd.traces.against import Against


@dataclasses.dataclass(slots=True)
class Values:
    """The quantities of one trace, each worked out when it is first asked for. None: could not be measured."""

    whole: Whole
    _known: dict[str, float | None] = dataclasses.field(default_factory=dict)

    def __getitem__(self, name: str) -> float | None:
        if name not in self._known:
            self._known[name] = _found(self.whole, QUANTITIES[name].of)
        return self._known[name]

    def unit(self, name: str) -> str:
        """Unit of a quantity."""
        return QUANTITIES[name].unit

    def uncertainty(self, name: str) -> float | None:
        """Its expanded uncertainty (k = 2) in its unit; None: not known."""
        formula = QUANTITIES[name].u
        return _found(self.whole, formula) if formula else None

    def stated(self, name: str) -> bool:
        """Whether the supply's accuracy is in that uncertainty; of what no accuracy comes into, yes."""
        known = self.whole.f.known
        return {"A": known.current_stated, "%": known.voltage_stated, "V": known.voltage_stated}.get(
            self.unit(name), True
        )


def of(f: Features, trip_rule: str = "", against: Against | None = None) -> Values | None:
    """The quantities of a trace; None where the output never was on, so that there is nothing to measure. `trip_rule`:
    the guard's, where it cut; `against`: its comparison with references, where there are any."""
    if f.start is None or f.rest is None or f.bins is None or not len(f.line.t_s):
        return None
    return Values(Whole(f, f.line, f.bins, f.start, f.rest, f.short, f.repeats, trip_rule, against))


def _found(w: Whole, formula: Formula | str) -> float | None:
    """The value, None where the way to it ends early or it is no number."""
    if isinstance(formula, str):
        at: Any = w
        for part in formula.split("."):
            at = getattr(at, part)
            if at is None:
                return None
        value: float | None = float(at)
    else:
        value = formula(w)
    return value if value is not None and math.isfinite(value) else None
