"""`tenma-72-13350`: the second dialect of the short ASCII supplies: LF behind each command, no channel digit.

Source: QMI (driver and tests): commands, `OUT:1`, the byte of `STATUS?` with LF behind it, the identity's shape, three
decimals in settings, 30 V and 30 A of the 72-13350. From memory: the ratings of the other model. Without a source, the
plainest reading: LF behind every other reply too; replies with two decimals for volts and three for amperes, no
stray byte behind `ISET?`; what is no command or out of range is ignored. 20 ms a message, as QMI waits after sending.
"""

from __future__ import annotations

from typing import ClassVar

from benchd.sim.bench import Bits
from benchd.sim.dialects.base import Dialect, Output
from benchd.sim.dialects.phrases import NUMBER, Phrases, Said, within

BUSY_S = 0.02


class Tenma7213350(Dialect):
    name = "tenma-72-13350"
    usual_serial = "1231345"
    models: ClassVar = {
        "72-13350": (Output(30, 30, set_step_v=0.01, read_step_v=0.01),),
        "72-13360": (Output(60, 15, set_step_v=0.01, read_step_v=0.01),),
    }

    def busy_s(self, message: bytes) -> float:
        return BUSY_S

    def answer(self, message: bytes, now_s: float) -> list[bytes]:
        reply = PHRASES.quietly(self, message.decode("latin-1").removesuffix("\r"), now_s)
        return [] if reply is None else [reply + self.ending]


PHRASES: Phrases[Tenma7213350] = Phrases()


@PHRASES.says(r"\*IDN\?")
def _identify(supply: Tenma7213350, _said: Said) -> str:
    return f"TENMA {supply.model} SN:{supply.serial} V2.0"


@PHRASES.says(rf"VSET:{NUMBER}")
def _set_voltage(supply: Tenma7213350, said: Said) -> None:
    value = within(said.words[0], 0.0, supply.outputs[0].voltage_v, 0.01)
    supply.channels[0].set(said.now_s, voltage_v=value)


@PHRASES.says(rf"ISET:{NUMBER}")
def _set_limit(supply: Tenma7213350, said: Said) -> None:
    value = within(said.words[0], 0.0, supply.outputs[0].current_a, 0.001)
    supply.channels[0].set(said.now_s, limit_a=value)


@PHRASES.says(r"VSET\?")
def _voltage(supply: Tenma7213350, _said: Said) -> str:
    return f"{supply.channels[0].source.voltage_v:.2f}"


@PHRASES.says(r"ISET\?")
def _limit(supply: Tenma7213350, _said: Said) -> str:
    return f"{supply.channels[0].source.limit_a:.3f}"


@PHRASES.says(r"VOUT\?")
def _measured_voltage(supply: Tenma7213350, said: Said) -> str:
    return f"{max(0.0, supply.shown(0, said.now_s)[0]):.2f}"


@PHRASES.says(r"IOUT\?")
def _measured_current(supply: Tenma7213350, said: Said) -> str:
    return f"{max(0.0, supply.shown(0, said.now_s)[1]):.3f}"


@PHRASES.says(r"OUT:([01])")
def _switch(supply: Tenma7213350, said: Said) -> None:
    supply.switch([0], said.words[0] == "1", said.now_s)


@PHRASES.says(r"STATUS\?")
def _status(supply: Tenma7213350, said: Said) -> bytes:
    """Bit 0 CV, 1 output, 2 current priority, 4 beep, 5 lock (QMI); nothing sets the last three here."""
    channel = supply.channels[0]
    channel.advance(said.now_s)
    limiting = channel.condition() & Bits.LIMITING
    return bytes([(0 if limiting else 1) | (2 if channel.source.on else 0)])
