"""A simulated supply in a process of its own, for any test that needs one on a real socket.

with SimulatedSupply(board1="clean") as supply:
    connect_to(supply.resource)
    supply.button(1)
"""

from __future__ import annotations

import json
import select
import socket
import subprocess
import sys
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

START_S = 10.0
ANSWER_S = 5.0


class Truth(NamedTuple):
    """The model's own state, noise-free: what the supply's readings should be close to."""

    output: bool
    voltage_v: float
    current_a: float
    board_v: float


class SimulatedSupply:
    """Options as of `python -m benchd.sim`, with underscores: `SimulatedSupply(latency_ms=0.5, pty=True)`.

    `resource`, `port`, `pty`: where to connect. Channels are 1 and 2. The methods speak over a socket of the helper's
    own, which faults do not touch.
    """

    def __init__(self, **options: str | float | bool) -> None:
        words = [sys.executable, "-m", "benchd.sim", "--end-with-parent", "--json"]
        for name, value in options.items():
            flag = "--" + name.replace("_", "-")
            if value is True:
                words.append(flag)
            elif value is not False:
                words += [flag, str(value)]
        root = Path(__file__).resolve().parent.parent
        self.process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, cwd=root)
        try:
            ready = self._first_line()
            self.resource: str = ready["resource"]
            self.port: int = ready["port"]
            self.pty: str | None = ready["pty"]
            host = self.resource.split("::")[1]
            self._socket = socket.create_connection((host, self.port), timeout=ANSWER_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._lines = self._socket.makefile("r", encoding="latin-1", newline="\n")
        except BaseException:
            self.process.kill()
            self._end()
            raise

    def _first_line(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        if not select.select([self.process.stdout], [], [], START_S)[0]:
            raise TimeoutError(f"the simulated supply said nothing for {START_S} s")
        line = self.process.stdout.readline()
        if not line:
            raise RuntimeError(f"the simulated supply ended at once with status {self.process.wait(START_S)}")
        ready: dict[str, Any] = json.loads(line)
        return ready

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def board(self, channel: int, name: str) -> None:
        """Clip a fresh board of this kind on the leads; `none` leaves them free."""
        self._sure(f"SIM{channel}:BOARD {name}")

    def button(self, channel: int) -> None:
        self._sure(f"SIM{channel}:BUTTON")

    def connect(self, channel: int, connected: bool) -> None:
        """Put the clip on, or take it off."""
        self._sure(f"SIM{channel}:CONNECT {'ON' if connected else 'OFF'}")

    def truth(self, channel: int) -> Truth:
        output, *numbers = self.query(f"SIM{channel}:TRUTH?").split(",")
        return Truth(output == "1", *map(float, numbers))

    def fault(self, kind: str, *arguments: object) -> None:
        """See the table in `benchd/sim/faults.py`."""
        self._sure(f"SIM:FAULT {','.join(map(str, (kind, *arguments)))}")

    def offs(self) -> list[int]:
        """When the last OUTP OFF came in, as `time.monotonic_ns()` of this machine."""
        return [int(text) for text in self.query("SIM:LOG?").split(",")[1:]]

    def command(self, text: str) -> None:
        """Send a message that has no reply; it is carried out when this returns, for other connections too."""
        self._sure(text)

    def query(self, text: str) -> str:
        """Send a query and wait for its reply. Faults apply, except to messages that begin with SIM."""
        self._socket.sendall(text.encode() + b"\n")
        line = self._lines.readline()
        if not line.endswith("\n"):
            raise ConnectionError(f"the simulated supply closed the connection on {text!r}")
        return line[:-1]

    def _sure(self, text: str) -> None:
        """A SIMulate command, carried out when this returns. The driver's error queue is left alone."""
        error = self.query(f"{text}\nSIM:ERROR?")
        if not error.startswith("0,"):
            raise ValueError(f"{text}: {error}")

    def kill(self) -> None:
        """As if the supply lost power: no goodbye."""
        self.process.kill()
        self.process.wait(START_S)

    def close(self) -> None:
        self.process.terminate()
        self._lines.close()
        self._socket.close()
        self._end()

    def _end(self) -> None:
        try:
            self.process.wait(START_S)
        finally:
            if self.process.poll() is None:
                self.process.kill()
                self.process.wait(START_S)
            assert self.process.stdout is not None
            self.process.stdout.close()
