"""The daemon's own figures for a metrics server, collected when one asks and at no other time.

Names and units follow the "Metric and label naming" page of the Prometheus documentation: base units (seconds,
bytes), `_total` for what only grows. A state is one series a word, 1 for the present one and 0 for the others, as a
StateSet of the OpenMetrics 1.0 specification. Nothing here is of a customer: no job, no trace, no text of anybody.

Restarting the daemon begins each `_total` anew; `rate` and `increase` of the server know that.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.exposition import choose_encoder
from prometheus_client.registry import Collector

from benchd import __version__
from benchd.daemon.core import Core
from benchd.daemon.health import GAP_INTERVALS
from benchd.reading import OutputState
from benchd.store.lines import RULE_CODES
from benchd.web.port import BenchView, ChannelView

Sample = tuple[tuple[str, ...], float]
"""Values of the labels after `bench`, and the figure."""
GUARD_STATES = ("alive", "restarting", "gone")
LOG_STATES = ("ok", "failing")
FOLLOWER_STATES = ("ok", "waiting", "stopped")
OUTPUT = ("supply", "channel")
FOLLOWER = ("follower",)
HEALTH = {
    "interval_ms": ("interval", "Mean time from one reading to the next in the newest second."),
    "jitter_ms": ("interval_jitter", "Standard deviation of that time."),
    "worst_ms": ("longest_gap", "Longest time between two readings in the newest second."),
    "worst_minute_ms": ("longest_gap_minute", "Longest time between two readings in the newest minute."),
    "round_trip_ms": ("round_trip", "Mean time from question to reply."),
    "overrun_ms": ("overrun", "The most that a reading came late because this computer was busy."),
}
"""Of `ChannelView.health`, ms: the figure's name and what it is."""
LOG_GAUGES = {
    "waiting": ("waiting_readings", "Readings that wait to be written."),
    "tasks": ("waiting_events", "Trips, journal entries and the like that wait to be written."),
    "file_bytes": ("file_bytes", "Size of the log's file."),
    "free_bytes": ("free_bytes", "Room left on the log's disk."),
}
LOG_COUNTERS = {
    "dropped": ("dropped_readings", "Readings that are not in the log for want of room while it could not be written."),
    "refused": (
        "refused_events",
        "Events that are not in the log: no room to wait while it could not be written, or a damaged place in it.",
    ),
}


class Metrics(Collector):
    """The figures of one bench, in a registry of its own. Lives in the event loop, like `Core`."""

    def __init__(self, core: Core) -> None:
        self._core = core
        self._bench = core.settings.bench
        self._registry = CollectorRegistry()
        self._registry.register(self)
        ProcessCollector(registry=self._registry)
        ProcessCollector("benchd_guard", self._guard_pid, registry=self._registry)

    def text(self, accept: str) -> tuple[bytes, str]:
        """The figures now, and their content type: the text format 0.0.4, or OpenMetrics where `accept` asks for it.

        `accept`: the header of that name as it came; empty: none did.
        """
        encode, content_type = choose_encoder(accept)
        return encode(self._registry), content_type

    def describe(self) -> Iterable[Metric]:
        """None beforehand: the registry would collect everything once, only to learn the names."""
        return ()

    def collect(self) -> Iterator[Metric]:
        """See `Collector.collect`."""
        view = self._core.view()
        yield self._gauge("benchd_info", "1; the version that runs.", [((__version__,), 1.0)], ("version",))
        yield from self._of_guard(view)
        yield from self._of_outputs(view.channels)
        yield from self._of_readings(view.channels)
        yield from self._of_log(view.log)
        yield from self._of_followers(view.followers)
        clients = float(len(self._core.hub))
        yield self._gauge("benchd_page_clients", "Pages that are open.", [((), clients)])
        told = "Messages that wait for the page that is furthest behind."
        yield self._gauge("benchd_page_waiting_messages", told, [((), float(self._core.hub.deepest()))])
        told = "Sentences that the operator is shown now, alarms of the last while among them."
        yield self._gauge("benchd_warnings", told, [((), float(len(view.warnings)))])
        told = "Of those, what happened lately and need not be so any more."
        yield self._gauge("benchd_alarms", told, [((), float(len(view.alarms)))])

    # ---- parts ---------------------------------------------------------------------------------------------------

    def _of_guard(self, view: BenchView) -> Iterator[Metric]:
        yield self._states("benchd_guard_state", "The process that protects.", [((), view.guard)], GUARD_STATES)
        guard = self._core.guard
        restarts = float(guard.restarts) if guard is not None else 0.0
        yield self._counter("benchd_guard_restarts", "Guards that were started after the first.", [((), restarts)])

    def _of_outputs(self, channels: list[ChannelView]) -> Iterator[Metric]:
        # What a link that is gone once said of an output may not be so any more.
        known = [(_key(c), str(c.output if c.link_up else OutputState.UNKNOWN)) for c in channels]
        told = "What was read back of the output; unknown also while there is no link to it."
        yield self._states("benchd_output_state", told, known, tuple(map(str, OutputState)), OUTPUT)
        told = "1: tripped, and nobody has re-armed it."
        yield self._gauge("benchd_output_latched", told, [(_key(c), float(c.latched)) for c in channels], OUTPUT)
        links = {(c.supply,): float(c.link_up) for c in channels}
        yield self._gauge("benchd_link_up", "1: the supply answers.", list(links.items()), ("supply",))
        # Rules that have not decided yet stand there with 0: a series that begins with 1 has not grown to the server.
        trips = [
            ((supply, str(number), rule), float(watch.trips[rule]))
            for (supply, number), watch in self._core.watches.items()
            for rule in dict.fromkeys((*RULE_CODES, *watch.trips))
        ]
        yield self._counter("benchd_trips", "Trips by the rule that decided.", trips, (*OUTPUT, "rule"))

    def _of_readings(self, channels: list[ChannelView]) -> Iterator[Metric]:
        watches = [((s, str(n)), watch) for (s, n), watch in self._core.watches.items()]
        read = [(key, float(watch.readings)) for key, watch in watches]
        yield self._counter("benchd_readings", "Readings that came in.", read, OUTPUT)
        dropped = [(key, float(watch.dropped)) for key, watch in watches]
        told = "Readings that the guard had to drop because the daemon did not take them."
        yield self._counter("benchd_readings_dropped", told, dropped, OUTPUT)
        gaps = [(key, float(watch.health.gaps)) for key, watch in watches]
        told = f"Seconds in which two readings lay further apart than {GAP_INTERVALS:g} mean intervals."
        yield self._counter("benchd_reading_gaps", told, gaps, OUTPUT)
        ages = [(_key(c), c.reading_age_s) for c in channels if c.reading_age_s is not None]
        yield self._gauge("benchd_reading_age_seconds", "Age of the newest reading.", ages, OUTPUT)
        health = [(_key(c), c.health) for c in channels if c.health is not None]
        for key, (name, told) in HEALTH.items():
            rows = [(labels, h[key] / 1e3) for labels, h in health if h.get(key) is not None]
            yield self._gauge(f"benchd_reading_{name}_seconds", told, rows, OUTPUT)

    def _of_log(self, log: Mapping[str, Any]) -> Iterator[Metric]:
        yield self._states("benchd_log_state", "Whether the log is being written.", [((), log["state"])], LOG_STATES)
        for key, (name, told) in LOG_GAUGES.items():
            yield self._gauge(f"benchd_log_{name}", told, _known({(): log.get(key)}))
        for key, (name, told) in LOG_COUNTERS.items():
            yield self._counter(f"benchd_log_{name}", told, _known({(): log.get(key)}))

    def _of_followers(self, followers: Mapping[str, Mapping[str, Any]]) -> Iterator[Metric]:
        states = [((name,), str(told["state"])) for name, told in followers.items()]
        yield self._states(
            "benchd_follower_state", "How the follower of the log gets on.", states, FOLLOWER_STATES, FOLLOWER
        )

        def rows(key: str, unit: float = 1.0) -> list[Sample]:
            return [(k, v / unit) for k, v in _known({(n,): told.get(key) for n, told in followers.items()})]

        told = "Rows of the log that its server has not taken yet (an upper bound)."
        yield self._gauge("benchd_follower_backlog_rows", told, rows("backlog"), FOLLOWER)
        lags = [((name,), lag) for name, health in followers.items() if (lag := _lag_s(health)) is not None]
        told = "Age of the oldest row that its server has not taken yet; 0: nothing waits."
        yield self._gauge("benchd_follower_lag_seconds", told, lags, FOLLOWER)
        told = "Points that its server refused for good, since the log was begun."
        yield self._counter("benchd_follower_rejected", told, rows("rejected"), FOLLOWER)
        told = "When its server last took something, s since the epoch."
        yield self._gauge("benchd_follower_last_success_timestamp_seconds", told, rows("last_ok_ns", 1e9), FOLLOWER)

    # ---- shapes --------------------------------------------------------------------------------------------------

    def _gauge(self, name: str, told: str, rows: Iterable[Sample], labels: tuple[str, ...] = ()) -> Metric:
        family = GaugeMetricFamily(name, told, labels=("bench", *labels))
        for values, figure in rows:
            family.add_metric((self._bench, *values), figure)
        return family

    def _counter(self, name: str, told: str, rows: Iterable[Sample], labels: tuple[str, ...] = ()) -> Metric:
        family = CounterMetricFamily(name, told, labels=("bench", *labels))
        for values, figure in rows:
            family.add_metric((self._bench, *values), figure)
        return family

    def _states(
        self,
        name: str,
        told: str,
        present: Iterable[tuple[tuple[str, ...], str]],
        words: tuple[str, ...],
        labels: tuple[str, ...] = (),
    ) -> Metric:
        """One series a word; a present word that is not among `words` has one too."""
        rows = [((*key, word), float(word == now)) for key, now in present for word in dict.fromkeys((*words, now))]
        return self._gauge(name, told, rows, (*labels, "state"))

    def _guard_pid(self) -> str:
        guard = self._core.guard
        # A process that is not there has no figures: the collector finds no such folder under /proc.
        return str(guard.pid) if guard is not None and guard.state == "alive" else "none"


def _key(c: ChannelView) -> tuple[str, str]:
    return c.supply, str(c.channel)


def _lag_s(health: Mapping[str, Any]) -> float | None:
    """None: not known. A follower tells none too where nothing waits."""
    lag_s: float | None = health.get("lag_s")
    caught_up = health["state"] == "ok" and health.get("backlog") == 0
    return 0.0 if lag_s is None and caught_up else lag_s


def _known(figures: Mapping[tuple[str, ...], float | None]) -> list[Sample]:
    """Those that are known."""
    return [(labels, float(figure)) for labels, figure in figures.items() if figure is not None]
