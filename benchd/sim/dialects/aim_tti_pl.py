"""`aim-tti-plp`: PL-P, QL, CPX, MX and QPX supplies. A language of their own, but for the commands of IEEE 488.2.

Sources: PM, QC and BAS for commands and replies (echo before settings, unit glued to readings, CR LF); the makers'
manuals of CPX400D, CPX200D, MX180T, QPX600D and XDL II for `;` groups with a line per answer, registers per
connection, `LSR<n>?` cleared by reading, `VP1 OFF`, `TRIPRST`, `EER?`/`QER?`, `IFLOCK`, and that a range changes with
the output off only. A verified setting (`V1V`) takes longer here. 100 ms a message: the pause that BAS and PEL leave.

From memory: the numbers of execution errors, `OVP1 ON|OFF`, that `CONFIG 0` lets output 2 follow output 1 by `RATIO`
percent, that settings are refused while another connection has the lock, the small range of 0.5 A, ratings but those
in PM. Without a source: that a tripped output cannot be switched on before `TRIPRST`; how many decimals settings come
back with (those of the step). Voltage ranges are left out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

from benchd.sim.bench import Bits, Channel, Protection
from benchd.sim.dialects.base import Dialect, Output
from benchd.sim.dialects.phrases import NUMBER, Phrases, Reaction, Refused, Said, within
from benchd.sim.values import nr2

MESSAGE_S = 0.1
VERIFY_S = 0.1
SMALL_RANGE_A = 0.5

OUT_OF_RANGE = 100
NEEDS_OUTPUT_OFF = 104
LOCKED_OUT = 200
"""Execution errors, as `EER?` gives them (from memory)."""

EXECUTION_ERROR = 16
COMMAND_ERROR = 32
POWER_ON = 128
"""Bits of `*ESR?` (IEEE 488.2 §11.5.1)."""

LIMIT_EVENTS = ((Bits.REGULATING, 1), (Bits.LIMITING, 2), (Bits.OVER_VOLTAGE, 8), (Bits.OVER_CURRENT, 16))
"""Bits of the model, and those of `LSR<n>?` that they set: entered CV and CC, both trips (manual: QPX600D p.30)."""


class Rejected(Exception):
    """An execution error with its number."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


@dataclass
class Session:
    """What each connection has of its own. `events`: names of the channels' registers for `LSR<n>?`."""

    register: str
    execution_error: int = 0
    standard: int = POWER_ON
    standard_enable: int = 0
    limit_enable: dict[int, int] = field(default_factory=dict)


def _same(
    count: int, voltage_v: float, current_a: float, step_v: float = 0.001, step_a: float = 0.001
) -> tuple[Output, ...]:
    return (Output(voltage_v, current_a, step_v, step_a, step_v, step_a),) * count


class AimTtiPlp(Dialect):
    name = "aim-tti-plp"
    ending = b"\r\n"
    usual_serial = "514710"
    trips_in_limit = False
    models: ClassVar = {
        "PL303QMD-P": _same(2, 30, 3),
        "PL601-P": _same(1, 60, 1.5),
        "PL303-P": _same(1, 30, 3),
        "PL303QMT-P": _same(3, 30, 3),
        "QL355TP": (*_same(2, 35, 3), *_same(1, 15, 5)),
        "CPX400DP": _same(2, 60, 20, 0.01, 0.01),
        "MX180TP": (*_same(2, 60, 10), *_same(1, 12, 3)),
        "QPX600DP": _same(2, 60, 50, 0.001, 0.01),
    }

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        if not hasattr(self, "sessions"):
            self.sessions: dict[int, Session] = {}
            self.owner: int | None = None
        self.small_range = [False for _ in self.places]
        self.follows = False
        self.ratio = 100.0

    @property
    def session(self) -> Session:
        """Of the connection whose message is being carried out."""
        client = self.arrival.client
        if client not in self.sessions:
            session = self.sessions[client] = Session(f"client {client}")
            for channel in self.channels:
                channel.events[session.register] = channel.condition()
        return self.sessions[client]

    def busy_s(self, message: bytes) -> float:
        verified = any(b"V " in unit.upper().lstrip()[:4] for unit in message.split(b";"))
        return MESSAGE_S + (VERIFY_S if verified else 0.0)

    def answer(self, message: bytes, now_s: float) -> list[bytes]:
        for channel in self.channels:
            channel.advance(now_s)
        session = self.session
        replies = []
        for unit in message.decode("latin-1").split(";"):
            text = unit.strip()
            if not text:
                continue
            found = PHRASES.find(text, now_s)
            if found is None:
                session.standard |= COMMAND_ERROR
                continue
            try:
                reply = self._carry_out(found, text)
            except Rejected as rejected:
                session.execution_error = rejected.number
                session.standard |= EXECUTION_ERROR
            else:
                if reply is not None:
                    replies.append(reply.encode("latin-1") + self.ending)
        return replies

    def _carry_out(self, found: tuple[Reaction[AimTtiPlp], Said], text: str) -> str | None:
        reaction, said = found
        changes = not text.endswith("?") and not text.upper().startswith(("IF", "*", "LSE", "LOCAL"))
        if changes and self.owner not in (None, self.arrival.client):
            raise Rejected(LOCKED_OUT)
        try:
            reply = reaction(self, said)
        except Refused:
            raise Rejected(OUT_OF_RANGE) from None
        return reply if isinstance(reply, str) else None

    def place_of(self, said: Said) -> int:
        """Raises Rejected for an output that the model does not have."""
        if said.place not in self.places:
            raise Rejected(OUT_OF_RANGE)
        return said.place

    def set_voltage(self, place: int, text: str, now_s: float) -> None:
        output = self.outputs[place]
        value = within(text, 0.0, output.voltage_v, output.set_step_v)
        self.channels[place].set(now_s, voltage_v=value)
        if place == 0:
            self.follow(now_s)

    def follow(self, now_s: float) -> None:
        if self.follows:
            value = self.channels[0].source.voltage_v * self.ratio / 100
            self.channels[1].set(now_s, voltage_v=min(value, self.outputs[1].voltage_v))

    def order(self, places: list[int], on: bool, now_s: float) -> None:
        if on and any(self.tripped(place, now_s) for place in places):
            raise Rejected(OUT_OF_RANGE)
        self.switch(places, on, now_s)


PHRASES: Phrases[AimTtiPlp] = Phrases()


@PHRASES.says(r"\*IDN\?")
def _identify(supply: AimTtiPlp, _said: Said) -> str:
    return f"THURLBY THANDAR, {supply.model}, {supply.serial}, 3.05-4.06"


@PHRASES.says(rf"V([1-9])V? +{NUMBER}")
def _set_voltage(supply: AimTtiPlp, said: Said) -> None:
    supply.set_voltage(supply.place_of(said), said.words[1], said.now_s)


@PHRASES.says(rf"I([1-9]) +{NUMBER}")
def _set_limit(supply: AimTtiPlp, said: Said) -> None:
    place = supply.place_of(said)
    output = supply.outputs[place]
    highest = SMALL_RANGE_A if supply.small_range[place] else output.current_a
    supply.channels[place].set(said.now_s, limit_a=within(said.words[1], 0.0, highest, output.set_step_a))


@PHRASES.says(r"V([1-9])\?")
def _voltage(supply: AimTtiPlp, said: Said) -> str:
    place = supply.place_of(said)
    return f"V{place + 1} {nr2(supply.channels[place].source.voltage_v, supply.outputs[place].set_step_v)}"


@PHRASES.says(r"I([1-9])\?")
def _limit(supply: AimTtiPlp, said: Said) -> str:
    place = supply.place_of(said)
    return f"I{place + 1} {nr2(supply.channels[place].source.limit_a, supply.outputs[place].set_step_a)}"


@PHRASES.says(r"V([1-9])O\?")
def _measured_voltage(supply: AimTtiPlp, said: Said) -> str:
    place = supply.place_of(said)
    return f"{nr2(supply.shown(place, said.now_s)[0], supply.outputs[place].read_step_v)}V"


@PHRASES.says(r"I([1-9])O\?")
def _measured_current(supply: AimTtiPlp, said: Said) -> str:
    place = supply.place_of(said)
    return f"{nr2(supply.shown(place, said.now_s)[1], supply.outputs[place].read_step_a)}A"


@PHRASES.says(r"OP([1-9]) +([01])")
def _switch(supply: AimTtiPlp, said: Said) -> None:
    supply.order([supply.place_of(said)], said.words[1] == "1", said.now_s)


@PHRASES.says(r"OP([1-9])\?")
def _is_on(supply: AimTtiPlp, said: Said) -> str:
    return str(int(supply.channels[supply.place_of(said)].source.on))


@PHRASES.says(r"OPALL +([01])")
def _switch_all(supply: AimTtiPlp, said: Said) -> None:
    supply.order(list(supply.places), said.words[0] == "1", said.now_s)


def _protection(word: str, echo: str, over_voltage: bool) -> None:
    """Declare level, switch and query of one protection; both have the same form."""

    def of(channel: Channel) -> Protection:
        return channel.over_voltage if over_voltage else channel.over_current

    @PHRASES.says(rf"{word}([1-9]) +{NUMBER}")
    def set_level(supply: AimTtiPlp, said: Said) -> None:
        channel = supply.channels[supply.place_of(said)]
        output = supply.outputs[said.place]
        rating = output.voltage_v if over_voltage else output.current_a
        value = within(said.words[1], 0.0, rating * 1.1, 0.001)
        channel.protect(of(channel), said.now_s, level=value, enabled=True)

    @PHRASES.says(rf"{word}([1-9]) +(ON|OFF)")
    def enable(supply: AimTtiPlp, said: Said) -> None:
        channel = supply.channels[supply.place_of(said)]
        channel.protect(of(channel), said.now_s, enabled=said.words[1].upper() == "ON")

    @PHRASES.says(rf"{word}([1-9])\?")
    def show(supply: AimTtiPlp, said: Said) -> str:
        protection = of(supply.channels[supply.place_of(said)])
        level = nr2(protection.level, 0.1 if over_voltage else 0.01) if protection.enabled else "OFF"
        return f"{echo}{said.words[0]} {level}"


_protection("OVP", "VP", True)
_protection("OCP", "CP", False)


@PHRASES.says(r"TRIPRST")
def _clear_trips(supply: AimTtiPlp, said: Said) -> None:
    for channel in supply.channels:
        for protection in (channel.over_voltage, channel.over_current):
            channel.protect(protection, said.now_s, tripped=False)


@PHRASES.says(r"LSR([1-9])\?")
def _limit_events(supply: AimTtiPlp, said: Said) -> str:
    taken = supply.channels[supply.place_of(said)].take_events(supply.session.register)
    return str(sum(bit for model, bit in LIMIT_EVENTS if taken & model))


@PHRASES.says(r"LSE([1-9]) +(\d{1,3})")
def _limit_enable(supply: AimTtiPlp, said: Said) -> None:
    supply.session.limit_enable[supply.place_of(said)] = int(said.words[1]) & 255


@PHRASES.says(r"LSE([1-9])\?")
def _limit_enabled(supply: AimTtiPlp, said: Said) -> str:
    return str(supply.session.limit_enable.get(supply.place_of(said), 0))


@PHRASES.says(r"IRANGE([1-9]) +([12])")
def _range(supply: AimTtiPlp, said: Said) -> None:
    place = supply.place_of(said)
    channel = supply.channels[place]
    if channel.source.on:
        raise Rejected(NEEDS_OUTPUT_OFF)
    supply.small_range[place] = said.words[1] == "1"
    if supply.small_range[place]:
        channel.set(said.now_s, limit_a=min(channel.source.limit_a, SMALL_RANGE_A))


@PHRASES.says(r"IRANGE([1-9])\?")
def _which_range(supply: AimTtiPlp, said: Said) -> str:
    return "1" if supply.small_range[supply.place_of(said)] else "2"


@PHRASES.says(r"CONFIG +([02])")
def _configure(supply: AimTtiPlp, said: Said) -> None:
    if len(supply.outputs) < 2:
        raise Rejected(OUT_OF_RANGE)
    supply.follows = said.words[0] == "0"
    supply.follow(said.now_s)


@PHRASES.says(r"CONFIG\?")
def _configuration(supply: AimTtiPlp, _said: Said) -> str:
    return "0" if supply.follows else "2"


@PHRASES.says(rf"RATIO +{NUMBER}")
def _set_ratio(supply: AimTtiPlp, said: Said) -> None:
    supply.ratio = within(said.words[0], 0.0, 100.0, 0.01)
    supply.follow(said.now_s)


@PHRASES.says(r"RATIO\?")
def _ratio(supply: AimTtiPlp, _said: Said) -> str:
    return nr2(supply.ratio, 0.01)


@PHRASES.says(r"(?:DAMPING|SENSE)([1-9]) +([01])")
def _accepted(supply: AimTtiPlp, said: Said) -> None:
    """Averaging and remote sense change nothing in the model, so they are simply accepted."""
    supply.place_of(said)


@PHRASES.says(r"LOCAL")
def _local(_supply: AimTtiPlp, _said: Said) -> None:
    """There is no front panel; an interface lock stays."""


@PHRASES.says(r"IFLOCK")
def _lock(supply: AimTtiPlp, _said: Said) -> str:
    if supply.owner is None:
        supply.owner = supply.arrival.client
    return "1" if supply.owner == supply.arrival.client else "-1"


@PHRASES.says(r"IFLOCK\?")
def _locked(supply: AimTtiPlp, _said: Said) -> str:
    return "0" if supply.owner is None else ("1" if supply.owner == supply.arrival.client else "-1")


@PHRASES.says(r"IFUNLOCK")
def _unlock(supply: AimTtiPlp, _said: Said) -> str:
    if supply.owner not in (None, supply.arrival.client):
        raise Rejected(LOCKED_OUT)
    supply.owner = None
    return "0"


@PHRASES.says(r"EER\?")
def _execution_error(supply: AimTtiPlp, _said: Said) -> str:
    session = supply.session
    number, session.execution_error = session.execution_error, 0
    return str(number)


@PHRASES.says(r"QER\?|\*TST\?")
def _none(_supply: AimTtiPlp, _said: Said) -> str:
    """Nothing here can interrupt a query, and there is no self test."""
    return "0"


@PHRASES.says(r"\*ESR\?")
def _event_status(supply: AimTtiPlp, _said: Said) -> str:
    session = supply.session
    bits, session.standard = session.standard, 0
    return str(bits)


@PHRASES.says(r"\*ESE +(\d{1,3})")
def _set_event_enable(supply: AimTtiPlp, said: Said) -> None:
    supply.session.standard_enable = int(said.words[0]) & 255


@PHRASES.says(r"\*ESE\?")
def _event_enable(supply: AimTtiPlp, _said: Said) -> str:
    return str(supply.session.standard_enable)


@PHRASES.says(r"\*OPC\?")
def _is_complete(_supply: AimTtiPlp, _said: Said) -> str:
    return "1"


@PHRASES.says(r"\*OPC")
def _complete(supply: AimTtiPlp, _said: Said) -> None:
    supply.session.standard |= 1


@PHRASES.says(r"\*CLS")
def _clear(supply: AimTtiPlp, _said: Said) -> None:
    session = supply.session
    session.standard = session.execution_error = 0
    for channel in supply.channels:
        channel.take_events(session.register)


@PHRASES.says(r"\*RST")
def _reset(supply: AimTtiPlp, said: Said) -> None:
    supply.reset(said.now_s)


@PHRASES.says(r"\*WAI")
def _wait(_supply: AimTtiPlp, _said: Said) -> None:
    """Nothing to wait for: commands are carried out one by one."""
