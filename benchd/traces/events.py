"""What capture is told (its settings) and what it tells (its states and events)."""

from __future__ import annotations

import dataclasses
import enum
from typing import Literal

from benchd.traces.trace import Mark

CloseReason = Literal["settled", "removed", "off", "tripped", "time", "nothing-drawn"]


class State(enum.StrEnum):
    """What a channel's capture is doing."""

    OFF = "off"
    WAITING = "waiting"
    CONNECTED = "connected"
    BOOTING = "booting"
    SETTLED = "settled"
    FILED = "filed"


@dataclasses.dataclass(frozen=True, slots=True)
class StateChanged:
    """Capture is in another state since `t_ns`."""

    state: State
    t_ns: int


@dataclasses.dataclass(frozen=True, slots=True)
class TraceOpened:
    """A trace has begun; its pre-roll reaches back to `start_ns`."""

    start_ns: int


@dataclasses.dataclass(frozen=True, slots=True)
class Marked:
    """A moment of the open trace."""

    mark: Mark


@dataclasses.dataclass(frozen=True, slots=True)
class TraceClosed:
    """The open trace is over: its readings are those with start_ns <= t <= end_ns."""

    start_ns: int
    end_ns: int
    marks: tuple[Mark, ...]
    reason: CloseReason


CaptureEvent = StateChanged | TraceOpened | Marked | TraceClosed


@dataclasses.dataclass(frozen=True, slots=True)
class CaptureConfig:
    """Times in s; `resolution_a` is the step of the current reading in A, None when it has to be learnt.

    The defaults are common practice, no source.
    """

    pre_roll_s: float = 2.0
    removal_s: float = 5.0
    """Nothing drawn for this long: the board is gone."""
    settle_s: float = 15.0
    """As stable as this for so long: the boot is over."""
    longest_s: float = 300.0
    resolution_a: float | None = None
    offset_a: float = 0.0
    """What the instrument may read with nothing on the leads, by its accuracy, A; 0: not stated."""
    patience_s: float = 30.0
    """A board that is connected and waits for its button, drawing nothing or evenly: so long one trace waits along."""
    least_step_a: float = 0.002
    """No smaller current is taken for a board."""
    inrush_a: float = 0.05
    """One single reading above this is a board's capacitors being charged."""
    least_rise_a: float = 0.01
    """No smaller rise is taken for the button."""
    rise_fraction: float = 0.3
    """Nor one smaller than this share of the leak."""
    sustained_s: float = 0.1
    """A rise that lasts this long is no spike."""
    leak_settle_s: float = 0.3
    """After connecting, the leak is believed from here on."""
    too_soon_s: float = 1.0
    """A rise so soon after the first current belongs to the same start: that was the button already."""
    tried_s: float = 4.0
    """A current that stops by itself so soon, where no capacitors were seen charging, was a start and no leak."""
    untold_s: float = 1.8
    """The same where no capacitors were seen charging, which tells a clip that is put on from a button."""
    stable_fraction: float = 0.25
    """Means over 1 s that differ by no more than this share of the level are stable."""
    stable_a: float = 0.01
    """Or by no more than this."""
