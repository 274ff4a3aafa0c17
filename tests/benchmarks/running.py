"""A whole daemon (`benchd run`) on scripted instruments, and the load that is put on it."""

from __future__ import annotations

import contextlib
import json
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any


class Running:
    """A daemon's process and its API."""

    def __init__(self, process: subprocess.Popen[str], url: str) -> None:
        self.process = process
        self.url = url

    def call(self, method: str, path: str, body: dict[str, Any] | None = None) -> Any:
        """One request to the API."""
        request = urllib.request.Request(
            f"{self.url}/api/v1/{path}",
            method=method,
            data=None if body is None else json.dumps(body).encode(),
            headers={"Content-Type": "application/json"},
        )
        with urllib.request.urlopen(request, timeout=20) as reply:
            text = reply.read()
            return json.loads(text) if text else None

    def channel(self, supply: str) -> dict[str, Any]:
        """How the first channel of a supply stands."""
        return next(c for c in self.call("GET", "bench")["channels"] if c["supply"] == supply)

    def until(self, supply: str, **wanted: Any) -> dict[str, Any]:
        """Wait until the channel's fields are as wanted."""
        end = time.monotonic() + 20
        while time.monotonic() < end:
            if all((seen := self.channel(supply))[k] == v for k, v in wanted.items()):
                return seen
            time.sleep(0.01)
        raise TimeoutError(f"{supply}: wanted {wanted}, is {seen}")


def settings_text(resources: dict[str, tuple[str, float]], folder: Path, extra: str = "") -> str:
    """A settings file: supply name → (resource, reading interval ms)."""
    supplies = "".join(
        f"""
[[supply]]
name = "{name}"
resource = "{resource}"
profile = "generic-scpi"
reading_interval_ms = {interval_ms}
[[supply.channel]]
number = 1
max_voltage_v = 5.0
max_limit_a = 3.0
plan = "phone"
"""
        for name, (resource, interval_ms) in resources.items()
    )
    plan = '[[plan]]\nname = "phone"\nvoltage_v = 4.0\nlimit_a = 2.0\nshort_hold_ms = 0.0\n'
    return f'bench = "measured"\ndata_dir = "{folder}"\n[web]\nport = 0\n{plan}{supplies}{extra}'


@contextlib.contextmanager
def running(resources: dict[str, tuple[str, float]], extra: str = "") -> Iterator[Running]:
    """`benchd run` in its own process, ended by its own id."""
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "benchd.toml"
        config.write_text(settings_text(resources, Path(folder) / "data", extra))
        process = subprocess.Popen(
            [sys.executable, "-m", "benchd", "run", "--config", str(config), "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            start_new_session=True,
        )
        try:
            assert process.stdout is not None
            run = Running(process, json.loads(process.stdout.readline())["url"])
            for name in resources:
                run.until(name, link_up=True, output="off")
            yield run
        finally:
            process.terminate()
            process.wait()


@contextlib.contextmanager
def load(run: Running, clients: int) -> Iterator[None]:
    """Page clients on the live stream and one analysis after the other, in a process of their own."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.load", run.url, str(clients)],
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "loading"
        yield
    finally:
        process.terminate()
        process.wait()


@contextlib.contextmanager
def followers() -> Iterator[str]:
    """An MQTT broker and a time-series server, where the machine has them: their settings blocks."""
    extra = ""
    with contextlib.ExitStack() as stack:
        if broker := shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin"):
            port = free_port()
            stack.enter_context(_ended(subprocess.Popen([broker, "-p", str(port)], stderr=subprocess.DEVNULL)))
            extra += f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\n'
        if server := shutil.which("victoria-metrics"):
            port = free_port()
            folder = stack.enter_context(tempfile.TemporaryDirectory())
            command = [server, f"-httpListenAddr=127.0.0.1:{port}", f"-storageDataPath={folder}"]
            stack.enter_context(_ended(subprocess.Popen(command, stderr=subprocess.DEVNULL)))
            extra += f'[influxdb]\nurl = "http://127.0.0.1:{port}"\n'
        yield extra


@contextlib.contextmanager
def _ended(process: subprocess.Popen[bytes]) -> Iterator[None]:
    try:
        yield
    finally:
        process.terminate()
        process.wait()


def free_port() -> int:
    """A TCP port that is free now."""
    with socket.create_server(("127.0.0.1", 0)) as s:
        return int(s.getsockname()[1])
