"""What may be believed of benches that are heard over a broker."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.web.benches import MOST_BENCHES, MOST_BYTES, MOST_OUTPUTS, SILENT_S, TWICE_S, Benches
from benchd.web.benches_view import BenchSeen, OutputSeen

RUN = "run-1"


def state(output: str = "off", run: str = RUN, **more: Any) -> bytes:
    """A state as a daemon publishes it."""
    said = {"output": output, "reason": "asked", "latched": False, "link_up": True, "job": None, "t_ns": 5, "run": run}
    return json.dumps(said | more).encode()


def who(run: str = RUN, **more: Any) -> bytes:
    return json.dumps({"run": run, "log": "L1", "version": "0.1.0", "since_ns": 1} | more).encode()


def heard(at: float = 100.0, output: str = "off", **more: Any) -> Benches:
    """One bench with one output that has just said all that it says when it comes up."""
    benches = Benches("127.0.0.1:1883")
    benches.listening()
    benches.take("benchd/north/psu-a/1/state", state(output, **more), False, at)
    benches.take("benchd/north/who", who(), False, at)
    benches.take("benchd/north/availability", b"online", False, at)
    return benches


def bench_of(benches: Benches, at: float, name: str = "north") -> BenchSeen:
    return next(b for b in benches.view(at).benches if b.bench == name)


def output_of(benches: Benches, at: float) -> OutputSeen:
    (one,) = bench_of(benches, at).outputs
    return one


@pytest.mark.parametrize("output", ["on", "off"])
def test_a_bench_that_is_there_is_believed(output: str) -> None:
    benches = heard(output=output, job="R-1042")
    seen = bench_of(benches, 101.0)
    assert (seen.standing, seen.text, seen.word_age_s, seen.job) == ("online", "", 1.0, "R-1042")
    (one,) = seen.outputs
    assert (one.output, one.doubt, one.last) == (output, "", output)


@pytest.mark.parametrize("output", ["on", "off"])
def test_what_the_broker_kept_of_an_output_is_not_believed_before_a_live_word(output: str) -> None:
    """A broker that was killed with the daemon keeps "online" and the last state: its will was never sent."""
    benches = Benches("b")
    benches.listening()
    benches.take("benchd/north/psu-a/1/state", state(output), True, 1.0)
    benches.take("benchd/north/who", who(), True, 1.0)
    benches.take("benchd/north/availability", b"online", True, 1.0)
    seen = bench_of(benches, 1.0)
    assert (seen.standing, seen.word_age_s, seen.outputs[0].output, seen.outputs[0].last) == (
        "unknown", None, "unknown", output,
    )  # fmt: skip
    benches.take("benchd/north/psu-a/1/reading", b'{"current_a": 0.5}', False, 2.0)
    assert output_of(benches, 2.0).output == output


def test_a_bench_that_is_away_is_never_off() -> None:
    benches = heard()
    benches.take("benchd/north/psu-a/1/reading", b'{"current_a": 0.5}', False, 100.5)
    benches.take("benchd/north/availability", b"offline", False, 101.0)
    seen = bench_of(benches, 101.0)
    assert seen.standing == "away"
    assert "away" in seen.text
    (one,) = seen.outputs
    assert (one.output, one.last, one.last_ns) == ("unknown", "off", 5)
    assert one.doubt == seen.text
    assert (one.current_a, one.reading_age_s) == (None, None)  # no number of it is a present one


def test_a_bench_that_says_nothing_any_more_is_not_vouched_for() -> None:
    benches = heard(at=100.0)
    assert bench_of(benches, 100.0 + SILENT_S).standing == "online"
    seen = bench_of(benches, 100.1 + SILENT_S)
    assert (seen.standing, seen.outputs[0].output) == ("silent", "unknown")
    benches.take("benchd/north/psu-a/1/reading", b"{}", False, 130.0)
    assert output_of(benches, 130.0).output == "off"
    assert bench_of(benches, float("nan")).standing == "silent"


def test_without_the_broker_nothing_is_known_and_afterwards_all_is_said_again() -> None:
    benches = heard()
    benches.deaf("127.0.0.1:1883: refused")
    view = benches.view(100.0)
    assert (view.heard, view.text, view.benches[0].standing) == (False, "127.0.0.1:1883: refused", "unknown")
    assert view.benches[0].outputs[0].output == "unknown"
    benches.listening()
    assert output_of(benches, 100.0).output == "unknown"
    benches.take("benchd/north/availability", b"online", True, 101.0)
    benches.take("benchd/north/psu-a/1/reading", b"{}", False, 101.0)
    assert output_of(benches, 101.0).output == "unknown"  # its state was not said again: the broker lost it
    benches.take("benchd/north/psu-a/1/state", state("on"), True, 101.0)
    assert output_of(benches, 101.0).output == "on"


def test_a_state_of_an_earlier_run_is_not_believed() -> None:
    """An output that left the settings: its retained state says off for ever."""
    benches = heard()
    benches.take("benchd/north/psu-b/2/state", state("off", run="run-0"), True, 100.0)
    first, second = bench_of(benches, 100.0).outputs
    assert (first.output, second.output) == ("off", "unknown")
    assert "another run" in second.doubt


def test_a_daemon_that_was_restarted_is_believed_again() -> None:
    benches = heard(output="on")
    benches.take("benchd/north/availability", b"offline", False, 101.0)
    benches.take("benchd/north/psu-a/1/state", state("off", run="run-2"), False, 102.0)
    benches.take("benchd/north/who", who("run-2"), False, 102.0)
    benches.take("benchd/north/availability", b"online", False, 102.0)
    assert bench_of(benches, 102.0).standing == "online"
    assert output_of(benches, 102.0).output == "off"


@pytest.mark.parametrize("sign", ["state", "who"])
def test_two_benches_under_one_name_are_told_and_neither_is_believed(sign: str) -> None:
    benches = heard()
    benches.take("benchd/north/psu-a/1/state", state("on", run="other"), False, 101.0)
    benches.take("benchd/north/who", who("other"), False, 101.0)
    assert bench_of(benches, 101.0).standing == "online"  # as after a restart
    payload = state("off") if sign == "state" else who()
    benches.take("benchd/north/psu-a/1/state" if sign == "state" else "benchd/north/who", payload, False, 102.0)
    seen = bench_of(benches, 102.0)
    assert (seen.standing, seen.outputs[0].output) == ("twice", "unknown")
    assert "another name" in seen.text
    benches.take("benchd/north/psu-a/1/state", state("on", run="other"), False, 101.0 + TWICE_S)
    benches.take("benchd/north/who", who("other"), False, 101.0 + TWICE_S)
    assert bench_of(benches, 103.0 + TWICE_S).standing == ("online" if sign == "state" else "twice")


@pytest.mark.parametrize(
    ("payload", "word"),
    [
        (state("off", link_up=False), "not reached"),
        (state("unknown", reason="link-lost"), "link-lost"),
        (state("OFF"), "does not know"),
        (b"{", "not so that it can be understood"),
        (b'{"output": 0}', "not so that it can be understood"),
        (b" " * MOST_BYTES + state(), "not so that it can be understood"),
    ],
)
def test_what_is_no_plain_word_of_the_bench_is_unknown(payload: bytes, word: str) -> None:
    benches = heard()
    benches.take("benchd/north/psu-a/1/state", payload, False, 101.0)
    one = output_of(benches, 101.0)
    assert one.output == "unknown"
    assert word in one.doubt


def test_a_state_that_was_taken_away_is_gone() -> None:
    benches = heard()
    benches.take("benchd/north/psu-a/1/state", b"", False, 101.0)
    assert bench_of(benches, 101.0).outputs == []


def test_readings_trips_and_findings() -> None:
    benches = heard(output="on", job="R-7")
    reading = {"t_ns": 1, "voltage_v": 4.0, "current_a": 0.25, "power_w": 1.0, "mode": "cv", "trace": "t-1"}
    benches.take("benchd/north/psu-a/1/reading", json.dumps(reading).encode(), False, 101.0)
    trip = {"rule": "short", "text": "too low", "t_ns": 50, "off_confirmed": True, "job": "R-7", "supply": "psu-a"}
    benches.take("benchd/north/psu-a/1/trip", json.dumps(trip).encode(), False, 101.0)
    benches.take("benchd/north/psu-a/1/trip", json.dumps(trip | {"t_ns": 40, "rule": "stale"}).encode(), False, 101.0)
    found = {"t_ns": 60, "job": "R-7", "finding": {"signature": "low-stall", "confidence": 0.9, "evidence": []}}
    benches.take("benchd/north/psu-a/1/finding", json.dumps(found).encode(), False, 101.0)
    benches.take("benchd/north/psu-a/1/finding", b'{"t_ns": 70, "finding": {"confidence": 1}}', False, 101.0)
    seen = bench_of(benches, 101.5)
    (one,) = seen.outputs
    assert (one.voltage_v, one.current_a, one.power_w, one.mode, one.trace) == (4.0, 0.25, 1.0, "cv", "t-1")
    assert one.reading_age_s == 0.5
    assert seen.trip is not None
    assert (seen.trip.rule, seen.trip.off_confirmed, seen.trip.job) == ("short", True, "R-7")  # the newer one stays
    assert seen.finding is not None
    assert (seen.finding.signature, seen.finding.confidence) == ("low-stall", 0.9)
    benches.take("benchd/north/psu-a/1/reading", b"[", False, 102.0)
    assert output_of(benches, 102.0).current_a is None


def test_a_latched_trip_comes_with_the_state() -> None:
    trip = {"rule": "over-current", "text": "2.1 A", "detected_ns": 77, "off_confirmed": False}
    benches = heard(output="unknown", latched=True, trip=trip, job="R-1")
    seen = bench_of(benches, 100.0)
    (one,) = seen.outputs
    assert one.latched
    assert one.trip == seen.trip
    assert one.trip is not None
    assert (one.trip.rule, one.trip.t_ns, one.trip.off_confirmed, one.trip.job) == ("over-current", 77, False, "R-1")


@pytest.mark.parametrize("page", ["javascript:alert(1)", "ftp://a", 'http://a"', "http://a b", ""])
def test_only_a_web_address_becomes_a_link(page: str) -> None:
    benches = heard()
    benches.take("benchd/north/who", who(page="http://north.example:8425/"), False, 100.0)
    assert bench_of(benches, 100.0).page == "http://north.example:8425/"
    benches.take("benchd/north/who", who(page=page), False, 100.0)
    assert bench_of(benches, 100.0).page == ""


def test_what_is_kept_is_bounded() -> None:
    benches = Benches("b")
    benches.listening()
    for n in range(MOST_BENCHES + 5):
        benches.take(f"benchd/bench-{n}/availability", b"online", False, 1.0)
    for n in range(1, MOST_OUTPUTS + 5):
        benches.take(f"benchd/bench-0/psu-{n}/1/reading", b"{}", False, 1.0)
    view = benches.view(1.0)
    assert len(view.benches) == MOST_BENCHES
    assert len(view.benches[0].outputs) == MOST_OUTPUTS
    assert "more than is shown" in view.text


levels = st.sampled_from(
    ["benchd", "north", "psu-a", "1", "state", "reading", "trip", "who", "availability", "", "x/y"]
)
payloads = st.one_of(
    st.binary(max_size=60),
    st.sampled_from([state("on"), state("off"), who(), who("run-2"), b"online", b"offline"]),
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(max_size=9),
        lambda inner: st.dictionaries(st.sampled_from(["run", "output", "finding", "t_ns", "trip", "page"]), inner),
        max_leaves=6,
    ).map(lambda value: json.dumps(value).encode()),
)


@given(st.lists(st.tuples(st.lists(levels, min_size=1, max_size=5).map("/".join), payloads, st.booleans())))
def test_nothing_that_comes_over_a_broker_is_too_much(messages: list[tuple[str, bytes, bool]]) -> None:
    """And without a plain off that is vouched for, no output is off."""
    benches = Benches("b")
    benches.listening()
    for topic, payload, retained in messages:
        benches.take(topic, payload, retained, 1.0)
    said = {payload for topic, payload, _ in messages if topic.endswith("/state")}
    live = any(not retained for _, _, retained in messages)
    for bench in benches.view(1.0).benches:
        for one in bench.outputs:
            if one.output == "off":
                assert live
                assert state("off") in said
                assert b"online" in {payload for _, payload, _ in messages}
