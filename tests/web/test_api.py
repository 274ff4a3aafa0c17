"""The API in process: whole bodies, and every failure in its one form."""

from __future__ import annotations

import json
from typing import Any

import httpx
import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.reading import OutputState
from benchd.traces.csvfile import parse_csv
from benchd.web.port import Refused
from tests.web.fake import START_NS, FakeBench, finding, make_samples

V1 = "/api/v1"


def fault(code: str, message: str, where: str) -> dict[str, Any]:
    return {"error": {"code": code, "message": message, "where": where}}


def as_json(value: Any) -> Any:
    return json.loads(msgspec.json.encode(value))


async def test_the_bench_as_it_is(http: httpx.AsyncClient, bench: FakeBench) -> None:
    answer = await http.get(f"{V1}/bench")
    assert answer.status_code == 200
    assert answer.json() == as_json(bench.view())


async def test_cutting_everything_off_twice_is_the_same_as_once(http: httpx.AsyncClient, bench: FakeBench) -> None:
    bench.set(1, output=OutputState.ON)
    first = await http.post(f"{V1}/off")
    second = await http.post(f"{V1}/off")
    assert (first.status_code, second.status_code) == (200, 200)
    assert first.json() == second.json() == as_json(bench.view())
    assert [c["output"] for c in first.json()["channels"]] == ["off", "off"]
    assert bench.asked == [("off", None, None), ("off", None, None)]


async def test_an_off_that_is_not_confirmed_is_said_to_be_so(http: httpx.AsyncClient, bench: FakeBench) -> None:
    bench.refuse = Refused("wrong-state", "lab 1 still reads 3.9 V after three tries; switch off at the supply")
    answer = await http.post(f"{V1}/off")
    assert answer.status_code == 409
    assert answer.json() == fault("wrong-state", bench.refuse.message, f"{V1}/off")


async def test_power_without_consent_is_refused_until_it_is_given(http: httpx.AsyncClient, bench: FakeBench) -> None:
    for number in (1, 2):
        bench.set(number, trust="unverified", consent_key="k1", consent_text="Thin documents.")
    on = f"{V1}/supplies/lab/channels/1/on"
    refused = await http.post(on)
    assert refused.status_code == 409
    assert refused.json() == fault("consent-needed", "lab 1: Thin documents.", on)
    consent = f"{V1}/supplies/lab/consent"
    other = await http.post(consent, json={"key": "k0"})
    assert (other.status_code, other.json()["error"]["code"]) == (409, "wrong-state")
    given = await http.post(consent, json={"key": "k1", "who": "Ada"})
    assert (given.status_code, given.json()) == (200, as_json(bench.view()))
    assert ("consent", "lab", "k1", "Ada") in bench.asked
    assert (await http.post(on)).status_code == 200


@pytest.mark.parametrize("body", [{}, {"key": ""}, {"key": "k", "who": "a\nb"}, {"key": "k", "why": "x"}, {"key": 7}])
async def test_a_consent_without_its_key_is_none(
    http: httpx.AsyncClient, bench: FakeBench, body: dict[str, Any]
) -> None:
    assert (await http.post(f"{V1}/supplies/lab/consent", json=body)).status_code == 400
    assert bench.asked == []


async def test_power_and_marks_reach_the_channel_that_was_meant(http: httpx.AsyncClient, bench: FakeBench) -> None:
    channel = f"{V1}/supplies/lab/channels/2"
    on = await http.post(f"{channel}/on", json={"plan": "phone"})
    assert (on.status_code, on.json()) == (200, as_json(bench.channels["lab", 2]))
    assert on.json()["output"] == "on"
    assert (await http.post(f"{channel}/mark", json={"kind": "button"})).status_code == 200
    assert (await http.post(f"{channel}/off")).json()["output"] == "off"
    assert (await http.post(f"{channel}/rearm")).status_code == 200
    assert (await http.post(f"{channel}/rearm", json={"by": "foot-switch"})).status_code == 200
    less = {"plan": "phone", "voltage_v": 3.8, "limit_a": 1, "by": "page"}
    assert (await http.post(f"{channel}/on", json=less)).status_code == 200
    assert (await http.post(f"{channel}/on")).status_code == 200
    assert bench.asked == [
        ("on", "lab", 2, "phone", None, None, "other"),
        ("mark", "lab", 2, "button"),
        ("off", "lab", 2),
        ("rearm", "lab", 2, "other"),
        ("rearm", "lab", 2, "foot-switch"),
        ("on", "lab", 2, "phone", 3.8, 1.0, "page"),
        ("on", "lab", 2, None, None, None, "other"),
    ]


async def test_only_the_stage_hold_can_be_ended_by_hand(http: httpx.AsyncClient, bench: FakeBench) -> None:
    ahead = f"{V1}/supplies/lab/channels/1/next"
    refused = await http.post(ahead)
    assert refused.json() == fault("wrong-state", "lab 1 is not in the stage hold", ahead)
    assert refused.status_code == 409
    bench.set(1, output=OutputState.ON, stage="hold", stage_by_hand=True)
    raised = await http.post(ahead, json={"by": "foot-switch"})
    assert (raised.status_code, raised.json()["stage"]) == (200, "boot")
    assert bench.asked == [("next", "lab", 1, "foot-switch")]


# ---- plans


@pytest.mark.parametrize("what", ["on", "next", "rearm"])
@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"seen": 6}, "asked by state 6, and it is at 7: output off, tripped"),
        ({"asked_ns": START_NS - 3_100_000_000}, "asked 3.1 s ago by the bench's clock, at most 3 s are allowed"),
        ({"asked_ns": START_NS + 3_100_000_000}, "asked 3.1 s ahead by the bench's clock, at most 3 s are allowed"),
    ],
)
async def test_what_comes_late_or_by_an_old_state_is_not_done(
    bench: FakeBench, http: httpx.AsyncClient, what: str, body: dict[str, int], says: str
) -> None:
    bench.set(1, version=7, latched=True)
    before = list(bench.asked)
    answer = await http.post(f"{V1}/supplies/lab/channels/1/{what}", json=body)
    error = answer.json()["error"]
    assert (answer.status_code, error["code"]) == (409, "stale")
    assert says in error["message"]
    assert (error["present"]["version"], error["present"]["output"]) == (7, "off")
    assert bench.asked == before


async def test_what_is_asked_by_the_present_state_is_done(bench: FakeBench, http: httpx.AsyncClient) -> None:
    bench.set(1, version=7)
    body = {"seen": 7, "asked_ns": START_NS - 2_900_000_000}
    assert (await http.post(f"{V1}/supplies/lab/channels/1/on", json=body)).status_code == 200
    # Off is never asked by which state.
    assert (await http.post(f"{V1}/supplies/lab/channels/1/off")).status_code == 200


async def test_a_plan_is_made_changed_and_deleted(http: httpx.AsyncClient, bench: FakeBench) -> None:
    listed = (await http.get(f"{V1}/plans")).json()
    assert listed == {"plans": [as_json(bench.plan_book[name]) for name in ("laptop", "phone")]}
    values = {"voltage_v": 4.2, "limit_a": 1, "hold": {"limit_a": 0.2}, "expected_idle_a": [0.1, 0.2]}
    made = await http.put(f"{V1}/plans/phone", json=values)
    assert (made.status_code, made.json()) == (200, as_json(bench.plan_book["phone"]))
    assert (made.json()["origin"], made.json()["overrides"]) == ("own", "shipped")
    assert bench.asked == [("save-plan", "phone", values)]
    assert (await http.get(f"{V1}/plans/phone")).json() == made.json()
    gone = await http.delete(f"{V1}/plans/phone")
    assert (gone.status_code, gone.json()) == (200, listed)
    again = await http.delete(f"{V1}/plans/phone")
    assert again.json() == fault(
        "wrong-state", "plan phone: only plans of your own can be deleted", f"{V1}/plans/phone"
    )


async def test_a_plan_is_deleted_only_as_it_was_seen(http: httpx.AsyncClient, bench: FakeBench) -> None:
    values = {"voltage_v": 4.2, "limit_a": 1}
    seen = (await http.put(f"{V1}/plans/mine", json=values)).json()["version"]
    now = (await http.put(f"{V1}/plans/mine?seen={seen}", json=values | {"limit_a": 2})).json()
    late = await http.delete(f"{V1}/plans/mine?seen={seen}")
    told = late.json()["error"]
    assert (late.status_code, told["code"], told["present"]) == (409, "stale", now)
    assert "mine" in bench.plan_book
    assert (await http.delete(f"{V1}/plans/mine?seen={now['version']}")).status_code == 200
    assert "mine" not in bench.plan_book


async def test_a_plan_that_is_not_there_names_those_that_are(http: httpx.AsyncClient) -> None:
    answer = await http.get(f"{V1}/plans/tablet")
    assert answer.status_code == 404
    assert answer.json() == fault(
        "not-found", "plan 'tablet' is not there; there are: laptop, phone", f"{V1}/plans/tablet"
    )


async def test_each_fault_of_a_plan_is_told_in_a_line_of_its_own(http: httpx.AsyncClient) -> None:
    answer = await http.put(f"{V1}/plans/mine", json={"voltage_v": 61, "over_voltage_v": 70})
    assert answer.status_code == 400
    assert answer.json()["error"]["message"].splitlines() == [
        "/data/plans/mine.toml: voltage_v = 61: allowed: 60.0 or less (unit: V)",
        "/data/plans/mine.toml: over_voltage_v = 70: allowed: 60.0 or less (unit: V)",
    ]


# ---- trips


async def test_trips_newest_first_and_one_with_its_readings(http: httpx.AsyncClient, bench: FakeBench) -> None:
    rows = [bench.trip_filed(1, "R-1"), bench.trip_filed(2, "R-2"), bench.trip_filed(3, "R-1", let_through_j=np.nan)]
    assert [t["number"] for t in (await http.get(f"{V1}/trips")).json()["trips"]] == [3, 2, 1]
    only = (await http.get(f"{V1}/trips", params={"job": "R-2"})).json()
    assert only == {"trips": [as_json(rows[1])]}
    detail = (await http.get(f"{V1}/trips/1")).json()
    assert detail == {"trip": as_json(rows[0]), "readings": as_json(bench.trip_book[1][1])}
    assert detail["readings"]["marks"] == {"onset": -12.0, "detected": 0.0, "off_sent": 0.04, "off_confirmed": 21.0}
    # JSON cannot say NaN.
    assert (await http.get(f"{V1}/trips/3")).json()["trip"]["figures"]["let_through_j"] is None
    assert (await http.get(f"{V1}/trips/9")).json() == fault("not-found", "trip 9 is not in the log", f"{V1}/trips/9")


@pytest.mark.parametrize(
    ("code", "status"),
    [("not-found", 404), ("wrong-state", 409), ("link-down", 409), ("out-of-range", 400), ("log-down", 503)],
)
async def test_a_refusal_keeps_its_words(http: httpx.AsyncClient, bench: FakeBench, code: str, status: int) -> None:
    bench.refuse = Refused(code, "what was asked, what came back, what to do")
    answer = await http.post(f"{V1}/supplies/lab/channels/1/on")
    assert answer.status_code == status
    assert answer.json() == fault(code, bench.refuse.message, f"{V1}/supplies/lab/channels/1/on")


async def test_a_fault_of_ours_says_no_more_than_that(http: httpx.AsyncClient, bench: FakeBench) -> None:
    def broken() -> None:
        raise RuntimeError("secret detail")

    bench.view = broken  # type: ignore[method-assign,assignment]
    answer = await http.get(f"{V1}/bench")
    assert answer.status_code == 500
    assert answer.json() == fault("internal", "the daemon failed at this; its log says why", f"{V1}/bench")


JOB = {"id": "R-1042", "device": "phone", "board": "main rev 2", "symptom": "dead\nafter <script>"}


async def test_a_job_is_taken_in_and_put_on_the_bench(http: httpx.AsyncClient, bench: FakeBench) -> None:
    made = await http.post(f"{V1}/jobs", json=JOB)
    assert made.status_code == 201
    assert made.json().items() >= (JOB | {"created_ns": START_NS}).items()
    again = await http.post(f"{V1}/jobs", json=JOB)
    assert (again.status_code, again.json()) == (
        409,
        fault("wrong-state", "job R-1042 is there already", f"{V1}/jobs"),
    )
    chosen = await http.put(f"{V1}/bench/job", json={"job": "R-1042"})
    assert (chosen.status_code, chosen.json()["job"]) == (200, "R-1042")
    none = await http.put(f"{V1}/bench/job", json={"job": None})
    assert none.json()["job"] is None
    assert (await http.put(f"{V1}/bench/job", json={"job": "R-9"})).status_code == 404
    assert (await http.get(f"{V1}/jobs")).json() == {"jobs": [made.json()]}


async def test_a_note_goes_to_the_job_on_the_bench_or_to_the_one_named(
    http: httpx.AsyncClient, bench: FakeBench
) -> None:
    bench.job = "R-1"
    first = await http.post(f"{V1}/journal", json={"text": "cleaned the connector"})
    assert (first.status_code, first.json()) == (
        201,
        {
            "seq": 1, "t_ns": START_NS, "kind": "note", "job": "R-1", "supply": None, "channel": None, "trace": None,
            "payload": {"text": "cleaned the connector"},
        },
    )  # fmt: skip
    await http.post(f"{V1}/journal", json={"text": "ordered the chip", "job": "R-2"})
    assert [e["job"] for e in (await http.get(f"{V1}/journal")).json()["entries"]] == ["R-2", "R-1"]
    only = (await http.get(f"{V1}/journal", params={"job": "R-1", "limit": 5})).json()
    assert only == {"entries": [first.json()]}


BAD: list[tuple[str, str, Any, str, str]] = [
    # method, path, body, code, where
    ("POST", "/jobs", b"{", "malformed", "body"),
    ("POST", "/jobs", b"[1]", "bad-value", "body"),
    ("POST", "/jobs", b'{"id": "R-1", "colour": 1}', "unknown-key", "body.colour"),
    ("POST", "/jobs", b'{"id": "a/b"}', "bad-value", "body.id"),
    ("POST", "/jobs", b'{"id": "=A1"}', "bad-value", "body.id"),
    ("POST", "/jobs", b'{"id": "R-1\\n"}', "bad-value", "body.id"),
    ("POST", "/jobs", b'{"id": 7}', "bad-value", "body.id"),
    ("POST", "/jobs", b'{"id": "R-1", "device": "a\\u0000b"}', "bad-value", "body.device"),
    ("POST", "/jobs", b'{"id": "R-1", "device": "\\ud800"}', "bad-value", "body.device"),
    ("POST", "/jobs", b'{"id": "R-1", "device": "' + b"x" * 121 + b'"}', "bad-value", "body.device"),
    ("POST", "/jobs", b'{"id": "R-1", "\\ud800": 1}', "bad-value", "body"),
    ("PUT", "/bench/job", b"{}", "missing", "body.job"),
    ("POST", "/journal", b'{"text": " \\n "}', "bad-value", "body.text"),
    ("POST", "/journal", b"\xff\xfe", "malformed", "body"),
    ("POST", "/supplies/lab/channels/1/on", b'{"volts": 3}', "unknown-key", "body.volts"),
    ("POST", "/supplies/lab/channels/1/on", b'{"voltage_v": 0}', "bad-value", "body.voltage_v"),
    ("POST", "/supplies/lab/channels/1/on", b'{"voltage_v": "3"}', "bad-value", "body.voltage_v"),
    ("POST", "/supplies/lab/channels/1/on", b'{"limit_a": NaN}', "bad-value", "body.limit_a"),
    ("POST", "/supplies/lab/channels/1/on", b'{"limit_a": -1}', "bad-value", "body.limit_a"),
    ("POST", "/supplies/lab/channels/1/on", b'{"by": "nobody"}', "bad-value", "body.by"),
    ("POST", "/supplies/lab/channels/1/next", b'{"stage": "boot"}', "unknown-key", "body.stage"),
    ("POST", "/supplies/lab/channels/1/rearm", b'{"by": 1}', "bad-value", "body.by"),
    ("PUT", "/plans/mine", b"[]", "bad-value", "body"),
    ("PUT", "/plans/mine", b'{"voltage_v": Infinity}', "bad-value", "body"),
    ("PUT", "/plans/mine", b'{"title": "a\\u0000"}', "bad-value", "body"),
    ("PUT", "/plans/mine", b'{"budget": {"energy_j": NaN}}', "bad-value", "body"),
    ("PUT", "/plans/mine", b'{"a": {"b": {"c": {"d": {}}}}}', "bad-value", "body"),
    ("GET", "/trips/0", b"", "bad-value", "path.number"),
    ("GET", "/trips/9223372036854775808", b"", "bad-value", "path.number"),
    ("GET", "/trips?limit=1001", b"", "bad-value", "query.limit"),
    ("POST", "/supplies/lab/channels/one/on", b"{}", "bad-value", "path.ch"),
    ("POST", "/supplies/lab/channels/0/on", b"{}", "bad-value", "path.ch"),
    ("POST", "/supplies/lab/channels/1/mark", b'{"kind": "tripped"}', "bad-value", "body.kind"),
    ("POST", "/traces/T1/marks", b'{"kind": "tripped", "at_s": 1.0}', "bad-value", "body.kind"),
    ("POST", "/traces/T1/marks", b'{"kind": "button", "at_s": -1.0}', "bad-value", "body.at_s"),
    ("POST", "/traces/T1/marks", b'{"kind": "button", "at_s": NaN}', "bad-value", "body.at_s"),
    ("POST", "/traces/T1/marks", b'{"kind": "button"}', "missing", "body.at_s"),
    ("GET", "/journal?limit=0", b"", "bad-value", "query.limit"),
    ("GET", "/journal?jobb=R-1", b"", "unknown-key", "query.jobb"),
    ("GET", "/traces/T1/samples?points=1e9", b"", "bad-value", "query.points"),
    ("GET", "/traces/T1/samples?from_s=nan", b"", "bad-value", "query.from_s"),
    ("GET", "/recent?supply=lab&channel=1&seconds=inf", b"", "bad-value", "query.seconds"),
    ("GET", "/recent?channel=1", b"", "missing", "query.supply"),
]


@pytest.mark.parametrize(("method", "path", "content", "code", "where"), BAD)
async def test_bad_input_names_the_place_and_does_nothing(
    http: httpx.AsyncClient, bench: FakeBench, method: str, path: str, content: bytes, code: str, where: str
) -> None:
    answer = await http.request(method, V1 + path, content=content, headers={"Content-Type": "application/json"})
    assert answer.status_code == 400
    error = answer.json()["error"]
    assert (error["code"], error["where"]) == (code, where)
    assert error["message"]
    assert (bench.asked, bench.job_list, bench.entries) == ([], [], [])


async def test_the_text_of_a_bad_value_says_what_came_and_what_is_allowed(http: httpx.AsyncClient) -> None:
    answer = await http.get(f"{V1}/journal", params={"limit": 5000})
    assert answer.json() == fault(
        "bad-value", "limit = '5000': Input should be less than or equal to 1000", "query.limit"
    )


@pytest.mark.parametrize(
    ("method", "path", "status", "code"),
    [
        ("GET", "/api/v1/nothing", 404, "not-found"),
        ("POST", "/api/v1/nothing", 404, "not-found"),
        ("GET", "/api/v1/off", 405, "wrong-method"),
        ("DELETE", "/api/v1/jobs", 405, "wrong-method"),
        ("GET", "/api/v1/traces/T9", 404, "not-found"),
        ("GET", "/api/v1/traces/T9/csv", 404, "not-found"),
        ("GET", "/api/v1/traces/T9/picture.svg", 404, "not-found"),
        ("GET", "/api/v1/docs", 404, "not-found"),
        ("POST", "/api/v1/trips", 405, "wrong-method"),
        ("DELETE", "/api/v1/plans", 405, "wrong-method"),
        ("GET", "/package.json", 404, "not-found"),
        ("GET", "/../pyproject.toml", 404, "not-found"),
        ("GET", "/%2e%2e/build_hook.py", 404, "not-found"),
        ("POST", "/index.html", 404, "not-found"),
    ],
)
async def test_what_is_not_there(http: httpx.AsyncClient, method: str, path: str, status: int, code: str) -> None:
    answer = await http.request(method, path)
    assert (answer.status_code, answer.json()["error"]["code"]) == (status, code)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(content=st.one_of(st.binary(max_size=60), st.text(max_size=60).map(lambda s: s.encode("utf-8", "ignore"))))
async def test_no_body_whatever_is_a_fault_of_ours(http: httpx.AsyncClient, content: bytes) -> None:
    for path in ("/jobs", "/journal", "/supplies/lab/channels/1/on", "/supplies/lab/channels/1/mark", "/plans/p"):
        method = "PUT" if path.startswith("/plans") else "POST"
        answer = await http.request(method, V1 + path, content=content, headers={"Content-Type": "application/json"})
        assert answer.status_code < 500
        if answer.status_code >= 400:
            assert set(answer.json()["error"]) == {"code", "message", "where"}


# ---- traces


def spiky() -> Any:
    samples = make_samples(START_NS, 60, 1000)
    samples.current_a[31_234] = 1.75
    samples.current_a[31_235] = np.nan
    return samples


async def test_a_trace_with_its_finding(http: httpx.AsyncClient, bench: FakeBench) -> None:
    row = bench.file("T1", "R-1", make_samples(START_NS, 3, 50), finding())
    bench.file("T2", "R-2", make_samples(START_NS, 3, 50), start_ns=START_NS + 5)
    assert (await http.get(f"{V1}/traces/T1")).json() == as_json(row)
    assert [t["id"] for t in (await http.get(f"{V1}/traces")).json()["traces"]] == ["T2", "T1"]
    assert (await http.get(f"{V1}/traces", params={"job": "R-1"})).json() == {"traces": [as_json(row)]}


async def test_a_mark_by_hand_is_set_and_taken_away(http: httpx.AsyncClient, bench: FakeBench) -> None:
    bench.file("T1", "R-1", make_samples(START_NS, 3, 50), finding())
    body: dict[str, Any] = {"kind": "button", "at_s": 1.25, "by": "page"}
    answer = (await http.post(f"{V1}/traces/T1/marks", json=body)).json()
    assert answer["marks"] == [{"kind": "button", "t_ns": START_NS + 1_250_000_000, "by": "hand", "why": ""}]
    answer = (await http.post(f"{V1}/traces/T1/marks", json=body | {"at_s": None})).json()
    assert answer["marks"] == []
    assert bench.asked == [("mark-trace", "T1", "button", at_s, "page") for at_s in (1.25, None)]
    assert (await http.post(f"{V1}/traces/T9/marks", json=body)).status_code == 404


async def test_a_spike_of_one_reading_survives_thinning(http: httpx.AsyncClient, bench: FakeBench) -> None:
    bench.file("T1", None, spiky())
    whole = (await http.get(f"{V1}/traces/T1/samples", params={"points": 600})).json()
    assert whole["readings"] == 60_000
    assert whole["thinned"] is True
    assert len(whole["t_s"]) == len(whole["v"]) == len(whole["i"]) <= 600
    assert whole["i"][whole["t_s"].index(31.234)] == 1.75
    assert (whole["t0_ns"], whole["t_s"][0], whole["t_s"][-1]) == (START_NS, 0.0, 59.999)


async def test_a_part_close_up_has_every_reading_and_one_beyond_each_edge(
    http: httpx.AsyncClient, bench: FakeBench
) -> None:
    bench.file("T1", None, spiky())
    params = {"points": 600, "from_s": 31.2325, "to_s": 31.2365}
    part = (await http.get(f"{V1}/traces/T1/samples", params=params)).json()
    assert part == {
        "t0_ns": START_NS,
        "t_s": [31.232, 31.233, 31.234, 31.235, 31.236, 31.237],
        "v": [4.0] * 6,
        "i": [0.06, 0.06, 1.75, None, 0.06, 0.06],
        "readings": 6,
        "thinned": False,
    }


async def test_the_file_to_take_away_reads_back_as_the_same_trace(http: httpx.AsyncClient, bench: FakeBench) -> None:
    samples = make_samples(START_NS, 3, 50)
    row = bench.file("T1", "R-1", samples)
    answer = await http.get(f"{V1}/traces/T1/csv")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.headers["content-disposition"] == 'attachment; filename="T1.csv"'
    trace = parse_csv(answer.text)
    assert trace.conditions == row.conditions
    assert trace.mark_s("button") == 1.2
    np.testing.assert_array_equal(trace.samples.t_ns, samples.t_ns - START_NS)
    np.testing.assert_array_equal(trace.samples.current_a, samples.current_a)


async def test_a_picture_of_a_trace_in_both_kinds(http: httpx.AsyncClient, bench: FakeBench) -> None:
    bench.file("T1", "R-1", make_samples(START_NS, 3, 50), finding())
    svg, png = [await http.get(f"{V1}/traces/T1/picture.{kind}") for kind in ("svg", "png")]
    assert (svg.headers["content-type"], png.headers["content-type"]) == ("image/svg+xml", "image/png")
    assert "T1, job R-1" in svg.text
    assert png.content.startswith(b"\x89PNG")
    other = await http.get(f"{V1}/traces/T1/picture.pdf")
    assert (other.status_code, other.json()["error"]["code"]) == (400, "bad-value")


async def test_recent_readings(http: httpx.AsyncClient, bench: FakeBench) -> None:
    params: dict[str, Any] = {"supply": "lab", "channel": 1, "seconds": 2}
    none = {"t0_ns": 0, "t_s": [], "v": [], "i": [], "readings": 0, "thinned": False}
    assert (await http.get(f"{V1}/recent", params=params)).json() == none
    bench.memory["lab", 1] = make_samples(START_NS, 0.03, 100)
    assert (await http.get(f"{V1}/recent", params=params)).json() == {
        "t0_ns": START_NS, "t_s": [0.0, 0.01, 0.02], "v": [4.0] * 3, "i": [0.06] * 3, "readings": 3, "thinned": False,
    }  # fmt: skip
    assert bench.asked[-1] == ("recent", "lab", 1, 2.0)
    assert (await http.get(f"{V1}/recent", params=params | {"channel": 9})).status_code == 404


# ---- the description


async def test_the_description_names_every_shape_it_uses(http: httpx.AsyncClient) -> None:
    answer = await http.get(f"{V1}/openapi.json")
    text = answer.text
    schema = answer.json()
    assert schema["openapi"].startswith("3.")
    assert {"/bench", "/off", "/jobs", "/bench/job", "/journal", "/traces", "/trips", "/plans", "/recent"} <= set(
        schema["paths"]
    )
    used = {part.split('"')[0] for part in text.split("#/components/schemas/")[1:]}
    assert used
    assert used <= set(schema["components"]["schemas"])
    assert "422" not in text
    assert "HTTPValidationError" not in text
