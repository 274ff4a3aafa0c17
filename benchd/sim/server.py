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

GUST_S = 0.001
"""A reply storm comes in bunches of this length."""

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
        self._storm_s = 0.0
        self._dark_until_s = 0.0
        self._in_touch: Connection | None = None
        """Who is still heard in a black hole."""
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
                self._storm(now_s)
                if now_s >= min(tick_s, self._own_due_s()):
                    tick_s = now_s + TICK_S
                    self._tick(now_s)
                    if parent is not None and os.getppid() != parent:
                        return
                next_s = min(tick_s, self._own_due_s(), self._due[0][0] if self._due else tick_s)
                next_s = min(next_s, self._work[0].done_s) if self._work else next_s
                self._serve(max(0.0, next_s - now_s - SPIN_S))
        finally:
            self._close()

    def _own_due_s(self) -> float:
        """When something is to be done that nobody asks for."""
        due_s = self._start_s + self._rig.due_s
        if self._listener is None and self._dark_until_s and not self._rig.faults.closed:
            due_s = min(due_s, self._dark_until_s)
        storm_per_s = self._rig.faults.storm_per_s
        return min(due_s, self._storm_s + max(1 / storm_per_s, GUST_S)) if storm_per_s else due_s

    def _storm(self, now_s: float) -> None:
        """The lines that are due in a reply storm; a client that does not read them is not sent more."""
        per_s = self._rig.faults.storm_per_s
        if not per_s:
            return
        self._storm_s = max(self._storm_s, now_s - TICK_S)
        count = int((now_s - self._storm_s) * per_s)
        if not count:
            return
        self._storm_s += count / per_s
        for connection in self._connections - self._controlling:
            if not (connection.blocked or self._is_silenced(connection)):
                try:
                    connection.send(self._rig.faults.extra_lines(count))
                except Lost:
                    self._drop(connection)

    def _serve(self, timeout_s: float) -> None:
        blocked = [each for each in self._connections if each.blocked and not self._is_silenced(each)]
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
        if time.monotonic() < self._dark_until_s and connection not in self._controlling:
            return  # a terminal: its bytes go to a supply without power
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
        self._rig.arrival = Arrival(arrival_ns, connection.last_reply_ns, connection.number)
        reply = control(self._rig, message.decode("latin-1"), time.monotonic() - self._start_s)
        self._follow_faults(connection)
        if reply is not None:
            self._send(connection, reply.encode("latin-1") + b"\n")

    def _carry_out(self, connection: Connection, message: bytes, arrival_ns: int) -> None:
        rig, faults = self._rig, self._rig.faults
        now_s = time.monotonic()
        rig.arrival = Arrival(arrival_ns, connection.last_reply_ns, connection.number)
        replies, simulating = rig.hear(message, now_s - self._start_s)
        if simulating:
            self._follow_faults(connection)
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
        if not connection.open or self._is_silenced(connection):
            return  # gone while the supply worked, or cut off from it
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
        if self._listener is None and not self._rig.faults.closed and now_s >= self._dark_until_s:
            self._reopen()

    def _follow_faults(self, asking: Connection) -> None:
        """What the faults say of connections, if that has changed."""
        faults = self._rig.faults
        if not faults.link_changed:
            return
        faults.link_changed = False
        if faults.power_cut_s is not None:
            self._cut_power(faults.power_cut_s)
            faults.power_cut_s = None
            return
        self._in_touch = asking if faults.black_hole else None
        if faults.closed:
            self._shut_port({asking})
        elif self._listener is None:
            self._reopen()
        self._changed()

    def _shut_port(self, spared: set[Connection]) -> None:
        """Refuse new connections and drop all but these and the control port's."""
        if self._listener is not None:
            self._listener.close()
            self._listener = None
        for connection in self._connections - self._terminals - self._controlling - spared:
            connection.close()
            self._connections.discard(connection)
        self._changed()

    def _cut_power(self, for_s: float) -> None:
        now_s = time.monotonic()
        self._rig.power_up(now_s - self._start_s)
        self._work.clear()
        self._due.clear()
        self._busy_until_s = 0.0
        self._dark_until_s = now_s + for_s
        self._shut_port(set())

    def _is_silenced(self, connection: Connection) -> bool:
        """Whether a black hole lies between."""
        others = connection not in self._controlling and connection is not self._in_touch
        return self._rig.faults.black_hole and others

    def _reopen(self) -> None:
        try:
            self._listener = _listen(self.host, self.port)
        except OSError:
            self._dark_until_s = time.monotonic() + TICK_S  # somebody has the port just now
            return
        self._dark_until_s = 0.0
        self._changed()

    def _changed(self) -> None:
        heard = (connection for connection in self._connections if not self._is_silenced(connection))
        self._waiting_for = [*heard, self._control, self._wake_out]
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
