"""What the guard's reports lead to: log entries, traces, trips, live messages, and the view of the whole bench."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable, Iterable
from concurrent.futures import Future
from typing import Any

import msgspec

from benchd.daemon import alarms
from benchd.daemon.alarms import Alarms, Event
from benchd.daemon.filing import FILED_WITHIN_S, Filing
from benchd.daemon.hub import Hub
from benchd.daemon.known import Accuracies, Expected
from benchd.daemon.leads import LeadBook
from benchd.daemon.live_words import live_numbers, samples_message, state_of
from benchd.daemon.meetings import Meetings
from benchd.daemon.plan_desk import PlanDesk
from benchd.daemon.watch import ChannelWatch, OpenTrace
from benchd.guard.client import GuardClient
from benchd.guard.consent import explanation
from benchd.guard.wire import Health, LinkChanged, OutputChanged, Report, StageOver, SupplyErrors, Tripped
from benchd.jobs.job import JournalEntry
from benchd.reading import Block, OutputState
from benchd.settings import Settings
from benchd.store.consent_rows import Consent, add_consent
from benchd.store.log import StoredTrip, TraceRow
from benchd.store.mqtt_payloads import Reading, State
from benchd.store.settings_rows import record_settings
from benchd.store.writer import LogWriter
from benchd.supplies.clock import now_ns
from benchd.traces.cards import CardFolder
from benchd.traces.samples import Samples
from benchd.web.port import BenchView
from benchd.web.procedure_port import ProcedureView

log = logging.getLogger("benchd")

BEAT_S = 0.05
"""New readings go to pages this often: 20 times a second."""
STANDING_BEATS = 20
"""How the bench stands is told every so many beats, and at the next beat when something has changed."""


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
        self.plans = PlanDesk(settings.shelf)
        self.leads = LeadBook(settings)
        self.starting: set[tuple[str, int]] = set()
        """Outputs that somebody is switching on: `unknown` until that is read back, and no reason to worry."""
        self.guard: GuardClient | None = None
        self.hub = Hub()
        self.followers: dict[str, Callable[[], dict[str, Any]]] = {}
        self.alarms = Alarms()
        self.standing: list[str] = []
        """What the operator should know for as long as the daemon runs as it was started."""
        self.on_live: Callable[[str, int, Reading], None] | None = None
        self.on_state: Callable[[str, int, State], None] | None = None
        self.of_unit: Callable[[str, str], Accuracies] = lambda supply, identity: {}
        """How well the readings of a supply are known, once its identification is; what is missing stays as it is."""
        self.senses: Callable[[str, str, int], bool] = lambda supply, identity, channel: False
        """Whether sense leads of an output can be switched from here."""
        self.on_event: Callable[[str, dict[str, Any]], None] | None = None
        """Gets every event, in the event loop: it must not wait for anything."""
        self.hearers: list[Callable[[str, dict[str, Any]], None]] = []
        """The same for those inside the daemon that keep something up to date by what happens."""
        self.checks_open: list[str] = []
        """Checks before power that are open for the job on the bench."""
        self.procedures: Callable[[], list[ProcedureView]] = list
        """Runs that go on."""
        self._changed = asyncio.Event()
        self._told_guard = ""
        self.cards = CardFolder(settings.data_path / "cards")
        self._filing = Filing(
            writer, lambda s, n: self.watches[s, n].memory, self.alarm, self._trace_filed, self.cards.shelf
        )
        self.watches: dict[tuple[str, int], ChannelWatch] = {
            (s.name, c.number): ChannelWatch(
                s.name, c, settings.capture, accuracies[s.name, c.number], lambda: self.job, self._filing.file
            )
            for s in settings.supply
            for c in s.channel
        }
        for watch in self.watches.values():
            watch.planned = self.plans.named

    def expect(self, expected: dict[tuple[str, int], Expected]) -> None:
        """What families lead to expect of outputs, by supply and channel."""
        for key, what in expected.items():
            self.watches[key].expected = what

    def remember_settings(self) -> None:
        """The settings in force, without secrets, go into the log when they have changed."""
        secret: Any = {"influxdb": {"token"}, "mqtt": {"password"}, "web": {"token": {"__all__": {"hash"}}}}
        kept = self.settings.model_dump(mode="json", exclude=secret)
        self._later(self.writer.submit(lambda db: record_settings(db, kept)))

    @property
    def idle(self) -> bool:
        """Nothing is on or being switched on, no trace is open, and no procedure runs."""
        return not self.starting and not any(w.on or w.open or w.tap for w in self.watches.values())

    def restore_latches(self, latched: dict[tuple[str, int], StoredTrip | None]) -> None:
        """Outputs that an earlier daemon left tripped are so still: a new process is not a person who re-arms."""
        for key, trip in latched.items():
            watch = self.watches.get(key)
            if watch is not None:
                watch.latched = True
                watch.trip = trip.figures | {"number": trip.number} if trip else None

    # ---- reports of the guard ------------------------------------------------------------------------------------

    def on_report(self, report: Report) -> None:
        """Called in the event loop for each report, in the order they came."""
        match report:
            case Block():
                watch = self.watches[report.supply, report.channel]
                watch.on_block(report)
                opened = watch.open
                job = opened.job if opened else watch.tap.job if watch.tap else self.job
                self.writer.put_block(report, job, opened.id if opened else None)
            case OutputChanged():
                self._on_output(report)
            case Tripped():
                self._on_trip(report)
            case LinkChanged():
                self._on_link(report)
            case StageOver():
                self._on_stage(report)
            case Health():
                self._on_health(report)
            case SupplyErrors():
                errors = [{"number": n, "text": t} for n, t in report.errors]
                self.enter("instrument-error", {"during": report.during, "errors": errors}, report.supply)
                words = "; ".join(f"{n} {t}" for n, t in report.errors)
                self.alarm(f"supply {report.supply} reports errors ({report.during}): {words}")

    def alarm(self, text: str, of: Event | None = None) -> None:
        """Something that happened and that the operator must know. What still is so is said by `view`."""
        log.warning("%s", text)
        self.alarms.add(text, of)
        self.event("alarm", {"text": text})

    def _on_output(self, change: OutputChanged) -> None:
        watch = self.watches[change.supply, change.channel]
        opened, was = watch.open, watch.output
        adjusted = watch.only_adjusted(change)
        watch.on_output(change)
        on = change.state == OutputState.ON
        payload: dict[str, Any] = {
            "output": str(change.state),
            "reason": change.reason,
            "text": change.text,
            "set_voltage_v": watch.set_voltage_v if on else None,
            "limit_a": watch.limit_a if on else None,
            "latched": change.latched,
        }
        asked = watch.power.asked if on and watch.power is not None else None
        if asked is not None:
            payload |= {"stage": change.stage, "plan": asked.plan.name, "by": asked.by}
            payload |= {"second_layer": list(change.second_layer)}
        # Moments that are told while they last, and not worth keeping: each power-on's first, a run's many settings.
        if change.reason != "switching-on" and not adjusted:
            self.enter("output", payload, change.supply, change.channel, opened)
        unknown = change.state == OutputState.UNKNOWN
        if change.state == OutputState.OFF or (on and change.reason == "asked"):
            self.alarms.known(change.supply, change.channel)
        if told := alarms.unasked(change, was):
            self.alarm(told, Event(change.supply, change.channel, change.reason, unknown))
        elif unknown and (change.supply, change.channel) not in self.starting:
            log.warning("output %s/%d is unknown: %s", change.supply, change.channel, change.text or change.reason)
        self.event("output", payload | {"supply": change.supply, "channel": change.channel})
        self.state_changed(watch)

    def _on_stage(self, over: StageOver) -> None:
        watch = self.watches[over.supply, over.channel]
        result = watch.on_stage(over)
        kind = "probe" if over.stage == "probe" else "leak"
        self.enter(kind, result, over.supply, over.channel, watch.open)
        where = {"supply": over.supply, "channel": over.channel, "stage": over.stage}
        self.event("stage", result | where)
        self.state_changed(watch)

    def _on_health(self, health: Health) -> None:
        watch = self.watches[health.supply, health.channel]
        plan, power = watch.plan_in_force, watch.power
        stale_s = None if not watch.on else plan.stale_ms / 1e3 if plan is not None else float("inf")
        for text in watch.health.take(health, watch.changed_ns, stale_s):
            self.alarm(text)
        promised = watch.promise()
        if power is None or not watch.on or power.slow_told or promised is None or promised.kept:
            return
        if promised.measured:
            power.slow_told = True
            self.enter("promise", promised.told(), health.supply, health.channel, watch.open)

    def _on_trip(self, trip: Tripped) -> None:
        watch = self.watches[trip.supply, trip.channel]
        figures = watch.on_trip(trip)
        opened = watch.last_closed
        job, trace = (opened.job, opened.id) if opened else (self.job, None)
        kept = self.writer.submit(lambda db: db.add_trip(trip, job, trace, figures))
        self._later(kept)
        self._number_trip(watch, kept)
        for text, event in alarms.of_trip(trip):
            self.alarm(text, event)
        self.event("trip", figures | {"supply": trip.supply, "channel": trip.channel, "job": job, "trace": trace})
        self.state_changed(watch)

    def _number_trip(self, watch: ChannelWatch, kept: Future[JournalEntry]) -> None:
        """The trip's number, by which its readings are asked for, is known once it is in the log."""
        shown = watch.trip

        def done(entry: asyncio.Future[JournalEntry]) -> None:
            if entry.cancelled() or entry.exception() is not None or watch.trip is not shown or shown is None:
                return
            watch.trip = shown | {"number": entry.result().payload["trip"]}
            self.state_changed(watch)

        asyncio.wrap_future(kept, loop=asyncio.get_running_loop()).add_done_callback(done)

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
                if watch.tap is not None and not change.up:
                    watch.tap.on_link(change.text)
                self.state_changed(watch)
        met = change.met
        payload = {"up": change.up, "identity": change.identity, "text": change.text}
        payload |= {"profile": met.profile, "trust": met.trust, "resource": met.resource} if met else {}
        self.enter("link", payload, change.supply)
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

    def _trace_filed(self, row: TraceRow) -> None:
        self.watches[row.supply, row.channel].filed(row)
        self.event("trace", {"supply": row.supply, "channel": row.channel, "row": msgspec.to_builtins(row)})

    async def all_filed(self, within_s: float = FILED_WITHIN_S) -> None:
        """See `Filing.all_filed`."""
        await self._filing.all_filed(within_s)

    def enter(
        self,
        kind: str,
        payload: dict[str, Any],
        supply: str | None = None,
        channel: int | None = None,
        opened: OpenTrace | None = None,
    ) -> None:
        """A line of the journal, under the job of the open trace, else the one on the bench."""
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
        for hear in self.hearers:
            hear(kind, payload)
        self._changed.set()

    def tell_soon(self) -> None:
        """How the bench stands is told with the next beat."""
        self._changed.set()

    def state_changed(self, watch: ChannelWatch) -> None:
        watch.changed()
        if self.on_state is not None:
            needed = bool(self.meetings.needed(watch.supply))
            self.on_state(watch.supply, watch.number, state_of(watch, self.job, needed))

    async def pump(self) -> None:
        """Feeds page clients and the MQTT live numbers until cancelled."""
        beat = 0
        while True:
            await asyncio.sleep(BEAT_S if self.hub else 0.1 if self.on_live is not None else 0.5)
            beat += 1
            self.beat(beat)

    def beat(self, beat: int) -> None:
        """One round of `pump`, the `beat`th: new readings to the pages, and how the bench stands where that is news."""
        for watch in self.watches.values():
            if watch.news:
                self._changed.set()
                watch.news = False
            fresh, watch.pending = Samples.concat(watch.pending), []
            if not len(fresh):
                continue
            if self.hub:
                self.hub.send(samples_message(watch, fresh))
            if self.on_live is not None and (not self.hub or beat % 2 == 0):
                self.on_live(watch.supply, watch.number, live_numbers(watch))
        guard = self._guard_state()
        if self.hub and (self._changed.is_set() or guard != self._told_guard or beat % STANDING_BEATS == 0):
            self._changed.clear()
            self._told_guard = guard
            self.hub.send(self._bench_message())

    def _guard_state(self) -> str:
        return self.guard.state if self.guard else "restarting"

    def _bench_message(self) -> dict[str, Any]:
        return {"type": "bench", **msgspec.to_builtins(self.view())}

    def live(self) -> AsyncIterator[dict[str, Any]]:
        """See `BenchPort.live`."""
        return self.hub.listen(self._bench_message(), self._bench_message)

    def view(self) -> BenchView:
        """See `BenchPort.view`."""
        now = now_ns()
        health = self.writer.health()
        guard = self._guard_state()
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
            alarms=self.alarms.told(),
            plans=self.plans.listed(),
            checks_open=self.checks_open,
            procedures=self.procedures(),
        )

    def _warnings(self, health: dict[str, Any]) -> list[str]:
        followers = ((name, state()) for name, state in self.followers.items())
        return [
            *alarms.of_channels(self.watches.values()),
            *self.meetings.warnings(),
            *self.alarms.shown(),
            *self.standing,
            *alarms.of_log(health),
            *(f"{name}: {told['text']}" for name, told in followers if told["state"] != "ok"),
            *self.plans.faults(),
            *self.cards.faults(),
        ]
