"""`aim-tti-el302p`: one output, no channel digit, echo before every value, CR LF both ways.

Sources: IK (driver, tests and its pull request 447, which quotes the manual's 10 ms pause after each command and tells
of lost ones without it) and QCC. From memory: that reading `ERR?` clears it.
"""

from __future__ import annotations

from typing import ClassVar

from benchd.sim.bench import Bits
from benchd.sim.dialects.base import Dialect, Output
from benchd.sim.dialects.phrases import NUMBER, Phrases, Refused, Said, within

PAUSE_S = 0.01
NOT_KNOWN = 1
OUTSIDE_LIMITS = 2


class AimTtiEl302p(Dialect):
    name = "aim-tti-el302p"
    ending = b"\r\n"
    loses_early = True
    usual_serial = "0"
    models: ClassVar = {"EL302P": (Output(30, 2, 0.01, 0.01, 0.01, 0.01, lowest_a=0.01),)}

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.channels[0].set(now_s, voltage_v=1.0, limit_a=1.0)
        self.error = 0

    def busy_s(self, message: bytes) -> float:
        return PAUSE_S

    def answer(self, message: bytes, now_s: float) -> list[bytes]:
        text = message.decode("latin-1").strip()
        if not text:
            return []
        found = PHRASES.find(text, now_s)
        if found is None:
            self.error = NOT_KNOWN
            return []
        try:
            reply = found[0](self, found[1])
        except Refused:
            self.error = OUTSIDE_LIMITS
            return []
        return [reply.encode("latin-1") + self.ending] if isinstance(reply, str) else []


PHRASES: Phrases[AimTtiEl302p] = Phrases()


@PHRASES.says(r"\*IDN\?")
def _identify(supply: AimTtiEl302p, _said: Said) -> str:
    return f"Thurlby Thandar,EL302P,{supply.serial},v2.00"


@PHRASES.says(r"\*RST")
def _reset(supply: AimTtiEl302p, said: Said) -> None:
    supply.reset(said.now_s)


@PHRASES.says(rf"V +{NUMBER}")
def _set_voltage(supply: AimTtiEl302p, said: Said) -> None:
    supply.channels[0].set(said.now_s, voltage_v=within(said.words[0], 0.0, 30.0, 0.01))


@PHRASES.says(rf"I +{NUMBER}")
def _set_limit(supply: AimTtiEl302p, said: Said) -> None:
    supply.channels[0].set(said.now_s, limit_a=within(said.words[0], 0.01, 2.0, 0.01))


@PHRASES.says(r"V\?")
def _voltage(supply: AimTtiEl302p, _said: Said) -> str:
    return f"V {supply.channels[0].source.voltage_v:.2f}"


@PHRASES.says(r"I\?")
def _limit(supply: AimTtiEl302p, _said: Said) -> str:
    return f"I {supply.channels[0].source.limit_a:.2f}"


@PHRASES.says(r"VO\?")
def _measured_voltage(supply: AimTtiEl302p, said: Said) -> str:
    return f"V {supply.shown(0, said.now_s)[0]:.2f}"


@PHRASES.says(r"IO\?")
def _measured_current(supply: AimTtiEl302p, said: Said) -> str:
    return f"I {supply.shown(0, said.now_s)[1]:.2f}"


@PHRASES.says(r"ON")
def _on(supply: AimTtiEl302p, said: Said) -> None:
    supply.switch([0], True, said.now_s)


@PHRASES.says(r"OFF")
def _off(supply: AimTtiEl302p, said: Said) -> None:
    supply.switch([0], False, said.now_s)


@PHRASES.says(r"OUT\?")
def _is_on(supply: AimTtiEl302p, said: Said) -> str:
    supply.channels[0].advance(said.now_s)
    return f"OUT {'ON' if supply.channels[0].source.on else 'OFF'}"


@PHRASES.says(r"M\?")
def _mode(supply: AimTtiEl302p, said: Said) -> str:
    supply.channels[0].advance(said.now_s)
    return f"M {'CC' if supply.channels[0].condition() & Bits.LIMITING else 'CV'}"


@PHRASES.says(r"ERR\?")
def _error(supply: AimTtiEl302p, _said: Said) -> str:
    error, supply.error = supply.error, 0
    return f"ERR {error}"
