"""The reading and the block of readings: the words every room shares.

No numpy here, since the guard process uses these and must stay small.
"""

from __future__ import annotations

import enum
from array import array
from typing import Literal, NamedTuple

import msgspec


class Mode(enum.IntEnum):
    """How the supply regulated while a reading was taken."""

    UNKNOWN = 0
    CV = 1
    CC = 2
    OFF = 3


class Flag(enum.IntFlag):
    """What is special about a reading; 0 when nothing is."""

    NONE = 0
    GAP = 1
    """At least one reading was due before this one and was missed (late, garbled or lost)."""
    OVERLOAD = 2
    """The instrument answered with the 'infinity' number of SCPI-99 (9.9E37); the value is its range's end."""


class OutputState(enum.StrEnum):
    """What is known about an output. `off` is only ever said after reading back; a hope is `unknown`."""

    OFF = "off"
    ON = "on"
    UNKNOWN = "unknown"


SenseAt = Literal["", "local", "remote"]
"""Where an output holds and measures its voltage: at its own terminals, or at the far end of sense leads. Empty: as it
is, or as its settings say."""


class Reading(NamedTuple):
    """One voltage and current of one channel.

    `t_ns`: ns since the epoch, half-way between query sent and reply read, from a monotonic anchor.
    `half_trip_ns`: half the round trip in ns: the uncertainty of `t_ns`.
    """

    t_ns: int
    voltage_v: float
    current_a: float
    mode: Mode
    flags: Flag
    half_trip_ns: int


class Block(msgspec.Struct, frozen=True, tag=True):
    """Readings of one channel in time order, as packed little-endian columns of equal length.

    `t_ns` int64, `voltage_v` and `current_a` float64, `mode` and `flags` uint8, `half_trip_ns` the largest
    of the block in ns. `dropped`: readings of this channel that the guard had to drop just before this block.
    """

    supply: str
    channel: int
    t_ns: bytes
    voltage_v: bytes
    current_a: bytes
    mode: bytes
    flags: bytes
    half_trip_ns: int
    dropped: int = 0

    def __len__(self) -> int:
        return len(self.mode)

    def readings(self) -> list[Reading]:
        """The block unpacked, for code without numpy; for arrays see `benchd.traces.samples`."""
        times, volts, amps = array("q"), array("d"), array("d")
        times.frombytes(self.t_ns)
        volts.frombytes(self.voltage_v)
        amps.frombytes(self.current_a)
        return [
            Reading(t, v, i, Mode(m), Flag(f), self.half_trip_ns)
            for t, v, i, m, f in zip(times, volts, amps, self.mode, self.flags, strict=True)
        ]


def pack(supply: str, channel: int, readings: list[Reading], dropped: int = 0) -> Block:
    """Pack readings, oldest first, into a block. The machine is little-endian (checked at import of array users)."""
    return Block(
        supply,
        channel,
        array("q", [r.t_ns for r in readings]).tobytes(),
        array("d", [r.voltage_v for r in readings]).tobytes(),
        array("d", [r.current_a for r in readings]).tobytes(),
        bytes([r.mode for r in readings]),
        bytes([r.flags for r in readings]),
        max((r.half_trip_ns for r in readings), default=0),
        dropped,
    )
