"""The load that is put on a running daemon, and the servers that its followers write to."""

from __future__ import annotations

import contextlib
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Iterator

from tests.running import Running


@contextlib.contextmanager
def load(run: Running, clients: int) -> Iterator[None]:
    """Page clients on the live stream and one analysis after the other, in a process of their own."""
    with _loading("daemon", run.url, str(clients)):
        yield


@contextlib.contextmanager
def findings() -> Iterator[None]:
    """A process that reads one long trace after the other."""
    with _loading("findings"):
        yield


@contextlib.contextmanager
def _loading(*words: str) -> Iterator[None]:
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.load", *words],
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
        assert process.stdout is not None
        process.stdout.close()


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
