"""One request to a time-series server: `/api/v2/write` by its makers' client, or `/write` for servers before 1.8."""

from __future__ import annotations

import base64
import dataclasses
import gzip
import json
import re
from collections.abc import Callable
from typing import Any, Literal, NamedTuple
from urllib.parse import urlencode, urlsplit

from benchd.store.follower import Kept
from benchd.store.reaching import unreached

TIMEOUT_S = 10.0
_LOOPBACK = ("localhost", "127.0.0.1", "::1")
_STARTED = re.compile(rb"^process_start_time_seconds (\S+)", re.MULTILINE)
MAX_METRICS_BYTES = 4_000_000


@dataclasses.dataclass(frozen=True)
class Target:
    """Where lines go. `token` is asked for whenever the last one was refused; it may raise Kept."""

    url: str
    bucket: str
    org: str = ""
    token: Callable[[], str] = lambda: ""
    write_path: Literal["v2", "v1"] = "v2"
    """v1: `bucket` is the database, or database/retention policy; `token` is user:password."""
    gzip: bool | None = None
    """None: squeezed unless the server is on this machine, where that costs more than it saves."""
    timeout_s: float = TIMEOUT_S

    @property
    def place(self) -> str:
        """The address for messages, without a password that may stand in it."""
        parts = urlsplit(self.url)
        return parts._replace(netloc=parts.netloc.rpartition("@")[2]).geturl()

    @property
    def squeezed(self) -> bool:
        """Whether bodies go out squeezed."""
        return (urlsplit(self.url).hostname or "") not in _LOOPBACK if self.gzip is None else self.gzip


class Answer(NamedTuple):
    """What the server said: HTTP status, body, and its Retry-After header."""

    status: int
    body: str = ""
    retry_after: str | None = None

    @property
    def json(self) -> dict[str, Any]:
        """The body as a JSON object; empty when it is none."""
        try:
            parsed = json.loads(self.body)
        except ValueError:
            return {}
        return parsed if isinstance(parsed, dict) else {}

    @property
    def message(self) -> str:
        """The server's words: `message` or `error` of its JSON body, or the body; at most 300 characters."""
        text = str(self.json.get("message") or self.json.get("error") or self.body)
        return " ".join(text.split())[:300]


class Post:
    """Connections to one server. Blocking; may be used from several threads."""

    def __init__(self, target: Target) -> None:
        self._target = target
        self._write: Callable[[bytes], Answer] | None = None
        self._close: Callable[[], None] = lambda: None
        self._http: Any = None
        self._secrets: tuple[str, ...] = ()
        """The token as it is sent; a server or a proxy that repeats it must not bring it into messages and the log."""

    def open(self) -> None:
        """Load the libraries (0.3 s). Does not touch the network."""
        import urllib3

        if self._target.write_path == "v2":
            import influxdb_client  # noqa: F401
        # Both streams at once, and nobody waits for the other.
        self._http = urllib3.PoolManager(maxsize=4, timeout=self._target.timeout_s, retries=False)

    def close(self) -> None:
        """Close the connections."""
        self.new_token()
        if self._http is not None:
            self._http.clear()

    def new_token(self) -> None:
        """The token was refused: ask for it again before the next request."""
        close, self._write, self._close = self._close, None, lambda: None
        close()

    def write(self, body: bytes) -> Answer:
        """Send lines. Raises Kept when no answer came, or there is no token."""
        import urllib3

        write = self._write
        if write is None:
            token = self._target.token()
            self._secrets = tuple(filter(None, (token, base64.b64encode(token.encode()).decode())))
            write, self._close = self._v2(token) if self._target.write_path == "v2" else self._v1(token)
            self._write = write
        try:
            answer = write(body)
            return answer._replace(body=_without(answer.body, self._secrets))
        except (urllib3.exceptions.HTTPError, OSError) as e:
            raise self._silent(e) from e

    def started(self) -> float | None:
        """When the server's program was started, s since the epoch; None: it does not say. Raises Kept: it is away.

        By the metric that most servers have at /metrics (InfluxDB 1.x, 2.x and 3.x, VictoriaMetrics).
        """
        import urllib3

        try:
            reply = self._http.request("GET", f"{self._target.url.rstrip('/')}/metrics", preload_content=False)
            try:
                found = _STARTED.search(reply.read(MAX_METRICS_BYTES)) if reply.status == 200 else None
                if found is None and reply.status in (502, 503, 504):
                    raise Kept(f"{self._target.place} answered {reply.status}", away=True)
            finally:
                reply.drain_conn()
                reply.release_conn()
            return float(found[1]) if found else None
        except (urllib3.exceptions.HTTPError, OSError) as e:
            raise self._silent(e) from e
        except ValueError:
            return None

    def _silent(self, error: BaseException) -> Kept:
        return Kept(f"{self._target.place} does not answer: {unreached(error, 'influxdb.url')}", away=True)

    def _v2(self, token: str) -> tuple[Callable[[bytes], Answer], Callable[[], None]]:
        from influxdb_client import InfluxDBClient  # type: ignore[attr-defined]
        from influxdb_client.client.write_api import SYNCHRONOUS
        from influxdb_client.rest import ApiException

        target = self._target
        client = InfluxDBClient(
            target.url, token, org=target.org or "-", timeout=round(target.timeout_s * 1000),
            enable_gzip=target.squeezed, retries=False,
        )  # fmt: skip
        api = client.write_api(write_options=SYNCHRONOUS)

        def write(body: bytes) -> Answer:
            try:
                api.write(target.bucket, record=body)
            except ApiException as e:
                if not e.status:
                    raise self._silent(e.__context__ or e) from e
                asked = e.headers.get("Retry-After") if e.headers else None
                return Answer(int(e.status), _text(e.body) or str(e.reason), asked)
            return Answer(204)

        return write, client.close

    def _v1(self, token: str) -> tuple[Callable[[bytes], Answer], Callable[[], None]]:
        import urllib3

        target = self._target
        database, _, policy = target.bucket.partition("/")
        asked = {"db": database, **({"rp": policy} if policy else {}), "precision": "ns"}
        address = f"{target.url.rstrip('/')}/write?{urlencode(asked)}"
        headers = {"Content-Type": "text/plain; charset=utf-8"}
        if token:
            headers |= urllib3.make_headers(basic_auth=token)
        if target.squeezed:
            headers |= {"Content-Encoding": "gzip"}

        def write(body: bytes) -> Answer:
            sent = gzip.compress(body, 6) if target.squeezed else body
            reply = self._http.request("POST", address, body=sent, headers=headers, redirect=False)
            return Answer(reply.status, _text(reply.data), reply.headers.get("Retry-After"))

        return write, lambda: None


def _without(text: str, secrets: tuple[str, ...]) -> str:
    for secret in secrets:
        text = text.replace(secret, "(token)")
    return text


def _text(body: Any) -> str:
    return body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body or "")
