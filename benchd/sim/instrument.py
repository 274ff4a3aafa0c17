"""The supply behind its language: two channels, status registers, error queue."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar, NamedTuple

# Importing the command modules declares their commands.
from benchd.sim import common, outputs  # noqa: F401
from benchd.sim.bench import Channel, Protection, Readout
from benchd.sim.errors import ErrorQueue, ScpiError, event_bit
from benchd.sim.language import carry_out
from benchd.sim.rig import Event, Heard, Rig
from benchd.sim.source import Source
from benchd.sim.watchdog import Watchdog
from benchd.sim.words import WORDS


@dataclass(frozen=True)
class Rating:
    """What one output can do, and how finely it is set. V, A and s."""

    voltage_v: float = 32.0
    current_a: float = 6.0
    voltage_step_v: float = 0.001
    current_step_a: float = 0.001
    headroom: float = 1.1
    """How far the protection levels reach beyond the rating, as a factor."""
    reset_limit_a: float = 0.1
    reset_over_current_delay_s: float = 0.05
    longest_delay_s: float = 3600.0


class Answer(NamedTuple):
    """What a message came to. `reply` is None when nothing was asked; `simulating`: faults leave this one alone."""

    reply: str | None
    simulating: bool


@dataclass
class Instrument(Rig):
    """All state that is shared by every connection, the selected channel included, as on a real supply."""

    serial: str = "SIM00001"
    version: str = "0"
    seed: int = 1
    lead_ohm: float = 0.05
    readout: Readout = field(default_factory=Readout)
    rating: Rating = field(default_factory=Rating)
    latency_s: float = 0.0
    model: ClassVar[str] = "SIM-2"

    def __post_init__(self) -> None:
        rating = self.rating
        channels = [
            Channel(
                source=Source(limit_a=rating.reset_limit_a),
                readout=Readout(**vars(self.readout)),
                lead_ohm=self.lead_ohm,
                seed=self.seed + place,
                over_voltage=Protection(rating.voltage_v * rating.headroom, True, 0.0),
                over_current=Protection(rating.current_a * rating.headroom, False, rating.reset_over_current_delay_s),
            )
            for place in range(2)
        ]
        self.equip(channels, self.seed, self.latency_s)
        self.selected = 0
        self.errors = ErrorQueue()
        self.standard = Event(bits=128)  # power on
        self.request_enable = 0
        self.questionable = Event()
        self.operation = Event()
        self.by_instrument = Event()
        self.summaries = [Event() for _ in self.channels]

    def hear(self, message: bytes, now_s: float) -> Heard:
        self.watch(now_s)
        reply, simulating = self.handle(message.decode("latin-1"), now_s)
        return Heard(() if reply is None else (reply.encode("latin-1") + self.ending,), simulating)

    def handle(self, message: str, now_s: float) -> Answer:
        """Carry out one message (without its terminator). Errors go to the queue, nothing is raised.

        Errors of a message that begins with a SIMulate command are kept apart, since no driver should meet them.
        """
        program = WORDS.program(message)
        if not program.simulating:
            self.watchdog.feed(now_s)
        report = self.simulation_errors.add if program.simulating else self.report
        replies = carry_out(program, self, now_s, report)
        return Answer(";".join(replies) if replies else None, program.simulating)

    def overrun(self) -> None:
        self.report(ScpiError(-363))

    def report(self, error: ScpiError) -> None:
        """Put an error in the queue and its bit in the standard event register."""
        self.standard.bits |= event_bit(error.number)
        if not self.errors.add(error):
            self.standard.bits |= event_bit(-350)

    @property
    def channel(self) -> Channel:
        """The one that was selected."""
        return self.channels[self.selected]

    def reset(self, now_s: float) -> None:
        """`*RST`: outputs off, settings as after power-on; error queue, registers and enables stay."""
        self.watchdog = Watchdog(fed_s=now_s)
        rating = self.rating
        for channel in self.channels:
            channel.switch(False, now_s)
            channel.sense(False, now_s)
            channel.set(now_s, voltage_v=0.0, limit_a=rating.reset_limit_a)
            channel.protect(
                channel.over_voltage,
                now_s,
                level=rating.voltage_v * rating.headroom,
                enabled=True,
                delay_s=0.0,
                tripped=False,
            )
            channel.protect(
                channel.over_current,
                now_s,
                level=rating.current_a * rating.headroom,
                enabled=False,
                delay_s=rating.reset_over_current_delay_s,
                tripped=False,
            )
        self.selected = 0

    def power_up(self, now_s: float) -> None:
        super().power_up(now_s)
        self.errors.clear()
        self.standard, self.request_enable = Event(bits=128), 0
        self.questionable, self.operation, self.by_instrument = Event(), Event(), Event()
        self.summaries = [Event() for _ in self.channels]

    def questionable_condition(self, now_s: float) -> int:
        """Bits of the selected channel, and bit 13 for the summary of the channel registers."""
        self.channel.advance(now_s)
        return self.channel.condition() | (1 << 13 if self.by_instrument.summary else 0)

    def gather(self, now_s: float) -> None:
        """Bring the event registers up to date from the channels below them."""
        for place, channel in enumerate(self.channels):
            channel.advance(now_s)
            self.summaries[place].bits |= channel.take_events("summary")
            if self.summaries[place].summary:
                self.by_instrument.bits |= 1 << (place + 1)
        self.questionable.bits |= self.channel.take_events("selected")
        if self.by_instrument.summary:
            self.questionable.bits |= 1 << 13

    def clear_status(self, now_s: float) -> None:
        """`*CLS`: error queue and event registers, not the enables."""
        self.gather(now_s)
        self.errors.clear()
        for register in (self.standard, self.questionable, self.operation, self.by_instrument, *self.summaries):
            register.bits = 0

    def status_byte(self, now_s: float, pending: bool) -> int:
        """As `*STB?` gives it, with the master summary in bit 6 (IEEE 488.2 §11.2, SCPI-1999 vol. 1 §9)."""
        self.gather(now_s)
        byte = 4 if len(self.errors) else 0
        byte |= 8 if self.questionable.summary else 0
        byte |= 16 if pending else 0
        byte |= 32 if self.standard.summary else 0
        byte |= 128 if self.operation.summary else 0
        return byte | (64 if byte & self.request_enable & ~64 else 0)
