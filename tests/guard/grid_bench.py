"""The bench of the grid: the simulated channel, read as a real supply is read, and nothing in between.

No sockets and no waiting: readings are taken from the electrical model at the times at which a sampler would have
asked, with the window, the steps, the noise and the error of an instrument, and then fed to the trip rules.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator
from math import ceil, inf
from typing import NamedTuple

from benchd.guard.opening import NOISE_STEPS
from benchd.guard.rules import UNKNOWN_REFRESH_S, Resolution, Rules, Verdict
from benchd.guard.wire import RuleLimits
from benchd.reading import Flag, Mode, Reading
from benchd.sim.bench import Channel, Readout
from benchd.sim.board import Kind, Phase
from benchd.sim.source import Mode as SourceMode
from benchd.sim.source import Source

RATES = (5, 10, 50, 200, 1000)
VOLTAGES = (4.0, 5.0, 12.0, 19.0)
LIMITS_A = (0.1, 0.5, 1.0, 2.0, 5.0)
BULKS_F = (1e-6, 10e-6, 100e-6, 470e-6, 2e-3, 5e-3)
SHORTS_OHM = (0.01, 0.05, 0.2, 1.0, 2.0, 5.0)

STEPS = ((0.0001, 0.0001), (0.001, 0.0001), (0.001, 0.001), (0.002, 0.001), (0.005, 0.001), (0.01, 0.001), (0.01, 0.01))
"""One step of a voltage and of a current reading, V and A: the pairs that the shipped profiles have. Finer ones are
left out, since they are easier, and 0.1 V, which is too coarse for any fast rule."""

USUAL_BULK_F = RuleLimits().harmless_bulk_f
LONGEST_WINDOW_S = 0.2


class Meter(NamedTuple):
    """How an instrument makes its readings, and how often it is asked."""

    rate: int
    """Questions per second."""
    step_v: float
    step_a: float
    way: str
    """`instant`: a short sample when asked. `whole`: the mean over all the time between two questions. `renewed`: the
    mean over a window of its own, four times as long as from one question to the next (but LONGEST_WINDOW_S at most),
    shown until the next one is ready; the profile says how long that is. `unstated`: likewise, and it does not."""
    tells_mode: bool
    """The instrument says that it is in limit; otherwise the rules have the current to go by."""
    short_of: float
    """It holds, and shows, this share less than the limit that was set: errors of programming and of reading."""

    @property
    def interval_s(self) -> float:
        """From one question to the next, s."""
        return 1 / self.rate

    @property
    def window_s(self) -> float:
        """Over this time a reading is averaged, s."""
        if self.way == "instant":
            return 1e-4
        if self.way == "whole":
            return self.interval_s
        longest_s = UNKNOWN_REFRESH_S if self.way == "unstated" else LONGEST_WINDOW_S
        return max(self.interval_s, min(4 / self.rate, longest_s))

    @property
    def resolution(self) -> Resolution:
        """What the guard is told about it."""
        refresh_s = {"renewed": self.window_s, "unstated": None}.get(self.way, 0.0)
        return Resolution(self.step_v, self.step_a, NOISE_STEPS * self.step_v, refresh_s)


class Act(NamedTuple):
    """What somebody does at the bench, and when (s)."""

    at_s: float
    do: Callable[[Channel, float], object]


class Story(NamedTuple):
    """One case: the settings, who does what, and how long it is watched."""

    voltage_v: float
    limit_a: float
    harmless_f: float
    lead_ohm: float
    acts: tuple[Act, ...]
    on_s: float
    """When the output goes on, s."""
    until_s: float

    @property
    def limits(self) -> RuleLimits:
        """The plan's, as far as the grid varies them."""
        return RuleLimits(harmless_bulk_f=self.harmless_f)


def clip(kind: Kind) -> Callable[[Channel, float], object]:
    """Clip a fresh board on the leads."""
    return lambda channel, now_s: channel.attach(kind, now_s)


def touch(connected: bool) -> Callable[[Channel, float], object]:
    """Take the clip off, or put it back."""
    return lambda channel, now_s: channel.connect(connected, now_s)


def press(channel: Channel, now_s: float) -> object:
    """Press the board's button."""
    return channel.press(now_s)


def solder(short_ohm: float) -> Callable[[Channel, float], object]:
    """A short falls across the board's input."""

    def act(channel: Channel, now_s: float) -> None:
        channel.advance(now_s)
        channel.board.short(short_ohm)
        channel.connect(True, now_s)

    return act


def switch_on(channel: Channel, now_s: float) -> object:
    """Switch the output on."""
    return channel.switch(True, now_s)


def board(
    voltage_v: float, bulk_f: float, *, load_ohm: float = inf, short_ohm: float = inf, phases: tuple[Phase, ...] = ()
) -> Kind:
    """A board for this voltage."""
    return Kind(
        "grid",
        "",
        phases=phases,
        bulk_f=bulk_f,
        leak_ohm=load_ohm,
        short_ohm=short_ohm,
        nominal_v=voltage_v,
        brownout_v=0.72 * voltage_v,  # as the 2.9 V of 4.0 V that the simulated boards have
        restart_v=0.8 * voltage_v,
    )


class Shown(NamedTuple):
    """One reading as the sampler gets it, and what it would be without noise, steps and errors."""

    reading: Reading
    voltage_v: float
    in_limit: bool
    """All the time over which it was averaged, as nearly as its current tells."""


def play(story: Story, meter: Meter, seed: int) -> Iterator[Shown]:
    """The readings from output on to the end. Times in ns from the beginning."""
    dice = random.Random(seed)
    true_a = story.limit_a * (1 - meter.short_of / 2)
    channel = Channel(
        Source(story.voltage_v, true_a), Readout(interval_s=meter.window_s), lead_ohm=story.lead_ohm, seed=seed
    )
    channel.over_voltage.enabled = False
    acts = sorted((*story.acts, Act(story.on_s, switch_on)), key=lambda act: act.at_s)
    held: tuple[float, float, float] | None = None
    for asked_s, made_s in _questions(meter, story, dice):
        while acts and acts[0].at_s <= made_s:
            act = acts.pop(0)
            act.do(channel, act.at_s)
        shown = channel.average(made_s)
        if held is None or held[0] != shown.t_s or meter.way in ("instant", "whole"):
            held = (shown.t_s, *_shown(meter, shown.voltage_v, shown.current_a, dice))
        reading = _reading(meter, channel, asked_s, held[1], held[2])
        yield Shown(reading, shown.voltage_v, shown.current_a > 0.999 * true_a)


def _questions(meter: Meter, story: Story, dice: random.Random) -> Iterator[tuple[float, float]]:
    """Pairs: the time that the reading is stamped with, and the time at which the instrument has made it, s."""
    window_s = meter.window_s
    first = ceil(story.on_s / meter.interval_s) + 1
    for number in range(first, max(ceil(story.until_s / meter.interval_s), first + 2) + 1):
        due_s = number * meter.interval_s
        if meter.way in ("renewed", "unstated"):
            asked_s = due_s + dice.random() * 0.2 * meter.interval_s
            yield asked_s, asked_s
        else:  # made when asked: the stamp is half-way between question and reply
            if meter.way == "instant":
                due_s = round((due_s + dice.random() * 0.2 * meter.interval_s) / window_s) * window_s
            yield due_s - window_s / 2, due_s + 1e-9


def _shown(meter: Meter, voltage_v: float, current_a: float, dice: random.Random) -> tuple[float, float]:
    """With noise and in steps; until it is renewed, a reading is repeated to the last digit."""
    noise_v = meter.resolution.noise_v
    # The step's own rounding is part of what a reading may be wrong by, beside the noise.
    voltage_v += dice.uniform(-noise_v, noise_v)
    current_a = current_a * (1 - meter.short_of / 2) + dice.uniform(-meter.step_a, meter.step_a)
    return (
        round(voltage_v / meter.step_v) * meter.step_v,
        round(current_a / meter.step_a) * meter.step_a,
    )


def _reading(meter: Meter, channel: Channel, asked_s: float, voltage_v: float, current_a: float) -> Reading:
    mode = Mode.UNKNOWN
    if meter.tells_mode:
        mode = Mode.CC if channel.source.mode is SourceMode.CC else Mode.CV
    return Reading(round(asked_s * 1e9), voltage_v, current_a, mode, Flag.NONE, 0)


def judge(story: Story, meter: Meter, readings: Iterable[Reading]) -> tuple[int, Verdict] | None:
    """What the rules say: at which reading, and why; None when nothing trips."""
    rules = Rules(story.limits, story.voltage_v, story.limit_a, meter.resolution, started_ns=round(story.on_s * 1e9))
    for number, reading in enumerate(readings):
        verdict = rules.feed(reading)
        if verdict is not None:
            return number, verdict
    return None
