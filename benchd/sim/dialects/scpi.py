"""What families near SCPI have in common: error queue, standard registers, the selected output, how values are read.

IEEE 488.2 §10 and §11 for common commands and status, SCPI-1999 vol. 2 §21 for the error queue. Only what many
families share is here, each group a language of its own, so that a family can do without any of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, ClassVar, NamedTuple

from benchd.sim.bench import Bits, Channel
from benchd.sim.dialects.base import Dialect, Setup
from benchd.sim.errors import DeviceError, ErrorQueue, ScpiError, event_bit
from benchd.sim.language import Call, Command, Language, Program, carry_out
from benchd.sim.parser import short_form
from benchd.sim.rig import Event
from benchd.sim.standard import COMMON, clear
from benchd.sim.values import name, nr2, setting, whole

QUEUE_DEPTH = 20


def plain_entry(error: ScpiError) -> str:
    """`-113,"Undefined header"`."""
    return f'{error.number},"{error.text}"'


def signed_entry(error: ScpiError) -> str:
    """`+0,"No error"`."""
    return f'{error.number:+d},"{error.text}"'


class ScpiDialect(Dialect):
    """A family that talks in lines, has an error queue, and a selection that all its clients share."""

    words: ClassVar[Language[Any]]
    identity: ClassVar[str]
    """The reply to `*IDN?`, with `{model}` and `{serial}`."""
    entry: ClassVar[Callable[[ScpiError], str]] = plain_entry
    needs_remote: ClassVar[bool] = False
    """Nothing can be set until `SYSTem:REMote`."""
    mixes: ClassVar[bool] = True
    """Takes settings and queries in one message."""
    compounds: ClassVar[bool] = True
    """Takes several commands in one message."""
    numbers: ClassVar[str] = ""
    """Format of every setting and reading that it says; empty: fixed point, as fine as its own steps."""

    def __init__(self, model: str | None = None, serial: str | None = None, setup: Setup | None = None) -> None:
        self.errors = ErrorQueue(QUEUE_DEPTH, type(self).entry)
        self.standard = Event(bits=128)  # power on
        self.request_enable = 0
        self.selected = 0
        self.remote = False
        super().__init__(model, serial, setup)
        self.memory: dict[int, list[tuple[float, float]]] = {}

    def reset(self, now_s: float) -> None:
        super().reset(now_s)
        self.selected = 0

    def power_up(self, now_s: float) -> None:
        super().power_up(now_s)
        self.errors.clear()
        self.standard = Event(bits=128)
        self.request_enable = 0
        self.remote = False

    def answer(self, message: bytes, now_s: float) -> list[bytes]:
        program: Program[Any] = self.vocabulary.program(message.decode("latin-1"))
        try:
            self.look_over(program)
        except ScpiError as error:
            self.report(error)
            return []
        replies = carry_out(program, self, now_s, self.report, self.permit)
        return [";".join(replies).encode("latin-1") + self.ending] if replies else []

    @property
    def vocabulary(self) -> Language[Any]:
        """The language of this model."""
        return self.words

    @property
    def channel(self) -> Channel:
        """The one that was selected."""
        return self.channels[self.selected]

    def look_over(self, program: Program[Any]) -> None:
        """Raises the ScpiError of a message that this family refuses as a whole."""
        queries = sum(step.command.query for step in program.steps)
        if not self.mixes and 0 < queries < len(program.steps):
            raise ScpiError(-200)
        if not self.compounds and len(program.steps) + (program.error is not None) > 1:
            raise ScpiError(-102)

    def permit(self, command: Command[Any]) -> None:
        """Raises the ScpiError of a command that is not allowed now."""
        if self.needs_remote and not (self.remote or command.query or command.carry_out in ALWAYS):
            raise DeviceError(550, "Command not allowed in local")

    def report(self, error: ScpiError) -> None:
        """Put an error in the queue and its bit in the standard event register."""
        self.standard.bits |= event_bit(error.number)
        if not self.errors.add(error):
            self.standard.bits |= event_bit(-350)

    def clear_status(self, now_s: float) -> None:
        """`*CLS`."""
        self.errors.clear()
        self.standard.bits = 0

    def status_byte(self, now_s: float, pending: bool) -> int:
        """As `*STB?` gives it, with the master summary in bit 6 (IEEE 488.2 §11.2)."""
        byte = (4 if len(self.errors) else 0) | (16 if pending else 0) | (32 if self.standard.summary else 0)
        return byte | (64 if byte & self.request_enable else 0)

    def overrun(self) -> None:
        self.report(ScpiError(-363))

    # Values. Families with ranges or other forms override these.

    def range_of(self, place: int) -> tuple[float, float]:
        """Largest voltage in V (its magnitude) and limit in A of this output now."""
        return self.outputs[place].voltage_v, self.outputs[place].current_a

    def say_voltage(self, value: float, place: int) -> str:
        """A voltage setting."""
        return self._said(value, self.outputs[place].set_step_v)

    def say_current(self, value: float, place: int) -> str:
        """A limit setting."""
        return self._said(value, self.outputs[place].set_step_a)

    def say_measured(self, value: float, place: int, unit: str) -> str:
        """A reading in this unit: V, A or W."""
        output = self.outputs[place]
        return self._said(value, {"V": output.read_step_v, "A": output.read_step_a, "W": 0.001}[unit])

    def _said(self, value: float, step: float) -> str:
        return format(value, self.numbers) if self.numbers else nr2(value, step)

    def to_voltage(self, text: str, place: int) -> float:
        """A voltage as it is given, as a magnitude. Raises the ScpiError that fits."""
        output, most = self.outputs[place], self.range_of(place)[0]
        if not output.negative:
            return setting(text, "V", output.lowest_v, most, output.lowest_v, output.set_step_v)
        for word, bound in (("MAXimum", most), ("MINimum", output.lowest_v), ("DEFault", output.lowest_v)):
            if text.upper() in (short_form(word), word.upper()):
                return bound
        return -setting(text, "V", -most, -output.lowest_v, 0.0, output.set_step_v)

    def to_current(self, text: str, place: int) -> float:
        """A limit as it is given. Raises the ScpiError that fits."""
        output = self.outputs[place]
        return setting(text, "A", output.lowest_a, self.range_of(place)[1], output.usual_limit_a, output.set_step_a)

    def set_levels(self, place: int, now_s: float, voltage_v: float | None, limit_a: float | None) -> None:
        """Where all settings of voltage (a magnitude) and limit arrive."""
        self.channels[place].set(now_s, voltage_v=voltage_v, limit_a=limit_a)

    def measured(self, place: int, now_s: float) -> dict[str, float]:
        """By unit: V with its sign, A, W."""
        voltage_v, current_a = self.shown(place, now_s)
        return {"V": self.sign_of(place) * voltage_v, "A": current_a, "W": voltage_v * current_a}

    def regulation(self, place: int, now_s: float) -> int:
        """Bit 0: voltage not regulated, so CC; bit 1: current not regulated, so CV (SCPI-1999 vol. 2 §20)."""
        self.channels[place].advance(now_s)
        return self.channels[place].condition() & (Bits.LIMITING | Bits.REGULATING)

    def place_of(self, number: int) -> int:
        """Of an output by number; raises -222."""
        if number - 1 not in self.places:
            raise ScpiError(-222, str(number))
        return number - 1

    def named(self, text: str, prefix: str = "CH") -> int:
        """The place of an output by a name such as `CH2`; raises -224."""
        given = name(text)
        if given not in (names := [f"{prefix}{place + 1}" for place in self.places]):
            raise ScpiError(-224, f"{text} is none of {' '.join(names)}")
        return names.index(given)


class Aim(NamedTuple):
    """Which outputs a command is for, and what is left of its parameters."""

    places: Sequence[int]
    parameters: tuple[str, ...]


Address = Callable[[Any, Call], Aim]
"""How a family says which output it means."""


def at_selected(supply: ScpiDialect, call: Call) -> Aim:
    return Aim((supply.selected,), call.parameters)


IDENTITY: Language[ScpiDialect] = Language()
"""`*IDN?` alone."""


@IDENTITY.query("*IDN")
def _identify(supply: ScpiDialect, _call: Call) -> str:
    return supply.identity.format(model=supply.model, serial=supply.serial)


STANDARD: Language[ScpiDialect] = Language(IDENTITY, COMMON)
"""The common commands that IEEE 488.2 §10 makes mandatory."""


ERRORS: Language[ScpiDialect] = Language()


@ERRORS.query("SYSTem:ERRor[:NEXT]")
def _error(supply: ScpiDialect, _call: Call) -> str:
    return supply.errors.take()


PANEL: Language[ScpiDialect] = Language()


@PANEL.order("SYSTem:REMote")
@PANEL.order("SYSTem:RWLock")
def _go_remote(supply: ScpiDialect, _call: Call) -> None:
    supply.remote = True


@PANEL.order("SYSTem:LOCal")
def _go_local(supply: ScpiDialect, _call: Call) -> None:
    supply.remote = False


ALWAYS = frozenset({_go_remote, _go_local, clear})
"""Orders that a supply in local takes."""


def memory(most: int) -> Language[ScpiDialect]:
    """`*SAV` and `*RCL` with places 1 to `most`."""
    words: Language[ScpiDialect] = Language()

    @words.order("*SAV", 1)
    def save(supply: ScpiDialect, call: Call) -> None:
        sources = [channel.source for channel in supply.channels]
        supply.memory[whole(call.parameters[0], 1, most)] = [(each.voltage_v, each.limit_a) for each in sources]

    @words.order("*RCL", 1)
    def recall(supply: ScpiDialect, call: Call) -> None:
        for place, levels in enumerate(supply.memory.get(whole(call.parameters[0], 1, most), [])):
            supply.set_levels(place, call.now_s, *levels)

    return words


SELECTION: Language[ScpiDialect] = Language()
"""By number, for every client of the supply."""


@SELECTION.order("INSTrument:NSELect", 1)
def _select(supply: ScpiDialect, call: Call) -> None:
    supply.selected = whole(call.parameters[0], 1, len(supply.places)) - 1


@SELECTION.query("INSTrument:NSELect")
def _selected(supply: ScpiDialect, _call: Call) -> str:
    return str(supply.selected + 1)


SUMMARIES: Language[ScpiDialect] = Language()
"""The regulation of each output in its summary register."""


@SUMMARIES.query("STATus:QUEStionable:INSTrument:ISUMmary#:CONDition")
def _summary(supply: ScpiDialect, call: Call) -> str:
    supply.channel_of(call.suffixes[0])
    return str(supply.regulation(call.suffixes[0] - 1, call.now_s))


@SUMMARIES.query("STATus:QUEStionable:INSTrument:ISUMmary#[:EVENt]")
def _summary_event(supply: ScpiDialect, call: Call) -> str:
    channel = supply.channel_of(call.suffixes[0])
    channel.advance(call.now_s)
    return str(channel.take_events("summary") & (Bits.LIMITING | Bits.REGULATING))


REGULATION: Language[ScpiDialect] = Language()
"""The regulation of the selected output in the questionable register itself."""


@REGULATION.query("STATus:QUEStionable:CONDition")
def _regulation(supply: ScpiDialect, call: Call) -> str:
    return str(supply.regulation(supply.selected, call.now_s))
