"""What a server's answers mean for the lines, against one that answers as the makers' documentation says."""

from __future__ import annotations

import threading
import time
from email.utils import formatdate
from urllib.parse import parse_qs, urlsplit

import pytest

from benchd.store.follower import Kept
from benchd.store.influx_post import Target
from benchd.store.influx_sink import LineSink, retry_after
from tests.store.making import T0
from tests.store.refusing import OK, Answer, refusing


def numbered(n: int) -> list[str]:
    return [f"m,k=v x={i}i {T0 + i}" for i in range(n)]


def test_lines_go_out_in_batches_with_bucket_token_and_precision() -> None:
    with refusing(lambda lines: OK) as (server, sink):
        assert sink.write(numbered(12_001)) == []
    assert [len(r) for r in server.requests] == [5000, 5000, 2001]
    assert server.taken == numbered(12_001)
    path, headers = server.asked[0]
    assert urlsplit(path).path == "/api/v2/write"
    assert parse_qs(urlsplit(path).query) == {"org": ["shop-1"], "bucket": ["bucket-1"], "precision": ["ns"]}
    assert headers["Authorization"] == "Token a-token"


def test_bad_lines_are_found_and_only_they_are_refused() -> None:
    bad = {"m,k=v x=17i " + str(T0 + 17), "m,k=v x=901i " + str(T0 + 901)}

    def answer(lines: list[str]) -> Answer:
        return (400, '{"code":"invalid","message":"unable to parse"}', {}) if bad & set(lines) else OK

    with refusing(answer) as (server, sink):
        assert sink.write(numbered(1000)) == [(17, "400: unable to parse"), (901, "400: unable to parse")]
    assert sorted(server.taken) == sorted(set(numbered(1000)) - bad)


def test_a_body_that_is_too_large_is_split() -> None:
    with refusing(lambda lines: (413, "", {}) if len(lines) > 300 else OK) as (server, sink):
        assert sink.write(numbered(1000)) == []
    assert server.taken == numbered(1000)


def test_a_refusal_that_stored_the_rest_does_not_cost_a_request_a_line() -> None:
    """Points beyond the server's retention, a whole backlog of them."""
    message = '{"code":"unprocessable entity","message":"partial write: points beyond retention policy dropped=5"}'
    with refusing(lambda lines: (422, message, {})) as (server, sink):
        refused = sink.write(numbered(5000))
    assert 200 <= len(server.requests) <= 450
    assert refused[0] == (0, "422: partial write: points beyond retention policy dropped=5")
    assert "from this line on, some of 2500 lines" in refused[-1][1]


def test_a_server_that_never_took_anything_and_refuses_all_is_doubted() -> None:
    """A wrong address behind a proxy must not throw the log away line by line."""
    with refusing(lambda lines: (400, "what is this", {})) as (server, sink):
        with pytest.raises(Kept, match=r"refuses every line \(400: what is this\); check influxdb.url"):
            sink.write(numbered(5000))
        assert len(server.requests) < 60
        with pytest.raises(Kept, match="refuses every line"):
            sink.write(numbered(1))
        server.answer = lambda lines: OK
        sink.write(numbered(1))
        server.answer = lambda lines: (400, "no", {})
        assert sink.write(numbered(1)) == [(0, "400: no")]


@pytest.mark.parametrize(
    ("status", "words"),
    [
        (401, "answered 401: no.*check influxdb.token"),
        (403, "answered 403: no.*may not write"),
        (404, "answered 404: no.*check influxdb.url, bucket and org"),
        (429, "slow down"),
        (500, "answered 500: no"),
        (503, "overloaded"),
        (302, "answered 302"),
    ],
)
def test_what_is_not_the_data_s_fault_is_kept(status: int, words: str) -> None:
    with refusing(lambda lines: (status, '{"message":"no"}', {"Retry-After": "7"})) as (server, sink):
        with pytest.raises(Kept, match=words) as caught:
            sink.write(numbered(10))
        assert len(server.requests) == 1
        assert caught.value.retry_after_s == 7.0
        assert "a-token" not in caught.value.text


def test_a_server_that_is_not_there_or_hangs_is_kept() -> None:
    sink = LineSink(Target("http://127.0.0.1:9", "b", timeout_s=1))
    sink.open()
    with pytest.raises(Kept, match=r"http://127\.0\.0\.1:9 does not answer"):
        sink.write(numbered(1))
    sink.close()
    hang = threading.Event()

    def answer(lines: list[str]) -> Answer:
        hang.wait(10)
        return OK

    with refusing(answer) as (server, _):
        slow = LineSink(Target(server.url, "b", timeout_s=0.1))
        slow.open()
        with pytest.raises(Kept, match="does not answer"):
            slow.write(numbered(1))
        slow.close()
        hang.set()


def test_retry_after_is_seconds_or_a_date() -> None:
    """RFC 9110 §10.2.3."""
    assert retry_after("120") == 120.0
    assert retry_after(formatdate(time.time() + 60, usegmt=True)) == pytest.approx(60, abs=2)
    assert retry_after("Fri, 31 Dec 1999 23:59:59 GMT") == 0.0
    assert [retry_after(v) for v in (None, "", "soon", "-5", "1.5", "²")] == [0.0] * 6
