"""`rs-nge100` and `rs-ngx` (NGL200, NGM200, NGU, NGP800).

Sources: RSN (`Flog`, `Fuse`, `Output`, `Source`), RSX (FastLog, trips), SIG `rs_nge100b_cmd`; man: NGA100 p.117
(settings and queries go in messages of their own; together they are refused here, the safer reading; booleans come back
as 1 and 0).

From memory: regulation bits as on the HMP, ratings, numbers with four decimals, and that trips stay until cleared and
clearing leaves the output off. Over-power protection is looked at whenever a message is carried out, not in between.

FastLog (NGM, NGU): `FLOG:DATA?` answers a definite block of 32-bit floats V, I, V, I ... of the last finished 250 ms,
which the next one overwrites when it is not fetched (RSX, RSN). From memory: little end first, an empty block when
nothing is new. Of the readiness chain (RSX) the conditions are here, not the enables. Rates above 1 kS/s are left out.

Left out, as too little is published: channel lists `(@n)` (man: NGL200/NGM200 rev 09 p.183 shows them without saying
for which commands), safety limits, statistics, energy, LOG, remote sense, sink operation.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from benchd.sim.dialects.base import Output, Setup
from benchd.sim.dialects.phrasing import (
    add_apply,
    add_clear,
    add_protection_delay,
    add_protection_state,
    add_trip_query,
    digit,
    one,
    over_current,
)
from benchd.sim.dialects.rohde import (
    SELECTED,
    WITH_POWER,
    Staged,
    add_over_voltage_state,
    at_output,
    fuse_words,
    stage_words,
)
from benchd.sim.dialects.scpi import SUMMARIES, memory
from benchd.sim.errors import ScpiError
from benchd.sim.language import Call, Language
from benchd.sim.values import boolean, name, setting

CHUNK_S = 0.25
RATES = {"S100": 100, "S001K": 1000}
READY_BIT, INSTRUMENT_BIT, OPERATION_BIT = 12, 13, 7


class RsNge100(Staged):
    name = "rs-nge100"
    identity = "Rohde&Schwarz,{model},5601.3800k03/{serial},1.54"
    usual_serial = "100001"
    mixes = False
    fuse_heals = False
    models: ClassVar[Mapping[str, Sequence[Output]]] = {
        "NGE103B": (Output(32.0, 3.0, limit_a=0.1, read_step_a=0.0001),) * 3,
        "NGE102B": (Output(32.0, 3.0, limit_a=0.1, read_step_a=0.0001),) * 2,
    }
    words = Language(WITH_POWER, SELECTED, SUMMARIES, memory(9))

    def say_current(self, value: float, place: int) -> str:
        return f"{value:.4f}"


def _declare(words: Language[Any]) -> None:
    add_apply(words, at_output)
    add_over_voltage_state(words)
    stage_words(words, "OUTPut:SELect", "OUTPut:GENeral[:STATe]")
    fuse_words(words, 0.01, 10.0)
    add_clear(words, "FUSE:TRIPped:CLEar", (over_current,), False)


_declare(RsNge100.words)


class FastLog:
    """The readings of one output at a fixed rate, in chunks; only the newest finished one is kept."""

    def __init__(self) -> None:
        self.on = False
        self.rate = "S100"
        self.ready: tuple[float, ...] = ()
        self._filling: list[float] = []
        self._next_s = 0.0

    def start(self, on: bool, now_s: float) -> None:
        self.on, self.ready, self._filling = on, (), []
        self._next_s = now_s + 1 / RATES[self.rate]

    def catch_up(self, supply: RsNgx, place: int, now_s: float) -> None:
        """Take the readings that were due until now."""
        step_s = 1 / RATES[self.rate]
        most = 2 * round(CHUNK_S / step_s)
        while self.on and self._next_s <= now_s:
            self._filling += supply.shown(place, self._next_s)
            self._next_s += step_s
            if len(self._filling) >= most:
                self.ready, self._filling = tuple(self._filling), []

    def take(self) -> tuple[float, ...]:
        ready, self.ready = self.ready, ()
        return ready


class RsNgx(Staged):
    name = "rs-ngx"
    identity = "Rohde&Schwarz,{model},3638.4472k03/{serial},03.068"
    usual_serial = "100001"
    mixes = False
    fuse_heals = False
    models: ClassVar[Mapping[str, Sequence[Output]]] = {
        "NGM202": (Output(20.05, 6.01, limit_a=0.1, read_step_a=0.0001),) * 2,
        "NGL202": (Output(20.05, 6.01, limit_a=0.1, read_step_a=0.0001),) * 2,
        "NGL201": (Output(20.05, 6.01, limit_a=0.1, read_step_a=0.0001),),
        "NGU201": (Output(20.0, 8.0, limit_a=0.1, read_step_a=0.0001),),
        "NGP804": (Output(32.05, 20.05, limit_a=0.1),) * 4,
    }
    words = Language(WITH_POWER, SELECTED, SUMMARIES, memory(9))

    def __init__(self, model: str | None = None, serial: str | None = None, setup: Setup | None = None) -> None:
        self.logs: list[FastLog] = []
        super().__init__(model, serial, setup)

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.logs = [FastLog() for _ in self.outputs]
        self.power_w = [output.voltage_v * output.current_a for output in self.outputs]
        self.power_watched = [False for _ in self.outputs]
        self.over_power = [False for _ in self.outputs]

    @property
    def vocabulary(self) -> Language[Any]:
        return _LOGGING if self.model.startswith(("NGM", "NGU")) else self.words

    def answer(self, message: bytes, now_s: float) -> list[bytes]:
        self.tick(now_s)
        return super().answer(message, now_s)

    def tick(self, now_s: float) -> None:
        for place, log in enumerate(self.logs):
            log.catch_up(self, place, now_s)
        super().tick(now_s)
        self._watch_power(now_s)

    def _watch_power(self, now_s: float) -> None:
        for place, channel in enumerate(self.channels):
            reading = channel.average(now_s)
            if self.power_watched[place] and reading.voltage_v * reading.current_a > self.power_w[place]:
                self.over_power[place] = True
                channel.switch(False, now_s)

    def tripped(self, place: int, now_s: float) -> bool:
        return self.over_power[place] or super().tripped(place, now_s)

    def say_current(self, value: float, place: int) -> str:
        return f"{value:.4f}"

    def say_measured(self, value: float, place: int, unit: str) -> str:
        return f"{value:.4f}"


_declare(RsNgx.words)
_FUSE = "[SOURce:]CURRent:PROTection"
add_protection_state(RsNgx.words, f"{_FUSE}[:STATe]", over_current)
add_protection_delay(RsNgx.words, f"{_FUSE}:DELay[:LEVel]", over_current, 10.0, 0.01)
add_trip_query(RsNgx.words, f"{_FUSE}:TRIPped", over_current)
add_clear(RsNgx.words, f"{_FUSE}:CLEar", (over_current,), False)


@RsNgx.words.query("READ")
def _read(supply: RsNgx, call: Call) -> str:
    place = supply.selected
    values = supply.measured(place, call.now_s)
    return f"{supply.say_measured(values['V'], place, 'V')},{supply.say_measured(values['A'], place, 'A')}"


@RsNgx.words.order("[SOURce:]POWer:PROTection[:STATe]", 1)
def _watch(supply: RsNgx, call: Call) -> None:
    supply.power_watched[supply.selected] = boolean(one(call.parameters))


@RsNgx.words.query("[SOURce:]POWer:PROTection[:STATe]")
def _watched(supply: RsNgx, _call: Call) -> str:
    return digit(supply.power_watched[supply.selected])


@RsNgx.words.order("[SOURce:]POWer:PROTection:LEVel", 1)
def _set_power(supply: RsNgx, call: Call) -> None:
    output = supply.outputs[supply.selected]
    most = output.voltage_v * output.current_a
    supply.power_w[supply.selected] = setting(call.parameters[0], "W", 0.0, most, most, 0.001)


@RsNgx.words.query("[SOURce:]POWer:PROTection:LEVel")
def _power(supply: RsNgx, _call: Call) -> str:
    return f"{supply.power_w[supply.selected]:.3f}"


@RsNgx.words.query("[SOURce:]POWer:PROTection:TRIPped")
def _power_tripped(supply: RsNgx, _call: Call) -> str:
    return digit(supply.over_power[supply.selected])


@RsNgx.words.order("[SOURce:]POWer:PROTection:CLEar")
def _clear_power(supply: RsNgx, _call: Call) -> None:
    supply.over_power[supply.selected] = False


_LOGGING: Language[Any] = Language(RsNgx.words)
"""What the models with FastLog have beside the rest."""


@_LOGGING.order("FLOG:SRATe", 1)
def _set_rate(supply: RsNgx, call: Call) -> None:
    rate = name(call.parameters[0])
    if rate not in RATES:
        raise ScpiError(-224, f"{rate} is none of {' '.join(RATES)}")
    supply.logs[supply.selected].rate = rate


@_LOGGING.order("FLOG:TARGet", 1)
def _set_target(_supply: RsNgx, call: Call) -> None:
    if name(call.parameters[0]) != "SCPI":
        raise ScpiError(-224, call.parameters[0])


@_LOGGING.order("FLOG[:STATe]", 1)
def _set_log(supply: RsNgx, call: Call) -> None:
    supply.logs[supply.selected].start(boolean(call.parameters[0]), call.now_s)


@_LOGGING.query("FLOG[:STATe]")
def _log(supply: RsNgx, _call: Call) -> str:
    return digit(supply.logs[supply.selected].on)


@_LOGGING.query("FLOG:DATA")
def _log_data(supply: RsNgx, _call: Call) -> str:
    values = supply.logs[supply.selected].take()
    data = struct.pack(f"<{len(values)}f", *values)
    length = str(len(data))
    # The bytes travel through text: latin-1 has one character for each of them.
    return f"#{len(length)}{length}" + data.decode("latin-1")


def _ready(supply: RsNgx, place: int) -> bool:
    return bool(supply.logs[place].ready)


@_LOGGING.query("STATus:OPERation:INSTrument:ISUMmary#:CONDition")
def _log_ready(supply: RsNgx, call: Call) -> str:
    supply.channel_of(call.suffixes[0])
    return str(_ready(supply, call.suffixes[0] - 1) << READY_BIT)


@_LOGGING.query("STATus:OPERation:INSTrument:CONDition")
def _logs_ready(supply: RsNgx, _call: Call) -> str:
    return str(sum(_ready(supply, place) << (place + 1) for place in supply.places))


@_LOGGING.query("STATus:OPERation:CONDition")
def _any_ready(supply: RsNgx, _call: Call) -> str:
    return str(any(_ready(supply, place) for place in supply.places) << INSTRUMENT_BIT)


@_LOGGING.query("*STB")
def _status_byte(supply: RsNgx, call: Call) -> str:
    byte = (4 if len(supply.errors) else 0) | (16 if call.pending else 0) | (32 if supply.standard.summary else 0)
    byte |= any(_ready(supply, place) for place in supply.places) << OPERATION_BIT
    return str(byte | (64 if byte & supply.request_enable else 0))
