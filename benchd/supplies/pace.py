"""How long a family of supplies takes, from the rests in its profile: what deadlines have to allow for.

An exchange with a quick supply takes a few milliseconds and these figures are small; some families rest for 0.4 s after
a question, and nothing about them can be proved sooner.
"""

from __future__ import annotations

from typing import NamedTuple

from benchd.supplies.profile_base import Ask, Asks, Order, Select, as_command, as_queries
from benchd.supplies.profile_tables import Profile

REPLY_S = 0.01
"""A reply on its way, s: a hundred characters at 115200 baud, or a slow instrument on a network (common practice)."""

QUICK_PROOF_S = 0.5
"""How long one attempt to switch off and confirm may take, with its own repetitions, on a supply without rests, s."""


class Pace(NamedTuple):
    """What a supply takes at its family's own pace, s.

    `round_s`: one reading of every channel. `prepare_s`: preparing one output and switching it on. `off_deadline_s`:
    one attempt to switch off and prove it, which is two proofs.
    """

    round_s: float
    prepare_s: float
    off_deadline_s: float

    @classmethod
    def of(cls, profile: Profile, channels: int, serial: bool) -> Pace:
        """`serial`: on a serial port, which has rests of its own."""
        return cls(
            round_s(profile, channels, serial),
            prepare_s(profile, serial),
            max(QUICK_PROOF_S, 2 * proof_s(profile, serial)),
        )


def reading_s(profile: Profile, serial: bool = False) -> float:
    """One reading of one output, with the question for the mode where there is one."""
    mode = profile.mode.query
    asked = _asks(profile, profile.read.query, profile.link.read_gap_ms, serial)
    return asked + (_asks(profile, mode, profile.link.status_gap_ms, serial) if mode is not None else 0.0)


def round_s(profile: Profile, channels: int, serial: bool = False) -> float:
    """One reading of so many outputs."""
    return channels * reading_s(profile, serial)


def state_s(profile: Profile, serial: bool = False) -> float:
    """Asking for the state of one output; where it says off, whether it is that output's is asked once more."""
    return _asks(profile, profile.commands.output_state, profile.link.status_gap_ms, serial) + _proof_s(profile, serial)


def proof_s(profile: Profile, serial: bool = False) -> float:
    """Proving that one output is off: OFF, which goes out twice where it may be lost; its state, and a reading."""
    off = _order(profile, profile.commands.output_off, profile.link.output_gap_ms, serial)
    return 2 * off + state_s(profile, serial) + reading_s(profile, serial)


def prepare_s(profile: Profile, serial: bool = False) -> float:
    """Preparing an output and switching it on, with every setting read back."""
    link, commands = profile.link, profile.commands
    setting = _order(profile, commands.set_voltage, link.set_gap_ms, serial)
    read_back = _asks(profile, commands.get_voltage, link.read_gap_ms, serial)
    setting += read_back
    outputs = len(profile.channel_numbers) if profile.channels.switch == "all" else 1
    questions = 6 * _asks(profile, commands.output_state, link.status_gap_ms, serial)  # tracking, trips, errors, states
    # Level, delay and switch of over-current protection, delay and switch of the watch over the link.
    second_layer = 3 * (profile.over_current is not None) + 2 * (profile.watchdog is not None)
    switched = 2 * _order(profile, commands.output_on, link.output_gap_ms, serial)
    return (2 * outputs + 2 + second_layer) * setting + 2 * read_back + questions + switched


def _asks(profile: Profile, asks: Asks | Ask, gap_ms: float, serial: bool) -> float:
    return sum(
        _message_s(profile, query.select, gap_ms, serial) + _reply_s(profile) + _silence_s(profile, bool(query.length))
        for query in as_queries(asks)
    )


def _order(profile: Profile, order: Order, gap_ms: float, serial: bool) -> float:
    messages, select = as_command(order)
    return len(messages) * _message_s(profile, select, max(gap_ms, profile.link.set_gap_ms), serial)


def _message_s(profile: Profile, select: Select | None, gap_ms: float, serial: bool) -> float:
    link = profile.link
    always_ms = max(link.gap_ms, link.serial.gap_ms) if serial else link.gap_ms
    ms = max(gap_ms, always_ms) + link.reply_gap_ms
    if (select or profile.channels.select) == "separate-message":
        # Which one is selected is asked before and after.
        return (ms + max(link.select_gap_ms, always_ms)) / 1e3 + 2 * _proof_s(profile, serial)
    return ms / 1e3


def _proof_s(profile: Profile, serial: bool) -> float:
    """Asking which output is selected."""
    if profile.channels.selected is None:
        return 0.0
    link = profile.link
    always_ms = max(link.gap_ms, link.serial.gap_ms) if serial else link.gap_ms
    return max(link.status_gap_ms, always_ms) / 1e3 + _reply_s(profile)


def _reply_s(profile: Profile) -> float:
    return max(REPLY_S, profile.link.reply_ms / 1e3)


def _silence_s(profile: Profile, by_length: bool) -> float:
    """What ends a reply without an end is silence, which has to be waited for."""
    return profile.link.idle_ms / 1e3 if by_length or profile.link.frame == "gap" else 0.0
