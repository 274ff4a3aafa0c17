"""`gwinstek-gpd`: short ASCII commands, LF in and CR LF out, one switch for all outputs.

Sources: SIG for identity, ratings of the S models, both layouts of `STATUS?` and the leading line ends; SCH for the
steps of the D model; the maker's GPD-3303 manual p.37-42 for the pace (set 70 ms, read 80 ms, `STATUS?` 400 ms), the 15
characters a command may have, and that error text comes in place of a value. Models ending in `-V1` are the older
firmware: status digits apart by blanks and with output in position 7, in three lines (SIG, manual); line ends lead
its replies as well, which SIG skips.

From memory: `ERR?`, the text for a command that is too long, the baud code 00. Without a source: what the two other
lines of the old status say; that an order that is refused is only remembered for `ERR?`; that no unit follows values;
that in tracking the second output takes the first one's settings and none of its own. The third, fixed output has no
commands and is left out.
"""

from __future__ import annotations

from typing import ClassVar

from benchd.sim.bench import Bits
from benchd.sim.dialects.base import Dialect, Output
from benchd.sim.dialects.phrases import NUMBER, Phrases, Refused, Said, within
from benchd.sim.values import nr2

SET_S = 0.07
READ_S = 0.08
STATUS_S = 0.4
LONGEST = 15

INVALID = "Invalid Character"
OUT_OF_RANGE = "Data out of range"
TOO_LONG = "Program mnemonic too long"
NO_ERROR = "No Error"

TRACKING = {"0": "01", "1": "11", "2": "10"}
"""Independent, series, parallel, as `STATUS?` has them in positions 3 and 4 (SIG, SCH)."""


def _two(voltage_v: float, current_a: float, step_v: float = 0.001, step_a: float = 0.001) -> tuple[Output, ...]:
    output = Output(voltage_v, current_a, step_v, step_a, step_v, step_a)
    return (output, output)


class GwinstekGpd(Dialect):
    name = "gwinstek-gpd"
    ending = b"\r\n"
    one_switch = True
    models: ClassVar = {
        "GPD-2303S": _two(30, 3),
        "GPD-3303S": _two(32, 3.2),
        "GPD-3303D": _two(30, 3, 0.1, 0.01),
        "GPD-4303S": _two(30, 3),
        "GPD-3303S-V1": _two(32, 3.2),
    }

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.tracking = "0"
        self.beeps = True
        self.last_error = NO_ERROR

    @property
    def old(self) -> bool:
        return self.model.endswith("-V1")

    def busy_s(self, message: bytes) -> float:
        text = message.strip().upper()
        if text == b"STATUS?":
            return STATUS_S
        return READ_S if text.endswith(b"?") else SET_S

    def answer(self, message: bytes, now_s: float) -> list[bytes]:
        text = message.decode("latin-1").strip("\r")
        if not text:
            return []
        reply = self._reply(text, now_s)
        if reply is None:
            return []
        lead = self.ending if self.old else b""
        return [lead + line.encode("latin-1") + self.ending for line in reply.split("\n")]

    def _reply(self, text: str, now_s: float) -> str | None:
        found = PHRASES.find(text, now_s)
        if len(text) > LONGEST:
            error = TOO_LONG
        elif found is None:
            error = INVALID
        else:
            try:
                reply = found[0](self, found[1])
            except Refused:
                error = OUT_OF_RANGE
            else:
                return reply if isinstance(reply, str) else None
        self.last_error = error
        return error if text.endswith("?") else None

    def set(self, place: int, now_s: float, voltage_v: float | None = None, limit_a: float | None = None) -> None:
        """Raises Refused for the output that follows another one."""
        if place == 1 and self.tracking != "0":
            raise Refused
        for follower in self.places if self.tracking != "0" else [place]:
            self.channels[follower].set(now_s, voltage_v=voltage_v, limit_a=limit_a)

    def status(self, now_s: float) -> str:
        modes = []
        for channel in self.channels:
            channel.advance(now_s)
            modes.append("0" if channel.condition() & Bits.LIMITING else "1")
        digits = f"{''.join(modes)}{TRACKING[self.tracking]}{int(self.beeps)}"
        on = int(self.channels[0].source.on)
        if self.old:
            return " ".join(f"{digits}X{on}X") + "\nX X X X X X X X" * 2
        return f"{digits}{on}00"


PHRASES: Phrases[GwinstekGpd] = Phrases()


@PHRASES.says(r"\*IDN\?")
def _identify(supply: GwinstekGpd, _said: Said) -> str:
    model, version = (supply.model.removesuffix("-V1"), "V1.07") if supply.old else (supply.model, "V2.10")
    return f"GW INSTEK,{model},SN:{supply.serial},{version}"


@PHRASES.says(rf"VSET([12]):{NUMBER}")
def _set_voltage(supply: GwinstekGpd, said: Said) -> None:
    output = supply.outputs[said.place]
    supply.set(said.place, said.now_s, voltage_v=within(said.words[1], 0.0, output.voltage_v, output.set_step_v))


@PHRASES.says(rf"ISET([12]):{NUMBER}")
def _set_limit(supply: GwinstekGpd, said: Said) -> None:
    output = supply.outputs[said.place]
    supply.set(said.place, said.now_s, limit_a=within(said.words[1], 0.0, output.current_a, output.set_step_a))


@PHRASES.says(r"VSET([12])\?")
def _voltage(supply: GwinstekGpd, said: Said) -> str:
    return nr2(supply.channels[said.place].source.voltage_v, supply.outputs[said.place].set_step_v)


@PHRASES.says(r"ISET([12])\?")
def _limit(supply: GwinstekGpd, said: Said) -> str:
    return nr2(supply.channels[said.place].source.limit_a, supply.outputs[said.place].set_step_a)


@PHRASES.says(r"VOUT([12])\?")
def _measured_voltage(supply: GwinstekGpd, said: Said) -> str:
    return nr2(supply.shown(said.place, said.now_s)[0], supply.outputs[said.place].read_step_v)


@PHRASES.says(r"IOUT([12])\?")
def _measured_current(supply: GwinstekGpd, said: Said) -> str:
    return nr2(supply.shown(said.place, said.now_s)[1], supply.outputs[said.place].read_step_a)


@PHRASES.says(r"OUT([01])")
def _switch(supply: GwinstekGpd, said: Said) -> None:
    supply.switch(supply.places, said.words[0] == "1", said.now_s)


@PHRASES.says(r"TRACK([012])")
def _track(supply: GwinstekGpd, said: Said) -> None:
    supply.tracking = said.words[0]
    if supply.tracking != "0":
        source = supply.channels[0].source
        supply.channels[1].set(said.now_s, voltage_v=source.voltage_v, limit_a=source.limit_a)


@PHRASES.says(r"BEEP([01])")
def _beep(supply: GwinstekGpd, said: Said) -> None:
    supply.beeps = said.words[0] == "1"


@PHRASES.says(r"STATUS\?")
def _status(supply: GwinstekGpd, said: Said) -> str:
    return supply.status(said.now_s)


@PHRASES.says(r"ERR\?")
def _error(supply: GwinstekGpd, _said: Said) -> str:
    error, supply.last_error = supply.last_error, NO_ERROR
    return error
