"""The API of steps and checklists."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from benchd.web.desks import Desks
from benchd.web.port import Refused
from tests.web.fake import START_NS
from tests.web.fake_steps import FakeSteps, beside

V1 = "/api/v1"
JOB = f"{V1}/jobs/R-1"


@pytest.fixture
def steps() -> FakeSteps:
    return FakeSteps()


@pytest.fixture
def desks(steps: FakeSteps) -> Desks:
    return Desks(steps=steps)


async def test_the_kinds_of_steps(http: httpx.AsyncClient) -> None:
    told = (await http.get(f"{V1}/steps")).json()
    assert [kind["id"] for kind in told["steps"]] == ["cleaned", "reflowed", "storage-lifted"]
    assert told["steps"][0] == {
        "id": "cleaned", "label": "Cleaned", "ask": "Where?", "details": ["by hand", "ultrasonic bath"],
        "plain": "The board was cleaned.", "checks_first": "", "origin": "shipped",
    }  # fmt: skip
    assert told["faults"] == []


async def test_a_step_is_written_down_and_taken_back(http: httpx.AsyncClient, steps: FakeSteps) -> None:
    said = {"step": "cleaned", "detail": "<b>by hand</b>", "text": "two\nlines", "minutes": 5, "effect": "T1"}
    made = await http.post(f"{JOB}/steps", json=said)
    assert (made.status_code, made.json()["payload"]["detail"]) == (201, "<b>by hand</b>")
    back = await http.post(f"{JOB}/steps/1/take-back")
    assert (back.status_code, back.json()["kind"]) == (200, "step-taken-back")
    again = await http.post(f"{JOB}/steps/1/take-back")
    assert (again.status_code, again.json()["error"]["code"]) == (409, "wrong-state")
    assert steps.asked == [
        ("step", "R-1", "cleaned", "<b>by hand</b>", "two\nlines", 5.0, "T1", False, "this machine"),
        ("take-back", "R-1", 1, "this machine"),
    ]


async def test_a_chip_waits_for_its_checks(http: httpx.AsyncClient, steps: FakeSteps) -> None:
    held = await http.post(f"{JOB}/steps", json={"step": "storage-lifted"})
    error = held.json()["error"]
    assert (held.status_code, error["code"]) == (409, "checks-open")
    assert [item["id"] for item in error["present"]["checklists"][0]["items"]] == ["a", "b"]
    anyway = await http.post(f"{JOB}/steps", json={"step": "storage-lifted", "anyway": True})
    assert anyway.status_code == 201


async def test_the_timeline_has_the_traces_beside_a_step(http: httpx.AsyncClient, steps: FakeSteps) -> None:
    await http.post(f"{JOB}/steps", json={"step": "cleaned"})
    await http.post(f"{JOB}/steps", json={"step": "reflowed"})
    steps.entries[0].before = beside("T1", START_NS, "low-stall")
    told = (await http.get(f"{JOB}/timeline", params={"limit": 1})).json()
    assert (told["job"], told["version"], told["more"], len(told["entries"])) == ("R-1", 2, True, 1)
    first = (await http.get(f"{JOB}/timeline")).json()["entries"][-1]
    assert first["before"] == {
        "id": "T1", "supply": "lab", "channel": 1, "start_ns": START_NS, "duration_s": 12.0, "peak_a": 0.9,
        "finding": {"signature": "low-stall", "confidence": 0.8},
    }  # fmt: skip
    assert (first["after"], first["with_steps"], first["taken_back"]) == (None, [], False)


async def test_items_are_ticked_by_who_has_seen_them(http: httpx.AsyncClient, steps: FakeSteps) -> None:
    lists = (await http.get(f"{JOB}/checklists")).json()["checklists"]
    assert [each["moment"] for each in lists] == ["before-power", "before-chip", "after-repair"]
    at = f"{JOB}/checklists/before-power/a"
    ticked = await http.put(at, json={"state": "done", "note": "dry", "seen": 0})
    assert (ticked.status_code, ticked.json()["open"]) == (200, 1)
    assert ticked.json()["items"][0] == {
        "id": "a", "label": "Before power: one", "why": "Since.", "state": "done", "note": "dry",
        "by": "this machine", "t_ns": START_NS + 1, "version": 1, "retired": False,
    }  # fmt: skip
    stale = await http.put(at, json={"state": "not-needed", "seen": 0})
    assert (stale.status_code, stale.json()["error"]["code"]) == (409, "stale")
    assert stale.json()["error"]["present"] == ticked.json()["items"][0]
    assert (await http.put(at, json={"state": "open"})).json()["open"] == 2, "a script need not have seen it"
    assert [each[4] for each in steps.asked] == ["done", "open"]


WRONG: list[tuple[str, str, Any, int, str, str]] = [
    ("POST", "/steps", {}, 400, "missing", "body.step"),
    ("POST", "/steps", {"step": "Cleaned!"}, 400, "bad-value", "body.step"),
    ("POST", "/steps", {"step": "cleaned", "minutes": -1}, 400, "bad-value", "body.minutes"),
    ("POST", "/steps", {"step": "cleaned", "anyway": 1}, 400, "bad-value", "body.anyway"),
    ("POST", "/steps", {"step": "cleaned", "why": ""}, 400, "unknown-key", "body.why"),
    ("POST", "/steps", {"step": "cleaned", "text": "x" * 4001}, 400, "bad-value", "body.text"),
    ("POST", "/steps", {"step": "cleaned", "detail": "a\nb"}, 400, "bad-value", "body.detail"),
    ("POST", "/steps", {"step": "baked"}, 400, "out-of-range", f"{JOB}/steps"),
    ("POST", "/steps/x/take-back", None, 400, "bad-value", "path.seq"),
    ("POST", "/steps/7/take-back", None, 404, "not-found", f"{JOB}/steps/7/take-back"),
    ("GET", "/timeline?limit=0", None, 400, "bad-value", "query.limit"),
    ("PUT", "/checklists/before-power/a", {"state": "maybe"}, 400, "bad-value", "body.state"),
    ("PUT", "/checklists/before-power/a", {"state": "done", "seen": "0"}, 400, "bad-value", "body.seen"),
    ("PUT", "/checklists/before-power/A", {"state": "done"}, 400, "bad-value", "path.item"),
    ("PUT", "/checklists/after/a", {"state": "done"}, 404, "not-found", f"{JOB}/checklists/after/a"),
]


@pytest.mark.parametrize(("method", "path", "body", "status", "code", "where"), WRONG)
async def test_what_is_wrong_is_told_at_its_place(
    http: httpx.AsyncClient, method: str, path: str, body: Any, status: int, code: str, where: str
) -> None:
    answer = await http.request(method, JOB + path, json=body)
    error = answer.json()["error"]
    assert (answer.status_code, error["code"], error["where"]) == (status, code, where)


async def test_a_job_that_is_not_there(http: httpx.AsyncClient, steps: FakeSteps) -> None:
    for path in ("timeline", "checklists"):
        assert (await http.get(f"{V1}/jobs/R-9/{path}")).status_code == 404
    steps.refuse = Refused("log-down", "the log cannot be read")
    assert (await http.get(f"{JOB}/timeline")).status_code == 503
