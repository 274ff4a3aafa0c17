"""`generic-scpi`, `generic-scpi-apart`, `generic-scpi-multi`: nobody's supplies, which keep to SCPI-1999 and no more.

The DC supply class of SCPI-1999 vol. 4 with one output, and with several behind `INSTrument`. No protections; replies
with exponents (NR3); makers and models are invented.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from benchd.sim.dialects.base import Output
from benchd.sim.dialects.phrasing import add_levels, add_output, add_readings
from benchd.sim.dialects.scpi import ERRORS, PANEL, REGULATION, SELECTION, STANDARD, SUMMARIES, ScpiDialect
from benchd.sim.language import Language

_USUAL = Output(30.0, 5.0, set_step_v=0.01, set_step_a=0.001, limit_a=0.1)


class GenericScpi(ScpiDialect):
    name = "generic-scpi"
    numbers = "+.5E"
    identity = "Plainwork,{model},{serial},1.0"
    models: ClassVar[Mapping[str, Sequence[Output]]] = {"PW-1": (_USUAL,)}
    words = Language(STANDARD, ERRORS, PANEL, REGULATION)


class GenericScpiApart(GenericScpi):
    """Takes one command or query a message."""

    name = "generic-scpi-apart"
    models: ClassVar[Mapping[str, Sequence[Output]]] = {"PW-1S": (_USUAL,)}
    compounds = False
    words = Language(GenericScpi.words)


class GenericScpiMulti(GenericScpi):
    name = "generic-scpi-multi"
    models: ClassVar[Mapping[str, Sequence[Output]]] = {
        "PW-3": (_USUAL,) * 3,
        "PW-2": (_USUAL,) * 2,
        "PW-4": (_USUAL,) * 4,
    }
    words = Language(GenericScpi.words, SELECTION, SUMMARIES)


def _declare(words: Language[Any]) -> None:
    add_levels(words)
    add_output(words, "OUTPut[:STATe]")
    add_readings(words, power="POWer", verbs=("FETCh",))


_declare(GenericScpi.words)
