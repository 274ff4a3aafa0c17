"""Line protocol: the escapes of the published reference, read back by another's parser."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from influxdb_client import Point
from line_protocol_parser import parse_line

from benchd.jobs.job import JournalEntry
from benchd.store.blocks import StoredBlock
from benchd.store.lines import (
    EVENT_KINDS,
    FIELDS,
    MORE_TAGS,
    RULE_CODES,
    SIGNATURE_CODES,
    TAGS,
    event_lines,
    field_set,
    reading_lines,
    tag_set,
)
from benchd.store.log import Log
from benchd.traces.samples import Samples
from tests.store.making import MS, T0, block, columns_block, finding, trace_row, tripped

text = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), min_size=1, max_size=30)


def stored(block_, job: str | None = "R-1042", trace: str | None = None) -> StoredBlock:
    return StoredBlock(1, block_.supply, block_.channel, job, trace, 0, 0, Samples.from_block(block_))


def test_escapes_are_those_of_the_reference() -> None:
    """InfluxDB v2 reference, "Line protocol", special characters; the same point by influxdb-client's own builder."""
    tags = tag_set("b", None, None, "A,1=2 x", None)
    fields = field_set({"amps": 0.0612, "n": 5, "note": 'he said "hi" \\ bye', "ok": True})
    assert tags == r",bench=b,job=A\,1\=2\ x"
    assert fields == r'amps=0.0612,n=5i,note="he said \"hi\" \\ bye",ok=true'
    point = Point("m").tag("bench", "b").tag("job", "A,1=2 x").field("amps", 0.0612).field("n", 5)
    point = point.field("note", 'he said "hi" \\ bye').field("ok", True).time(1767323045678901000)
    assert point.to_line_protocol() == f"m{tags} {fields} 1767323045678901000"


@settings(max_examples=100, deadline=None)
@given(bench=text, job=st.none() | text, supply=st.none() | text, note=text, amps=st.floats(allow_subnormal=False))
def test_any_text_and_number_comes_back(
    bench: str, job: str | None, supply: str | None, note: str, amps: float
) -> None:
    line = f"m{tag_set(bench, supply, 3, job, None)} {field_set({'note': note, 'amps': amps, 'n': 1})} {T0}"
    assert "\n" not in line
    back = parse_line(line)

    def flat(value: str) -> str:
        return value.replace("\n", " ").replace("\r", " ")

    given_tags = {"bench": bench, "job": job, "supply": supply, "channel": "3"}
    wanted = {k: flat(v.rstrip("\\")) for k, v in given_tags.items() if v is not None}
    assert back["tags"] == {k: v for k, v in wanted.items() if v}
    numbers = {"amps": amps} if math.isfinite(amps) else {}
    assert back["fields"] == {"note": flat(note), "n": 1} | numbers
    assert back["time"] == T0


def test_readings_become_points_with_their_tags() -> None:
    lines = reading_lines(stored(block(3), trace="20260102-030405-678-psu-a-1"), "bench-1")
    samples = Samples.from_block(block(3))
    back = [parse_line(line) for line in lines]
    assert [b["time"] for b in back] == [T0, T0 + MS, T0 + 2 * MS]
    for k, b in enumerate(back):
        assert b["measurement"] == "supply_reading"
        assert b["tags"] == {
            "bench": "bench-1", "supply": "psu-a", "channel": "1", "job": "R-1042",
            "trace": "20260102-030405-678-psu-a-1",
        }  # fmt: skip
        volts, amps = float(samples.voltage_v[k]), float(samples.current_a[k])
        assert b["fields"] == {
            "voltage": volts, "current": amps, "power": pytest.approx(volts * amps, abs=1e-9), "mode": "cv",
        }  # fmt: skip


def test_an_unknown_job_and_trace_have_no_tag() -> None:
    (line,) = reading_lines(stored(block(1), job=None), "b")
    assert parse_line(line)["tags"] == {"bench": "b", "supply": "psu-a", "channel": "1"}


def test_a_reading_that_is_no_number_keeps_its_other_fields() -> None:
    """The protocol has no NaN; the point stays, so the gap is seen as one."""
    odd = columns_block([T0, T0 + 1, T0 + 2], [4.0, math.nan, 4.0], [0.1, 0.1, math.inf], "psu-a", 1)
    fields = [parse_line(line)["fields"] for line in reading_lines(stored(odd), "b")]
    assert fields == [
        {"voltage": 4.0, "current": 0.1, "power": 0.4, "mode": "cv"},
        {"current": 0.1, "mode": "cv"},
        {"voltage": 4.0, "mode": "cv"},
    ]


def test_whole_numbers_stay_floats() -> None:
    """A field's type is fixed by its first write; 4 V must not become an integer."""
    (line,) = reading_lines(stored(columns_block([T0], [4.0], [0.0], "psu-a", 1)), "b")
    assert "voltage=4.0,current=0.0,power=0.0," in line


# The parser that reads them back takes no subnormal numbers.
_FINITE = st.floats(allow_nan=False, allow_infinity=False, allow_subnormal=False)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(_FINITE, _FINITE), min_size=1))
def test_every_number_of_a_reading_comes_back_to_the_last_bit(pairs: list[tuple[float, float]]) -> None:
    volts, amps = zip(*pairs, strict=True)
    lines = reading_lines(stored(columns_block([T0 + k for k in range(len(pairs))], volts, amps, "psu-a", 1)), "b")
    for k, line in enumerate(lines):
        back = parse_line(line)
        assert back["time"] == T0 + k
        for name, value in (("voltage", volts[k]), ("current", amps[k])):
            assert math.copysign(1, back["fields"][name]) == math.copysign(1, value)
            assert back["fields"][name] == value


@pytest.fixture
def entries(tmp_path) -> list[JournalEntry]:
    with Log.open(tmp_path / "l.sqlite") as log:
        log.add_trip(tripped(), "R-1042", "t-1")
        log.add_trip(tripped(confirmed=False))
        log.add_trace(trace_row())
        log.update_finding(trace_row().id, finding("clean-boot"))
        return log.entries_after(0, 9, EVENT_KINDS)


def test_trips_and_findings_become_points(entries: list[JournalEntry]) -> None:
    trip, unsure, filed, again = (parse_line(x) for e in entries for x in event_lines(e, "bench-1"))
    assert (trip["measurement"], trip["time"]) == ("supply_trip", T0)
    assert trip["tags"] == {"bench": "bench-1", "supply": "psu-a", "channel": "1", "job": "R-1042", "trace": "t-1"}
    bounds = {name: trip["fields"].pop(name) for name in list(trip["fields"]) if name.endswith("_most")}
    # 1 A for 3 ms that nobody saw beside the 2 mC that were read, and 20 µs at the ends.
    assert bounds["let_through_c_most"] == pytest.approx(0.005, rel=0.01)
    assert sorted(bounds) == ["let_through_a2s_most", "let_through_c_most", "let_through_j_most"]
    assert trip["fields"] == {
        "rule": "short", "rule_code": 1, "text": tripped().text, "set_voltage": 4.0, "limit": 1.0,
        "let_through_c": 0.002, "let_through_j": 0.0002, "let_through_a2s": 0.002, "off_confirmed": True,
        "off_sent_s": 0.00204,
        "off_confirmed_s": 0.004,
    }  # fmt: skip
    assert unsure["fields"]["off_confirmed"] is False
    assert "off_confirmed_s" not in unsure["fields"]
    assert not [name for name in unsure["fields"] if name.endswith("_most")]
    assert (filed["measurement"], filed["time"]) == ("trace_finding", T0)
    assert filed["fields"] == {
        "signature": "low-stall", "signature_code": 8, "confidence": 0.9, "reason": "removed", "duration_s": 5.0,
        "readings": 5000, "peak": 0.13, "charge": 0.4, "energy": 1.6,
    }  # fmt: skip
    # The same point, so the newer finding takes the older one's place.
    assert (again["time"], again["tags"]) == (filed["time"], filed["tags"])
    assert again["fields"]["signature"] == "clean-boot"


def test_types_do_not_change_with_the_values() -> None:
    """A field's type is fixed by its first write, so a figure that happens to be whole stays a float."""
    trip = JournalEntry(1, T0, "trip", None, "psu-a", 1, None, {"rule": "short", "limit_a": 1, "set_voltage_v": 4})
    (line,) = event_lines(trip, "b")
    assert line == (
        f'supply_trip,bench=b,channel=1,supply=psu-a rule="short",rule_code=1i,set_voltage=4.0,limit=1.0 {T0}'
    )
    filed = JournalEntry(2, T0, "trace", None, "psu-a", 1, "t", {"peak_a": 1, "readings": 7, "start_ns": 5})
    (line,) = event_lines(filed, "b")
    assert line == (
        'trace_finding,bench=b,channel=1,supply=psu-a,trace=t signature="unread",signature_code=1i,readings=7i,'
        "peak=1.0 5"
    )


RESULTS = [
    {"name": "resistance", "title": "Near Ms Example", "value": 89, "unit": "Ω", "u": 1},
    {"name": "kind", "title": "Kind of leak", "value": "ohmic"},
    {"name": "share", "title": "Passed", "value": 0.95, "low": 0.76, "high": 1},
    {"name": "none", "title": "Nothing", "text": "it did not start"},
    {"name": "share", "title": "Passed", "value": 0.5, "low": 0.3, "high": 1},
]
RUN_ENDED = JournalEntry(
    9, T0 + 9, "procedure", "R-1042", "psu-a", 1, None,
    {"run": "P1", "card": "leak-curve", "title": "Leak curve", "text": "typed", "ended_ns": T0 + 5, "by": "anna",
     "results": RESULTS, "typed": ["resistance"]},
)  # fmt: skip


def test_each_figure_of_a_run_becomes_a_point() -> None:
    """Of two with one name, which would be one point at a server, the last counts; words are no points."""
    first, share = (parse_line(line) for line in event_lines(RUN_ENDED, "bench-1"))
    assert first == {
        "measurement": "procedure_result",
        "tags": {"bench": "bench-1", "card": "leak-curve", "channel": "1", "job": "R-1042", "result": "resistance",
                 "run": "P1", "supply": "psu-a", "unit": "Ω"},
        "fields": {"value": 89.0, "uncertainty": 1.0},
        "time": T0 + 5,
    }  # fmt: skip
    assert "unit" not in share["tags"]
    assert (share["tags"]["result"], share["fields"]) == ("share", {"value": 0.5, "low": 0.3, "high": 1.0})
    for line in event_lines(RUN_ENDED, "b"):
        names = [tag.partition("=")[0] for tag in line.partition(" ")[0].split(",")[1:]]
        assert names == sorted(names)
    for odd in ({}, {"results": [{"name": "x", "value": float("nan")}, {"name": "y", "value": True}, {"name": "z"}]}):
        assert event_lines(JournalEntry(9, T0, "procedure", None, None, None, None, odd), "b") == []


_KINDS = {float: "float", int: "integer", str: "string", bool: "boolean"}


def test_every_line_has_the_fields_that_are_listed_with_their_types(entries: list[JournalEntry]) -> None:
    """By another's parser; `FIELDS` is what dashboards and docs are made from."""
    full = {name: 1 for name, field in FIELDS["supply_trip"].items() if field.kind == "float"}
    figures = {"set_voltage_v": 4, "limit_a": 1, "off_sent_ns": 2, "off_confirmed_ns": 3, "onset_ns": 1}
    words = {"rule": "short", "text": "t", "stage": "boot", "off_confirmed": True}
    trip = JournalEntry(9, T0, "trip", None, "psu-a", 1, None, full | figures | words)
    lines = reading_lines(stored(block(1), trace="t"), "b")
    lines += [line for e in [*entries, trip, RUN_ENDED] for line in event_lines(e, "b")]
    seen: dict[str, dict[str, str]] = {}
    for line in lines:
        parsed = parse_line(line)
        assert set(parsed["tags"]) <= {*TAGS, *MORE_TAGS.get(parsed["measurement"], ())}
        kinds = {name: _KINDS[type(value)] for name, value in parsed["fields"].items()}
        seen.setdefault(parsed["measurement"], {}).update(kinds)
    assert seen == {m: {name: field.kind for name, field in fields.items()} for m, fields in FIELDS.items()}


def test_codes_are_told_apart() -> None:
    for codes in (RULE_CODES, SIGNATURE_CODES):
        assert len(set(codes.values())) == len(codes)
        assert min(codes.values()) == 1  # 0: one that is not listed
    own = JournalEntry(2, T0, "trace", None, "psu-a", 1, "t", {"finding": {"signature": "my-own"}})
    assert parse_line(event_lines(own, "b")[0])["fields"] == {"signature": "my-own", "signature_code": 0}
