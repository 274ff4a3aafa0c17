"""The time-series follower against servers that refuse, and against real ones that go away and come back."""

from __future__ import annotations

import asyncio
import contextlib
import gzip
import os
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from email.utils import formatdate
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest

from benchd.store.blocks import StoredBlock
from benchd.store.follower import Kept
from benchd.store.influx import InfluxFollower, LineSink, retry_after
from benchd.store.lines import EVENT_KINDS, event_line, reading_lines
from benchd.store.log import Log
from benchd.store.writer import LogWriter
from benchd.traces.samples import Samples
from tests.services import Influxd, VictoriaMetrics
from tests.store.making import MS, T0, block, finding, trace_row, tripped, until_async

OUTAGE_S = float(os.environ.get("BENCHD_TEST_OUTAGE_S", "1.5"))
"""How long the real servers are away; set it to 30 for the long form of these tests."""

Answer = tuple[int, str, dict[str, str]]
OK: Answer = (204, "", {})


class Refusing:
    """An HTTP server that answers a write by a function of its lines."""

    def __init__(self, answer: Callable[[list[str]], Answer]) -> None:
        self.answer = answer
        self.requests: list[list[str]] = []
        self.taken: list[str] = []
        self.asked: list[tuple[str, dict[str, str]]] = []
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if self.headers.get("Content-Encoding") == "gzip":
                    body = gzip.decompress(body)
                lines = body.decode().split("\n")
                outer.requests.append(lines)
                outer.asked.append((self.path, dict(self.headers)))
                status, text, headers = outer.answer(lines)
                if status == 204:
                    outer.taken += lines
                self.send_response(status)
                for key, value in headers.items():
                    self.send_header(key, value)
                self.send_header("Content-Length", str(len(text)))
                self.end_headers()
                self.wfile.write(text.encode())

            def log_message(self, *args: object) -> None:
                pass

        self._http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._http.server_port}"
        self._thread = threading.Thread(target=self._http.serve_forever, args=(0.01,))
        self._thread.start()

    def close(self) -> None:
        self._http.shutdown()
        self._http.server_close()
        self._thread.join()


@contextlib.contextmanager
def refusing(answer: Callable[[list[str]], Answer]) -> Iterator[tuple[Refusing, LineSink]]:
    server = Refusing(answer)
    sink = LineSink(server.url, "bucket-1", "shop-1", "a-token", timeout_s=5)
    sink.open()
    try:
        yield server, sink
    finally:
        sink.close()
        server.close()


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
        with pytest.raises(Kept, match=r"refuses every line \(what is this\); check influxdb.url"):
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
    sink = LineSink("http://127.0.0.1:9", "b", "", "", timeout_s=1)
    sink.open()
    with pytest.raises(Kept, match=r"http://127\.0\.0\.1:9 does not answer"):
        sink.write(numbered(1))
    sink.close()
    hang = threading.Event()

    def answer(lines: list[str]) -> Answer:
        hang.wait(10)
        return OK

    with refusing(answer) as (server, _):
        slow = LineSink(server.url, "b", "", "", timeout_s=0.1)
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


# ---- real servers ---------------------------------------------------------------------------------------------


@contextlib.asynccontextmanager
async def following(follower: InfluxFollower) -> AsyncIterator[None]:
    task = asyncio.create_task(follower.run())
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def short_sleep(seconds: float) -> None:
    await asyncio.sleep(min(seconds, 0.05))


def all_sent(path: Path) -> bool:
    with Log.open(path, read_only=True) as log:
        rows = log.followers
        ends = {"influxdb readings": rows.head("blocks"), "influxdb events": rows.head("journal", EVENT_KINDS)}
        return all(rows.cursor(name) == end for name, end in ends.items())


@pytest.mark.needs_victoria
async def test_an_outage_of_a_real_server_loses_and_doubles_nothing(tmp_path: Path) -> None:
    start_ns = (time.time_ns() // MS) * MS  # whole ms: this server keeps no finer time
    with VictoriaMetrics(tmp_path / "vm") as server:
        writer = LogWriter(tmp_path / "l.sqlite", join_every_s=0.3)
        follower = InfluxFollower(
            writer.path, writer, bench="bench-1", url=server.url, bucket="b", sleep=short_sleep, timeout_s=5
        )
        given: dict[int, float] = {}
        blocks = 0

        async def record(seconds: float) -> None:
            nonlocal blocks
            end = time.monotonic() + seconds
            while time.monotonic() < end:
                made = block(20, start_ns + blocks * 20 * MS)
                samples = Samples.from_block(made)
                given.update(zip((samples.t_ns // MS).tolist(), samples.current_a.tolist(), strict=True))
                writer.put_block(made, "R-1042", "t-1")
                blocks += 1
                await asyncio.sleep(0.02)

        async with following(follower):
            await record(0.6)
            await until_async(lambda: follower.health()["last_ok_ns"] is not None)
            await asyncio.to_thread(server.stop)
            recording = asyncio.create_task(record(OUTAGE_S))
            await until_async(lambda: follower.health()["state"] == "waiting")
            assert "does not answer" in follower.health()["text"]
            trip = writer.submit(lambda log: log.add_trip(tripped(start_ns), "R-1042", "t-1"))
            row = trace_row("t-1", start_ns=start_ns)
            filed = writer.submit(lambda log: log.add_trace(row))
            await recording
            assert follower.health()["backlog"] > 0
            await asyncio.to_thread(server.start)
            await record(0.3)
            trip.result(5)
            filed.result(5)
            await until_async(lambda: writer.health()["waiting"] == 0)
            await until_async(lambda: all_sent(writer.path))
            await until_async(lambda: follower.health()["backlog"] == 0 and follower.health()["state"] == "ok")
        writer.close()
        with Log.open(writer.path, read_only=True) as log:
            kept = log.samples("psu-a", 1, 0, 2**62)
        assert dict(zip((kept.t_ns // MS).tolist(), kept.current_a.tolist(), strict=True)) == given
        labels = {"bench": "bench-1", "supply": "psu-a", "channel": "1", "job": "R-1042", "trace": "t-1"}
        wanted = {
            "supply_reading_current": given,
            "supply_trip_let_through_c": {start_ns // MS: 0.002},
            "trace_finding_confidence": {start_ns // MS: 0.9},
        }
        for name, points in wanted.items():
            # The server shows what it took only after a moment, some ten seconds on a busy machine.
            with contextlib.suppress(TimeoutError):
                await until_async(lambda n=name, p=points: server.points(n, **labels) == p, within_s=30)
            found = await asyncio.to_thread(server.points, name, **labels)
            assert (name, sorted(points.items() - found.items()), sorted(found.items() - points.items())) == (
                name,
                [],
                [],
            )
        assert server.series("supply_reading_current") == [{"__name__": "supply_reading_current", **labels}]
        with Log.open(writer.path, read_only=True) as log:
            assert log.followers.rejected_count("influxdb readings") == 0


@pytest.mark.needs_influxd
def test_a_real_influxdb_takes_our_lines_as_they_are(tmp_path: Path) -> None:
    """1.x has no v2 write API; its /write reads the same line protocol."""
    with Log.open(tmp_path / "l.sqlite") as log:
        log.add_block(block(500), "R-1042", "t-1")
        log.add_trip(tripped(), "R-1042", "t-1")
        log.add_trace(trace_row("t-1"))
        log.update_finding("t-1", finding("clean-boot"))
        (stored,) = log.blocks_after(0, 9)
        lines = reading_lines(stored, "bench-1") + [
            event_line(e, "bench-1") for e in log.entries_after(0, 9, EVENT_KINDS)
        ]
        odd = StoredBlock(9, "psu a,1", 2, "A,1=2 x", None, 0, 0, stored.samples[:1])
        lines += reading_lines(odd, 'bench "one"')
    with Influxd(tmp_path / "influx") as server:
        server.query("", "CREATE DATABASE shop")
        server.write("shop", "\n".join(lines))
        server.write("shop", "\n".join(lines))  # a re-send changes nothing
        rows = server.query("shop", "SELECT * FROM supply_reading WHERE job = 'R-1042'")
        odd_rows = server.query("shop", "SELECT * FROM supply_reading WHERE job = 'A,1=2 x'")
        trips = server.query("shop", "SELECT * FROM supply_trip")
        findings = server.query("shop", "SELECT * FROM trace_finding")
    samples = Samples.from_block(block(500))
    assert [r["time"] for r in rows] == samples.t_ns.tolist()
    assert [r["voltage"] for r in rows] == samples.voltage_v.tolist()
    assert [r["current"] for r in rows] == samples.current_a.tolist()
    assert {(r["mode"], r["bench"], r["supply"], r["channel"], r["trace"]) for r in rows} == {
        ("cv", "bench-1", "psu-a", "1", "t-1")
    }
    assert [(r["supply"], r["bench"]) for r in odd_rows] == [("psu a,1", 'bench "one"')]
    assert [(r["time"], r["rule"], r["text"], r["off_confirmed"]) for r in trips] == [
        (T0, "short", tripped().text, True)
    ]
    assert [(r["signature"], r["confidence"], r["energy"]) for r in findings] == [("clean-boot", 0.9, 1.6)]
