"""Serves a simulated supply on a TCP port and, if wanted, on a pseudo terminal, with a control port beside it.

One thread: messages are carried out in the order they come in, whoever sends them. The control port takes the SIMulate
commands, whatever the supply's own language is; neither faults nor the supply's pace touch it.
"""

from __future__ import annotations

import heapq
import os
import select
import socket
import time
from collections import deque
from types import FrameType
from typing import NamedTuple

from benchd.sim.connection import Connection, Lost, Terminal, accept
from benchd.sim.rig import Arrival, Rig, cut_line
from benchd.sim.simulate import control

TICK_S = 0.25
"""How often an idle supply catches up with time and looks whether its parent still lives."""

SPIN_S = 0.00005
"""Waits end this much early and are finished by polling, since select wakes up late by about as much."""


class Work(NamedTuple):
    """A message that the supply works on until `done_s`, or will when it comes to it."""

    done_s: float
    connection: Connection
    message: bytes
    arrival_ns: int


class Server:
    """`port` 0 takes a free one. `pace`: factor on the time that the family takes over its messages, 0 for none.

    Raises OSError when an address cannot be had.
    """

    def __init__(self, rig: Rig, host: str, port: int, terminal: Terminal | None = None, pace: float = 1.0) -> None:
        self._rig = rig
        self._pace = pace
        self._start_s = time.monotonic()
        self._listener: socket.socket | None = _listen(host, port)
        self.host, self.port = self._listener.getsockname()[:2]
        try:
            self._control = _listen(host, 0)
        except OSError:
            self._listener.close()
            raise
        self.control_port: int = self._control.getsockname()[1]
        self._connections: set[Connection] = set()
        self._controlling: set[Connection] = set()
        if terminal is not None:
            self._connections.add(Connection(terminal, rig.cut))
        self._terminals = frozenset(self._connections)
        self._work: deque[Work] = deque()
        self._busy_until_s = 0.0
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
                now_s = self._do_due()
                if now_s >= tick_s:
                    tick_s = now_s + TICK_S
                    self._tick(now_s)
                    if parent is not None and os.getppid() != parent:
                        return
                next_s = min(tick_s, self._due[0][0]) if self._due else tick_s
                next_s = min(next_s, self._work[0].done_s) if self._work else next_s
                self._serve(max(0.0, next_s - now_s - SPIN_S))
        finally:
            self._close()

    def _serve(self, timeout_s: float) -> None:
        blocked = [connection for connection in self._connections if connection.blocked]
        readable, writable, _ = select.select(self._waiting_for, blocked, [], timeout_s)
        for ready in readable:
            if isinstance(ready, Connection):
                self._receive(ready)
            elif ready is self._listener or ready is self._control:
                self._accept(ready)
        for connection in writable:
            self._send(connection, b"")

    def _accept(self, listener: socket.socket) -> None:
        controlling = listener is self._control
        client = accept(listener, cut_line if controlling else self._rig.cut)
        if client is None:
            return
        self._connections.add(client)
        if controlling:
            self._controlling.add(client)
        self._changed()

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
            if connection in self._controlling:
                self._follow(connection, message or b"", arrival_ns)
            elif message is None:
                self._rig.overrun()
            else:
                self._take(connection, message, arrival_ns)

    def _take(self, connection: Connection, message: bytes, arrival_ns: int) -> None:
        """Carry out a message now, or when the supply has had the time it takes."""
        busy_s = self._rig.busy_s(message) * self._pace
        now_s = time.monotonic()
        if now_s < self._busy_until_s:
            if self._rig.loses_early:
                return
        elif not busy_s and not self._work:
            self._carry_out(connection, message, arrival_ns)
            return
        self._busy_until_s = max(now_s, self._busy_until_s) + busy_s
        self._work.append(Work(self._busy_until_s, connection, message, arrival_ns))

    def _follow(self, connection: Connection, message: bytes, arrival_ns: int) -> None:
        """A message of the control port."""
        was_closed = self._rig.faults.closed
        self._rig.arrival = Arrival(arrival_ns, connection.last_reply_ns, connection.number)
        reply = control(self._rig, message.decode("latin-1"), time.monotonic() - self._start_s)
        if self._rig.faults.closed != was_closed:
            self._follow_fault(connection)
        if reply is not None:
            self._send(connection, reply.encode("latin-1") + b"\n")

    def _carry_out(self, connection: Connection, message: bytes, arrival_ns: int) -> None:
        rig, faults = self._rig, self._rig.faults
        now_s = time.monotonic()
        was_closed = faults.closed
        rig.arrival = Arrival(arrival_ns, connection.last_reply_ns, connection.number)
        replies, simulating = rig.hear(message, now_s - self._start_s)
        if faults.closed != was_closed:
            self._follow_fault(connection)
        for reply in replies:
            if simulating or not (faults.active or rig.latency_s or connection.busy_until_s > now_s):
                self._send(connection, reply)
            else:
                self._send_later(connection, reply, now_s)

    def _send_later(self, connection: Connection, reply: bytes, now_s: float) -> None:
        faults = self._rig.faults
        start_s = max(now_s, connection.busy_until_s) + self._rig.latency_s
        pieces, hold = faults.deliver(reply) if faults.active else (((0.0, reply),), False)
        connection.busy_until_s = start_s
        for delay_s, piece in pieces:
            self._sequence += 1
            heapq.heappush(self._due, (start_s + delay_s, self._sequence, connection, piece))
            if hold:
                connection.busy_until_s = start_s + delay_s

    def _do_due(self) -> float:
        """Finish the work and send the replies that are due, and return the time."""
        now_s = time.monotonic()
        while self._work and self._work[0].done_s <= now_s:
            work = self._work.popleft()
            self._carry_out(work.connection, work.message, work.arrival_ns)
        while self._due and self._due[0][0] <= now_s:
            _, _, connection, piece = heapq.heappop(self._due)
            self._send(connection, piece)
        return now_s

    def _send(self, connection: Connection, data: bytes) -> None:
        if not connection.open:
            return  # gone while the supply worked
        # Before sending: afterwards the client may have acted on the reply already.
        connection.last_reply_ns = time.monotonic_ns()
        try:
            connection.send(data)
        except Lost:
            self._drop(connection)

    def _drop(self, connection: Connection) -> None:
        connection.close()
        self._connections.discard(connection)
        self._controlling.discard(connection)
        self._changed()

    def _tick(self, now_s: float) -> None:
        self._rig.tick(now_s - self._start_s)
        if self._listener is None and not self._rig.faults.closed:
            self._reopen()

    def _follow_fault(self, asking: Connection) -> None:
        """CLOSE shuts the port and drops everybody but who asked for it and the control port; NONE opens it again."""
        if not self._rig.faults.closed:
            self._reopen()
            return
        if self._listener is not None:
            self._listener.close()
            self._listener = None
        for connection in self._connections - self._terminals - self._controlling - {asking}:
            connection.close()
            self._connections.discard(connection)
        self._changed()

    def _reopen(self) -> None:
        try:
            self._listener = _listen(self.host, self.port)
        except OSError:
            return  # somebody has the port just now; the next tick tries again
        self._changed()

    def _changed(self) -> None:
        self._waiting_for = [*self._connections, self._control, self._wake_out]
        if self._listener is not None:
            self._waiting_for.append(self._listener)

    def _close(self) -> None:
        for connection in self._connections:
            connection.close()
        if self._listener is not None:
            self._listener.close()
        self._control.close()
        self._wake_out.close()
        self._wake_in.close()


def _listen(host: str, port: int) -> socket.socket:
    listener = socket.create_server((host, port))
    listener.setblocking(False)
    return listener
