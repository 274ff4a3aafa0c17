"""An HTTP server that answers writes as a test wants it to."""

from __future__ import annotations

import contextlib
import gzip
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from benchd.store.influx_post import Target
from benchd.store.influx_sink import LineSink

Answer = tuple[int, str, dict[str, str]]
OK: Answer = (204, "", {})


class Refusing:
    """An HTTP server that answers a write by a function of its lines."""

    def __init__(self, answer: Callable[[list[str]], Answer]) -> None:
        self.answer = answer
        self.requests: list[list[str]] = []
        self.taken: list[str] = []
        self.asked: list[tuple[str, dict[str, str]]] = []
        self.started: float | None = None
        """What /metrics says; None: there is none."""
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if self.headers.get("Content-Encoding") == "gzip":
                    body = gzip.decompress(body)
                lines = body.decode().split("\n")
                outer.requests.append(lines)
                outer.asked.append((self.path, {k.title(): v for k, v in self.headers.items()}))
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

            def do_GET(self) -> None:
                text = f"process_start_time_seconds {outer.started}\n" if outer.started else ""
                self.send_response(200 if outer.started else 404)
                self.send_header("Content-Length", str(len(text)))
                self.end_headers()
                self.wfile.write(text.encode())

        self._http = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self._http.server_port}"
        self._thread = threading.Thread(target=self._http.serve_forever, args=(0.01,))
        self._thread.start()

    def close(self) -> None:
        self._http.shutdown()
        self._http.server_close()
        self._thread.join()


@contextlib.contextmanager
def refusing(
    answer: Callable[[list[str]], Answer], batch_lines: int = 5000, **target: Any
) -> Iterator[tuple[Refusing, LineSink]]:
    server = Refusing(answer)
    told = {"bucket": "bucket-1", "org": "shop-1", "token": lambda: "a-token", "timeout_s": 5.0} | target
    sink = LineSink(Target(server.url, **told), batch_lines)
    sink.open()
    try:
        yield server, sink
    finally:
        sink.close()
        server.close()
