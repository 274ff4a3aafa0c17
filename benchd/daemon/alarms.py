"""What the operator must know: alarms, which happened and go after a while, and what is so as long as it is so."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from typing import Any

from benchd.daemon.watch import ChannelWatch
from benchd.guard.states import REASONS
from benchd.guard.wire import OutputChanged, Tripped
from benchd.reading import OutputState

ALARM_S = 900.0
MOST_ALARMS = 20
UNASKED = {"instrument", "found-on", "daemon-lost", "blocked", "guard-gone", "unexpected", "on-time"}
"""Reasons of the guard for a change that nobody asked for and that no trip rule explains."""


class Alarms:
    """The newest MOST_ALARMS, each shown for ALARM_S. What still is so (an output unknown, a full disk) is no alarm."""

    def __init__(self) -> None:
        self._at_s: dict[str, float] = {}
        """Text → when, s of the monotonic clock; the newest last."""

    def add(self, text: str) -> None:
        """It happened now."""
        self._at_s.pop(text, None)
        self._at_s[text] = time.monotonic()
        while len(self._at_s) > MOST_ALARMS:
            del self._at_s[next(iter(self._at_s))]

    def shown(self) -> list[str]:
        """Those of the last while, the newest last."""
        return [text for text, at_s in self._at_s.items() if time.monotonic() - at_s < ALARM_S]


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


def of_trip(trip: Tripped) -> list[str]:
    """What of a trip is an alarm beside its banner."""
    found = []
    where = f"supply {trip.supply} channel {trip.channel}"
    if trip.rule == "instrument":
        found.append(
            f"{where}: the supply has tripped by itself, before the guard did: {trip.text}. Find the cause, then re-arm"
        )
    if trip.off_confirmed_ns is None:
        found.append(
            f"{where}: tripped ({trip.rule}) but the output could NOT be confirmed off: switch off at the supply itself"
        )
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
    found = [] if health["state"] == "ok" else [f"the log is not being written: {health['text']}"]
    lost = [f"{health[key]} {what}" for key, what in (("dropped", "readings"), ("refused", "events")) if health[key]]
    if lost:
        found.append(f"the log could not be written for too long: {' and '.join(lost)} are not in it")
    return found
