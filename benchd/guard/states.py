"""The states of one guarded output: everything about states is here, and nothing else is.

The rules of the game
---------------------
1. Every transition stands in `TABLE`: (state, event) → (state, actions). Code elsewhere raises events and carries
   out actions; it never sets a state by itself, so the picture drawn from the table (`diagram`) is complete.
2. A pair that is missing from the table is a mistake of ours. The output is switched off, a latch stays a latch,
   and the step says `listed=False` so that the mistake is reported (`step`).
3. `off` is entered only through OFF_CONFIRMED, that is after reading back, or through REARM from TRIPPED, which
   was itself confirmed. An instrument that says "off" by itself is first told OFF once more and then confirmed, so
   that a protection of its own that restarts the output cannot bring it back.
4. A trip latches. From the latched states no chain of events without REARM leads to STARTING or ON.
5. DAEMON_LOST, OFF_ASKED and LINK_LOST are accepted in every state; the first two always switch off.

Theory of operation
-------------------
A channel begins UNKNOWN. When its link comes up (LINK_BACK) the output state is read: READ_OFF and READ_ON both lead
through SWITCHING_OFF, since nobody asked this guard for an output. From OFF a power-on request goes through PREPARING
(settings written and read back, output still off) and STARTING (on sent, not yet confirmed) to the first stage of the
plan: PROBING, HOLDING, or ON, which is the boot stage. When a stage is over, ADJUSTING writes the settings of the next
one with the output on; and from ON those that somebody asks for (ADJUST_ASKED). Whatever ends one of these four
(`POWERED`) passes through SWITCHING_OFF or, when it was a trip, TRIPPING: off is sent and being confirmed. If it cannot
be confirmed the channel rests in UNKNOWN or TRIPPED_UNKNOWN, where every further poll of the output state (READ_ON or
READ_OFF) tries again. Losing the link while POWERED is a trip: without readings nothing is protected.

SWITCHING_OFF, TRIPPING, STARTING and ADJUSTING are passed through inside one call; an outsider is told about the
states in which a channel rests, so `OUTPUT_OF` gives `unknown` for the first three.
"""

from __future__ import annotations

import enum
from typing import NamedTuple

from benchd.reading import OutputState

__all__ = [
    "LATCHED",
    "OUTPUT_OF",
    "POWERED",
    "REASONS",
    "TABLE",
    "Action",
    "ChannelState",
    "Event",
    "Step",
    "diagram",
    "step",
]


class ChannelState(enum.StrEnum):
    """What the guard holds one output to be."""

    UNKNOWN = "unknown"
    OFF = "off"
    PREPARING = "preparing"
    STARTING = "starting"
    PROBING = "probing"
    """On at the plan's low probe voltage, measuring the rail."""
    HOLDING = "holding"
    """On at the plan's voltage and the small limit of the stage `hold`."""
    ADJUSTING = "adjusting"
    """On, other settings being written: those of the next stage, or those that somebody asked for."""
    ON = "on"
    SWITCHING_OFF = "switching-off"
    TRIPPING = "tripping"
    TRIPPED = "tripped"
    TRIPPED_UNKNOWN = "tripped-unknown"


class Event(enum.StrEnum):
    """What can happen to a channel."""

    POWER_ON_ASKED = "power-on-asked"
    PREPARED = "prepared"
    """Every setting was read back as asked, the output still off."""
    REFUSED = "refused"
    """Preparing or switching on failed; the output may be in any state."""
    PROBE_ON = "probe-on"
    """Confirmed on with the settings of the probe."""
    HOLD_ON = "hold-on"
    """Confirmed on with the settings of the stage `hold`."""
    ON_CONFIRMED = "on-confirmed"
    """Confirmed on with the settings of the boot."""
    STAGE_OVER = "stage-over"
    """The stage has shown what it is for, and nothing speaks against the next one."""
    ADJUST_ASKED = "adjust-asked"
    """Somebody asks for other settings, within the ceilings of the power-on."""
    TIME_OVER = "time-over"
    """It has been on for as long as its plan allows."""
    TRIP = "trip"
    OFF_ASKED = "off-asked"
    OFF_CONFIRMED = "off-confirmed"
    OFF_UNCONFIRMED = "off-unconfirmed"
    LINK_LOST = "link-lost"
    LINK_BACK = "link-back"
    READ_OFF = "read-off"
    """A routine look at the instrument found the output off."""
    READ_ON = "read-on"
    """A routine look at the instrument found the output on."""
    REARM = "rearm"
    DAEMON_LOST = "daemon-lost"


class Action(enum.StrEnum):
    """What the sampler must do on a transition, in the order given."""

    PREPARE = "prepare"
    """Write and read back the settings; then PREPARED or REFUSED."""
    SWITCH_ON = "switch-on"
    """Switch on and read back; then PROBE_ON, HOLD_ON, ON_CONFIRMED or REFUSED."""
    ADJUST = "adjust"
    """Write and read back other settings: the next stage's, or those asked for; then HOLD_ON, ON_CONFIRMED, REFUSED, or
    TRIP."""
    SWITCH_OFF = "switch-off"
    """Send off and read back, with escalation; then OFF_CONFIRMED or OFF_UNCONFIRMED."""
    READ_STATE = "read-state"
    """Ask the instrument whether the output is on; then READ_ON or READ_OFF."""
    TELL_ON = "tell-on"
    """Report `on` at once: the instrument says so, though nobody asked for it."""
    REFUSE = "refuse"
    """Answer the command with an error that names the state."""


class Step(NamedTuple):
    """The outcome of an event."""

    state: ChannelState
    actions: tuple[Action, ...]
    listed: bool = True
    """False: the pair was missing from the table and the output is being switched off for that."""


S, E, A = ChannelState, Event, Action

REASONS = {
    "asked": "somebody asked for it",
    "switching-on": "ON has been sent and is not read back yet",
    "trip": "a trip rule decided",
    "instrument": "the instrument switched off by itself or at its panel",
    "found-on": "the output was found on though nobody asked this guard for it",
    "refused": "the power-on could not be carried out as asked",
    "link-lost": "the link to the supply was lost",
    "link-back": "the link came up and the output was read",
    "daemon-lost": "the daemon was late, or is gone",
    "shutdown": "the guard is ending",
    "on-time": "it has been on for as long as its plan allows",
    "re-armed": "a person released the latch",
    "blocked": "an exchange with the supply did not come back in time",
    "guard-gone": "the guard process is gone; said by the daemon",
    "unexpected": "an event that the state table does not know in this state",
}
"""The words used in `OutputChanged.reason`, with their meaning."""

LATCHED = frozenset({S.TRIPPING, S.TRIPPED, S.TRIPPED_UNKNOWN})
"""States in which a person must re-arm before the output may go on."""

POWERED = frozenset({S.PROBING, S.HOLDING, S.ADJUSTING, S.ON})
"""States in which the output is on as asked, and the rules judge its readings."""

OUTPUT_OF: dict[ChannelState, OutputState] = {
    S.UNKNOWN: OutputState.UNKNOWN,
    S.OFF: OutputState.OFF,
    S.PREPARING: OutputState.OFF,
    S.STARTING: OutputState.UNKNOWN,
    S.PROBING: OutputState.ON,
    S.HOLDING: OutputState.ON,
    S.ADJUSTING: OutputState.ON,
    S.ON: OutputState.ON,
    S.SWITCHING_OFF: OutputState.UNKNOWN,
    S.TRIPPING: OutputState.UNKNOWN,
    S.TRIPPED: OutputState.OFF,
    S.TRIPPED_UNKNOWN: OutputState.UNKNOWN,
}

_OFF_NOW = (S.SWITCHING_OFF, (A.SWITCH_OFF,))
_OFF_NOW_LATCHED = (S.TRIPPING, (A.SWITCH_OFF,))


def _powered(state: ChannelState) -> dict[tuple[ChannelState, Event], tuple[ChannelState, tuple[Action, ...]]]:
    """What holds in every state with the output on as asked."""
    return {
        (state, E.TRIP): _OFF_NOW_LATCHED,
        (state, E.LINK_LOST): _OFF_NOW_LATCHED,
        (state, E.READ_ON): (state, ()),
        (state, E.READ_OFF): _OFF_NOW,
        (state, E.OFF_ASKED): _OFF_NOW,
        (state, E.DAEMON_LOST): _OFF_NOW,
        (state, E.TIME_OVER): _OFF_NOW,
        (state, E.POWER_ON_ASKED): (state, (A.REFUSE,)),
        (state, E.REARM): (state, (A.REFUSE,)),
    }


TABLE: dict[tuple[ChannelState, Event], tuple[ChannelState, tuple[Action, ...]]] = {
    # Unknown: read, and switch off whatever is found.
    (S.UNKNOWN, E.LINK_BACK): (S.UNKNOWN, (A.READ_STATE,)),
    (S.UNKNOWN, E.READ_OFF): _OFF_NOW,
    (S.UNKNOWN, E.READ_ON): (S.SWITCHING_OFF, (A.TELL_ON, A.SWITCH_OFF)),
    (S.UNKNOWN, E.LINK_LOST): (S.UNKNOWN, ()),
    (S.UNKNOWN, E.OFF_ASKED): _OFF_NOW,
    (S.UNKNOWN, E.DAEMON_LOST): _OFF_NOW,
    (S.UNKNOWN, E.POWER_ON_ASKED): (S.UNKNOWN, (A.REFUSE,)),
    (S.UNKNOWN, E.REARM): (S.UNKNOWN, (A.REFUSE,)),
    # Off, confirmed.
    (S.OFF, E.POWER_ON_ASKED): (S.PREPARING, (A.PREPARE,)),
    (S.OFF, E.READ_OFF): (S.OFF, ()),
    (S.OFF, E.READ_ON): (S.SWITCHING_OFF, (A.TELL_ON, A.SWITCH_OFF)),
    (S.OFF, E.LINK_LOST): (S.UNKNOWN, ()),
    (S.OFF, E.LINK_BACK): (S.OFF, (A.READ_STATE,)),
    (S.OFF, E.OFF_ASKED): _OFF_NOW,
    (S.OFF, E.DAEMON_LOST): _OFF_NOW,
    (S.OFF, E.REARM): (S.OFF, ()),
    # Preparing: the settings are being written, the output is off.
    (S.PREPARING, E.PREPARED): (S.STARTING, (A.SWITCH_ON,)),
    (S.PREPARING, E.REFUSED): _OFF_NOW,
    (S.PREPARING, E.LINK_LOST): (S.UNKNOWN, ()),
    (S.PREPARING, E.OFF_ASKED): _OFF_NOW,
    (S.PREPARING, E.DAEMON_LOST): _OFF_NOW,
    (S.PREPARING, E.POWER_ON_ASKED): (S.PREPARING, (A.REFUSE,)),
    (S.PREPARING, E.REARM): (S.PREPARING, (A.REFUSE,)),
    # Starting: on has been sent.
    (S.STARTING, E.PROBE_ON): (S.PROBING, ()),
    (S.STARTING, E.HOLD_ON): (S.HOLDING, ()),
    (S.STARTING, E.ON_CONFIRMED): (S.ON, ()),
    (S.STARTING, E.REFUSED): _OFF_NOW,
    (S.STARTING, E.LINK_LOST): _OFF_NOW_LATCHED,
    (S.STARTING, E.OFF_ASKED): _OFF_NOW,
    (S.STARTING, E.DAEMON_LOST): _OFF_NOW,
    (S.STARTING, E.POWER_ON_ASKED): (S.STARTING, (A.REFUSE,)),
    (S.STARTING, E.REARM): (S.STARTING, (A.REFUSE,)),
    # On, protected by the rules; stage by stage.
    **_powered(S.PROBING),
    **_powered(S.HOLDING),
    **_powered(S.ADJUSTING),
    **_powered(S.ON),
    (S.PROBING, E.STAGE_OVER): (S.ADJUSTING, (A.ADJUST,)),
    (S.HOLDING, E.STAGE_OVER): (S.ADJUSTING, (A.ADJUST,)),
    (S.ON, E.ADJUST_ASKED): (S.ADJUSTING, (A.ADJUST,)),
    (S.ADJUSTING, E.HOLD_ON): (S.HOLDING, ()),
    (S.ADJUSTING, E.ON_CONFIRMED): (S.ON, ()),
    (S.ADJUSTING, E.REFUSED): _OFF_NOW,
    # Switching off: off has been sent and is being confirmed.
    (S.SWITCHING_OFF, E.OFF_CONFIRMED): (S.OFF, ()),
    (S.SWITCHING_OFF, E.OFF_UNCONFIRMED): (S.UNKNOWN, ()),
    (S.SWITCHING_OFF, E.LINK_LOST): (S.UNKNOWN, ()),
    (S.SWITCHING_OFF, E.TRIP): _OFF_NOW_LATCHED,
    (S.SWITCHING_OFF, E.OFF_ASKED): _OFF_NOW,
    (S.SWITCHING_OFF, E.DAEMON_LOST): _OFF_NOW,
    (S.SWITCHING_OFF, E.POWER_ON_ASKED): (S.SWITCHING_OFF, (A.REFUSE,)),
    (S.SWITCHING_OFF, E.REARM): (S.SWITCHING_OFF, (A.REFUSE,)),
    # Tripping: the same, and latched.
    (S.TRIPPING, E.OFF_CONFIRMED): (S.TRIPPED, ()),
    (S.TRIPPING, E.OFF_UNCONFIRMED): (S.TRIPPED_UNKNOWN, ()),
    (S.TRIPPING, E.LINK_LOST): (S.TRIPPED_UNKNOWN, ()),
    (S.TRIPPING, E.TRIP): _OFF_NOW_LATCHED,
    (S.TRIPPING, E.OFF_ASKED): _OFF_NOW_LATCHED,
    (S.TRIPPING, E.DAEMON_LOST): _OFF_NOW_LATCHED,
    (S.TRIPPING, E.POWER_ON_ASKED): (S.TRIPPING, (A.REFUSE,)),
    (S.TRIPPING, E.REARM): (S.TRIPPING, (A.REFUSE,)),
    # Tripped, confirmed off, latched.
    (S.TRIPPED, E.REARM): (S.OFF, ()),
    (S.TRIPPED, E.READ_OFF): (S.TRIPPED, ()),
    (S.TRIPPED, E.READ_ON): (S.TRIPPING, (A.TELL_ON, A.SWITCH_OFF)),
    (S.TRIPPED, E.LINK_LOST): (S.TRIPPED_UNKNOWN, ()),
    (S.TRIPPED, E.LINK_BACK): (S.TRIPPED, (A.READ_STATE,)),
    (S.TRIPPED, E.OFF_ASKED): _OFF_NOW_LATCHED,
    (S.TRIPPED, E.DAEMON_LOST): _OFF_NOW_LATCHED,
    (S.TRIPPED, E.POWER_ON_ASKED): (S.TRIPPED, (A.REFUSE,)),
    # Tripped, but nobody could confirm that the output is off.
    (S.TRIPPED_UNKNOWN, E.LINK_BACK): (S.TRIPPED_UNKNOWN, (A.READ_STATE,)),
    (S.TRIPPED_UNKNOWN, E.READ_OFF): _OFF_NOW_LATCHED,
    (S.TRIPPED_UNKNOWN, E.READ_ON): (S.TRIPPING, (A.TELL_ON, A.SWITCH_OFF)),
    (S.TRIPPED_UNKNOWN, E.LINK_LOST): (S.TRIPPED_UNKNOWN, ()),
    (S.TRIPPED_UNKNOWN, E.OFF_ASKED): _OFF_NOW_LATCHED,
    (S.TRIPPED_UNKNOWN, E.DAEMON_LOST): _OFF_NOW_LATCHED,
    (S.TRIPPED_UNKNOWN, E.POWER_ON_ASKED): (S.TRIPPED_UNKNOWN, (A.REFUSE,)),
    (S.TRIPPED_UNKNOWN, E.REARM): (S.TRIPPED_UNKNOWN, (A.REFUSE,)),
}


def step(state: ChannelState, event: Event) -> Step:
    """The next state and what to do. A pair missing from `TABLE` switches the output off and keeps a latch."""
    entry = TABLE.get((state, event))
    if entry is not None:
        return Step(entry[0], entry[1])
    next_state, actions = _OFF_NOW_LATCHED if state in LATCHED else _OFF_NOW
    return Step(next_state, actions, listed=False)


def diagram() -> str:
    """The table as a mermaid state diagram. Events that only refuse or change nothing are left out."""
    arrows: dict[tuple[ChannelState, ChannelState, tuple[Action, ...]], list[str]] = {}
    for (state, event), (next_state, actions) in TABLE.items():
        if state is next_state and set(actions) <= {A.REFUSE}:
            continue
        arrows.setdefault((state, next_state, actions), []).append(event.value)
    lines = ["stateDiagram-v2", f"    [*] --> {_node(S.UNKNOWN)}"]
    for (state, next_state, actions), events in arrows.items():
        label = ", ".join(events)
        doing = f" / {', '.join(action.value for action in actions)}" if actions else ""
        lines.append(f"    {_node(state)} --> {_node(next_state)} : {label}{doing}")
    return "\n".join(lines) + "\n"


def _node(state: ChannelState) -> str:
    return state.value.replace("-", "_")
