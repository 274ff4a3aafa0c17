"""`korad-ka3005p`: short ASCII commands on a serial line, no terminator in either direction.

Sources: SIG, PEL and QMI for the commands, the identities and the layout of the status byte; for what they disagree on:

- bit 5 of the status byte is over-current protection enabled (SIG) or the panel lock (PEL): SIG's reading here;
- how long a command keeps the supply busy is 20 to 100 ms by source: 50 ms here, and 450 ms more after settings and
  `STATUS?` on the model that SIG says it of.

From memory: which byte strays behind the reply to `ISET1?`; that a trip shows as output off and nothing else; that
what is no command, or out of range, is ignored without a word; ratings; that over-current protection trips as soon as
the limit is reached. Without a source: that a line end spoils the command before it (the safer reading: a driver has
no business sending one). A message that comes before the one before it is done with is lost.
"""

from __future__ import annotations

import re
from typing import ClassVar

from benchd.sim.bench import Bits
from benchd.sim.dialects.base import Dialect, Output
from benchd.sim.dialects.phrases import NUMBER, Phrases, Said, within

STRAY = "K"
"""Follows the five characters of `ISET1?` (a sixth byte: SIG, QMI; which one: from memory)."""

BUSY_S = 0.05
SLOW_BUSY_S = 0.5

_ANY_COMMAND = re.compile(rb"(?:\*IDN\?|[A-Za-z]+\d?(?:\?|:[0-9.]*)?)(?:\r?\n|\r)?")
"""With the line end that spoils it: no pattern below fits then."""

_LONGEST = 16
"""Bytes that can begin a command; more of them that are none are thrown away together."""


def _one(voltage_v: float, current_a: float) -> tuple[Output, ...]:
    return (Output(voltage_v, current_a, set_step_v=0.01, read_step_v=0.01),)


class KoradKa3005p(Dialect):
    name = "korad-ka3005p"
    ending = b""
    loses_early = True
    usual_serial = "1231345"
    models: ClassVar = {
        "KA3005P": _one(30, 5),
        "KA3005P-01": _one(30, 5),
        "KA3005P-BC": _one(30, 5),
        "72-2535": _one(30, 3),
        "72-2550": _one(60, 3),
        "PS3005D": _one(30, 5),
        "RND-KA3005P": _one(30, 5),
        "S-LS-31": _one(30, 5),
    }
    identities: ClassVar = {
        "KA3005P": "KORADKA3005PV2.0",
        "KA3005P-01": "KORADKA3005PV2.0\x01",
        "KA3005P-BC": "KORADKA3005PV2.0\xbc",
        "72-2535": "TENMA 72-2535 V2.0",
        "72-2550": "TENMA 72-2550 SN:{serial} V2.0",
        "PS3005D": "VELLEMANPS3005DV1.3",
        "RND-KA3005P": "RND 320-KA3005P V2.0",
        "S-LS-31": "S-LS-31",
    }

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.beeps = True
        self.memory = [(0.0, 0.0)] * 5

    def cut(self, buffer: bytearray) -> bytes | None:
        """What arrived together is cut into commands; a pause ends a number (PEL, QMI send them in any length)."""
        if not buffer:
            return None
        matched = _ANY_COMMAND.match(buffer)
        end = matched.end() if matched else min(len(buffer), _LONGEST)
        message = bytes(buffer[:end])
        del buffer[:end]
        return message

    def busy_s(self, message: bytes) -> float:
        slow = self.model == "PS3005D" and (not message.endswith(b"?") or message.upper() == b"STATUS?")
        return SLOW_BUSY_S if slow else BUSY_S

    def answer(self, message: bytes, now_s: float) -> list[bytes]:
        reply = PHRASES.quietly(self, message.decode("latin-1"), now_s)
        return [] if reply is None else [reply]

    def status(self, now_s: float) -> int:
        """Bit 0 CV, 4 beep, 5 over-current protection, 6 output, 7 over-voltage protection (SIG)."""
        channel = self.channels[0]
        channel.advance(now_s)
        bits = 0 if channel.condition() & Bits.LIMITING else 1
        bits |= 16 if self.beeps else 0
        bits |= 32 if channel.over_current.enabled else 0
        bits |= 64 if channel.source.on else 0
        return bits | (128 if channel.over_voltage.enabled else 0)


PHRASES: Phrases[KoradKa3005p] = Phrases()


@PHRASES.says(r"\*IDN\?")
def _identify(supply: KoradKa3005p, _said: Said) -> str:
    return supply.identities[supply.model].format(serial=supply.serial)


@PHRASES.says(rf"VSET1:{NUMBER}")
def _set_voltage(supply: KoradKa3005p, said: Said) -> None:
    value = within(said.words[0], 0.0, supply.outputs[0].voltage_v, 0.01)
    supply.channels[0].set(said.now_s, voltage_v=value)


@PHRASES.says(rf"ISET1:{NUMBER}")
def _set_limit(supply: KoradKa3005p, said: Said) -> None:
    value = within(said.words[0], 0.0, supply.outputs[0].current_a, 0.001)
    supply.channels[0].set(said.now_s, limit_a=value)


@PHRASES.says(r"VSET1\?")
def _voltage(supply: KoradKa3005p, _said: Said) -> str:
    return f"{supply.channels[0].source.voltage_v:05.2f}"


@PHRASES.says(r"ISET1\?")
def _limit(supply: KoradKa3005p, _said: Said) -> str:
    return f"{supply.channels[0].source.limit_a:05.3f}{STRAY}"


@PHRASES.says(r"VOUT1\?")
def _measured_voltage(supply: KoradKa3005p, said: Said) -> str:
    return f"{max(0.0, supply.shown(0, said.now_s)[0]):05.2f}"


@PHRASES.says(r"IOUT1\?")
def _measured_current(supply: KoradKa3005p, said: Said) -> str:
    return f"{max(0.0, supply.shown(0, said.now_s)[1]):05.3f}"


@PHRASES.says(r"OUT([01])")
def _switch(supply: KoradKa3005p, said: Said) -> None:
    on = said.words[0] == "1"
    if on:
        for protection in (supply.channels[0].over_voltage, supply.channels[0].over_current):
            supply.channels[0].protect(protection, said.now_s, tripped=False)
    supply.switch([0], on, said.now_s)


@PHRASES.says(r"OVP([01])")
def _over_voltage(supply: KoradKa3005p, said: Said) -> None:
    supply.channels[0].protect(supply.channels[0].over_voltage, said.now_s, enabled=said.words[0] == "1")


@PHRASES.says(r"OCP([01])")
def _over_current(supply: KoradKa3005p, said: Said) -> None:
    supply.channels[0].protect(supply.channels[0].over_current, said.now_s, enabled=said.words[0] == "1")


@PHRASES.says(r"BEEP([01])")
def _beep(supply: KoradKa3005p, said: Said) -> None:
    supply.beeps = said.words[0] == "1"


@PHRASES.says(r"SAV([1-5])")
def _save(supply: KoradKa3005p, said: Said) -> None:
    source = supply.channels[0].source
    supply.memory[said.place] = (source.voltage_v, source.limit_a)


@PHRASES.says(r"RCL([1-5])")
def _recall(supply: KoradKa3005p, said: Said) -> None:
    voltage_v, limit_a = supply.memory[said.place]
    supply.channels[0].set(said.now_s, voltage_v=voltage_v, limit_a=limit_a)


@PHRASES.says(r"STATUS\?")
def _status(supply: KoradKa3005p, said: Said) -> bytes:
    return bytes([supply.status(said.now_s)])
