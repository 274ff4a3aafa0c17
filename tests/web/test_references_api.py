"""The API of references and of traces beside others."""

from __future__ import annotations

import json
from typing import Any

import httpx
import msgspec
import pytest

from tests.web.fake import START_NS, FakeBench, finding, make_samples

V1 = "/api/v1"


@pytest.fixture
def filed(bench: FakeBench) -> FakeBench:
    for k, id in enumerate(("T1", "T2")):
        bench.file(id, "R-1", make_samples(START_NS, 3, 50), finding(), start_ns=START_NS + k)
    return bench


async def test_a_reference_is_added_listed_and_removed(http: httpx.AsyncClient, filed: FakeBench) -> None:
    body = {"trace": "T1", "board": "demo-b", "note": "from stock", "by": "page"}
    added = await http.post(f"{V1}/references", json=body)
    kept = {"trace": "T1", "board": "demo-b", "note": "from stock", "added_ns": START_NS}
    assert (added.status_code, added.json()) == (201, {"reference": kept, "doubt": "it reads as low-stall"})
    assert (await http.get(f"{V1}/references")).json() == {"references": [kept]}
    assert (await http.get(f"{V1}/references", params={"board": "demo-c"})).json() == {"references": []}
    gone = await http.delete(f"{V1}/references/T1", params={"by": "page"})
    assert (gone.status_code, gone.json()) == (200, kept)
    again = await http.delete(f"{V1}/references/T1")
    assert (again.status_code, again.json()["error"]["code"]) == (404, "not-found")
    assert filed.asked == [("reference", "T1", "demo-b", "from stock", "page"), ("no-reference", "T1", "page")]


async def test_a_trace_is_compared_with_the_one_that_is_named(http: httpx.AsyncClient, filed: FakeBench) -> None:
    answer = await http.get(f"{V1}/traces/T2/compare", params={"with": "T1"})
    assert answer.status_code == 200
    assert answer.json()["similarity"] == 0.31
    assert answer.json()["compared_s"] == 12.0
    alone = await http.get(f"{V1}/traces/T2/compare")
    assert (alone.status_code, alone.json()["error"]["code"]) == (409, "wrong-state")


async def test_a_band_has_null_where_no_reference_reaches(http: httpx.AsyncClient, filed: FakeBench) -> None:
    answer = (await http.get(f"{V1}/traces/T1/band")).json()
    assert (answer["t_s"], answer["mean_a"], answer["high_a"]) == ([1.0, 1.05], [0.1, None], [0.11, None])


async def test_the_nearest_come_with_their_rows(http: httpx.AsyncClient, filed: FakeBench) -> None:
    answer = (await http.get(f"{V1}/traces/T1/nearest", params={"count": 3})).json()
    row = json.loads(msgspec.json.encode(filed.filed["T2"][0]))
    assert answer == {"nearest": [{"trace": row, "distance_a": 0.01}], "waiting": 0}


WRONG: list[tuple[str, str, Any, str, str]] = [
    ("POST", "/references", {}, "missing", "body.trace"),
    ("POST", "/references", {"trace": "T1", "boards": "x"}, "unknown-key", "body.boards"),
    ("POST", "/references", {"trace": "T1", "board": "x" * 121}, "bad-value", "body.board"),
    ("POST", "/references", {"trace": "T1", "board": "a\nb"}, "bad-value", "body.board"),
    ("GET", "/traces/T1/compare?earlier=T2", None, "unknown-key", "query.earlier"),
    ("GET", "/traces/T1/nearest?count=0", None, "bad-value", "query.count"),
    ("DELETE", "/references/T1?by=nobody", None, "bad-value", "query.by"),
]


@pytest.mark.parametrize(("method", "path", "body", "code", "where"), WRONG)
async def test_what_is_wrong_with_a_request_is_said(
    http: httpx.AsyncClient, filed: FakeBench, method: str, path: str, body: Any, code: str, where: str
) -> None:
    answer = await http.request(method, f"{V1}{path}", json=body)
    assert answer.status_code == 400
    assert (answer.json()["error"]["code"], answer.json()["error"]["where"]) == (code, where)


@pytest.mark.parametrize("path", ["compare?with=T1", "band", "nearest"])
async def test_a_trace_that_is_not_there_is_not_found(http: httpx.AsyncClient, filed: FakeBench, path: str) -> None:
    answer = await http.get(f"{V1}/traces/T9/{path}")
    assert (answer.status_code, answer.json()["error"]["code"]) == (404, "not-found")
