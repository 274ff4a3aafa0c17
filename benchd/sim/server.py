"""Serves the simulated supply on a TCP port and, if wanted, on a pseudo terminal.

One thread: messages are carried out in the order they come in, whoever sends them. The first line on stdout is a JSON
object that says where to connect.
"""

from __future__ import annotations

import argparse
import heapq
import json
import os
import select
import signal
import socket
import sys
import time
from collections.abc import Sequence
from types import FrameType

from benchd.sim.bench import Readout
from benchd.sim.board import KINDS
from benchd.sim.connection import Connection, Lost, Terminal, accept
from benchd.sim.errors import ScpiError
from benchd.sim.instrument import Instrument

TICK_S = 0.25
"""How often an idle supply catches up with time and looks whether its parent still lives."""

SPIN_S = 0.00005
"""Waits end this much early and are finished by polling, since select wakes up late by about as much."""


class Server:
    """`port` 0 takes a free one. Raises OSError when the address cannot be had."""

    def __init__(self, instrument: Instrument, host: str, port: int, terminal: Terminal | None = None) -> None:
        self._instrument = instrument
        self._start_s = time.monotonic()
        self._listener: socket.socket | None = socket.create_server((host, port))
        self._listener.setblocking(False)
        self.host, self.port = self._listener.getsockname()[:2]
        self._connections: set[Connection] = set()
        if terminal is not None:
            self._connections.add(Connection(terminal))
        self._terminals = frozenset(self._connections)
        self._due: list[tuple[float, int, Connection, bytes]] = []
        self._sequence = 0
        self._stopping = False
        self._wake_out, self._wake_in = socket.socketpair()
        self._wake_out.setblocking(False)
        self._wake_in.setblocking(False)
        self._waiting_for: list[Connection | socket.socket] = []
        self._changed()

    def stop(self, _signal: int = 0, _frame: FrameType | None = None) -> None:
        """End `run` soon; may be called from a signal handler or another thread."""
        self._stopping = True
        try:
            self._wake_in.send(b"x")
        except OSError:
            return

    def run(self, parent: int | None = None) -> None:
        """Serve until `stop`, or until the process `parent` is no longer the parent of this one."""
        tick_s = time.monotonic() + TICK_S
        try:
            while not self._stopping:
                now_s = self._send_due()
                if now_s >= tick_s:
                    tick_s = now_s + TICK_S
                    self._tick(now_s)
                    if parent is not None and os.getppid() != parent:
                        return
                next_s = min(tick_s, self._due[0][0]) if self._due else tick_s
                self._serve(max(0.0, next_s - now_s - SPIN_S))
        finally:
            self._close()

    def _serve(self, timeout_s: float) -> None:
        blocked = [connection for connection in self._connections if connection.blocked]
        readable, writable, _ = select.select(self._waiting_for, blocked, [], timeout_s)
        for ready in readable:
            if isinstance(ready, Connection):
                self._receive(ready)
            elif ready is self._listener and (client := accept(ready)) is not None:
                self._connections.add(client)
                self._changed()
        for connection in writable:
            self._send(connection, b"")

    def _receive(self, connection: Connection) -> None:
        if not connection.open:
            return  # dropped by another client's message in this very round
        arrival_ns = time.monotonic_ns()
        try:
            messages = connection.receive()
        except Lost:
            self._drop(connection)
            return
        for message in messages:
            if message is None:
                self._instrument.report(ScpiError(-363))
            else:
                self._carry_out(connection, message, arrival_ns)

    def _carry_out(self, connection: Connection, message: bytes, arrival_ns: int) -> None:
        instrument, faults = self._instrument, self._instrument.faults
        now_s = time.monotonic()
        was_closed = faults.closed
        reply, simulating = instrument.handle(
            message.decode("latin-1"), now_s - self._start_s, arrival_ns, connection.last_reply_ns
        )
        if faults.closed != was_closed:
            self._follow_fault(connection)
        if reply is None:
            return
        data = reply.encode("latin-1") + b"\n"
        if simulating:
            self._send(connection, data)
            return
        if not faults.active and not instrument.latency_s and connection.busy_until_s <= now_s:
            self._send(connection, data)
            return
        start_s = max(now_s, connection.busy_until_s) + instrument.latency_s
        pieces, hold = faults.deliver(data) if faults.active else (((0.0, data),), False)
        connection.busy_until_s = start_s
        for delay_s, piece in pieces:
            self._sequence += 1
            heapq.heappush(self._due, (start_s + delay_s, self._sequence, connection, piece))
            if hold:
                connection.busy_until_s = start_s + delay_s

    def _send_due(self) -> float:
        """Send what is due and return the time."""
        now_s = time.monotonic()
        while self._due and self._due[0][0] <= now_s:
            _, _, connection, piece = heapq.heappop(self._due)
            if connection.open:
                self._send(connection, piece)
        return now_s

    def _send(self, connection: Connection, data: bytes) -> None:
        # Before sending: afterwards the client may have acted on the reply already.
        connection.last_reply_ns = time.monotonic_ns()
        try:
            connection.send(data)
        except Lost:
            self._drop(connection)

    def _drop(self, connection: Connection) -> None:
        connection.close()
        self._connections.discard(connection)
        self._changed()

    def _tick(self, now_s: float) -> None:
        for channel in self._instrument.channels:
            channel.advance(now_s - self._start_s)
        if self._listener is None and not self._instrument.faults.closed:
            self._reopen()

    def _follow_fault(self, asking: Connection) -> None:
        """CLOSE shuts the port and drops everybody but who asked for it; NONE opens the port again."""
        if not self._instrument.faults.closed:
            self._reopen()
            return
        if self._listener is not None:
            self._listener.close()
            self._listener = None
        for connection in self._connections - self._terminals - {asking}:
            connection.close()
            self._connections.discard(connection)
        self._changed()

    def _reopen(self) -> None:
        try:
            self._listener = socket.create_server((self.host, self.port))
        except OSError:
            return  # somebody has the port just now; the next tick tries again
        self._listener.setblocking(False)
        self._changed()

    def _changed(self) -> None:
        self._waiting_for = [*self._connections, self._wake_out]
        if self._listener is not None:
            self._waiting_for.append(self._listener)

    def _close(self) -> None:
        for connection in self._connections:
            connection.close()
        if self._listener is not None:
            self._listener.close()
        self._wake_out.close()
        self._wake_in.close()


def arguments() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="benchd sim",
        description="A simulated two-channel supply with boards on its leads, speaking SCPI.",
        epilog="Boards: "
        + "; ".join(f"{kind.name}: {kind.tells}" for kind in KINDS.values())
        + ". Hands at channel n, as commands on the "
        'same port: SIMn:BOARD "clean" clips a board on (NONE takes it off), SIMn:BUTTon presses its button.',
    )
    parser.add_argument("--host", default="127.0.0.1", help="address to listen on (default %(default)s)")
    parser.add_argument("--port", type=int, default=0, help="TCP port, 0 for any free one (default)")
    parser.add_argument("--pty", action="store_true", help="serve on a pseudo terminal as well, like a serial port")
    parser.add_argument("--latency-ms", type=_amount, default=0.0, help="processing time of a query")
    parser.add_argument("--interval-ms", type=_interval, default=1.0, help="readings refresh this often (default 1)")
    parser.add_argument("--noise-v", type=_amount, default=0.0003, help="rms noise of voltage readings in V")
    parser.add_argument("--noise-a", type=_amount, default=0.00005, help="rms noise of current readings in A")
    parser.add_argument("--lead-ohm", type=_positive, default=0.05, help="both leads together, in ohms")
    parser.add_argument("--resolution-a", type=_positive, default=0.0001, help="step of current readings in A")
    parser.add_argument("--seed", type=int, default=1, help="for noise and load texture")
    parser.add_argument("--board1", choices=KINDS, default="none", help="board on channel 1 (default %(default)s)")
    parser.add_argument("--board2", choices=KINDS, default="none", help="board on channel 2 (default %(default)s)")
    parser.add_argument("--end-with-parent", action="store_true", help="end when the starting process has ended")
    parser.add_argument("--json", action="store_true", help="nothing but the JSON line on stdout")
    return parser


def _amount(text: str) -> float:
    return _between(text, 0.0, 60_000.0)


def _positive(text: str) -> float:
    return _between(text, 1e-6, 1000.0)


def _interval(text: str) -> float:
    return _between(text, 0.1, 60_000.0)


def _between(text: str, lowest: float, highest: float) -> float:
    value = float(text)
    if not lowest <= value <= highest:
        raise argparse.ArgumentTypeError(f"{text} is not between {lowest:g} and {highest:g}")
    return value


def main(argv: Sequence[str] | None = None) -> int:
    """Serve until SIGTERM or SIGINT. Returns the exit status: 0, or 1 when the port cannot be had."""
    options = arguments().parse_args(argv)
    parent = os.getppid()
    instrument = Instrument(
        seed=options.seed,
        version=_version(),
        lead_ohm=options.lead_ohm,
        latency_s=options.latency_ms / 1000,
        readout=Readout(
            interval_s=options.interval_ms / 1000,
            resolution_a=options.resolution_a,
            noise_v=options.noise_v,
            noise_a=options.noise_a,
        ),
    )
    instrument.attach(0, options.board1, 0.0)
    instrument.attach(1, options.board2, 0.0)
    terminal = Terminal() if options.pty else None
    try:
        server = Server(instrument, options.host, options.port, terminal)
    except (OSError, OverflowError) as error:
        print(f"cannot listen on {options.host} port {options.port}: {error}", file=sys.stderr)
        return 1
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, server.stop)
    path = terminal.path if terminal else None
    resource = f"TCPIP0::{server.host}::{server.port}::SOCKET"
    print(json.dumps({"event": "ready", "resource": resource, "port": server.port, "pty": path}), flush=True)
    if not options.json:
        print(f"Simulated supply at {resource}" + (f" and {path}" if path else ""), flush=True)
        print(f"Channel 1: {options.board1}, channel 2: {options.board2}. Ctrl-C ends it.", flush=True)
    _wake_precisely()
    server.run(parent if options.end_with_parent else None)
    return 0


def _wake_precisely() -> None:
    """Ask Linux to end waits on time: by default it gathers those that end within 50 µs of each other (proc(5))."""
    try:
        with open("/proc/self/timerslack_ns", "w") as slack:
            slack.write("1")
    except OSError:
        return  # replies come some 50 µs later then, nothing else


def _version() -> str:
    import benchd

    return benchd.__version__
