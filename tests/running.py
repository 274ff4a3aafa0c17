"""A whole daemon (`benchd run`) in its own process, and its API: for end-to-end tests and measurements."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import psutil

T = TypeVar("T")


class Running:
    """A daemon's process and its API."""

    def __init__(self, process: subprocess.Popen[str], url: str, folder: Path) -> None:
        self.process = process
        self.url = url.rstrip("/")
        self.folder = folder
        self.config = folder / "benchd.toml"
        self.log_file = folder / "data" / "benchd.sqlite"

    def end(self) -> int:
        """SIGTERM, and wait; the exit status."""
        if self.process.poll() is None:
            self.process.terminate()
        status = self.process.wait(60)  # patience, and no figure: the machine may be busy
        if self.process.stdout is not None:
            self.process.stdout.close()
        return status

    def errors(self) -> str:
        """What it wrote to standard error."""
        return (self.folder / "stderr.txt").read_text()

    def guard_pid(self) -> int:
        """The guard's process id."""
        for child in psutil.Process(self.process.pid).children():
            with contextlib.suppress(psutil.NoSuchProcess):  # one that was killed and is not waited for yet, too
                if "benchd.guard" not in child.cmdline():
                    continue
                return child.pid
        raise LookupError("no guard among the daemon's processes")

    def call(self, method: str, path: str, body: dict[str, Any] | None = None) -> Any:
        """One request to the API."""
        request = urllib.request.Request(
            f"{self.url}/api/v1/{path}",
            method=method,
            data=None if body is None else json.dumps(body).encode(),
            headers={"Content-Type": "application/json"},
        )
        try:
            with urllib.request.urlopen(request, timeout=20) as reply:
                text = reply.read()
                return json.loads(text) if text else None
        except urllib.error.HTTPError as e:
            raise OSError(f"{method} {path}: {e.code}: {e.read().decode()}") from None

    def channel(self, supply: str, number: int = 1) -> dict[str, Any]:
        """How a channel stands."""
        channels = self.call("GET", "bench")["channels"]
        return next(c for c in channels if (c["supply"], c["channel"]) == (supply, number))

    def until(self, supply: str, number: int = 1, within_s: float = 20, **wanted: Any) -> dict[str, Any]:
        """Wait until the channel's fields are as wanted."""
        return until(
            lambda: self.channel(supply, number),
            lambda seen: all(seen[k] == v for k, v in wanted.items()),
            f"{supply}/{number} with {wanted}",
            within_s,
        )

    def until_guarded(self) -> None:
        """Wait until the guard is alive and every output is confirmed off."""
        until(
            lambda: self.call("GET", "bench"),
            lambda b: b["guard"] == "alive" and all(c["link_up"] and c["output"] == "off" for c in b["channels"]),
            "the guard and every output off",
        )

    def on(self, supply: str, number: int = 1) -> None:
        """Switch an output on."""
        self.call("POST", f"supplies/{supply}/channels/{number}/on", {})

    def rearm(self, supply: str, number: int = 1, within_s: float = 60) -> None:
        """Release the latch after a trip, as soon as the pause and the rate allow it."""
        end = time.monotonic() + within_s
        while True:
            try:
                self.call("POST", f"supplies/{supply}/channels/{number}/rearm", {})
            except OSError:
                if time.monotonic() > end:
                    raise
                time.sleep(0.05)
            else:
                return

    def off(self, supply: str, number: int = 1) -> None:
        """Switch an output off; returns when it is confirmed."""
        self.call("POST", f"supplies/{supply}/channels/{number}/off", {})


def until(look: Callable[[], T], good: Callable[[T], bool], what: str, within_s: float = 20) -> T:
    """Look again and again until it is good; the last look. Raises TimeoutError saying what was seen."""
    end = time.monotonic() + within_s
    while True:
        seen = look()
        if good(seen):
            return seen
        if time.monotonic() > end:
            raise TimeoutError(f"waited {within_s} s for {what}; seen: {seen}")
        time.sleep(0.01)


REARM_SOON = "[guard]\nrearm_pause_s = 0.5\nrearm_per_minute = 60\n"
"""Settings for who trips an output again and again: the least pause and the highest rate that are allowed."""


@dataclasses.dataclass(frozen=True)
class Bench:
    """What stands in the settings of one supply."""

    resource: str
    interval_ms: float = 0.0
    profile: str = "generic-scpi"
    channels: tuple[int, ...] = (1,)
    on_daemon_loss: str = "off"
    timeout_ms: float = 300.0
    link_watchdog_s: float | None = None
    sense: str = ""


def settings_text(
    supplies: dict[str, Bench], folder: Path, extra: str = "", plan: str = "", bench: str = "tried"
) -> str:
    """A settings file for these supplies, by name."""
    blocks = ""
    for name, b in supplies.items():
        blocks += (
            f'[[supply]]\nname = "{name}"\nresource = "{b.resource}"\nprofile = "{b.profile}"\n'
            f'reading_interval_ms = {b.interval_ms}\non_daemon_loss = "{b.on_daemon_loss}"\n'
            f"timeout_ms = {b.timeout_ms}\n"
        )
        if b.link_watchdog_s is not None:
            blocks += f"link_watchdog_s = {b.link_watchdog_s}\n"
        for number in b.channels:
            blocks += f'[[supply.channel]]\nnumber = {number}\nmax_voltage_v = 5.0\nmax_limit_a = 3.0\nplan = "phone"\n'
            blocks += f'sense = "{b.sense}"\n' if b.sense else ""
    plans = f'[[plan]]\nname = "phone"\nvoltage_v = 4.0\nlimit_a = 2.0\n{plan}\n'
    return f'bench = "{bench}"\ndata_dir = "{folder}"\n[web]\nport = 0\n{plans}{blocks}{extra}'


@contextlib.contextmanager
def running(
    supplies: dict[str, Bench], extra: str = "", plan: str = "", folder: Path | None = None
) -> Iterator[Running]:
    """`benchd run` in its own process until the block ends; ended by its own id. Its folder is removed unless given."""
    with contextlib.ExitStack() as undo:
        place = folder or Path(undo.enter_context(tempfile.TemporaryDirectory()))
        daemon = start(supplies, place, extra, plan)
        undo.callback(daemon.end)
        daemon.until_guarded()
        yield daemon


def start(
    supplies: dict[str, Bench],
    folder: Path,
    extra: str = "",
    plan: str = "",
    environment: dict[str, str] | None = None,
    bench: str = "tried",
) -> Running:
    """Start `benchd run`; the caller ends it. Returns when it says that it is ready. `environment`: added to ours.
    `bench`: its name."""
    config = folder / "benchd.toml"
    config.write_text(settings_text(supplies, folder / "data", extra, plan, bench))
    errors = (folder / "stderr.txt").open("a")
    process = subprocess.Popen(
        [sys.executable, "-m", "benchd", "run", "--config", str(config), "--json"],
        stdout=subprocess.PIPE,
        stderr=errors,
        text=True,
        start_new_session=True,
        env=os.environ | (environment or {}),
    )
    errors.close()
    assert process.stdout is not None
    line = process.stdout.readline()
    if not line:
        process.stdout.close()
        raise RuntimeError(f"status {process.wait()}: {(folder / 'stderr.txt').read_text()}")
    return Running(process, json.loads(line)["url"], folder)
