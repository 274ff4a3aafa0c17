"""`gwinstek-psw`: PSW and PSU supplies, and the same under the names TEXIO and Keithley 2260B. One output.

Sources: PM (2260B and PSW-360L30, with tests) for commands and signed replies, blank after the comma of `APPLy?`; man:
PSU for the identity, the questionable bits and `SYST:INF?` (a definite block; what is in it is ours); man: 2260B p.73
for errors; TEK for `CURR:PROT MAX` and `OUTP:MODE`, whose query is left out, as its reply is not known. `OUTP:MODE` is
about speed and slew, not about CC and CV. One manual has blanks after the commas of the identity: the model PSW80-27
here.

From memory: bits 8 (CV) and 10 (CC) of the operation condition register, `OUTP:PROT:TRIP?` and `OUTP:PROT:CLE`, which
leaves the output off here (the safer reading for a test), bits 0 and 1 of the questionable register, the spelling of
the other makers' names. Over-voltage protection is always on (common practice, no source).
"""

from __future__ import annotations

from typing import ClassVar

from benchd.sim.bench import Bits
from benchd.sim.dialects.base import Output
from benchd.sim.dialects.phrasing import (
    add_apply,
    add_clear,
    add_levels,
    add_output,
    add_protection_level,
    add_protection_state,
    add_readings,
    digit,
    over_current,
    over_voltage,
)
from benchd.sim.dialects.scpi import ERRORS, STANDARD, ScpiDialect, at_selected
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Language
from benchd.sim.values import boolean, name

CV_BIT, CC_BIT = 1 << 8, 1 << 10
VOLTAGE_LIMIT_BIT, CURRENT_LIMIT_BIT = 1 << 8, 1 << 9
SPEEDS = ("CVHS", "CVLS", "CCHS", "CCLS")
WORDS: Language[GwinstekPsw] = Language(STANDARD, ERRORS)


class GwinstekPsw(ScpiDialect):
    name = "gwinstek-psw"
    numbers = "+.3f"
    words = WORDS
    usual_serial = "TW123456"
    trips_in_limit = False
    models: ClassVar = {
        "PSW30-36": (Output(30, 36),),
        "PSW80-27": (Output(80, 27),),
        "PSU-2076": (Output(20, 76),),
        "2260B-30-36": (Output(30, 36),),
        "PSW-360L30": (Output(30, 36),),
    }
    identities: ClassVar = {
        "PSW30-36": "GW-INSTEK,PSW30-36,{serial},01.00.20110101",
        "PSW80-27": "GW-INSTEK, PSW80-27, {serial}, 01.00.20110101",
        "PSU-2076": "GW-INSTEK,PSU-2076,{serial},01.00.20110101",
        "2260B-30-36": "KEITHLEY,2260B-30-36,{serial},01.00.20110101",
        "PSW-360L30": "TEXIO,PSW-360L30,{serial},01.00.20110101",
    }

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.panel_locked = False
        self.channels[0].protect(self.channels[0].over_voltage, now_s, enabled=True)


@WORDS.query("*IDN")
def _identify(supply: GwinstekPsw, _call: Call) -> str:
    return str(supply.identities[supply.model]).format(serial=supply.serial)


add_levels(WORDS)
add_apply(WORDS, at_selected)
add_output(WORDS, "OUTPut[:STATe]")
add_readings(WORDS, power="POWer")
add_protection_level(WORDS, "[SOURce:]VOLTage:PROTection[:LEVel]", over_voltage, "V")
add_protection_level(WORDS, "[SOURce:]CURRent:PROTection[:LEVel]", over_current, "A")
add_protection_state(WORDS, "[SOURce:]CURRent:PROTection:STATe", over_current)
add_clear(WORDS, "OUTPut:PROTection:CLEar", (over_voltage, over_current), back_on=False)


@WORDS.query("APPLy")
def _applied(supply: GwinstekPsw, _call: Call) -> str:
    source = supply.channels[0].source
    return f"{source.voltage_v:+.3f}, {source.limit_a:+.3f}"


@WORDS.query("OUTPut:PROTection:TRIPped")
def _tripped(supply: GwinstekPsw, call: Call) -> str:
    return digit(supply.tripped(0, call.now_s))


@WORDS.order("OUTPut:MODE", 1)
def _speed(_supply: GwinstekPsw, call: Call) -> None:
    """The model inside has one speed; what is no mode is refused."""
    if name(call.parameters[0]) not in SPEEDS:
        raise ScpiError(-224, call.parameters[0])


@WORDS.query("STATus:OPERation:CONDition")
def _operation(supply: GwinstekPsw, call: Call) -> str:
    condition = supply.regulation(0, call.now_s)
    return str((CV_BIT if condition & Bits.REGULATING else 0) | (CC_BIT if condition & Bits.LIMITING else 0))


@WORDS.query("STATus:QUEStionable:CONDition")
def _questionable(supply: GwinstekPsw, call: Call) -> str:
    channel, condition = supply.channels[0], supply.regulation(0, call.now_s)
    bits = (1 if channel.over_voltage.tripped else 0) | (2 if channel.over_current.tripped else 0)
    bits |= VOLTAGE_LIMIT_BIT if condition & Bits.REGULATING else 0
    return str(bits | (CURRENT_LIMIT_BIT if condition & Bits.LIMITING else 0))


@WORDS.order("SYSTem:KLOCk", 1)
def _lock(supply: GwinstekPsw, call: Call) -> None:
    supply.panel_locked = boolean(call.parameters[0])


@WORDS.query("SYSTem:KLOCk")
def _locked(supply: GwinstekPsw, _call: Call) -> str:
    return digit(supply.panel_locked)


@WORDS.query("SYSTem:INFormation")
def _information(supply: GwinstekPsw, _call: Call) -> str:
    """A definite block (IEEE 488.2 §8.7.9)."""
    maker = supply.identities[supply.model].split(",")[0]
    text = f"MFRS {maker},Model {supply.model},SN {supply.serial},Firmware-Ver 01.00".ljust(238)
    return f"#{len(str(len(text)))}{len(text)}{text}"
