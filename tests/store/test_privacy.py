"""What people typed about a customer goes to no follower: only a job's id does, and only as such."""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_args

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.jobs.job import Job, JournalEntry
from benchd.jobs.personal import OURS
from benchd.procedures.record import Happened, Result, Run, Side
from benchd.store.consent_rows import Consent, add_consent
from benchd.store.lines import EVENT_KINDS, event_lines, reading_lines
from benchd.store.log import Log
from benchd.store.marking import Marked, keep_marked
from benchd.store.mqtt_events import event_of
from benchd.store.mqtt_topics import EVENTS, TOPICS
from benchd.store.procedure_rows import end_run
from benchd.store.reference_rows import Checked, Reference, keep_reference, remove_reference
from tests.store.making import T0, block, finding, trace_row, tripped

SIGN = "Ms-Invented"
"""Stands in each text that somebody typed."""
typed = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=30).map(
    lambda text: f"{text}{SIGN}{text}"
)
KINDS = sorted(OURS | set(EVENT_KINDS) | {"note", "job-created", "reference", "consent", "a-kind-of-tomorrow"})


def run_with(point: str, answer: str) -> Run:
    """A run in which somebody typed the name of a point and an answer, and which repeats both."""
    return Run(
        "P1", "find-short", 1, "Find the short", "R-1042", T0, (Side("main", "psu-a", 1),), "phone-cell",
        {"rail": answer}, "anna", T0 + 9, "done", f"The lowest resistance is at {point}.",
        (Result("point_1", point, 0.01, "Ω", 0.001, text=point), Result("kind", "Kind", answer, text=answer),
         Result("energy", "Energy into the rail", 2.0, "J")),
        happened=(Happened(T0 + 1, "point", point), Happened(T0 + 2, "answer", "Which?", {"which": answer})),
    )  # fmt: skip


def sent(log: Log) -> list[str]:
    """All that the followers make of a log: lines of the time-series follower, topics and payloads of the MQTT one."""
    lines = [line for stored in log.blocks_after(0, 1000) for line in reading_lines(stored, "left")]
    lines += [x for entry in log.entries_after(0, 1000, EVENT_KINDS) for x in event_lines(entry, "left")]
    events = [event_of("left", log.log_id, entry) for entry in log.entries_after(0, 1000, tuple(EVENTS))]
    return lines + [f"{event.topic} {event.payload.decode()}" for event in events]


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(typed, min_size=8, max_size=8))
def test_whatever_is_typed_anywhere(tmp_path_factory: pytest.TempPathFactory, texts: list[str]) -> None:
    device, symptom, note, other, who, of_reference, again, also = texts
    with Log.open(tmp_path_factory.mktemp("typed") / "benchd.sqlite") as log:
        log.add_job(Job("R-1042", device, "demo-a", symptom))
        log.set_current_job("R-1042")
        for text in (note, other):
            log.add_entry("note", job="R-1042", payload={"text": text})
        add_consent(log, Consent("psu-a", "p", "m", "x", "k", who, also))
        log.add_block(block(3), "R-1042", "t-1")
        row = trace_row("t-1")
        log.add_trace(row)
        log.add_trip(tripped(), "R-1042", "t-1")
        for text in (of_reference, again):
            keep_reference(log, Checked(Reference("t-1", "demo-a", text, 1), row, text), text)
        remove_reference(log, "t-1", text)
        marks = tuple(row.marks)
        end_run(log, run_with(note, other))
        keep_marked(log, Marked("t-1", marks, marks, finding("clean-boot"), {"text": note, "kind": "button"}), who)
        log.set_current_job(None)
        assert any(SIGN in payload for (payload,) in log.rows("SELECT payload FROM journal"))
        out = sent(log)
    assert len(out) == 3 + 2 * 3 + 1 + 2  # readings; a trip, a trace, a finding, to both; a run, and two figures of it
    assert not [line for line in out if SIGN in line]
    assert sum("R-1042" in line for line in out) == len(out)


@given(
    st.sampled_from(KINDS),
    st.dictionaries(
        st.sampled_from(["device", "symptom", "note", "who", "by", "comment", "customer", "more"]),
        typed | st.lists(typed, max_size=2) | st.dictionaries(st.sampled_from(["text", "x"]), typed, max_size=2),
    ),
)
def test_an_entry_of_any_kind_gives_away_only_what_is_named(kind: str, payload: dict[str, Any]) -> None:
    """A key that an entry gets one day must not go out before somebody has named it."""
    entry = JournalEntry(7, T0, kind, "R-1042", "psu-a", 1, "t-1", payload)
    if kind in EVENT_KINDS:
        assert SIGN not in "".join(event_lines(entry, "left"))
    if kind in EVENTS:
        event = event_of("left", "0123", entry)
        assert SIGN not in event.topic + event.payload.decode()


def test_no_kind_that_people_write_is_followed() -> None:
    followed = set(EVENT_KINDS) | set(EVENTS)
    assert followed == {"trip", "trace", "finding", "procedure"}
    assert followed - {"procedure"} <= OURS  # of which what was typed is told apart


def test_no_payload_of_mqtt_has_a_place_for_it() -> None:
    """Commands and their answers aside, which are a person's own words back to them: not even a key of that name."""
    keys = {
        field
        for topic in TOPICS.values()
        if topic.payload is not None and isinstance(topic.payload, type)
        for field in _fields(topic.payload)
    }
    assert {"job", "trace", "t_ns"} <= keys
    assert keys.isdisjoint({"device", "symptom", "note", "customer", "who"})


def _fields(struct: Any) -> set[str]:
    """Of a struct and of those in it."""
    found: set[str] = set()
    if isinstance(struct, type) and issubclass(struct, msgspec.Struct):
        for field in msgspec.structs.fields(struct):
            found |= {field.name} | _fields(field.type)
    for inner in get_args(struct):
        found |= _fields(inner)
    return found


def test_a_log_is_followed_under_the_new_id_once_it_is_forgotten(tmp_path: Path) -> None:
    from benchd.store.forgetting import forget

    with Log.open(tmp_path / "benchd.sqlite") as log:
        log.add_job(Job("R-1042"))
        log.add_block(block(3), "R-1042", "t-1")
        log.add_trace(trace_row("t-1"))
        new = forget(log, "R-1042", T0).job
        assert all(new in line and "R-1042" not in line for line in sent(log))
