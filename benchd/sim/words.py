"""The language of the supply of this package, filled in by `common` and `outputs`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.sim.language import Language
from benchd.sim.simulate import SIMULATION
from benchd.sim.standard import COMMON

if TYPE_CHECKING:
    from benchd.sim.instrument import Instrument

WORDS: Language[Instrument] = Language(SIMULATION, COMMON)
