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


class Lines:
    """A socket that is asked line by line."""

    def __init__(self, host: str, port: int) -> None:
        self._socket = socket.create_connection((host, port), timeout=ANSWER_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._lines = self._socket.makefile("r", encoding="latin-1", newline="\n")

    def ask(self, text: str) -> str:
        self._socket.sendall(text.encode("latin-1") + b"\n")
        line = self._lines.readline()
        if not line.endswith("\n"):
            raise ConnectionError(f"the simulated supply closed the connection on {text!r}")
        return line.rstrip("\r\n")

    def close(self) -> None:
        self._lines.close()
        self._socket.close()


class SimulatedSupply:
    """Options as of `python -m benchd.sim`, with underscores: `SimulatedSupply(latency_ms=0.5, pty=True)`.

    `resource`, `port`, `pty`: where to connect. Channels count from 1. Hands, truth and faults go over the control
    port, so they work for every family; `command` and `query` speak the family's own language, on a connection of the
    helper's own that is opened when first needed.
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
            self._host = self.resource.split("::")[1]
            self._own_words = options.get("family", "benchd-sim") == "benchd-sim"
            self._bus: Lines | None = None
            self._control_port: int = ready["control"]
            self._control = self.another_control()
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

    def surge(self, channel: int, voltage_v: float) -> None:
        """The regulator fails and gives this voltage, until another one is set."""
        self._sure(f"SIM{channel}:SURGE {voltage_v}")

    def bridge(self, channel: int, ohm: float) -> None:
        """The clip sits at another point of a shorted rail, which has this resistance from there."""
        self._sure(f"SIM{channel}:BRIDGE {ohm:.9f}")

    def clip_sense(self, channel: int, leads: int) -> None:
        """So many of the two sense leads are on the clips from now on."""
        self._sure(f"SIM{channel}:SENS {leads}")

    def meters(
        self, channel: int, gain_v: float = 1.0, offset_v: float = 0.0, gain_a: float = 1.0, offset_a: float = 0.0
    ) -> None:
        """What its meters show of a value: gain times it, and the offset."""
        self._sure(f"SIM{channel}:METER {gain_v:.9f},{offset_v:.9f},{gain_a:.9f},{offset_a:.9f}")

    def truth(self, channel: int, control: Lines | None = None) -> Truth:
        """`control`: of the thread that asks, where that is not the one that made this object."""
        output, *numbers = (control or self._control).ask(f"SIM{channel}:TRUTH?").split(",")
        return Truth(output == "1", *map(float, numbers))

    def fault(self, kind: str, *arguments: object) -> None:
        """See the table in `benchd/sim/faults.py`."""
        self._sure(f"SIM:FAULT {','.join(map(str, (kind, *arguments)))}")
        if kind.upper() == "CLOSE":
            self._hang_up()

    def another_control(self) -> Lines:
        """A control connection for another thread; whoever asks for it closes it."""
        return Lines(self._host, self._control_port)

    def offs(self) -> list[int]:
        """When the last off orders came in, as `time.monotonic_ns()` of this machine."""
        return [int(text) for text in self._control.ask("SIM:LOG?").split(",")[1:]]

    def command(self, text: str) -> None:
        """Send a message that has no reply; it is carried out when this returns, for other connections too.

        Families other than the one of this package are told over the control port, at once whatever their pace.
        """
        if self._own_words:
            self._checked(self.query(f"{text}\nSIM:ERROR?"), text)
        else:
            self._sure(f'SIM:TELL "{text}"')

    def query(self, text: str) -> str:
        """Send a query of the supply's own language and wait for its line. Faults apply, except to its SIM commands."""
        if self._bus is None:
            self._bus = Lines(self._host, self.port)
        return self._bus.ask(text)

    def simulate(self, text: str) -> str:
        """A SIMulate query, asked over the control port."""
        return self._control.ask(text)

    def _sure(self, text: str) -> None:
        """A SIMulate command, carried out when this returns. The driver's error queue is left alone."""
        self._checked(self._control.ask(f"{text}\nSIM:ERROR?"), text)

    def _checked(self, error: str, text: str) -> None:
        if not error.startswith("0,"):
            raise ValueError(f"{text}: {error}")

    def _hang_up(self) -> None:
        if self._bus is not None:
            self._bus.close()
            self._bus = None

    def kill(self) -> None:
        """As if the supply lost power: no goodbye."""
        self.process.kill()
        self.process.wait(START_S)

    def close(self) -> None:
        self.process.terminate()
        self._hang_up()
        self._control.close()
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
