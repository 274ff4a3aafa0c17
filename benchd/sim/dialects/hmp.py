"""`rs-hmp` (HMP2020 to HMP4040), `rs-hmc804x` (two and three outputs) and `rs-hmc8041`.

Sources: PM, QCC, BAS, SIG, SCH for the commands; RSX for the wait after switching on; BAS for the identities and for
0.1 s around every transfer, which is how long an HMP is busy with a message here.

`[X]`: BAS reads CR LF in one place and LF in another: LF here. SCH has bit 1 of the HMC's questionable register as CC,
the other way round than on the HMP and everywhere else: as SCH has it, since nobody else reports from an HMC.

From memory: ratings, numbers with three and four decimals, `OUTP ON` sets both stages, the level of the fuse. Taken the
safer way: an HMP refuses a message that selects and goes on, since every library sends two (nobody saw whether one
works); `VOLT:PROT:CLE` leaves the output off. Left out: `ARB`, `VOLT:PROT:MODE`, the HMC's file log.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from benchd.sim.bench import Bits
from benchd.sim.dialects.base import Output
from benchd.sim.dialects.phrasing import add_apply
from benchd.sim.dialects.rohde import (
    BASE,
    ON_S,
    SELECTED,
    WITH_POWER,
    Staged,
    add_over_voltage_state,
    fuse_words,
    stage_words,
)
from benchd.sim.dialects.scpi import SUMMARIES, at_selected, memory
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Language, Program

TRANSFER_S = 0.1


def switches_on(message: bytes) -> bool:
    words = message.upper().split()
    return bool(words) and words[0].lstrip(b":").startswith(b"OUTP") and words[-1] in (b"1", b"ON")


def _outputs(count: int, current_a: float, last_a: float | None = None) -> tuple[Output, ...]:
    last = current_a if last_a is None else last_a
    currents = [current_a] * (count - 1) + [last]
    return tuple(Output(32.05, each + 0.01, limit_a=0.1, read_step_a=0.0001) for each in currents)


class RsHmp(Staged):
    name = "rs-hmp"
    usual_serial = "000000001"
    models: ClassVar[Mapping[str, Sequence[Output]]] = {
        "HMP4040": _outputs(4, 10.0),
        "HMP4030": _outputs(3, 10.0),
        "HMP2030": _outputs(3, 5.0),
        "HMP2020": _outputs(2, 10.0, 5.0),
    }
    makers: ClassVar[Mapping[str, str]] = {"HMP2020": "ROHDE&SCHWARZ"}
    """The new name; the old one on the others, so that both are met."""
    words = Language(BASE, SELECTED, SUMMARIES, memory(10))

    @property
    def maker(self) -> str:
        return self.makers.get(self.model, "HAMEG")

    def busy_s(self, message: bytes) -> float:
        return ON_S if switches_on(message) else TRANSFER_S

    def look_over(self, program: Program[Any]) -> None:
        if len(program.steps) > 1 and any(step.command.carry_out in _SELECTING for step in program.steps):
            raise ScpiError(-200)

    def say_current(self, value: float, place: int) -> str:
        return f"{value:.4f}"


_SELECTING = frozenset(SELECTED.tree.find(header, False)[0].carry_out for header in ("INST:NSEL", "INST"))


@RsHmp.words.query("*IDN")
def _identify(supply: RsHmp, _call: Call) -> str:
    return f"{supply.maker},{supply.model},{supply.serial},HW50020001/SW2.51"


add_apply(RsHmp.words, at_selected)
stage_words(RsHmp.words, "OUTPut:SELect", "OUTPut:GENeral")
fuse_words(RsHmp.words, 0.0, 0.25)


class RsHmc804x(Staged):
    name = "rs-hmc804x"
    identity = "Rohde&Schwarz,{model},{serial},HW42000000/SW1.400"
    usual_serial = "000000001"
    models: ClassVar[Mapping[str, Sequence[Output]]] = {
        "HMC8043": _outputs(3, 3.0),
        "HMC8042": _outputs(2, 5.0),
    }
    words = Language(WITH_POWER, SELECTED, memory(10))

    def busy_s(self, message: bytes) -> float:
        return ON_S if switches_on(message) else 0.0

    def say_current(self, value: float, place: int) -> str:
        return f"{value:.4f}"


class RsHmc8041(RsHmc804x):
    """One output: nothing to select, and no master (SCH)."""

    name = "rs-hmc8041"
    has_master = False
    models: ClassVar[Mapping[str, Sequence[Output]]] = {"HMC8041": _outputs(1, 10.0)}
    words = Language(WITH_POWER, memory(10))


def _declare_hmc(words: Language[Any], master: str) -> None:
    add_apply(words, at_selected)
    add_over_voltage_state(words)
    fuse_words(words, 0.01, 10.0)
    stage_words(words, "OUTPut:CHANnel[:STATe]", master)


_declare_hmc(RsHmc804x.words, "OUTPut:MASTer[:STATe]")
_declare_hmc(RsHmc8041.words, "")


@RsHmc8041.words.query("STATus:QUEStionable:CONDition")
@RsHmc804x.words.query("STATus:QUEStionable:CONDition")
def _condition(supply: RsHmc804x, call: Call) -> str:
    return {Bits.LIMITING: "2", Bits.REGULATING: "1"}.get(supply.regulation(supply.selected, call.now_s), "0")
