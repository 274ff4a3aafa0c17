"""What the guard's reports lead to: log entries, traces, trips, live messages, and the view of the whole bench."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import AsyncIterator, Callable, Iterable
from concurrent.futures import Future
from typing import Any

import msgspec
import numpy as np

from benchd.daemon.hub import Hub
from benchd.daemon.known import Accuracies
from benchd.daemon.meetings import Meetings
from benchd.daemon.memory import between
from benchd.daemon.watch import MODE_WORDS, ChannelWatch, OpenTrace, trip_figures
from benchd.guard.client import GuardClient
from benchd.guard.consent import explanation
from benchd.guard.states import REASONS
from benchd.guard.wire import LinkChanged, OutputChanged, Report, SupplyErrors, Tripped
from benchd.reading import Block, OutputState
from benchd.settings import Settings
from benchd.store.consent_rows import Consent, add_consent
from benchd.store.errors import LogError
from benchd.store.filing import summarise
from benchd.store.log import TraceRow
from benchd.store.settings_rows import record_settings
from benchd.store.writer import LogWriter
from benchd.supplies.clock import now_ns
from benchd.traces.capture import TraceClosed
from benchd.traces.samples import Samples
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Trace
from benchd.web.port import BenchView
from benchd.web.thin import thin

log = logging.getLogger("benchd")

GRACE_S = 0.15
"""A trace is filed this long after its end: its last readings may still be on their way from the guard (20 ms)."""
FILED_WITHIN_S = 5.0
ALARM_S = 900.0
UNASKED = {"instrument", "found-on", "daemon-lost", "blocked", "guard-gone", "unexpected"}
"""Reasons of the guard for a change that nobody asked for and that no trip rule explains."""
LIVE_POINTS = 40
"""Points of one live message: at 20 messages a second that is 800 a second, more than a phone has pixels for."""


class Core:
    """State of the bench. Not thread-safe: lives in the event loop."""

    def __init__(
        self,
        settings: Settings,
        accuracies: Accuracies,
        writer: LogWriter,
        current_job: str | None,
        consents: Iterable[str] = (),
    ) -> None:
        self.settings = settings
        self.writer = writer
        self.meetings = Meetings(consents)
        self.job = current_job
        self._filing: set[asyncio.Task[None]] = set()
        self.guard: GuardClient | None = None
        self.hub = Hub()
        self.followers: dict[str, Callable[[], dict[str, Any]]] = {}
        self.alarms: dict[str, float] = {}
        """Text → when, s of the monotonic clock; the newest last."""
        self.on_live: Callable[[str, int, dict[str, Any]], None] | None = None
        self.on_state: Callable[[str, int, dict[str, Any]], None] | None = None
        self.of_unit: Callable[[str, str], Accuracies] = lambda supply, identity: {}
        """How well the readings of a supply are known, once its identification is; what is missing stays as it is."""
        self.on_event: Callable[[str, dict[str, Any]], None] | None = None
        """Gets every event, in the event loop: it must not wait for anything."""
        self._changed = asyncio.Event()
        self.watches: dict[tuple[str, int], ChannelWatch] = {
            (s.name, c.number): ChannelWatch(
                s.name, c, settings.capture, accuracies[s.name, c.number], lambda: self.job, self._trace_closed
            )
            for s in settings.supply
            for c in s.channel
        }

    def remember_settings(self) -> None:
        """The settings in force, without secrets, go into the log when they have changed."""
        secret = {"influxdb": {"token"}, "mqtt": {"password"}}
        kept = self.settings.model_dump(mode="json", exclude=secret)
        self._later(self.writer.submit(lambda db: record_settings(db, kept)))

    def restore_latches(self, latched: dict[tuple[str, int], Tripped | None]) -> None:
        """Outputs that an earlier daemon left tripped are so still: a new process is not a person who re-arms."""
        for key, trip in latched.items():
            watch = self.watches.get(key)
            if watch is not None:
                watch.latched = True
                watch.trip = trip_figures(trip) if trip else None

    # ---- reports of the guard ------------------------------------------------------------------------------------

    def on_report(self, report: Report) -> None:
        """Called in the event loop for each report, in the order they came."""
        match report:
            case Block():
                watch = self.watches[report.supply, report.channel]
                watch.on_block(report)
                opened = watch.open
                self.writer.put_block(report, opened.job if opened else self.job, opened.id if opened else None)
            case OutputChanged():
                self._on_output(report)
            case Tripped():
                self._on_trip(report)
            case LinkChanged():
                self._on_link(report)
            case SupplyErrors():
                errors = [{"number": n, "text": t} for n, t in report.errors]
                self._enter("instrument-error", report.supply, None, None, {"during": report.during, "errors": errors})
                words = "; ".join(f"{n} {t}" for n, t in report.errors)
                self.alarm(f"supply {report.supply} reports errors ({report.during}): {words}")

    def alarm(self, text: str) -> None:
        """Something that happened and that the operator must know; shown for ALARM_S, the newest twenty of them.

        What still is so (an output unknown, a log that fails) is not an alarm: `view` says it as long as it is so.
        """
        log.warning("%s", text)
        self.alarms.pop(text, None)
        self.alarms[text] = time.monotonic()
        while len(self.alarms) > 20:
            del self.alarms[next(iter(self.alarms))]
        self.event("alarm", {"text": text})

    def _on_output(self, change: OutputChanged) -> None:
        watch = self.watches[change.supply, change.channel]
        opened = watch.open
        watch.on_output(change)
        payload = {
            "output": str(change.state),
            "reason": change.reason,
            "text": change.text,
            "set_voltage_v": watch.set_voltage_v if change.state == OutputState.ON else None,
            "limit_a": watch.limit_a if change.state == OutputState.ON else None,
            "latched": change.latched,
        }
        self._enter("output", change.supply, change.channel, opened, payload)
        if change.reason in UNASKED:
            what = f"{change.supply}/{change.channel} is {change.state}: {REASONS[change.reason]}"
            self.alarm(f"{what} ({change.text})" if change.text else what)
        elif change.state == OutputState.UNKNOWN:
            log.warning("output %s/%d is unknown: %s", change.supply, change.channel, change.text or change.reason)
        self.event("output", payload | {"supply": change.supply, "channel": change.channel})
        self.state_changed(watch)

    def _on_trip(self, trip: Tripped) -> None:
        watch = self.watches[trip.supply, trip.channel]
        opened = watch.open
        figures = watch.on_trip(trip)
        opened = opened or watch.last_closed
        job, trace = (opened.job, opened.id) if opened else (self.job, None)
        self._later(self.writer.submit(lambda db: db.add_trip(trip, job, trace)))
        if trip.off_confirmed_ns is None:
            self.alarm(
                f"supply {trip.supply} channel {trip.channel}: tripped ({trip.rule}) but the output could NOT be "
                "confirmed off: switch off at the supply itself"
            )
        self.event("trip", figures | {"supply": trip.supply, "channel": trip.channel, "job": job, "trace": trace})
        self.state_changed(watch)

    def _on_link(self, change: LinkChanged) -> None:
        if change.warning:
            self.alarm(change.warning)
        if told := self.meetings.take(change):
            # No alarm, which goes after a while: the view says it as long as consent is missing.
            log.warning("%s", told)
            self.event("alarm", {"text": told})
        accuracies = self.of_unit(change.supply, change.identity) if change.up else {}
        for (supply, number), watch in self.watches.items():
            if supply == change.supply:
                watch.measures(accuracies.get((supply, number)))
                watch.link_up, watch.link_text = change.up, change.text
                watch.identity = change.identity or watch.identity
                watch.met = change.met or watch.met
                self.state_changed(watch)
        met = change.met
        payload = {"up": change.up, "identity": change.identity, "text": change.text}
        payload |= {"profile": met.profile, "trust": met.trust, "resource": met.resource} if met else {}
        self._enter("link", change.supply, None, None, payload)
        self.event("link", payload | {"supply": change.supply})

    def accept(self, supply: str, who: str) -> None:
        """The operator consents to the unverified profile by which this supply is driven; kept in the log."""
        met = self.meetings.of(supply)
        assert met is not None
        self.meetings.accept(met.consent)
        consent = Consent(supply, met.profile, met.maker, met.model, met.consent, who, explanation(met))
        self._later(self.writer.submit(lambda db: add_consent(db, consent)))
        log.warning(
            "supply %s: consent to unverified profile %s was given by %s", supply, met.profile, who or "somebody"
        )
        self.event("consent", {"supply": supply, "profile": met.profile, "who": who})
        for (name, _), watch in self.watches.items():
            if name == supply:
                self.state_changed(watch)

    def _trace_closed(self, opened: OpenTrace, closed: TraceClosed) -> None:
        task = asyncio.get_running_loop().create_task(self._file(opened, closed), name=f"file {opened.id}")
        self._filing.add(task)
        task.add_done_callback(self._filing.discard)

    async def _file(self, opened: OpenTrace, closed: TraceClosed) -> None:
        await asyncio.sleep(GRACE_S)
        parts = self.watches[opened.supply, opened.channel].memory.parts()
        row, fault = await asyncio.to_thread(trace_row, opened, closed, parts)
        if fault:
            self.alarm(fault)
        try:
            await asyncio.wrap_future(self.writer.submit(lambda db: db.add_trace(row)))
        except LogError as e:
            self.alarm(f"trace {row.id} could not be filed: {e}")
            return
        self.event("trace", {"supply": row.supply, "channel": row.channel, "row": msgspec.to_builtins(row)})

    async def all_filed(self, within_s: float = FILED_WITHIN_S) -> None:
        """Wait until every trace that has ended is filed, or for so long: the log may be down for days."""
        if self._filing:
            await asyncio.wait(self._filing, timeout=within_s)

    def _enter(
        self, kind: str, supply: str, channel: int | None, opened: OpenTrace | None, payload: dict[str, Any]
    ) -> None:
        job, trace = (opened.job, opened.id) if opened else (self.job, None)
        self._later(
            self.writer.submit(
                lambda db: db.add_entry(kind, job=job, supply=supply, channel=channel, trace=trace, payload=payload)
            )
        )

    def _later(self, future: Future[Any]) -> None:
        def done(f: Future[Any]) -> None:
            if not f.cancelled() and (error := f.exception()) is not None:
                log.error("the log did not take an entry: %s", error)

        future.add_done_callback(done)

    # ---- live ----------------------------------------------------------------------------------------------------

    def event(self, kind: str, payload: dict[str, Any]) -> None:
        self.hub.send({"type": "event", "kind": kind, "payload": payload})
        if self.on_event is not None:
            self.on_event(kind, payload)
        self._changed.set()

    def state_changed(self, watch: ChannelWatch) -> None:
        self._changed.set()
        if self.on_state is not None:
            self.on_state(watch.supply, watch.number, self._state_of(watch))

    def _state_of(self, watch: ChannelWatch) -> dict[str, Any]:
        return {
            "output": str(watch.output),
            "reason": watch.reason,
            "latched": watch.latched,
            "link_up": watch.link_up,
            "set_voltage_v": watch.set_voltage_v,
            "limit_a": watch.limit_a,
            "job": self.job,
            "trip": watch.trip,
            "trust": watch.met.trust if watch.met else None,
            "consent_needed": bool(self.meetings.needed(watch.supply)),
        }

    async def pump(self) -> None:
        """Feeds page clients and the MQTT live numbers until cancelled."""
        beat = 0
        while True:
            await asyncio.sleep(0.05 if self.hub else 0.1 if self.on_live is not None else 0.5)
            beat += 1
            self.beat(beat)

    def beat(self, beat: int) -> None:
        """One round of `pump`, the `beat`th: new readings to the pages, every second round the rest."""
        for watch in self.watches.values():
            fresh, watch.pending = Samples.concat(watch.pending), []
            if not len(fresh):
                continue
            if self.hub:
                self.hub.send(samples_message(watch, fresh))
            if self.on_live is not None and (not self.hub or beat % 2 == 0):
                self.on_live(watch.supply, watch.number, live_numbers(watch))
        if self.hub and (self._changed.is_set() or beat % 4 == 0):
            self._changed.clear()
            self.hub.send(self._bench_message())

    def _bench_message(self) -> dict[str, Any]:
        return {"type": "bench", **msgspec.to_builtins(self.view())}

    def live(self) -> AsyncIterator[dict[str, Any]]:
        """See `BenchPort.live`."""
        return self.hub.listen(self._bench_message(), self._bench_message)

    def view(self) -> BenchView:
        """See `BenchPort.view`."""
        now = now_ns()
        health = self.writer.health()
        guard = self.guard.state if self.guard else "restarting"
        channels = [w.view(now) for w in self.watches.values()]
        for channel in channels:
            channel.consent_key, channel.consent_text = self.meetings.question(channel.supply)
        for channel in channels if guard != "alive" else ():
            if channel.link_up:  # it was the guard's link
                channel.link_up, channel.link_text = False, f"the guard is {guard}"
        return BenchView(
            bench=self.settings.bench,
            t_ns=now,
            job=self.job,
            guard=guard,
            channels=channels,
            followers={name: state() for name, state in self.followers.items()},
            log=health,
            warnings=self._warnings(health),
            plans=[p.model_dump() for p in self.settings.plan],
        )

    def _warnings(self, health: dict[str, Any]) -> list[str]:
        found = [
            f"{w.supply}/{w.number}: the output is UNKNOWN, it may be on: {w.text or w.reason}"
            for w in self.watches.values()
            if w.output == OutputState.UNKNOWN
        ]
        found += self.meetings.warnings()
        found += [text for text, at_s in self.alarms.items() if time.monotonic() - at_s < ALARM_S]
        if health["state"] != "ok":
            found.append(f"the log is not being written: {health['text']}")
        lost = [
            f"{health[key]} {what}" for key, what in (("dropped", "readings"), ("refused", "events")) if health[key]
        ]
        if lost:
            found.append(f"the log could not be written for too long: {' and '.join(lost)} are not in it")
        for name, state in self.followers.items():
            if (told := state())["state"] != "ok":
                found.append(f"{name}: {told['text']}")
        found += [
            f"{w.supply}/{w.number}: {w.dropped} readings were dropped" for w in self.watches.values() if w.dropped
        ]
        return found


def trace_row(opened: OpenTrace, closed: TraceClosed, parts: tuple[Samples, ...]) -> tuple[TraceRow, str]:
    """A trace that has ended, read, as its row in the log; and what went wrong with reading it. For any thread."""
    samples = between(parts, closed.start_ns, closed.end_ns + 1)
    trace = Trace(samples, closed.start_ns, opened.conditions, tuple(closed.marks))
    finding, fault = None, ""
    try:
        finding = read_trace(trace)
    except Exception as e:  # what was caught is filed, whatever a rule makes of it
        log.exception("reading trace %s", opened.id)
        fault = f"trace {opened.id} is filed without a finding: reading it failed with {e!r}"
    row = summarise(trace, opened.id, opened.job, opened.supply, opened.channel, closed.end_ns, closed.reason, finding)
    return row, fault


def samples_message(watch: ChannelWatch, fresh: Samples) -> dict[str, Any]:
    """Readings for page clients: offsets in ms from `t0_ns`, thinned so that no spike is lost."""
    thinned = thin(fresh, LIVE_POINTS)
    start = int(thinned.t_ns[0])
    return {
        "type": "samples",
        "supply": watch.supply,
        "channel": watch.number,
        "t0_ns": start,
        "t_ms": np.round((thinned.t_ns - start) / 1e6, 3).tolist(),
        "v": np.round(thinned.voltage_v, 6).tolist(),
        "i": np.round(thinned.current_a, 6).tolist(),
    }


def live_numbers(watch: ChannelWatch) -> dict[str, Any]:
    """The newest reading as JSON, for MQTT."""
    assert watch.latest is not None
    t_ns, volts, amps, mode = watch.latest
    return {
        "t_ns": t_ns,
        "voltage_v": round(volts, 6),
        "current_a": round(amps, 6),
        "power_w": round(volts * amps, 6),
        "mode": MODE_WORDS[mode],
        "trace": watch.open.id if watch.open else None,
    }
