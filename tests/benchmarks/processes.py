"""Starting and ending the processes that measurements need."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from collections.abc import Iterator


class Scripted:
    """The scripted instrument's process."""

    def __init__(self, process: subprocess.Popen[str], port: int) -> None:
        self._process = process
        self.pid = process.pid
        self.resource = f"TCPIP0::127.0.0.1::{port}::SOCKET"

    def fault(self) -> float:
        """Let the next reading be a dead short; µs until OUTP OFF arrived."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write("fault\n")
        self._process.stdin.flush()
        return float(json.loads(self._process.stdout.readline())["us"])


@contextlib.contextmanager
def scripted(latency_s: float = 0.0) -> Iterator[Scripted]:
    """A scripted instrument, ended by its own id."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.instrument", str(latency_s)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        assert process.stdout is not None
        yield Scripted(process, json.loads(process.stdout.readline())["port"])
    finally:
        process.terminate()
        process.wait()
