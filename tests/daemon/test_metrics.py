"""The daemon's own figures: what they say in each state, that any metrics server can read them, whose they are not."""

from __future__ import annotations

import os
import subprocess
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as openmetrics_families
from prometheus_client.parser import text_string_to_metric_families

from benchd import __version__
from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.guard.wire import Health, LinkChanged
from benchd.jobs.job import Job
from benchd.reading import Block
from benchd.store.log import Log
from tests.daemon.making import MS, FakeGuard, FakeWriter, off, on, past, readings, trip
from tests.services import needs

Figures = dict[tuple[str, frozenset[tuple[str, str]]], float]


def figures(text: bytes) -> Figures:
    """Each sample by its name and labels, read by the reference parser; the bench is checked and left out."""
    found: Figures = {}
    for family in text_string_to_metric_families(text.decode()):
        for sample in family.samples:
            labels = dict(sample.labels)
            assert labels.pop("bench", "left") == "left"
            key = sample.name, frozenset(labels.items())
            assert key not in found, f"{key} stands there twice"
            found[key] = sample.value
    return found


def asked(bench: Bench) -> Figures:
    text, content_type = bench.metrics("")
    assert content_type == "text/plain; version=0.0.4; charset=utf-8"
    return figures(text)


def one(found: Figures, name: str, **labels: str) -> float:
    return found[name, frozenset(labels.items())]


def state(found: Figures, name: str, **labels: str) -> str:
    """The word of a state: the only one that is 1."""
    wanted = set(labels.items())
    rows = {dict(key)["state"]: value for (n, key), value in found.items() if n == name and wanted <= key}
    assert sorted(rows.values()) == [0.0] * (len(rows) - 1) + [1.0], rows
    return next(word for word, value in rows.items() if value == 1)


def promtool_says(text: bytes) -> tuple[int, bytes]:
    tool = needs("promtool", "prometheus")
    told = subprocess.run([tool, "check", "metrics"], input=text, capture_output=True, timeout=30)
    return told.returncode, told.stdout + told.stderr


def link(up: bool) -> LinkChanged:
    return LinkChanged("psu-a", up, past(0))


def test_before_anything_is_known_nothing_is_said_to_be_off(core: Core, bench: Bench) -> None:
    core.guard = None
    found = asked(bench)
    for channel in ("1", "2"):
        assert state(found, "benchd_output_state", supply="psu-a", channel=channel) == "unknown"
        assert one(found, "benchd_readings_total", supply="psu-a", channel=channel) == 0
    assert state(found, "benchd_guard_state") == "restarting"
    assert one(found, "benchd_link_up", supply="psu-a") == 0
    assert one(found, "benchd_info", version=__version__) == 1
    # What nobody has measured yet is not there; a zero would be a figure.
    assert not [name for name, _ in found if name.startswith(("benchd_reading_", "benchd_follower"))
                and name != "benchd_reading_gaps_total"]  # fmt: skip


def test_an_output_is_said_to_be_what_was_read_back_of_it(core: Core, bench: Bench, guard: FakeGuard) -> None:
    core.on_report(link(True))
    core.on_report(on(1))
    core.on_report(off(2))
    found = asked(bench)
    assert state(found, "benchd_output_state", supply="psu-a", channel="1") == "on"
    assert state(found, "benchd_output_state", supply="psu-a", channel="2") == "off"


@pytest.mark.parametrize("guard_state", ["restarting", "gone"])
def test_without_a_guard_or_a_link_no_output_is_said_to_be_off(
    core: Core, bench: Bench, guard: FakeGuard, guard_state: str
) -> None:
    core.on_report(link(True))
    core.on_report(off(2))
    guard.state, guard.restarts = guard_state, 3
    found = asked(bench)
    assert state(found, "benchd_output_state", supply="psu-a", channel="2") == "unknown"
    assert state(found, "benchd_guard_state") == guard_state
    assert one(found, "benchd_guard_restarts_total") == 3
    guard.state = "alive"
    assert state(asked(bench), "benchd_output_state", supply="psu-a", channel="2") == "off"
    core.on_report(link(False))
    assert state(asked(bench), "benchd_output_state", supply="psu-a", channel="2") == "unknown"


def test_readings_are_counted_and_so_is_what_was_dropped(core: Core, bench: Bench, guard: FakeGuard) -> None:
    block = readings(past(10), [0.1] * 30)
    core.on_report(block)
    dropping = readings(past(5), [0.1] * 12)
    core.on_report(Block(*(getattr(dropping, f) for f in Block.__struct_fields__[:-1]), dropped=7))
    found = asked(bench)
    assert one(found, "benchd_readings_total", supply="psu-a", channel="1") == 42
    assert one(found, "benchd_readings_dropped_total", supply="psu-a", channel="1") == 7
    assert one(found, "benchd_readings_total", supply="psu-a", channel="2") == 0
    assert 0 < one(found, "benchd_reading_age_seconds", supply="psu-a", channel="1") < 60


def test_how_readings_come_in_is_told_in_seconds(core: Core, bench: Bench, guard: FakeGuard) -> None:
    core.on_report(Health("psu-a", 1, past(0), 50, 20.0, 0.4, 31.0, 2.5, 0.2))
    found = asked(bench)
    expected = {
        "interval": 0.02, "interval_jitter": 0.0004, "longest_gap": 0.031, "longest_gap_minute": 0.031,
        "round_trip": 0.0025, "overrun": 0.0002,
    }  # fmt: skip
    for name, seconds in expected.items():
        assert one(found, f"benchd_reading_{name}_seconds", supply="psu-a", channel="1") == pytest.approx(seconds)


def test_gaps_are_counted_by_the_second(core: Core, bench: Bench, guard: FakeGuard) -> None:
    for worst_ms in (31.0, 100.0, 100.1, 240.0):
        core.on_report(Health("psu-a", 1, past(0), 50, 20.0, 0.4, worst_ms, 2.5, 0.2))
    found = asked(bench)
    assert one(found, "benchd_reading_gaps_total", supply="psu-a", channel="1") == 2
    assert one(found, "benchd_reading_gaps_total", supply="psu-a", channel="2") == 0


async def test_trips_are_counted_by_their_rule(core: Core, bench: Bench, guard: FakeGuard) -> None:
    core.on_report(link(True))
    for rule in ("short", "short", "over-current"):
        core.on_report(trip(past(1), readings(past(2), [2.0] * 3), rule=rule))
    found = asked(bench)
    assert one(found, "benchd_trips_total", supply="psu-a", channel="1", rule="short") == 2
    assert one(found, "benchd_trips_total", supply="psu-a", channel="1", rule="over-current") == 1
    assert one(found, "benchd_trips_total", supply="psu-a", channel="1", rule="budget") == 0
    assert one(found, "benchd_trips_total", supply="psu-a", channel="2", rule="short") == 0
    core.on_report(off(1, latched=True))
    assert one(asked(bench), "benchd_output_latched", supply="psu-a", channel="1") == 1
    assert one(asked(bench), "benchd_output_latched", supply="psu-a", channel="2") == 0


def test_a_log_that_cannot_be_written_is_told(core: Core, bench: Bench, writer: FakeWriter) -> None:
    assert state(asked(bench), "benchd_log_state") == "ok"
    writer.down = True
    writer.lost = {"dropped": 8, "refused": 2}
    found = asked(bench)
    assert state(found, "benchd_log_state") == "failing"
    assert one(found, "benchd_log_dropped_readings_total") == 8
    assert one(found, "benchd_log_refused_events_total") == 2
    assert one(found, "benchd_log_waiting_readings") == 0


def test_followers_by_name_with_what_each_knows(core: Core, bench: Bench) -> None:
    told: dict[str, dict[str, Any]] = {
        "influxdb": {"state": "waiting", "text": "refused", "backlog": 12, "rejected": 3, "last_ok_ns": 5 * 10**17,
                     "lag_s": 61.5},
        "mqtt": {"state": "held", "text": "", "backlog": 0, "rejected": 0, "last_ok_ns": None},
        "quiet": {"state": "ok", "text": "", "backlog": 0, "rejected": 0, "last_ok_ns": 1, "lag_s": None},
        "behind": {"state": "ok", "text": "", "backlog": 3, "rejected": 0, "last_ok_ns": 1, "lag_s": None},
    }  # fmt: skip
    for name, health in told.items():
        core.followers[name] = lambda health=health: health
    found = asked(bench)
    assert state(found, "benchd_follower_state", follower="influxdb") == "waiting"
    assert state(found, "benchd_follower_state", follower="mqtt") == "held"
    assert one(found, "benchd_follower_backlog_rows", follower="influxdb") == 12
    assert one(found, "benchd_follower_lag_seconds", follower="influxdb") == 61.5
    assert one(found, "benchd_follower_rejected_total", follower="influxdb") == 3
    assert one(found, "benchd_follower_last_success_timestamp_seconds", follower="influxdb") == 5e8
    assert one(found, "benchd_follower_lag_seconds", follower="quiet") == 0
    assert ("benchd_follower_lag_seconds", frozenset({("follower", "behind")})) not in found
    # It never was: no time is told, and no lag where the follower does not know one.
    names = {name for name, labels in found if ("follower", "mqtt") in labels}
    assert not names & {"benchd_follower_last_success_timestamp_seconds", "benchd_follower_lag_seconds"}


async def test_pages_and_warnings_are_counted(core: Core, bench: Bench, guard: FakeGuard) -> None:
    for channel in (1, 2):
        core.on_report(off(channel))
    before = asked(bench)
    assert (one(before, "benchd_page_clients"), one(before, "benchd_alarms")) == (0, 0)
    page = bench.live()
    await anext(page)
    core.alarm("look at the supply")
    found = asked(bench)
    assert one(found, "benchd_page_clients") == 1
    assert one(found, "benchd_page_waiting_messages") == 1
    assert one(found, "benchd_alarms") == 1
    assert one(found, "benchd_warnings") == len(core.view().warnings) >= 1


def test_nothing_of_a_customer_is_told(core: Core, bench: Bench, log: Log, guard: FakeGuard) -> None:
    log.add_job(Job("R-1042", symptom="dropped by Blagomir", device="Quoxphone", board="xq-7"))
    core.job = "R-1042"
    core.on_report(link(True))
    core.on_report(on(1))
    core.on_report(readings(past(10), [0.1] * 30))
    core.alarm("look at R-1042 of Blagomir")
    core.followers["mqtt"] = lambda: {"state": "waiting", "text": "R-1042 refused"}
    for accept in ("", "application/openmetrics-text; version=1.0.0"):
        text = bench.metrics(accept)[0].decode()
        for word in ("R-1042", "Blagomir", "Quoxphone", "xq-7", 'refused"'):
            assert word not in text


def test_openmetrics_is_spoken_where_it_is_asked_for(bench: Bench, guard: FakeGuard) -> None:
    guard.pid = os.getpid()
    text, content_type = bench.metrics("application/openmetrics-text; version=1.0.0; charset=utf-8, text/plain;q=0.5")
    assert content_type.startswith("application/openmetrics-text; version=1.0.0; charset=utf-8")
    assert text.endswith(b"# EOF\n")
    names = {f.name for f in openmetrics_families(text.decode())}
    assert {"benchd_readings", "benchd_output_state", "process_cpu_seconds"} <= names


def test_the_guard_s_own_process_is_measured_while_it_lives(bench: Bench, guard: FakeGuard) -> None:
    guard.pid = os.getpid()
    assert one(asked(bench), "benchd_guard_process_resident_memory_bytes") > 1e6
    guard.state = "restarting"
    assert not [name for name, _ in asked(bench) if name.startswith("benchd_guard_process")]


@pytest.mark.needs_promtool
async def test_a_metrics_server_s_own_tool_finds_no_fault(core: Core, bench: Bench, guard: FakeGuard) -> None:
    """`promtool check metrics` reads the text and knows the naming rules."""
    guard.pid = os.getpid()
    core.on_report(link(True))
    core.on_report(readings(past(10), [0.1] * 30))
    core.on_report(Health("psu-a", 1, past(0), 50, 20.0, 0.4, 31.0, 2.5, 0.2))
    core.on_report(trip(past(1), readings(past(2), [2.0] * 3)))
    core.followers["influxdb"] = lambda: {"state": "ok", "backlog": 1, "rejected": 0, "last_ok_ns": MS, "lag_s": 0.5}
    assert promtool_says(bench.metrics("")[0]) == (0, b"")
