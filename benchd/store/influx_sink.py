"""Lines to a time-series server in batches, and what each of its answers means for the lines that were sent."""

from __future__ import annotations

import email.utils
import enum
import itertools
import time
from collections.abc import Callable, Iterator, Sequence

from benchd.store.follower import Kept
from benchd.store.influx_post import Answer, Post, Target

BATCH_LINES = 5000
"""Lines in one request: the batch size that InfluxDB's makers recommend ("Optimize writes" of their documentation)."""
MAX_SPLITS = 200
"""Requests spent on finding the bad lines of one batch, if the server says that it has kept the good ones."""
_DOUBT_AFTER = 30
"""Refused requests (a batch of 5000 lines takes 13 to find one bad line) before we ask whether all is refused."""
_STORED_REST = "partial write"
"""In a refusal: the server has stored the good lines of the request."""

Refused = tuple[int, str]
"""Index of a line, and the server's reason."""


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
    401: "the token is missing or wrong: check influxdb.token or token_file in the settings",
    403: "the token may not write to this bucket: check influxdb.token and influxdb.bucket in the settings",
    404: "bucket, organisation or path not found: check influxdb.url, bucket and org in the settings",
    405: "no write address: check influxdb.url and write_path in the settings",
    429: "the server asks to slow down",
    503: "the server is overloaded",
}
_ADVICE_V1 = {
    401: "user or password is missing or wrong: influxdb.token in the settings is user:password",
    403: "the user may not write to this database: check influxdb.token and influxdb.bucket in the settings",
    404: "make the database there (CREATE DATABASE), or check influxdb.url and influxdb.bucket in the settings",
}


class LineSink:
    """Sends lines, knows which were refused for good. Blocking; may be used from several threads."""

    def __init__(self, target: Target, batch_lines: int = BATCH_LINES) -> None:
        self._target, self._post = target, Post(target)
        self._most = batch_lines
        self._accepted = False

    def open(self) -> None:
        """Load the client (0.3 s). Does not touch the network."""
        self._post.open()

    def close(self) -> None:
        """Close the connections."""
        self._post.close()

    def started(self) -> float | None:
        """See `Post.started`."""
        return self._post.started()

    def write(self, lines: Sequence[str], done: Callable[[int, list[Refused]], None] | None = None) -> list[Refused]:
        """Send lines; returns index and reason of those refused for good. Raises Kept: then send the rest again later.

        `done(n, refused)` is called after each request: the first n lines are done with, these among them were refused
        since the last call.
        """
        refused: list[Refused] = []
        start = 0
        while start < len(lines):
            end = min(len(lines), start + self._most)
            found = self._write(lines, start, end, itertools.count(1))
            if len(found) == end - start:
                self._doubt(found[0][1])
            refused += found
            start = end
            if done is not None:
                done(start, found)
        return refused

    def _doubt(self, reason: str) -> None:
        """Raises Kept when this server has never accepted a line: more likely the settings are wrong than the data."""
        if not self._accepted and _STORED_REST not in reason:
            raise Kept(
                f"{self._target.place} refuses every line ({reason}); check influxdb.url, bucket and org in the "
                "settings, and that the bucket is not used with other field types"
            )

    def _write(self, lines: Sequence[str], start: int, end: int, counted: Iterator[int]) -> list[Refused]:
        answer = self._post.write("\n".join(lines[start:end]).encode())
        match verdict(answer.status):
            case Verdict.ACCEPTED:
                self._accepted = True
                return []
            case Verdict.KEPT:
                raise self._kept(answer)
        if answer.status == 413:
            self._most = min(self._most, max(1, (end - start) // 2))  # for what comes next, too
        reason = f"{answer.status}: {answer.message}"
        if (named := _named(answer, end - start)) is not None:
            self._accepted = True
            return [(start + at, f"{answer.status}: {why}") for at, why in named]
        splits = next(counted)
        if splits > _DOUBT_AFTER:
            self._doubt(reason)
        if end - start == 1:
            return [(start, reason)]
        if splits > MAX_SPLITS and _STORED_REST in reason:
            return [(start, f"{reason} (from this line on, some of {end - start} lines)")]
        middle = (start + end) // 2
        return self._write(lines, start, middle, counted) + self._write(lines, middle, end, counted)

    def _kept(self, answer: Answer) -> Kept:
        advice = _ADVICE.get(answer.status, "")
        if self._target.write_path == "v1":
            advice = _ADVICE_V1.get(answer.status, advice)
        if answer.status in (401, 403):
            self._post.new_token()
        text = f"{self._target.place} answered {answer.status}: {answer.message}" + (f"; {advice}" if advice else "")
        return Kept(text, retry_after(answer.retry_after), away=answer.status >= 500)


def _named(answer: Answer, lines: int) -> list[Refused] | None:
    """The lines that the server names as bad, having stored the rest; None: it names none.

    InfluxDB 3.x answers a partial write so: 400, and in `data` for each bad line `line_number` (from 1) and
    `error_message` ("Use the v3 write_lp API", accept_partial, in its documentation; its v2 address does the same).
    """
    data = answer.json.get("data")
    if answer.status != 400 or _STORED_REST not in answer.message or not isinstance(data, list):
        return None
    found: dict[int, str] = {}
    for each in data:
        number = each.get("line_number") if isinstance(each, dict) else None
        if not isinstance(number, int) or not 1 <= number <= lines:
            return None
        found.setdefault(number - 1, " ".join(str(each.get("error_message") or answer.message).split())[:300])
    return sorted(found.items()) or None


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
