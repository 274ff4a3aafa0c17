"""Filed traces are listed by what is asked of them."""

from __future__ import annotations

import httpx
import pytest

from tests.web.fake import FakeBench

V1 = "/api/v1"
NOTHING = {"board": None, "signature": None, "since_ns": None, "until_ns": None}


async def test_each_condition_reaches_the_bench(http: httpx.AsyncClient, bench: FakeBench) -> None:
    asked = {"job": "R-1", "board": "blue", "signature": "low-stall", "since_ns": "5", "until_ns": "9", "limit": "7"}
    assert (await http.get(f"{V1}/traces", params=asked)).json() == {"traces": []}
    wanted = {"board": "blue", "signature": "low-stall", "since_ns": 5, "until_ns": 9}
    assert bench.lists[-1] == ("R-1", 7, wanted)
    await http.get(f"{V1}/traces")
    assert bench.lists[-1] == (None, 100, NOTHING)


@pytest.mark.parametrize(
    "wrong", [{"since_ns": "yesterday"}, {"since_ns": "-1"}, {"until_ns": str(2**63)}, {"board": "a\nb"}, {"card": "x"}]
)
async def test_what_is_no_condition_is_refused(
    http: httpx.AsyncClient, bench: FakeBench, wrong: dict[str, str]
) -> None:
    answer = await http.get(f"{V1}/traces", params=wrong)
    assert answer.status_code == 400
    assert next(iter(wrong)) in answer.json()["error"]["message"]
    assert not bench.lists
