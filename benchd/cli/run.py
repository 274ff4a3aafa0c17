"""`benchd run`: the daemon."""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from benchd.cli import out, words

if TYPE_CHECKING:
    from benchd.settings_web import Web

WAITING_LINES = 1000


def run(
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Run the daemon until SIGTERM or Ctrl-C.

    Every output is switched off and confirmed at the end. Prints the page's address, then links, outputs, trips,
    traces and jobs as they change. Example: benchd run --config benchd.toml
    """
    import asyncio

    settings = out.settings(config)
    from benchd.daemon.run import Daemon, StartError
    from benchd.guard.priority import come_forward

    come_forward()
    printer = _Printer(json_)

    def ready(url: str) -> None:
        others = _for_others(settings.web, url)
        lets_in = "; `benchd pair` lets a phone in" if settings.web.token else ""
        told = f", from other devices at {' or '.join(others)}" if others else ""
        text = f"bench {settings.bench!r}: the page is at {url}{told}{lets_in}"
        printer.start("ready", {"url": url, "addresses": others}, text)

    with out.errors(StartError), printer:
        confirmed = asyncio.run(Daemon(settings, out.config_path(config).absolute()).run(ready, on_event=printer.event))
        state = "every output off, confirmed" if confirmed else "NOT every output confirmed off"
        printer.put({"event": "done", "outputs_off_confirmed": confirmed}, f"ended: {state}")
    if not confirmed:
        out.fail("ended, but not every output could be confirmed off: check the supply by hand")


def _for_others(web: Web, url: str) -> list[str]:
    """By which addresses other devices reach the page; none where it listens to this machine only."""
    from urllib.parse import urlsplit

    from benchd.web.addresses import reached_at

    if not web.wide:
        return []
    where = urlsplit(url)
    port = where.port or (443 if where.scheme == "https" else 80)
    return [each for each in reached_at(web.host, port, web.names, where.scheme == "https") if each != url]


class _Printer:
    """Prints in a thread of its own: a terminal that was stopped must not hold up the daemon, nor a full pipe."""

    def __init__(self, as_json: bool) -> None:
        self._json = as_json
        self._lines: queue.Queue[tuple[dict[str, Any], str] | None] = queue.Queue(WAITING_LINES)
        self._thread = threading.Thread(target=self._print, name="printer", daemon=True)

    def start(self, kind: str, record: dict[str, Any], text: str) -> None:
        """Print this first, then what has come meanwhile, then whatever comes."""
        out.emit({"event": kind, **record}, text, self._json)
        self._thread.start()

    def event(self, kind: str, payload: dict[str, Any]) -> None:
        """One event of the bench."""
        if told := words.told(kind, payload):
            record, text = told
            self.put({"event": kind, **record}, text)

    def put(self, record: dict[str, Any], text: str) -> None:
        """One line, with the time of day. When nobody reads, the newest lines are the ones left out."""
        with contextlib.suppress(queue.Full):
            self._lines.put_nowait((record, f"{time.strftime('%H:%M:%S')}  {text}"))

    def __enter__(self) -> _Printer:
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(queue.Full):
            self._lines.put_nowait(None)
        if self._thread.is_alive():
            self._thread.join(1)

    def _print(self) -> None:
        while (line := self._lines.get()) is not None:
            try:
                out.emit(*line, self._json)
            except OSError:
                # Whoever read it has gone; the daemon goes on. The descriptor is given something that takes all, so
                # that the interpreter's own flush at the end does not fail.
                os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
                return
