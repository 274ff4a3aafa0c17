"""The supply behind its language: two channels, status registers, error queue."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

# Importing the command modules declares their commands.
from benchd.sim import common, outputs, simulate  # noqa: F401
from benchd.sim.bench import Channel, Protection, Readout
from benchd.sim.board import KINDS
from benchd.sim.errors import ErrorQueue, ScpiError, event_bit
from benchd.sim.faults import Faults
from benchd.sim.language import Call, Program, understand
from benchd.sim.source import Source

OFFS_KEPT = 64
LONGEST_REMEMBERED = 256
"""Characters of a message whose meaning is kept for the next time: polling sends the same few again and again."""


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
class Event:
    """A register of bits that stay until read, and which of them count in the summary."""

    bits: int = 0
    enable: int = 0

    def take(self) -> int:
        bits, self.bits = self.bits, 0
        return bits

    @property
    def summary(self) -> bool:
        return bool(self.bits & self.enable)


@dataclass
class Instrument:
    """All state that is shared by every connection, the selected channel included, as on a real supply."""

    serial: str = "SIM00001"
    version: str = "0"
    seed: int = 1
    lead_ohm: float = 0.05
    readout: Readout = field(default_factory=Readout)
    rating: Rating = field(default_factory=Rating)
    latency_s: float = 0.0

    def __post_init__(self) -> None:
        rating = self.rating
        self.channels = [
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
        self.selected = 0
        self.errors = ErrorQueue()
        self.simulation_errors = ErrorQueue()
        self.faults = Faults(self.seed)
        self.standard = Event(bits=128)  # power on
        self.request_enable = 0
        self.questionable = Event()
        self.operation = Event()
        self.by_instrument = Event()
        self.summaries = [Event() for _ in self.channels]
        self.last_shown = [(0.0, 0.0) for _ in self.channels]
        self.offs: deque[tuple[int, int]] = deque(maxlen=OFFS_KEPT)
        """Of each OUTPut OFF: when it came, and when its connection had been sent its last reply, in monotonic ns."""
        self.off_count = 0

    def handle(self, message: str, now_s: float, arrival_ns: int = 0, last_reply_ns: int = 0) -> Answer:
        """Carry out one message (without its terminator). Errors go to the queue, nothing is raised.

        Errors of a message that begins with a SIMulate command are kept apart, since no driver should meet them.
        """
        program = _understood(message) if len(message) <= LONGEST_REMEMBERED else understand(message)
        report = self.simulation_errors.add if program.simulating else self.report
        replies: list[str] = []
        for command, parameters, suffixes in program.steps:
            call = Call(parameters, suffixes, now_s, arrival_ns, last_reply_ns, bool(replies))
            try:
                reply = command.carry_out(self, call)
            except ScpiError as error:
                report(error)
                if error.ends_message:
                    break
            else:
                if reply is not None:
                    replies.append(reply)
        else:
            if program.error is not None:
                report(program.error)
        return Answer(";".join(replies) if replies else None, program.simulating)

    def report(self, error: ScpiError) -> None:
        """Put an error in the queue and its bit in the standard event register."""
        self.standard.bits |= event_bit(error.number)
        if not self.errors.add(error):
            self.standard.bits |= event_bit(-350)

    @property
    def channel(self) -> Channel:
        """The one that was selected."""
        return self.channels[self.selected]

    def channel_of(self, suffix: int) -> Channel:
        """By numeric suffix; raises -114."""
        if not 1 <= suffix <= len(self.channels):
            raise ScpiError(-114, f"channel {suffix}")
        return self.channels[suffix - 1]

    def shown(self, place: int, now_s: float) -> tuple[float, float]:
        """Voltage in V and current in A as the channel's display has them."""
        if not self.faults.stuck:
            self.last_shown[place] = self.channels[place].read(now_s)
        return self.last_shown[place]

    def reset(self, now_s: float) -> None:
        """`*RST`: outputs off, settings as after power-on; error queue, registers and enables stay."""
        rating = self.rating
        for channel in self.channels:
            channel.switch(False, now_s)
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

    def attach(self, place: int, board: str, now_s: float) -> None:
        """Put a board of this kind on a channel's leads; raises -224 naming the kinds there are."""
        kind = KINDS.get(board.lower())
        if kind is None:
            raise ScpiError(-224, f"{board} is none of {' '.join(KINDS)}")
        self.channels[place].attach(kind, now_s)

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


@lru_cache(maxsize=512)
def _understood(message: str) -> Program:
    return understand(message)
