"""`keithley-2280s`: 2280S and 2281S, one output, readings of several elements, and a buffer of readings.

Sources: TMD for the identities (`MODEL ` in front of the model) and errors; TEK for readings of several elements until
`FORM:ELEM "READ"` and for error 213 while `INIT:CONT` is on; PM and its tests for `OUTP:STAT?` as a word (2281S),
`VOLT:LIM`, `ENTR:FUNC`, `TRAC:POIN` of 2 to 2500, `SENS:CONC:NPLC` of 0.002 to 12 (15 at 60 Hz), `SYST:LFR?`,
`DATA:DATA? "READ,SOUR,REL"` as a flat list of current, voltage, time, and bit 6 of `STAT:MEAS:INST:ISUM:COND?` when
there is one.

From memory: the bits of `STAT:QUES:INST:ISUM`, `TRAC:CLE`, the text of error 213, ratings. Where sources disagree:
output state as a digit on the 2280S (compiled from several). Without a source: which elements come first and how they
look (reading, setting of the other quantity, time, in exponent form); the buffer takes readings once `INIT` was sent
until it is full, and what was fetched stays until `TRAC:CLE`; `INIT:CONT` is off after power-on; a list that is empty
is answered with an empty line.
"""

from __future__ import annotations

from typing import ClassVar

from benchd.sim.dialects.base import Output
from benchd.sim.dialects.keithley import CAPS, Capped
from benchd.sim.dialects.phrasing import add_levels, digit, is_on, on_off
from benchd.sim.dialects.scpi import ERRORS, STANDARD, SUMMARIES
from benchd.sim.errors import DeviceError, ScpiError
from benchd.sim.language import Call, Language
from benchd.sim.values import boolean, name, nr2, nr3, setting, whole

LINE_HZ = 50
SHORTEST_NPLC, LONGEST_NPLC = 0.002, 12.0
MOST_POINTS = 2500
READING_AVAILABLE = 64
FUNCTIONS = ("POWER", "TEST", "SIMULATOR")
WORDS: Language[Keithley2280s] = Language(STANDARD, ERRORS, SUMMARIES, CAPS)


class Keithley2280s(Capped):
    name = "keithley-2280s"
    words = WORDS
    usual_serial = "01234567"
    models: ClassVar = {
        "2280S-32-6": (Output(32, 6, 0.001, 0.0001, 0.0001, 0.0000001),),
        "2280S-60-3": (Output(60, 3.2, 0.001, 0.0001, 0.0001, 0.0000001),),
        "2281S-20-6": (Output(20, 6.1, 0.001, 0.0001, 0.0001, 0.0000001, lowest_a=0.1),),
    }

    @property
    def is_2281(self) -> bool:
        return self.model.startswith("2281")

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.elements_alone = False
        self.function = FUNCTIONS[0]
        self.continuous = False
        self.nplc = 1.0
        self.room = 100
        self.filling = False
        self.rows: list[tuple[float, float, float]] = []
        """Current, voltage and time since the first one."""
        self.began_s = self.next_s = 0.0

    def answer(self, message: bytes, now_s: float) -> list[bytes]:
        self.tick(now_s)
        return super().answer(message, now_s)

    @property
    def period_s(self) -> float:
        return self.nplc / LINE_HZ

    def start(self, now_s: float) -> None:
        """Fill the buffer from here on."""
        if self.function != FUNCTIONS[0]:
            raise ScpiError(-221)
        if self.continuous:
            raise DeviceError(213, "Trigger ignored, continuous initiation is on")
        self.rows.clear()
        self.filling = True
        self.began_s, self.next_s = now_s, now_s + self.period_s
        self.channels[0].refresh_every(self.period_s, now_s)

    def tick(self, now_s: float) -> None:
        channel = self.channels[0]
        while self.filling and self.next_s <= now_s:
            voltage_v, current_a = channel.read(self.next_s)
            self.rows.append((current_a, voltage_v, self.next_s - self.began_s))
            self.next_s += self.period_s
            self.filling = len(self.rows) < self.room
        channel.advance(now_s)


@WORDS.query("*IDN")
def _identify(supply: Keithley2280s, _call: Call) -> str:
    company = "INC." if supply.is_2281 else "LLC"
    return f"KEITHLEY INSTRUMENTS {company},MODEL {supply.model},{supply.serial},01.00"


add_levels(WORDS)


@WORDS.order("OUTPut[:STATe]", 1)
def _switch(supply: Keithley2280s, call: Call) -> None:
    supply.order_outputs([0], boolean(call.parameters[0]), call.now_s)


@WORDS.query("OUTPut[:STATe]")
def _state(supply: Keithley2280s, call: Call) -> str:
    return (on_off if supply.is_2281 else digit)(is_on(supply, 0, call.now_s))


def _reading(supply: Keithley2280s, call: Call, unit: str) -> str:
    measured, source = supply.measured(0, call.now_s), supply.channels[0].source
    if supply.elements_alone:
        return nr3(measured[unit])
    other = source.voltage_v if unit == "A" else source.limit_a
    return ",".join((nr3(measured[unit]), nr3(other), nr3(call.now_s)))


@WORDS.query("MEASure[:SCALar]:VOLTage[:DC]")
def _voltage(supply: Keithley2280s, call: Call) -> str:
    return _reading(supply, call, "V")


@WORDS.query("MEASure[:SCALar]:CURRent[:DC]")
def _current(supply: Keithley2280s, call: Call) -> str:
    return _reading(supply, call, "A")


@WORDS.order("FORMat:ELEMents", 1)
def _elements(supply: Keithley2280s, call: Call) -> None:
    """The reading alone, or all elements; other choices are not simulated and refused."""
    given = call.parameters[0].strip("\"'").replace(" ", "").upper()
    if given not in ("READ", "READING", "READ,SOUR,REL"):
        raise ScpiError(-224, given)
    supply.elements_alone = given != "READ,SOUR,REL"


@WORDS.order("ENTRy:FUNCtion", 1)
def _set_function(supply: Keithley2280s, call: Call) -> None:
    given = name(call.parameters[0])
    if given not in FUNCTIONS or not supply.is_2281:
        raise ScpiError(-224, given)
    supply.function = given


@WORDS.query("ENTRy:FUNCtion")
def _function(supply: Keithley2280s, _call: Call) -> str:
    return supply.function


@WORDS.order("INITiate[:IMMediate]")
def _initiate(supply: Keithley2280s, call: Call) -> None:
    supply.start(call.now_s)


@WORDS.order("INITiate:CONTinuous", 1)
def _set_continuous(supply: Keithley2280s, call: Call) -> None:
    supply.continuous = boolean(call.parameters[0])


@WORDS.order("TRACe:POINts", 1)
def _set_points(supply: Keithley2280s, call: Call) -> None:
    supply.room = whole(call.parameters[0], 2, MOST_POINTS)


@WORDS.query("TRACe:POINts")
def _points(supply: Keithley2280s, _call: Call) -> str:
    return str(supply.room)


@WORDS.order("TRACe:CLEar")
def _clear_rows(supply: Keithley2280s, _call: Call) -> None:
    supply.rows.clear()
    supply.filling = False


@WORDS.order("[SENSe:]CONCurrent:NPLCycles", 1)
def _set_cycles(supply: Keithley2280s, call: Call) -> None:
    supply.nplc = setting(call.parameters[0], "", SHORTEST_NPLC, LONGEST_NPLC, 1.0, 0.001)


@WORDS.query("[SENSe:]CONCurrent:NPLCycles")
def _cycles(supply: Keithley2280s, _call: Call) -> str:
    return nr2(supply.nplc, 0.001)


@WORDS.query("SYSTem:LFRequency")
def _line(_supply: Keithley2280s, _call: Call) -> str:
    return str(LINE_HZ)


@WORDS.query("STATus:MEASurement:INSTrument:ISUMmary:CONDition")
def _available(supply: Keithley2280s, _call: Call) -> str:
    return str(READING_AVAILABLE if supply.rows else 0)


@WORDS.query("DATA[:DATA]", 1)
def _fetch(supply: Keithley2280s, call: Call) -> str:
    if supply.function != FUNCTIONS[0]:
        raise ScpiError(-221)
    if call.parameters[0].strip("\"'").replace(" ", "").upper() != "READ,SOUR,REL":
        raise ScpiError(-224, call.parameters[0])
    return ",".join(nr3(value) for row in supply.rows for value in row)
