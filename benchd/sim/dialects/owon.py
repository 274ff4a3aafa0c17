"""`owon-spe`: SPE, SP and P supplies, and the same under other names. One output, few commands, no error queue.

Sources: SIG for settings, readings, `VOLT:LIM` and `CURR:LIM` as trip levels, `SYST:REM` on the SPE alone, ratings and
the smallest settings (0.01 V, 0.001 A); man: SP/P Series Programming Manual (contents) for `*IDN?` and `*RST`. From
memory: `MEAS:ALL?` and the seven fields of `MEAS:ALL:INFO?` (V, I, P, three trip flags, mode 0 standby, 1 CV, 2 CC, 3
failure), output state as a word on the SPE and as a digit on the P models, the last field of the identity, the rebrand.

Without a source, the plainest form: commas between fields, flags `0`/`1`, three decimals. No command clears a trip: it
goes when the output is ordered on again.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from benchd.sim.bench import Bits
from benchd.sim.dialects.base import Output
from benchd.sim.dialects.phrasing import (
    add_levels,
    add_protection_level,
    add_readings,
    digit,
    is_on,
    on_off,
    over_current,
    over_voltage,
)
from benchd.sim.dialects.scpi import IDENTITY, ScpiDialect
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Language
from benchd.sim.values import boolean

WORDS: Language[OwonSpe] = Language(IDENTITY)


def _one(voltage_v: float, current_a: float) -> tuple[Output, ...]:
    return (Output(voltage_v, current_a, set_step_v=0.01, lowest_v=0.01, lowest_a=0.001),)


class OwonSpe(ScpiDialect):
    name = "owon-spe"
    words = WORDS
    trips_in_limit = False
    models: ClassVar = {
        "SPE6103": _one(60, 10),
        "P4305": _one(30, 5),
        "P4603": _one(60, 3),
        "DC310S": _one(30, 10),
    }

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        for protection in (self.channels[0].over_voltage, self.channels[0].over_current):
            self.channels[0].protect(protection, now_s, enabled=True)

    @property
    def identity_maker(self) -> str:
        return "KIPRIM" if self.model.startswith("DC") else "OWON"

    def order_outputs(self, places: Sequence[int], on: bool, now_s: float) -> None:
        if on:
            for protection in (self.channels[0].over_voltage, self.channels[0].over_current):
                self.channels[0].protect(protection, now_s, tripped=False)
        super().order_outputs(places, on, now_s)


@WORDS.query("*IDN")
def _identify(supply: OwonSpe, _call: Call) -> str:
    return f"{supply.identity_maker},{supply.model},{supply.serial},FV:V3.0.1"


@WORDS.order("*RST")
def _reset(supply: OwonSpe, call: Call) -> None:
    supply.reset(call.now_s)


@WORDS.order("SYSTem:REMote")
def _go_remote(supply: OwonSpe, _call: Call) -> None:
    _only_spe(supply)
    supply.remote = True


@WORDS.order("SYSTem:LOCal")
def _go_local(supply: OwonSpe, _call: Call) -> None:
    _only_spe(supply)
    supply.remote = False


def _only_spe(supply: OwonSpe) -> None:
    if not supply.model.startswith("SPE"):
        raise ScpiError(-113)


add_levels(WORDS)
add_readings(WORDS, power="POWer")
add_protection_level(WORDS, "VOLTage:LIMit", over_voltage, "V")
add_protection_level(WORDS, "CURRent:LIMit", over_current, "A")


@WORDS.order("OUTPut[:STATe]", 1)
def _switch(supply: OwonSpe, call: Call) -> None:
    supply.order_outputs([0], boolean(call.parameters[0]), call.now_s)


@WORDS.query("OUTPut[:STATe]")
def _state(supply: OwonSpe, call: Call) -> str:
    say = on_off if supply.model.startswith("SPE") else digit
    return say(is_on(supply, 0, call.now_s))


@WORDS.query("MEASure:ALL")
def _both(supply: OwonSpe, call: Call) -> str:
    voltage_v, current_a = supply.shown(0, call.now_s)
    return f"{voltage_v:.3f},{current_a:.3f}"


@WORDS.query("MEASure:ALL:INFO")
def _everything(supply: OwonSpe, call: Call) -> str:
    measured, channel = supply.measured(0, call.now_s), supply.channels[0]
    condition = supply.regulation(0, call.now_s)
    mode = 2 if condition & Bits.LIMITING else 1 if condition & Bits.REGULATING else 0
    flags = (channel.over_voltage.tripped, channel.over_current.tripped, False)
    return ",".join([*(f"{value:.3f}" for value in measured.values()), *map(digit, flags), str(mode)])
