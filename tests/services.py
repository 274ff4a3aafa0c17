"""Real servers for tests: each on a free port with a folder of its own, ended by the process id it was started with."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any

import pytest

READY_S = 40.0
"""No figure: the machine may be busy with other tests."""


def needs(program: str, package: str) -> str:
    """The program's path; skips the test when it is missing, fails it under CI=true."""
    found = shutil.which(program) or shutil.which(program, path="/usr/sbin:/usr/local/sbin")
    if found:
        return found
    why = f"{program} is not installed (Debian package {package})"
    if os.environ.get("CI") == "true":
        pytest.fail(why)
    pytest.skip(why)


def free_port() -> int:
    """A TCP port of the loopback that nobody listens on now."""
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return int(s.getsockname()[1])


class Service:
    """One server. `start`, `stop` and `start` again keep the port and the data. Use as a context manager."""

    program = package = ""

    def __init__(self, folder: Path) -> None:
        self.binary = needs(self.program, self.package)
        self.folder = folder
        self.folder.mkdir(parents=True, exist_ok=True)
        self.port = free_port()
        self.process: subprocess.Popen[bytes] | None = None

    def command(self) -> list[str]:
        raise NotImplementedError

    def ready(self) -> bool:
        raise NotImplementedError

    def start(self) -> None:
        """Start and wait until it answers."""
        assert self.process is None
        with (self.folder / "output.txt").open("ab") as out:
            self.process = subprocess.Popen(self.command(), stdout=out, stderr=out, cwd=self.folder)
        deadline = time.monotonic() + READY_S
        while not self.ready():
            if self.process.poll() is not None or time.monotonic() > deadline:
                self.stop()
                text = (self.folder / "output.txt").read_text(errors="replace")[-2000:]
                pytest.fail(f"{self.program} did not come up within {READY_S} s:\n{text}")
            time.sleep(0.02)

    def stop(self) -> None:
        """End it by its own process id; again is fine."""
        if self.process is not None:
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
            self.process = None

    def kill(self) -> None:
        """End it at once, by SIGKILL to its own process id: it writes nothing down any more."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()
        self.process = None

    def __enter__(self) -> Any:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()


class Mosquitto(Service):
    """An MQTT broker that keeps sessions and retained messages over a restart. `users`: name → password."""

    program, package = "mosquitto", "mosquitto"

    def __init__(self, folder: Path, users: dict[str, str] | None = None) -> None:
        super().__init__(folder)
        lines = [f"listener {self.port} 127.0.0.1", "persistence true", f"persistence_location {self.folder}/"]
        if users:
            file = self.folder / "passwords"
            file.touch(0o600)
            for name, password in users.items():
                subprocess.run([needs("mosquitto_passwd", "mosquitto"), "-b", str(file), name, password], check=True)
            lines += ["allow_anonymous false", f"password_file {file}"]
        else:
            lines.append("allow_anonymous true")
        if os.geteuid() == 0:
            lines.append("user root")
        (self.folder / "mosquitto.conf").write_text("\n".join(lines) + "\n")

    def command(self) -> list[str]:
        return [self.binary, "-c", str(self.folder / "mosquitto.conf")]

    def ready(self) -> bool:
        with socket.socket() as s:
            s.settimeout(0.5)
            return s.connect_ex(("127.0.0.1", self.port)) == 0


class VictoriaMetrics(Service):
    """A time-series server with the InfluxDB v2 write API. It keeps milliseconds and numbers only."""

    program, package = "victoria-metrics", "victoria-metrics"

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def command(self) -> list[str]:
        return [
            self.binary,
            f"-httpListenAddr=127.0.0.1:{self.port}",
            f"-storageDataPath={self.folder / 'data'}",
            "-retentionPeriod=100y",
            "-search.latencyOffset=0s",
            "-memory.allowedBytes=64MB",
            "-loggerLevel=WARN",
        ]

    def ready(self) -> bool:
        return _get(f"{self.url}/health") is not None

    def points(self, name: str, **labels: str) -> dict[int, float]:
        """t in ms → value of one series, by the export API. Fails when several series match."""
        match = name + "{" + ",".join(f'{k}="{v}"' for k, v in labels.items()) + "}"
        text = _get(f"{self.url}/api/v1/export?" + urllib.parse.urlencode({"match[]": match, "start": 0})) or ""
        series = [json.loads(line) for line in text.splitlines()]
        merged: dict[int, float] = {}
        for s in series:
            assert s["metric"] == series[0]["metric"], f"{match} matches several series"
            merged |= dict(zip(s["timestamps"], s["values"], strict=True))
        return merged

    def times(self, name: str) -> list[int]:
        """t in ms of every point of every series of a metric, in order; one that stands in two series stands twice.

        A point that was written twice (same series, same time) counts once, as it does for who asks with deduplication
        on: a write whose answer was lost because the server went is sent again.
        """
        text = _get(f"{self.url}/api/v1/export?" + urllib.parse.urlencode({"match[]": name, "start": 0})) or ""
        return sorted(t for line in text.splitlines() for t in set(json.loads(line)["timestamps"]))

    def series(self, name: str) -> list[dict[str, str]]:
        """The label sets of a metric."""
        text = _get(f"{self.url}/api/v1/export?" + urllib.parse.urlencode({"match[]": name, "start": 0})) or ""
        return [json.loads(line)["metric"] for line in text.splitlines()]


class Influxd(Service):
    """InfluxDB 1.x: line protocol by /write, questions by InfluxQL; no v2 API."""

    program, package = "influxd", "influxdb"

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        rpc = free_port()
        (self.folder / "influxd.conf").write_text(
            f'reporting-disabled = true\nbind-address = "127.0.0.1:{rpc}"\n'
            f'[meta]\n  dir = "{self.folder}/meta"\n'
            f'[data]\n  dir = "{self.folder}/data"\n  wal-dir = "{self.folder}/wal"\n'
            f'[http]\n  bind-address = "127.0.0.1:{self.port}"\n  log-enabled = false\n'
            '[logging]\n  level = "warn"\n[monitor]\n  store-enabled = false\n'
        )

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def command(self) -> list[str]:
        return [self.binary, "-config", str(self.folder / "influxd.conf")]

    def ready(self) -> bool:
        return _get(f"{self.url}/ping") is not None

    def write(self, database: str, lines: str) -> None:
        """Write lines, ns precision; fails with the server's words when it refuses any."""
        request = urllib.request.Request(f"{self.url}/write?db={database}&precision=ns", lines.encode())
        try:
            urllib.request.urlopen(request, timeout=10).close()
        except urllib.error.HTTPError as e:
            pytest.fail(f"influxd refused: {e.read().decode()}")

    def query(self, database: str, question: str) -> list[dict[str, Any]]:
        """The rows of the first series of an InfluxQL statement."""
        asked = urllib.parse.urlencode({"db": database, "q": question, "epoch": "ns"}).encode()
        with urllib.request.urlopen(f"{self.url}/query", asked, timeout=10) as answer:
            result = json.load(answer)["results"][0]
        assert "error" not in result, result
        series = result.get("series", [])
        return [dict(zip(series[0]["columns"], row, strict=True)) for row in series[0]["values"]] if series else []


def _get(url: str) -> str | None:
    try:
        with urllib.request.urlopen(url, timeout=5) as answer:
            return answer.read().decode()
    except OSError:
        return None
