"""Who may ask: host names, origins, sizes, and the headers that go back."""

from __future__ import annotations

from collections.abc import AsyncIterator

import httpx
import pytest

from benchd.web.rights import BODY_LIMIT
from tests.web.fake import FakeBench

OFF = "/api/v1/off"


@pytest.mark.parametrize(
    "host",
    ["localhost", "localhost:8425", "LOCALHOST", "127.0.0.1:8425", "127.9.8.7", "[::1]:8425", "bench.example",
     "BENCH.example.:80"],
)  # fmt: skip
async def test_the_bench_answers_to_its_own_names(http: httpx.AsyncClient, host: str) -> None:
    assert (await http.get("/api/v1/bench", headers={"Host": host})).status_code == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", "localhost.evil.example", "127.0.0.1.evil.example", "192.0.2.7", "[2001:db8::1]", "", "local host",
     "localhost:80:80", "a@localhost", "bench.example.evil", "0x7f000001", "[localhost]"],
)  # fmt: skip
async def test_a_strange_host_name_gets_nothing(http: httpx.AsyncClient, bench: FakeBench, host: str) -> None:
    for method, path in (("GET", "/api/v1/bench"), ("GET", "/"), ("POST", OFF)):
        answer = await http.request(method, path, headers={"Host": host})
        assert answer.status_code == 403
        assert answer.json() == {
            "error": {
                "code": "wrong-host",
                "message": f"the bench is not called {host!r}; allowed: localhost, this machine's addresses, "
                "bench.example (`names` in the settings' [web])",
                "where": "header Host",
            }
        }
    assert bench.asked == []


@pytest.mark.parametrize(
    "origin",
    ["http://evil.example", "null", "http://localhost", "http://localhost:80", "http://localhost:8425.evil.example",
     "http://evil.example/localhost:8425", "file://", "chrome-extension://localhost:8425", ""],
)  # fmt: skip
async def test_a_page_from_elsewhere_changes_nothing(http: httpx.AsyncClient, bench: FakeBench, origin: str) -> None:
    answer = await http.post(OFF, headers={"Origin": origin})
    assert answer.status_code == 403
    assert answer.json()["error"]["code"] == "wrong-origin"
    assert bench.asked == []


@pytest.mark.parametrize("origin", ["http://localhost:8425", "https://localhost:8425", "http://LOCALHOST:8425"])
async def test_the_bench_s_own_page_may(http: httpx.AsyncClient, bench: FakeBench, origin: str) -> None:
    assert (await http.post(OFF, headers={"Origin": origin})).status_code == 200


async def test_a_page_that_came_in_the_clear_does_nothing_where_that_is_encrypted(http: httpx.AsyncClient) -> None:
    at = f"https://localhost:8425{OFF}"
    assert (await http.post(at, headers={"Origin": "http://localhost:8425"})).status_code == 403
    assert (await http.post(at, headers={"Origin": "https://localhost:8425"})).status_code == 200


async def test_the_form_of_the_page_cuts_off_without_any_script(http: httpx.AsyncClient, bench: FakeBench) -> None:
    headers = {"Origin": "http://localhost:8425", "Content-Type": "application/x-www-form-urlencoded"}
    assert (await http.post(OFF, content=b"", headers=headers)).status_code == 200
    assert bench.asked == [("off", None, None)]


async def test_permission_comes_before_parsing(http: httpx.AsyncClient) -> None:
    answer = await http.post("/api/v1/jobs", content=b"{", headers={"Origin": "http://evil.example"})
    assert answer.status_code == 403


@pytest.mark.parametrize("declared", [True, False])
async def test_a_body_above_the_limit(http: httpx.AsyncClient, declared: bool) -> None:
    async def pieces() -> AsyncIterator[bytes]:
        for _ in range(BODY_LIMIT // 1024 + 1):
            yield b"x" * 1024

    content = b"x" * (BODY_LIMIT + 1) if declared else pieces()
    answer = await http.post("/api/v1/journal", content=content)
    assert answer.status_code == 413
    size = BODY_LIMIT + 1 if declared else f"over {BODY_LIMIT}"
    assert answer.json() == {
        "error": {
            "code": "too-large",
            "message": f"the body has {size} bytes; allowed are {BODY_LIMIT}",
            "where": "body",
        }
    }


async def test_a_body_of_just_the_limit_is_read_whole(http: httpx.AsyncClient, bench: FakeBench) -> None:
    text = '{"text": "ü"}'.encode()
    content = text + b" " * (BODY_LIMIT - len(text))
    assert (
        await http.post("/api/v1/journal", content=content, headers={"Content-Type": "application/json"})
    ).status_code == 201
    assert bench.entries[0].payload == {"text": "ü"}


@pytest.mark.parametrize("path", ["/", "/main.js", "/api/v1/bench", "/api/v1/nothing"])
async def test_headers_that_tie_the_page_to_its_own_files(http: httpx.AsyncClient, path: str) -> None:
    headers = (await http.get(path)).headers
    policy = dict(part.strip().partition(" ")[::2] for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == "'self'"
    assert policy["style-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == ("no-store" if path.startswith("/api") else "no-cache")
