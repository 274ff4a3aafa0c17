"""What the guard's reports lead to: log entries, traces, trips, warnings and live messages."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

from benchd.daemon import alarms, filing
from benchd.daemon.core import STANDING_BEATS, Core
from benchd.daemon.live_words import LIVE_POINTS, live_numbers, samples_message
from benchd.guard.wire import LinkChanged, SupplyErrors
from benchd.jobs.job import Job
from benchd.reading import OutputState
from benchd.store.log import Log
from benchd.store.mqtt_payloads import Reading, State
from benchd.traces.cards import shipped
from tests.daemon.making import ACCURACY, MS, THIN, FakeWriter, S, off, on, past, readings, settings, trip
from tests.traces.test_cards import written


def power_up(core: Core, amps: float = 0.06, channel: int = 1, seconds_ago: float = 60.0) -> int:
    """Output on, a board clipped on that draws so much; returns the time of the next reading. A trace is open."""
    t = past(seconds_ago)
    core.on_report(on(channel, t))
    core.on_report(readings(t, [0.0, 0.0001] * 100, channel=channel))
    core.on_report(readings(t + 2 * S, [amps] * 500, channel=channel))
    assert core.watches["psu-a", channel].open is not None
    return t + 7 * S


async def listening(core: Core) -> AsyncIterator[dict[str, Any]]:
    messages = core.live()
    assert (await anext(messages))["type"] == "bench"
    return messages


async def next_event(messages: AsyncIterator[dict[str, Any]], kind: str) -> dict[str, Any]:
    async with asyncio.timeout(10):
        async for message in messages:
            if message["type"] == "event" and message["kind"] == kind:
                return dict(message["payload"])
    raise AssertionError(kind)


async def test_a_power_up_is_filed_under_the_job_of_its_beginning(core: Core, log: Log) -> None:
    for id in ("R-1", "R-2"):
        log.add_job(Job(id))
    core.job = "R-1"
    messages = await listening(core)
    end = power_up(core)
    core.job = "R-2"
    core.on_report(off(t_ns=end))
    told = await next_event(messages, "trace")
    await core.all_filed()
    (row,) = log.traces()
    assert (row.id, row.job, row.reason) == (told["row"]["id"], "R-1", "off")
    assert row.readings == 700
    assert row.peak_a == 0.06
    # Q = I t: 5 s at 60 mA, and half a step up (trapezoidal rule); the pre-roll adds its mean of 0.05 mA for 2 s.
    assert row.charge_c == pytest.approx(0.06 * 5.0, rel=0.003)
    assert row.finding is not None
    # The off is the old job's, though the next is on the bench already.
    assert [e.kind for e in log.journal(job="R-1")] == ["job-created", "output", "output", "trace"]
    assert [e.kind for e in log.journal(job="R-2")] == ["job-created"]


async def test_what_is_filed_is_read_by_the_cards_of_the_bench_as_they_are_now(
    core: Core, log: Log, tmp_path: Path
) -> None:
    """They lie beside the log; one that is written while the daemon runs counts from the next trace on."""
    text = shipped()["low-stall"].path.read_text("utf-8")
    assert core.cards.shelf().card("low-stall").version == 1
    written(tmp_path / "cards", text.replace("version = 1", "version = 7", 1), "low-stall")
    core.on_report(off(t_ns=power_up(core)))
    await core.all_filed()
    (row,) = log.traces()
    assert row.finding is not None
    assert row.finding.cards == "low-stall@7"
    written(tmp_path / "cards", "format = 1", "broken")
    assert not any("broken.toml" in w for w in core.view().warnings), "a view, which is asked for often, reads no files"
    core.cards.shelf()
    assert any("broken.toml" in w for w in core.view().warnings)


async def test_blocks_carry_job_and_trace_to_the_log(core: Core, writer: FakeWriter) -> None:
    core.job = "R-1"
    end = power_up(core)
    opened = core.watches["psu-a", 1].open
    assert opened is not None
    core.job = "R-2"  # the next trace's; this one stays where it is
    core.on_report(readings(end, [0.06] * 5))
    core.on_report(readings(end, [0.0] * 5, channel=2))
    assert [(job, trace) for _, job, trace in writer.blocks[-2:]] == [("R-1", opened.id), ("R-2", None)]


async def test_a_trace_that_cannot_be_read_is_filed_all_the_same(
    core: Core, log: Log, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any) -> Any:
        raise ZeroDivisionError("a mistake in a rule")

    monkeypatch.setattr(filing, "read_trace", broken)
    core.on_report(off(t_ns=power_up(core)))
    await core.all_filed()
    (row,) = log.traces()
    assert (row.finding, row.readings) == (None, 700)
    assert any("filed without a finding" in w and "a mistake in a rule" in w for w in core.view().warnings)


async def test_readings_that_are_no_numbers_do_not_spoil_a_traces_sums(core: Core, log: Log) -> None:
    end = power_up(core)
    core.on_report(readings(end, [float("nan"), 0.06]))
    core.on_report(off(t_ns=end + S))
    await core.all_filed()
    (row,) = log.traces()
    assert row.peak_a == 0.06
    assert row.charge_c is not None
    assert np.isfinite(row.charge_c)


async def test_the_end_does_not_wait_for_a_log_that_is_down(core: Core, writer: FakeWriter) -> None:
    end = power_up(core)
    writer.down = True
    core.on_report(off(t_ns=end))
    began = time.monotonic()
    await core.all_filed(within_s=0.1)
    assert time.monotonic() - began < 5
    for _, future in writer.held:
        future.cancel()
    await core.all_filed()


async def test_a_trip_goes_to_the_log_and_the_pages_with_its_trace(core: Core, log: Log) -> None:
    core.job = "R-1"
    messages = await listening(core)
    end = power_up(core)
    opened = core.watches["psu-a", 1].open
    assert opened is not None
    core.on_report(trip(end + 30 * MS, readings(end, [2.0] * 4, volts=0.2)))
    told = await next_event(messages, "trip")
    assert (told["trace"], told["job"], told["rule"]) == (opened.id, "R-1", "short")
    await core.all_filed()
    (entry,) = log.journal(kinds=["trip"])
    assert (entry.trace, entry.job) == (opened.id, "R-1")
    (row,) = log.traces()
    assert (row.reason, row.peak_a) == ("tripped", 2.0)
    view = core.view()
    assert view.channels[0].trip is not None
    assert not [w for w in view.warnings if "NOT be confirmed" in w]


async def test_a_power_up_without_a_reading_is_told_and_not_filed(core: Core, log: Log) -> None:
    t = past(5)
    core.on_report(on(t_ns=t))
    core.on_report(off(t_ns=t + 3 * S))
    await core.all_filed()
    assert log.traces() == []
    assert "psu-a/1: no reading came in 3.0 s of a power-up; there is no trace of it" in core.view().warnings
    core.on_report(on(t_ns=t + 4 * S))
    core.on_report(trip(t + 4 * S + 500 * MS, readings(t, []), rule="stale"))
    await core.all_filed()
    assert log.traces() == []
    (entry,) = log.journal(kinds=["trip"])
    assert entry.trace is None


async def test_a_trip_right_after_power_on_is_not_the_last_boards(core: Core, log: Log) -> None:
    """The output went on, the guard tripped and said `off` first; nothing was recorded of it."""
    core.job = "R-1"
    core.on_report(off(t_ns=power_up(core)))
    await core.all_filed()
    core.job = "R-2"
    t = past(1)
    core.on_report(on(t_ns=t))
    core.on_report(off(t_ns=t + 50 * MS, reason="trip", latched=True))
    core.on_report(trip(t + 40 * MS, readings(t, [2.0] * 4, volts=0.2)))
    (entry,) = log.journal(kinds=["trip"])
    assert (entry.trace, entry.job) == (None, "R-2")


async def test_an_off_that_is_not_confirmed_is_an_alarm_and_stays_a_warning(core: Core) -> None:
    end = power_up(core)
    core.on_report(trip(end, readings(end, [2.0]), confirmed=False))
    core.on_report(off(t_ns=end, reason="trip", latched=True, state=OutputState.UNKNOWN, text="reads back on"))
    warnings = core.view().warnings
    assert any("could NOT be confirmed off: switch off at the supply itself" in w for w in warnings)
    assert "psu-a/1: the output is UNKNOWN, it may be on: reads back on" in warnings


@pytest.mark.parametrize(
    ("reason", "said"),
    [
        ("daemon-lost", "the daemon was late, or is gone"),
        ("instrument", "here it counted as on, but the supply itself said off; nobody asked for that here"),
        ("on-time", "as long as its plan allows"),
        ("asked", ""),
        ("trip", ""),
    ],
)
async def test_an_off_that_nobody_asked_for_is_an_alarm(core: Core, reason: str, said: str) -> None:
    end = power_up(core)
    core.on_report(off(t_ns=end, reason=reason))
    warnings = [w for w in core.view().warnings if w.startswith("psu-a/1")]
    assert len(warnings) == bool(said)
    assert said in "".join(warnings)


async def test_that_an_output_is_unknown_is_told_until_it_is_known_and_each_event_once(core: Core) -> None:
    end = power_up(core)
    core.on_report(trip(end, readings(end, [2.0]), confirmed=False))
    core.on_report(off(t_ns=end, reason="guard-gone", state=OutputState.UNKNOWN, text="no answer yet"))
    core.on_report(off(t_ns=end, reason="guard-gone", state=OutputState.UNKNOWN, text="no answer again"))
    core.on_report(off(2, t_ns=end, reason="blocked", state=OutputState.UNKNOWN, text="of another output"))
    told = core.view().warnings
    assert not [w for w in told if "no answer yet" in w]
    assert any("could NOT be confirmed off" in w for w in told)
    core.on_report(off(t_ns=end, reason="link-back", latched=True))
    told = core.view().warnings
    assert not [w for w in told if "psu-a/1" in w or "channel 1" in w]
    assert [w for w in told if "of another output" in w]


async def test_off_in_the_end_takes_the_place_of_unknown(core: Core) -> None:
    end = power_up(core)
    core.on_report(off(t_ns=end, reason="daemon-lost", state=OutputState.UNKNOWN))
    core.on_report(off(t_ns=end, reason="daemon-lost"))
    view = core.view()
    assert [w for w in view.warnings if "daemon" in w] == ["psu-a/1 is off: the daemon was late, or is gone"]
    (alarm,) = view.alarms
    assert (alarm["text"], alarm["at_ns"] > end) == ("psu-a/1 is off: the daemon was late, or is gone", True)


async def test_on_though_nobody_asked_ends_no_alarm(core: Core) -> None:
    core.on_report(off(reason="blocked", state=OutputState.UNKNOWN))
    core.on_report(msgspec.structs.replace(on(), reason="found-on"))
    assert len([a for a in core.view().alarms if "is unknown" in a["text"]]) == 1
    core.on_report(on())
    assert not [a for a in core.view().alarms if "is unknown" in a["text"]]


async def test_a_log_that_fails_is_said_as_long_as_it_fails(core: Core, writer: FakeWriter) -> None:
    writer.down = True
    assert "the log is not being written: the disk is full" in core.view().warnings
    core.on_report(on())  # and reports are still taken
    assert core.view().channels[0].output == "on"
    writer.down = False
    assert not [w for w in core.view().warnings if "log" in w]
    writer.lost = {"dropped": 120, "refused": 0}  # what is lost stays lost after the disk has room again
    (warning,) = [w for w in core.view().warnings if "log" in w]
    assert warning == "the log could not be written for too long: 120 readings are not in it"


async def test_alarms_are_few_the_newest_last_and_old_ones_go(core: Core, monkeypatch: pytest.MonkeyPatch) -> None:
    for n in range(50):
        core.alarm(f"alarm {n}")
    core.alarm("alarm 35")  # once more: it is the newest now, and there once
    shown = [w for w in core.view().warnings if w.startswith("alarm")]
    assert len(shown) == 20
    assert shown[-1] == "alarm 35"
    now = time.monotonic()
    monkeypatch.setattr(time, "monotonic", lambda: now + alarms.ALARM_S + 1)
    assert not [w for w in core.view().warnings if w.startswith("alarm")]


async def test_link_and_instrument_errors_reach_the_journal_and_the_view(core: Core, log: Log) -> None:
    core.on_report(LinkChanged("psu-a", True, past(2), identity="EXAMPLE,TWO,0,1"))
    core.on_report(LinkChanged("psu-a", False, past(1), text="no reply"))
    core.on_report(SupplyErrors("psu-a", past(1), ((-222, "Data out of range"),), "setting the limit"))
    view = core.view()
    assert {(c.link_up, c.link_text, c.identity) for c in view.channels} == {(False, "no reply", "EXAMPLE,TWO,0,1")}
    assert any("-222 Data out of range" in w and "setting the limit" in w for w in view.warnings)
    assert [e.kind for e in log.journal()] == ["link", "link", "instrument-error"]


async def test_another_unit_or_place_is_an_alarm_and_an_event(core: Core) -> None:
    events: list[tuple[str, dict[str, Any]]] = []
    core.on_event = lambda kind, payload: events.append((kind, payload))
    core.on_report(LinkChanged("psu-a", False, past(1), text="another unit", warning="another unit"))
    core.on_report(LinkChanged("psu-a", True, past(1), met=THIN, warning="serial number B7 is now at the door"))
    warnings = core.view().warnings
    assert "another unit" in warnings
    assert "serial number B7 is now at the door" in warnings
    told = [payload["text"] for kind, payload in events if kind == "alarm"]
    assert told[:2] == ["another unit", "serial number B7 is now at the door"]
    assert "Profile thin is unverified" in told[2]
    core.on_report(LinkChanged("psu-a", True, past(0), met=THIN))
    assert len([kind for kind, _ in events if kind == "alarm"]) == 3, "met before"


async def test_every_state_is_published_and_carries_the_job(core: Core) -> None:
    published: list[tuple[str, int, State]] = []
    core.on_state = lambda supply, channel, state: published.append((supply, channel, state))
    core.job = "R-1"
    core.on_report(on())
    core.on_report(off(state=OutputState.UNKNOWN))
    assert [(s, c, p.output, p.job) for s, c, p in published] == [
        ("psu-a", 1, "on", "R-1"),
        ("psu-a", 1, "unknown", "R-1"),
    ]


async def test_pages_get_thinned_readings_and_the_broker_the_newest(core: Core) -> None:
    live: list[Reading] = []
    core.on_live = lambda supply, channel, numbers: live.append(numbers)
    messages = await listening(core)
    t = past(10)
    core.on_report(on(t_ns=t))
    spike = [0.1] * 700 + [1.9] + [0.1] * 299
    core.on_report(readings(t, spike, step_ns=MS))
    core.beat(2)
    async with asyncio.timeout(5):
        while (message := await anext(messages))["type"] != "samples":
            pass
    assert len(message["t_ms"]) <= LIVE_POINTS
    assert max(message["i"]) == 1.9
    assert message["t0_ns"] + message["t_ms"][-1] * MS == pytest.approx(t + 999 * MS)
    assert live[-1].current_a == 0.1
    assert live[-1].power_w == pytest.approx(0.4)
    core.beat(4)
    assert len(live) == 1  # nothing new, nothing said
    assert core.watches["psu-a", 1].pending == []


async def test_readings_do_not_pile_up_when_nobody_looks(core: Core) -> None:
    t = past(100)
    for n in range(100):
        core.on_report(readings(t + n * S, [0.1] * 10))
        core.beat(n)
    assert core.watches["psu-a", 1].pending == []


async def test_latches_of_the_daemon_before_are_shown(core: Core, log: Log) -> None:
    t = past(5)
    log.add_trip(trip(t, readings(t, [2.0])))
    core.restore_latches({**log.latched(), ("psu-a", 2): None, ("gone", 1): None})
    one, two = core.view().channels
    assert (one.latched, two.latched) == (True, True)
    assert one.trip is not None
    assert (one.trip["detected_ns"], one.trip["number"]) == (t, 1)
    assert two.trip is None


async def test_settings_go_into_the_log_without_secrets(writer: FakeWriter, log: Log) -> None:
    kept = settings(mqtt={"host": "h", "user": "u", "password": "hush"}, influxdb={"url": "http://h", "token": "hush"})
    for _ in range(2):
        accuracies = {("psu-a", n): ACCURACY for n in (1, 2)}
        Core(kept, accuracies, writer, None).remember_settings()  # type: ignore[arg-type]
    assert len(log.journal(kinds=["settings"])) == 1  # the second start changed nothing
    ((text,),) = log.rows("SELECT settings FROM settings_changes")
    assert "hush" not in text
    assert '"host":"h"' in text


async def test_numbers_for_pages_and_broker_are_plain(core: Core) -> None:
    t = past(1)
    core.on_report(on(t_ns=t))
    core.on_report(readings(t, [0.1234567891]))
    watch = core.watches["psu-a", 1]
    assert watch.open is not None
    assert samples_message(watch, watch.pending[0])["i"] == [0.123457]
    assert live_numbers(watch) == Reading(t, 4.0, 0.123457, 0.493827, "cv", watch.open.id)


async def test_the_page_is_told_the_marks_of_a_power_up_and_then_what_it_says(core: Core) -> None:
    messages = await listening(core)
    end = power_up(core)
    watch = core.watches["psu-a", 1]
    seen = watch.version
    marks = [m["kind"] for m in core.view().channels[0].marks]
    assert marks[0] == "connected"
    assert core.view().channels[0].finding is None
    core.on_report(off(t_ns=end))
    assert watch.version > seen, "who decided by the old state is told so"
    row = (await next_event(messages, "trace"))["row"]
    told = core.view().channels[0]
    assert [m["kind"] for m in told.marks] == [*marks, "off"]
    assert told.finding is not None
    assert (told.finding["trace"], told.finding["signature"]) == (row["id"], row["finding"]["signature"])
    power_up(core, seconds_ago=40)
    assert core.view().channels[0].finding is None, "it is of the power-up before"


async def test_how_the_bench_stands_is_told_when_it_changes_and_once_a_second(core: Core) -> None:
    messages = await listening(core)
    core.beat(1)
    core.on_report(on())
    for beat in range(2, STANDING_BEATS + 1):
        core.beat(beat)
    core.event("end", {})
    types = []
    while (message := await anext(messages)).get("kind") != "end":
        types.append(message["type"])
    # Its first look, the change and the second that is over; the output's own event comes in between.
    assert types.count("bench") == 3
