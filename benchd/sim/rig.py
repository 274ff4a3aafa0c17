"""What every simulated supply has under its language: channels with boards, faults, and a log of its off orders."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import ClassVar, NamedTuple

from benchd.sim.bench import Channel
from benchd.sim.board import KINDS
from benchd.sim.errors import ErrorQueue, ScpiError
from benchd.sim.faults import Faults
from benchd.sim.watchdog import Watchdog

OFFS_KEPT = 64


class Arrival(NamedTuple):
    """Of the message that is being carried out, on the process's monotonic clock in ns.

    `arrived_ns`: when it came. `last_reply_ns`: when its connection had last been sent a reply (0: never). `client`: a
    number for the connection, for families that keep state per connection.
    """

    arrived_ns: int = 0
    last_reply_ns: int = 0
    client: int = 0


class Heard(NamedTuple):
    """What a message came to. `simulating`: faults leave these replies alone."""

    replies: Sequence[bytes]
    simulating: bool = False


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


def cut_line(buffer: bytearray) -> bytes | None:
    """Take the first line off the buffer and return it without its LF; None while there is none."""
    end = buffer.find(b"\n")
    if end < 0:
        return None
    message = bytes(buffer[:end])
    del buffer[: end + 1]
    return message


class Rig:
    """All state that is shared by every connection. Subclasses say `equip` first, and then how it talks."""

    ending: ClassVar[bytes] = b"\n"
    """Behind each reply."""
    loses_early: ClassVar[bool] = False
    """A message that comes while the supply is busy is lost; otherwise it waits its turn."""

    channels: list[Channel]

    def equip(self, channels: list[Channel], seed: int, latency_s: float) -> None:
        """Set up the shared state. `latency_s`: added to the time every reply takes."""
        self.channels = channels
        for channel, other in zip(channels, reversed(channels[:2]), strict=False):
            channel.other = other if other is not channel else None
        self.latency_s = latency_s
        self.simulation_errors = ErrorQueue()
        self.faults = Faults(seed, self.ending)
        self.last_shown = [(0.0, 0.0) for _ in channels]
        self.offs: deque[tuple[int, int]] = deque(maxlen=OFFS_KEPT)
        """Of each off order: when it came, and when its connection had been sent its last reply, in monotonic ns."""
        self.off_count = 0
        self.arrival = Arrival()
        self.watchdog = Watchdog()

    # How it talks.

    def cut(self, buffer: bytearray) -> bytes | None:
        """Take one complete message off the input, without its terminator; None while there is none."""
        return cut_line(buffer)

    def busy_s(self, message: bytes) -> float:
        """How long the supply works on this message before it is carried out and answered, in s."""
        return 0.0

    def hear(self, message: bytes, now_s: float) -> Heard:
        """Carry out one message; the replies have their terminators."""
        raise NotImplementedError

    def overrun(self) -> None:
        """A message was too long for the input buffer and is lost."""

    def reset(self, now_s: float) -> None:
        """Outputs off and settings as after power-on."""
        raise NotImplementedError

    def power_up(self, now_s: float) -> None:
        """Power was lost and is back: as new, with the same boards on the leads. Families add what they forget."""
        self.reset(now_s)

    @property
    def due_s(self) -> float:
        """When something happens by itself that `tick` must not be late for."""
        return self.watchdog.due_s

    def tick(self, now_s: float) -> None:
        """Catch up with time; called now and then while nobody asks anything."""
        self.watch(now_s)
        for channel in self.channels:
            channel.advance(now_s)

    def watch(self, now_s: float) -> None:
        """All outputs off if no message came for too long."""
        due_s = self.watchdog.due_s
        if self.watchdog.trips(now_s):
            for channel in self.channels:
                channel.switch(False, due_s)

    # What the languages need.

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

    def switch(self, places: Iterable[int], on: bool, now_s: float) -> bool:
        """An output order of the family's own: logged when it is off, and then ignored by a deaf supply.

        Says whether it was carried out.
        """
        if not on:
            self.off_count += 1
            self.offs.append((self.arrival.arrived_ns, self.arrival.last_reply_ns))
            if self.faults.ignores_off():
                return False
        for place in places:
            self.channels[place].switch(on, now_s)
        return True

    def sign_of(self, place: int) -> int:
        """-1 for an output below ground: the model inside knows magnitudes only."""
        return 1

    def attach(self, place: int, board: str, now_s: float) -> None:
        """Put a board of this kind on a channel's leads; raises -224 naming the kinds there are."""
        kind = KINDS.get(board.lower())
        if kind is None:
            raise ScpiError(-224, f"{board} is none of {' '.join(KINDS)}")
        self.channels[place].attach(kind, now_s)
