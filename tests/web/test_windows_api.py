"""Parts of traces over HTTP."""

from __future__ import annotations

import httpx
import pytest

from benchd.web.desks import Desks
from tests.web.fake import START_NS, FakeBench, make_samples
from tests.web.fake_windows import FakeWindows


@pytest.fixture
def desks(bench: FakeBench) -> Desks:
    return Desks(windows=FakeWindows(bench))


async def test_a_part_comes_on_columns_with_its_neighbours(http: httpx.AsyncClient, bench: FakeBench) -> None:
    bench.file("T1", None, make_samples(START_NS, 100, 100, lambda t: 0.1 + t / 1000))
    got = (await http.get("/api/v1/traces/T1/window", params={"from_s": 10, "to_s": 20, "columns": 10})).json()
    assert (got["readings"], got["thinned"], got["t0_ns"]) == (1000, True, START_NS)
    assert (got["from_s"], got["to_s"]) == (10.0, 20.0)
    assert got["t_s"] == [9.99, *(x for n in range(10) for x in (10.0 + n, round(10.99 + n, 9))), 20.0]
    assert got["i"][:3] == [0.10999, 0.11, 0.11099]
    whole = (await http.get("/api/v1/traces/T1/window", params={"from_s": 10, "to_s": 10.05, "columns": 10})).json()
    assert (whole["readings"], whole["thinned"], len(whole["t_s"])) == (5, False, 7)
    assert (await http.get("/api/v1/traces/T1/window")).json()["readings"] == 10_000


async def test_two_moments_are_measured(http: httpx.AsyncClient, bench: FakeBench) -> None:
    bench.file("T1", None, make_samples(START_NS, 10, 100, lambda t: 0.5 + 0 * t))
    got = (await http.get("/api/v1/traces/T1/between", params={"from_s": 2, "to_s": 4})).json()
    assert got["charge_c"] == pytest.approx(1.0)
    assert got["last"] == {"t_s": 4.0, "voltage_v": 4.0, "current_a": 0.5}
    measured = (await http.get("/api/v1/traces/T1/measured")).json()
    assert {"charge_c", "energy_j"} <= {row["name"] for row in measured["quantities"]}


async def test_several_stand_on_one_axis_in_the_order_asked_for(http: httpx.AsyncClient, bench: FakeBench) -> None:
    for id in ("T1", "T2"):
        bench.file(id, None, make_samples(START_NS, 6, 50, lambda t: 0.3 * (t > 2)), marks=[])
    got = (await http.get("/api/v1/line-up", params={"trace": ["T2", "T1"]})).json()["traces"]
    assert [(one["trace"]["id"], one["by"]) for one in got] == [("T2", "button"), ("T1", "button")]
    assert got[0]["zero_s"] == pytest.approx(2.0, abs=0.1)


@pytest.mark.parametrize(
    ("path", "where", "code", "says"),
    [
        ("traces/T9/window", "/api/v1/traces/T9/window", "not-found", "trace 'T9' is not in the log"),
        ("traces/T1/window?columns=0", "query.columns", "bad-value", "greater than or equal to 1"),
        ("traces/T1/window?from_s=2&to_s=2", "query", "bad-value", "must lie after from_s = 2.0 s"),
        ("traces/T1/window?from_s=nan", "query.from_s", "bad-value", "from_s"),
        ("traces/T1/window?form=2", "query.form", "unknown-key", "form"),
        ("traces/T1/between?from_s=2&to_s=1", "query", "bad-value", "must not lie before"),
        ("traces/T1/between?from_s=2", "query.to_s", "missing", "has to be given"),
        ("line-up", "query.trace", "missing", "has to be given"),
        ("line-up?" + "&".join(["trace=T1"] * 9), "query.trace", "bad-value", "at most 8"),
    ],
)
async def test_what_cannot_be_shown_is_refused(
    http: httpx.AsyncClient, bench: FakeBench, path: str, where: str, code: str, says: str
) -> None:
    bench.file("T1", None, make_samples(START_NS, 1, 50))
    answer = await http.get(f"/api/v1/{path}")
    error = answer.json()["error"]
    assert (answer.status_code, error["code"], error["where"]) == (404 if code == "not-found" else 400, code, where)
    assert says in error["message"]


async def test_a_mark_by_an_old_picture_of_the_trace_is_refused(http: httpx.AsyncClient, bench: FakeBench) -> None:
    bench.file("T1", None, make_samples(START_NS, 20, 50))
    marks = (await http.get("/api/v1/traces/T1")).json()["marks"]
    body = {"kind": "button", "at_s": 2.0, "by": "page", "seen": marks}
    assert (await http.post("/api/v1/traces/T1/marks", json=body)).status_code == 200
    again = await http.post("/api/v1/traces/T1/marks", json=body | {"at_s": 3.0})
    error = again.json()["error"]
    assert (again.status_code, error["code"]) == (409, "stale")
    assert error["message"] == (
        "the marks of trace T1 are others by now: button 2.000 s; look at them, and set yours again"
    )
    seen = error["present"]["marks"]
    assert (await http.post("/api/v1/traces/T1/marks", json=body | {"at_s": 3.0, "seen": seen})).status_code == 200
    assert (await http.post("/api/v1/traces/T1/marks", json={"kind": "button", "at_s": None})).status_code == 200
    assert [a[3] for a in bench.asked if a[0] == "mark-trace"] == [2.0, 3.0, None]
