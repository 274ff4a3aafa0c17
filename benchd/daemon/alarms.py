"""What the operator must know: alarms, which happened and go after a while, and what is so as long as it is so."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from benchd.daemon.watch import ChannelWatch
from benchd.guard.states import REASONS
from benchd.guard.wire import OutputChanged, Tripped
from benchd.reading import OutputState
from benchd.supplies.clock import now_ns

ALARM_S = 900.0
MOST_ALARMS = 20
UNASKED = {"instrument", "found-on", "daemon-lost", "blocked", "guard-gone", "unexpected", "on-time"}
"""Reasons of the guard for a change that nobody asked for and that no trip rule explains."""


class Event(NamedTuple):
    """Of which output an alarm is, and what happened to it."""

    supply: str
    channel: int
    what: str
    unknown: bool = False
    """It says that nobody knows whether the output is off."""


class _Alarm(NamedTuple):
    text: str
    at_s: float
    """On the monotonic clock."""
    at_ns: int
    unknown: bool


class Alarms:
    """The newest MOST_ALARMS, each shown for ALARM_S. What still is so (an output unknown, a full disk) is no alarm.

    Of one event at an output only the newest is kept: first it is unknown, then it is off, and both would be read.
    """

    def __init__(self) -> None:
        self._alarms: dict[Any, _Alarm] = {}
        """By supply, channel and event, or by text; the newest last."""
        self.standing: dict[str, str] = {}
        """What is so until whoever says it takes it back, by who says it."""

    def add(self, text: str, of: Event | None = None) -> None:
        """It happened now."""
        key = of[:3] if of is not None else text
        self._alarms.pop(key, None)
        self._alarms[key] = _Alarm(text, time.monotonic(), now_ns(), of is not None and of.unknown)
        while len(self._alarms) > MOST_ALARMS:
            del self._alarms[next(iter(self._alarms))]

    def known(self, supply: str, channel: int) -> None:
        """The output was read back off, or on as asked: alarms that nobody knows are over."""
        over = [key for key, alarm in self._alarms.items() if alarm.unknown and key[:2] == (supply, channel)]
        for key in over:
            del self._alarms[key]

    def shown(self) -> list[str]:
        """Those of the last while, the newest last, and what stands."""
        return [*(alarm["text"] for alarm in self.told()), *self.standing.values()]

    def told(self) -> list[dict[str, Any]]:
        """As `BenchView.alarms`: those that are shown, and when they happened."""
        now_s = time.monotonic()
        return [{"text": a.text, "at_ns": a.at_ns} for a in self._alarms.values() if now_s - a.at_s < ALARM_S]


def unasked(change: OutputChanged, was: OutputState) -> str:
    """What to say of a change that nobody asked for; empty where somebody did, or a trip says it.

    `was`: what was held to be so before.
    """
    where = f"{change.supply}/{change.channel}"
    if change.reason == "refused" and was == OutputState.ON:
        return f"{where}: the next stage could not be set, so it was switched off: it is {change.state} ({change.text})"
    if change.reason not in UNASKED:
        return ""
    if change.reason == "instrument" and was == OutputState.ON:
        what = (
            f"{where}: here it counted as on, but the supply itself said off; nobody asked for that here. It is "
            f"{change.state} now: look at the supply before you go on"
        )
    else:
        what = f"{where} is {change.state}: {REASONS[change.reason]}"
    return f"{what} ({change.text})" if change.text else what


def of_trip(trip: Tripped) -> list[tuple[str, Event]]:
    """What of a trip is an alarm beside its banner."""
    found = []
    where = f"supply {trip.supply} channel {trip.channel}"
    if trip.rule == "instrument":
        words = (
            f"{where}: the supply has tripped by itself, before the guard did: {trip.text}. Find the cause, then re-arm"
        )
        found.append((words, Event(trip.supply, trip.channel, "own trip")))
    if trip.off_confirmed_ns is None:
        words = (
            f"{where}: tripped ({trip.rule}) but the output could NOT be confirmed off: switch off at the supply itself"
        )
        found.append((words, Event(trip.supply, trip.channel, "off not confirmed", unknown=True)))
    return found


def of_channels(watches: Iterable[ChannelWatch]) -> list[str]:
    """What is so of outputs as long as it is so."""
    found = []
    for w in watches:
        where = f"{w.supply}/{w.number}"
        if w.output == OutputState.UNKNOWN and w.reason != "switching-on":
            found.append(f"{where}: the output is UNKNOWN, it may be on: {w.text or w.reason}")
        if w.on and (promised := w.promise()) is not None and not promised.kept:
            found.append(f"{where}: {promised.text}")
        if w.dropped:
            found.append(f"{where}: {w.dropped} readings were dropped")
    return found


def of_log(health: Mapping[str, Any]) -> list[str]:
    """What is so of the log."""
    found = []
    if health["state"] != "ok":
        found = [f"the log is not being written: {health['text']}"]
    elif health["text"]:
        found = [health["text"]]
    lost = [f"{health[key]} {what}" for key, what in (("dropped", "readings"), ("refused", "events")) if health[key]]
    if lost:
        found.append(f"the log could not be written for too long: {' and '.join(lost)} are not in it")
    return found
