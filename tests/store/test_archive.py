"""Archived traces with what journal and trips know of their power-ups."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest

from benchd.guard.wire import Tripped
from benchd.jobs.job import Job
from benchd.reading import Mode, Reading, pack
from benchd.store.archive import Wanted, archived, wanted
from benchd.store.errors import LogError
from benchd.store.log import Log
from benchd.traces.replay import Part, PowerUp, Trip
from benchd.traces.trace import Conditions, Mark
from tests.store.making import MS, T0, block, trace_row, tripped

END = T0 + 5_000 * MS
DAY_NS = 86_400 * 1_000_000_000


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with Log.open(tmp_path / "benchd.sqlite") as opened:
        yield opened


def output(log: Log, t_ns: int, stage: str = "", volts: float = 4.0, amps: float = 1.0, channel: int = 1) -> None:
    """As the daemon writes it; no stage: off."""
    said: dict[str, Any] = {"output": "off", "set_voltage_v": None, "limit_a": None}
    if stage:
        said = {"output": "on", "stage": stage, "plan": "demo", "set_voltage_v": volts, "limit_a": amps}
    log.add_entry("output", supply="psu-a", channel=channel, payload=said, t_ns=t_ns)


def only(log: Log) -> Wanted:
    (found,) = wanted(log)
    return found


def test_stages_are_those_of_the_journal(log: Log) -> None:
    output(log, T0 - 500 * MS, "boot", 12.0, 3.0)  # of a board before
    output(log, T0 - 400 * MS)
    output(log, T0 - 200 * MS, "probe", 0.5, 0.1)
    output(log, T0 + 3 * MS, "hold", 4.0, 0.1)  # written a little later than the trace began
    output(log, T0 + 1000 * MS, "boot", 4.0, 2.0)
    output(log, T0 + 900 * MS, "boot", 5.0, 2.0, channel=2)
    output(log, END + MS)
    log.add_trace(trace_row())
    log.add_block(block(5000))
    log.add_block(block(150, T0 - 190 * MS))
    assert only(log).plan == "demo"
    found = archived(log, only(log))
    assert found.power == PowerUp((
        Part(T0 - 200 * MS, "probe", 0.5, 0.1), Part(T0, "hold", 4.0, 0.1), Part(T0 + 1000 * MS, "boot", 4.0, 2.0),
    ))  # fmt: skip
    assert len(found.trace.samples) == 5000
    assert found.seen is not None
    assert len(found.seen) == 5150
    assert found.finding is not None
    assert found.trip is None


def test_what_was_on_before_the_trace_began_counts(log: Log) -> None:
    output(log, T0 - 60_200 * MS, "probe", 0.5, 0.1)
    output(log, T0 - 60_000 * MS, "boot", 4.0, 2.0)
    log.add_trace(trace_row())
    log.add_block(block(10, T0 - 1000 * MS))  # of a board before: this one was clipped on a minute later
    found = archived(log, only(log))
    assert found.power == PowerUp((Part(T0 - 60_000 * MS, "boot", 4.0, 2.0),))
    assert found.seen is not None
    assert len(found.seen) == 0


def test_without_a_journal_the_conditions_count(log: Log) -> None:
    log.add_trace(trace_row())
    want = only(log)
    assert want.plan == ""
    assert archived(log, want).power == PowerUp((Part(T0, "", 4.0, 1.0),))


@pytest.mark.parametrize("conditions", [
    Conditions(set_voltage_v=4.0), Conditions(limit_a=1.0), Conditions(set_voltage_v=0.0, limit_a=1.0),
])  # fmt: skip
def test_without_voltage_or_limit_no_power_up_is_known(log: Log, conditions: Conditions) -> None:
    log.add_trace(msgspec.structs.replace(trace_row(), conditions=conditions))
    assert archived(log, only(log)).power is None


def test_an_off_ends_what_the_rules_judge(log: Log) -> None:
    marks = [Mark("off", T0 + 2000 * MS, "guard"), Mark("removed", T0 + 1000 * MS)]
    log.add_trace(msgspec.structs.replace(trace_row(), marks=marks))
    power = archived(log, only(log)).power
    assert power is not None
    assert power.until_ns == T0 + 2000 * MS


def trip_in(stage: str) -> Tripped:
    at_ns = T0 + 300 * MS
    return msgspec.structs.replace(tripped(at_ns), stage=stage, set_voltage_v=0.5, limit_a=0.1)


def test_a_trip_is_as_its_record_says_with_the_readings_that_the_log_has_not(log: Log) -> None:
    trip = trip_in("boot")
    log.add_trace(msgspec.structs.replace(trace_row(), marks=[Mark("tripped", trip.detected_ns, "guard")]))
    log.add_block(block(5000, T0 + MS // 2))
    log.add_trip(trip, "R-1042", trace_row().id)
    found = archived(log, only(log))
    assert found.trip == Trip("short", 0.3, "boot", trip.text)
    assert found.power == PowerUp((Part(T0, "boot", 0.5, 0.1),), trip.off_sent_ns)
    assert len(found.trace.samples) == 5004  # three before and one after it
    assert [mark.why for mark in found.trace.marks] == ["short"]


def test_a_trace_of_a_probe_is_a_probe(log: Log) -> None:
    output(log, T0 + 2 * MS, "probe", 0.5, 0.1)
    log.add_trace(trace_row())
    log.add_trip(trip_in("probe"), None, trace_row().id)
    found = archived(log, only(log))
    assert found.power is not None
    assert found.power.parts == (Part(T0 + 2 * MS, "probe", 0.5, 0.1),)


def test_a_trip_while_the_settings_were_raised_is_judged_by_the_higher_ones(log: Log) -> None:
    output(log, T0 + 2 * MS, "hold", 4.0, 0.1)  # the boot never came into the journal
    log.add_trace(trace_row())
    trip = msgspec.structs.replace(tripped(T0 + 300 * MS), stage="hold", set_voltage_v=4.0, limit_a=2.0)
    log.add_trip(trip, None, trace_row().id)
    power = archived(log, only(log)).power
    assert power is not None
    assert power.parts == (Part(T0, "hold", 4.0, 0.1), Part(trip.onset_ns, "boot", 4.0, 2.0))


def test_readings_of_a_trip_from_before_the_trace_stay_out(log: Log) -> None:
    early = pack("psu-a", 1, [Reading(T0 - MS, 0.1, 1.0, Mode.CC, 0, 900)])
    log.add_trace(trace_row())
    log.add_trip(msgspec.structs.replace(trip_in("boot"), before=early), None, trace_row().id)
    assert int(archived(log, only(log)).trace.samples.t_ns[0]) >= T0


def test_a_trip_that_a_file_tells_of_is_known_by_its_mark(log: Log) -> None:
    log.add_trace(msgspec.structs.replace(trace_row(), marks=[Mark("tripped", T0 + 1500 * MS, "guard", "short")]))
    found = archived(log, only(log))
    assert found.trip == Trip("short", 1.5)
    assert found.power is not None
    assert found.power.until_ns == T0 + 1500 * MS


def test_traces_are_chosen_by_job_board_time_and_id(log: Log) -> None:
    log.add_job(Job("R-1", board="demo-b", created_ns=1))
    rows = [
        trace_row("t-1", "R-1", T0),
        trace_row("t-2", "R-2", T0 + DAY_NS),
        msgspec.structs.replace(trace_row("t-3", None, T0 + 2 * DAY_NS), conditions=Conditions(board="demo-c")),
    ]
    for row in reversed(rows):
        log.add_trace(row)

    def chosen(**by: Any) -> list[str]:
        return [want.id for want in wanted(log, **by)]

    assert chosen() == ["t-1", "t-2", "t-3"]
    assert chosen(job="R-1") == ["t-1"]
    assert chosen(board="demo-a") == ["t-1", "t-2"]  # as the trace has it
    assert chosen(board="demo-b") == ["t-1"]  # as its job has it
    with log.transaction() as db:
        db.execute("INSERT INTO board_references VALUES ('t-3', 'demo-d', '', 1)")
    assert chosen(board="demo-d") == ["t-3"]
    assert [want.reference for want in wanted(log)] == [False, False, True]
    assert [archived(log, want).board for want in wanted(log)] == ["demo-b", "demo-a", "demo-d"]
    assert chosen(since_ns=T0 + DAY_NS) == ["t-2", "t-3"]
    assert chosen(ids=["t-3", "t-1"]) == ["t-1", "t-3"]
    assert chosen(ids=["t-3", "t-1"], board="demo-a") == ["t-1"]
    with pytest.raises(LogError, match="trace 't-9' is not in this log"):
        chosen(ids=["t-9"])


def test_a_file_from_elsewhere_had_no_guard_that_is_known_of(log: Log) -> None:
    log.add_trace(msgspec.structs.replace(trace_row("t-1"), reason="imported"))
    log.add_trace(msgspec.structs.replace(trace_row("t-2"), reason="imported", marks=[Mark("tripped", T0, "guard")]))
    log.add_trace(trace_row("t-3"))
    assert [archived(log, want).guarded for want in wanted(log)] == [False, True, True]
