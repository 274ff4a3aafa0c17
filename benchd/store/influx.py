"""The time-series follower: readings, trips and findings to a server with the InfluxDB v2 write API.

Two cursors, `influxdb readings` over the blocks and `influxdb events` over the journal, so that a long backlog of
readings does not hold up the events. Each batch is one synchronous request without the client's own retries: what is
to be tried again is decided here (see `Verdict`) and by the follower's cursor.

A server that keeps milliseconds (VictoriaMetrics does) merges two readings of one channel in one millisecond.
"""

from __future__ import annotations

import asyncio
import email.utils
import enum
import json
import time
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from benchd.jobs.job import JournalEntry
from benchd.store.blocks import StoredBlock
from benchd.store.follower import Follower, Kept, Stream, Writer
from benchd.store.follower_rows import Rejected
from benchd.store.lines import EVENT_KINDS, event_line, reading_lines
from benchd.store.log import Log

MAX_LINES = 5000
"""Lines in one request: the batch size that the server's makers recommend."""
TIMEOUT_S = 10.0
MAX_SPLITS = 200
"""Requests spent on finding the bad lines of one batch, if the server says that it has kept the good ones."""
_DOUBT_AFTER = 30
"""Refused requests (a batch of 5000 lines takes 13 to find one bad line) before we ask whether all is refused."""
_STORED_REST = "partial write"
"""In a refusal: the server has stored the good lines of the request."""
_ROWS = 64


class Verdict(enum.Enum):
    """What an HTTP status says about the lines that were sent."""

    ACCEPTED = enum.auto()
    SPLIT = enum.auto()
    """Too large, or bad lines among them: halves are sent, down to the single lines, which are rejected for good."""
    KEPT = enum.auto()
    """Not taken, but not for the lines' fault: sent again later."""


def verdict(status: int) -> Verdict:
    """The verdict for a status. 413: too large. 400, 422: bad data. Everything else is not the data's fault."""
    if 200 <= status <= 299:
        return Verdict.ACCEPTED
    return Verdict.SPLIT if status in (400, 413, 422) else Verdict.KEPT


_ADVICE = {
    401: "the token is missing or wrong: check influxdb.token in the settings",
    403: "the token may not write to this bucket: check influxdb.token and influxdb.bucket in the settings",
    404: "bucket, organisation or path not found: check influxdb.url, bucket and org in the settings",
    429: "the server asks to slow down",
    503: "the server is overloaded",
}


class LineSink:
    """Sends lines, knows which were refused for good. Blocking: call it in a thread."""

    def __init__(self, url: str, bucket: str, org: str, token: str, timeout_s: float = TIMEOUT_S) -> None:
        self._url, self._bucket, self._org, self._token = url, bucket, org, token
        self._timeout_s = timeout_s
        self._client: Any = None
        self._api: Any = None
        self._accepted = False
        self._splits = 0

    def open(self) -> None:
        """Load the client (0.3 s) and make it. Does not touch the network."""
        from influxdb_client import InfluxDBClient  # type: ignore[attr-defined]
        from influxdb_client.client.write_api import SYNCHRONOUS

        host = urlsplit(self._url).hostname or ""
        self._client = InfluxDBClient(
            self._url,
            self._token,
            org=self._org or "-",
            timeout=round(self._timeout_s * 1000),
            # Squeezing costs more than a loopback saves.
            enable_gzip=host not in ("localhost", "127.0.0.1", "::1"),
            retries=False,
        )
        self._api = self._client.write_api(write_options=SYNCHRONOUS)

    def close(self) -> None:
        """Close the connections."""
        if self._client is not None:
            self._client.close()
            self._client = self._api = None

    def write(self, lines: Sequence[str]) -> list[tuple[int, str]]:
        """Send lines; returns index and reason of those refused for good. Raises Kept: then send all again later."""
        refused: list[tuple[int, str]] = []
        self._splits = 0
        for start in range(0, len(lines), MAX_LINES):
            refused += self._write(lines, start, min(len(lines), start + MAX_LINES))
        if lines and len(refused) == len(lines):
            self._doubt(refused[0][1])
        return refused

    def _doubt(self, reason: str) -> None:
        """Raises Kept when this server has never accepted a line: more likely the settings are wrong than the data."""
        if not self._accepted and _STORED_REST not in reason:
            raise Kept(
                f"{self._url} refuses every line ({reason}); check influxdb.url, bucket and org in the settings, and "
                "that the bucket is not used with other field types"
            )

    def _write(self, lines: Sequence[str], start: int, end: int) -> list[tuple[int, str]]:
        status, reason, retry_after_s = self._post("\n".join(lines[start:end]))
        match verdict(status):
            case Verdict.ACCEPTED:
                self._accepted = True
                return []
            case Verdict.KEPT:
                advice = _ADVICE.get(status)
                raise Kept(
                    f"{self._url} answered {status}: {reason}" + (f"; {advice}" if advice else ""), retry_after_s
                )
        self._splits += 1
        if self._splits > _DOUBT_AFTER:
            self._doubt(reason)
        if end - start == 1:
            return [(start, f"{status}: {reason}")]
        if self._splits > MAX_SPLITS and _STORED_REST in reason:
            return [(start, f"{status}: {reason} (from this line on, some of {end - start} lines)")]
        middle = (start + end) // 2
        return self._write(lines, start, middle) + self._write(lines, middle, end)

    def _post(self, body: str) -> tuple[int, str, float]:
        """Status, reason, and the server's Retry-After in s. Raises Kept when no answer came."""
        import urllib3
        from influxdb_client.rest import ApiException

        try:
            self._api.write(self._bucket, record=body.encode())
        except ApiException as e:
            if not e.status:
                raise Kept(f"{self._url}: {e.reason}") from e
            asked = e.headers.get("Retry-After") if e.headers else None
            return int(e.status), _message(e.body) or str(e.reason), retry_after(asked)
        except (urllib3.exceptions.HTTPError, OSError) as e:
            raise Kept(f"{self._url} does not answer: {e}") from e
        return 204, "", 0.0


class InfluxFollower:
    """Runs both streams to one server. `run` until cancelled; `health` at any time."""

    def __init__(
        self,
        path: Path | str,
        writer: Writer,
        *,
        bench: str,
        url: str,
        bucket: str,
        org: str = "",
        token: str = "",
        sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        self._bench = bench
        self._sink = LineSink(url, bucket, org, token, timeout_s)
        self._readings: Follower[StoredBlock] = Follower(
            "influxdb readings",
            path,
            writer,
            Stream(lambda log, seq: log.blocks_after(seq, _ROWS), lambda log: log.followers.head("blocks")),
            self._send_readings,
            sleep=sleep,
        )
        self._events: Follower[JournalEntry] = Follower(
            "influxdb events", path, writer, Stream(_events_after, _events_head), self._send_events, sleep=sleep
        )

    async def run(self) -> None:
        """Follow the log until cancelled."""
        await asyncio.to_thread(self._sink.open)
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._readings.run(), name="influxdb readings")
                group.create_task(self._events.run(), name="influxdb events")
        finally:
            self._sink.close()

    def health(self) -> dict[str, Any]:
        """The worse of both streams: state (ok, waiting, stopped), text, backlog (rows of the log), rejected."""
        return worse(self._readings.health(), self._events.health())

    async def _send_readings(self, batch: Sequence[StoredBlock]) -> list[Rejected]:
        return await asyncio.to_thread(self._write_readings, batch)

    def _write_readings(self, batch: Sequence[StoredBlock]) -> list[Rejected]:
        lines: list[str] = []
        seqs: list[int] = []
        rejected: list[Rejected] = []
        for block in batch:
            if block.damage:
                rejected.append(Rejected(block.seq, block.damage, f"row {block.seq} of the log"))
            lines += reading_lines(block, self._bench)
            seqs += [block.seq] * len(block.samples)
        return rejected + [Rejected(seqs[i], reason, lines[i]) for i, reason in self._sink.write(lines)]

    async def _send_events(self, batch: Sequence[JournalEntry]) -> list[Rejected]:
        lines = [event_line(entry, self._bench) for entry in batch]
        refused = await asyncio.to_thread(self._sink.write, lines)
        return [Rejected(batch[i].seq, reason, lines[i]) for i, reason in refused]


def _events_after(log: Log, seq: int) -> list[JournalEntry]:
    return log.entries_after(seq, 500, EVENT_KINDS)


def _events_head(log: Log) -> int:
    return log.followers.head("journal", EVENT_KINDS)


def worse(a: dict[str, Any], b: dict[str, Any]) -> dict[str, Any]:
    """One health of two streams to the same server."""
    order = ("ok", "waiting", "stopped")
    first = max(a, b, key=lambda h: (order.index(h["state"]), bool(h["text"])))
    return {
        "state": first["state"],
        "text": first["text"],
        "backlog": a["backlog"] + b["backlog"],
        "rejected": a["rejected"] + b["rejected"],
        "last_ok_ns": max((h["last_ok_ns"] for h in (a, b) if h["last_ok_ns"]), default=None),
    }


def retry_after(value: str | None) -> float:
    """Seconds that a Retry-After header asks for: a number or a date (RFC 9110 §10.2.3); 0 for none or nonsense."""
    if not value:
        return 0.0
    if value.strip().isascii() and value.strip().isdigit():
        return float(value)
    try:
        return max(0.0, email.utils.parsedate_to_datetime(value).timestamp() - time.time())
    except ValueError:
        return 0.0


def _message(body: Any) -> str:
    """The server's words: `message` or `error` of its JSON body, or the body; at most 300 characters."""
    text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or "")
    try:
        parsed = json.loads(text)
    except ValueError:
        parsed = None
    if isinstance(parsed, dict):
        text = str(parsed.get("message") or parsed.get("error") or text)
    return " ".join(text.split())[:300]
