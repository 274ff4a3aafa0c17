"""What a family of supplies is: how many outputs with which ratings, how a message ends, what it is answered, how fast.

A family is a subclass of `Dialect` with

- `name`: that of its driver profile, and `models`: the outputs of each model, the usual one first;
- `answer(message, now_s)`: carries one message out and returns the replies, each complete with its terminator;
- `cut(buffer)`: takes one message off the input. The default ends at LF; without terminators the family knows its
  commands;
- `busy_s(message)`: how long the supply works before it carries the message out and answers. What comes meanwhile
  waits, or is lost where `loses_early` says so.

Outputs are switched with `order_outputs` (it logs off orders, knows the fault DEAF, and does not switch a tripped
output on) and read with `shown` (it knows the fault STUCK); settings and protections belong to `channels[place]`, see
`benchd.sim.bench`. Values in `channels` are magnitudes; `sign_of` gives the sign of an output below ground. `places`
count from 0, channel numbers from 1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import ClassVar

from benchd.sim.bench import Channel, Protection, Readout
from benchd.sim.errors import ScpiError
from benchd.sim.rig import Heard, Rig
from benchd.sim.source import Source
from benchd.sim.watchdog import Watchdog

PROTECTION_HEADROOM = 1.1
"""Protection levels reach this factor beyond the rating, where a family says nothing else (common practice)."""

NOISE = 0.3
"""Noise of a reading (rms) in steps of its resolution, unless asked otherwise (common practice)."""


@dataclass(frozen=True)
class Output:
    """What one output can do, and how finely it is set and read: V, A. Voltages are magnitudes, `negative` or not.

    `lowest_v`, `lowest_a`: the smallest setting it takes. `limit_a`: the limit after power-on (None: the rating).
    """

    voltage_v: float
    current_a: float
    set_step_v: float = 0.001
    set_step_a: float = 0.001
    read_step_v: float = 0.001
    read_step_a: float = 0.001
    lowest_v: float = 0.0
    lowest_a: float = 0.0
    negative: bool = False
    limit_a: float | None = None

    @property
    def usual_limit_a(self) -> float:
        return self.current_a if self.limit_a is None else self.limit_a


@dataclass(frozen=True)
class Setup:
    """Of the bench rather than the family. None: as the family has it. s, V, A, ohms for both leads together."""

    seed: int = 1
    lead_ohm: float = 0.05
    latency_s: float = 0.0
    interval_s: float = 0.001
    noise_v: float | None = None
    noise_a: float | None = None
    resolution_a: float | None = None


class Dialect(Rig):
    """One supply of a family. Raises ValueError for a model that the family does not have."""

    name: ClassVar[str]
    models: ClassVar[Mapping[str, Sequence[Output]]]
    usual_serial: ClassVar[str] = "SIM00001"
    one_switch: ClassVar[bool] = False
    """All outputs are switched together."""
    trips_in_limit: ClassVar[bool] = True
    """Over-current protection trips in current limit; otherwise only above a level of its own."""

    def __init__(self, model: str | None = None, serial: str | None = None, setup: Setup | None = None) -> None:
        self.model = next(iter(self.models)) if model is None else model
        if self.model not in self.models:
            raise ValueError(f"{self.name} has no model {model!r}; it has {', '.join(self.models)}")
        self.serial = self.usual_serial if serial is None else serial
        self.outputs = tuple(self.models[self.model])
        self.places = range(len(self.outputs))
        self.ordered: list[bool]
        """What each output was last ordered to be, whatever a protection did since."""
        setup = Setup() if setup is None else setup
        self.equip(
            [_channel(output, setup, place) for place, output in enumerate(self.outputs)], setup.seed, setup.latency_s
        )
        self.reset(0.0)

    def answer(self, message: bytes, now_s: float) -> list[bytes]:
        """Carry out one message; the replies to it, terminators included."""
        raise NotImplementedError

    def hear(self, message: bytes, now_s: float) -> Heard:
        self.watch(now_s)
        self.watchdog.feed(now_s)
        return Heard(self.answer(message, now_s))

    def reset(self, now_s: float) -> None:
        """Outputs off and settings as after power-on; families add what they reset beside that."""
        self.watchdog = Watchdog(fed_s=now_s)
        self.ordered = [False for _ in self.outputs]
        for channel, output in zip(self.channels, self.outputs, strict=True):
            channel.switch(False, now_s)
            channel.set(now_s, voltage_v=output.lowest_v, limit_a=output.usual_limit_a)
            for protection, rating in (
                (channel.over_voltage, output.voltage_v),
                (channel.over_current, output.current_a),
            ):
                level = rating * PROTECTION_HEADROOM
                channel.protect(protection, now_s, level=level, enabled=False, delay_s=0.0, tripped=False)
            channel.protect(channel.over_current, now_s, in_limit=self.trips_in_limit)

    def sign_of(self, place: int) -> int:
        return -1 if self.outputs[place].negative else 1

    def order_outputs(self, places: Sequence[int], on: bool, now_s: float) -> None:
        """Switch these outputs, or all of them where there is one switch.

        Raises -221 when one that shall go on has tripped and was not cleared.
        """
        places = self.places if self.one_switch else places
        if on and any(self.tripped(place, now_s) for place in places):
            raise ScpiError(-221, "protection tripped, clear it first")
        if self.switch(places, on, now_s):
            for place in places:
                self.ordered[place] = on

    def clear_trip(self, place: int, protection: Protection, now_s: float, back_on: bool) -> None:
        """Clear a trip; with `back_on` the output is then what it was last ordered to be."""
        channel = self.channels[place]
        channel.advance(now_s)
        was = protection.tripped
        channel.protect(protection, now_s, tripped=False)
        if was and back_on and self.ordered[place] and not self.tripped(place, now_s):
            channel.switch(True, now_s)

    def tripped(self, place: int, now_s: float) -> bool:
        """Whether one of the protections has switched this output off and was not cleared since."""
        channel = self.channels[place]
        channel.advance(now_s)
        return self.watchdog.tripped or channel.over_voltage.tripped or channel.over_current.tripped


def _channel(output: Output, setup: Setup, place: int) -> Channel:
    step_a = output.read_step_a if setup.resolution_a is None else setup.resolution_a
    readout = Readout(
        interval_s=setup.interval_s,
        resolution_v=output.read_step_v,
        resolution_a=step_a,
        noise_v=output.read_step_v * NOISE if setup.noise_v is None else setup.noise_v,
        noise_a=step_a * NOISE if setup.noise_a is None else setup.noise_a,
    )
    return Channel(
        source=Source(),
        readout=readout,
        lead_ohm=setup.lead_ohm,
        seed=setup.seed + place,
        over_voltage=Protection(output.voltage_v * PROTECTION_HEADROOM, False, 0.0),
        over_current=Protection(output.current_a * PROTECTION_HEADROOM, False, 0.0),
    )
