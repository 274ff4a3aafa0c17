"""The figures' address: beside the API, behind the same gate."""

from __future__ import annotations

import httpx

from tests.web.fake import FakeBench


async def test_the_figures_come_as_the_bench_made_them(http: httpx.AsyncClient, bench: FakeBench) -> None:
    answer = await http.get("/metrics", headers={"Accept": "text/plain;version=0.0.4"})
    assert answer.status_code == 200
    assert answer.content == b"lab_outputs 2.0\n"
    # Exposition formats of the Prometheus documentation, "Text-based format": the version belongs to the type.
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    assert bench.asked == [("metrics", "text/plain;version=0.0.4")]


async def test_they_are_only_read(http: httpx.AsyncClient) -> None:
    answer = await http.post("/metrics", headers={"Origin": "http://localhost:8425"})
    assert (answer.status_code, answer.json()["error"]["code"]) == (404, "not-found")


async def test_a_stranger_s_name_for_the_bench_is_refused(http: httpx.AsyncClient) -> None:
    answer = await http.get("/metrics", headers={"Host": "metrics.example"})
    assert (answer.status_code, answer.json()["error"]["code"]) == (403, "wrong-host")
