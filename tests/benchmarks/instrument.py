"""A scripted instrument for measurements: a process of its own that answers fast and stamps what it sees.

Simpler than the simulated supply on purpose: what is measured is the reader, not the electrical model. It speaks just
what the `generic-scpi` profile sends. Times are CLOCK_MONOTONIC of this one process, so no two clocks are compared.

stdin takes `fault`: the next reading is a dead short; once OUTP OFF has come, one line of JSON goes to stdout:
{"us": microseconds from the offending reply leaving to OUTP OFF arriving}.
"""

from __future__ import annotations

import contextlib
import ctypes
import json
import os
import selectors
import socket
import sys
import time

SPIN_S = 0.00012
PR_SET_TIMERSLACK = 29
"""prctl(2): how much later than asked the kernel may wake this process, ns; 50 µs unless set."""


class Instrument:
    """One connection at a time matters; several are served."""

    def __init__(self, latency_s: float) -> None:
        self.latency_s = latency_s
        self.on = False
        self.fault = False
        self.sent_at: float | None = None
        self.volts, self.amps = "0.000", "0.000"

    def execute(self, unit: str) -> str | None:
        """One program message unit; the reply of a query."""
        head, _, argument = unit.strip().lstrip(":").partition(" ")
        head = head.upper()
        if head == "OUTP":
            was, self.on = self.on, argument.strip().upper() in ("1", "ON")
            if was and not self.on and self.sent_at is not None:
                print(json.dumps({"us": (time.perf_counter() - self.sent_at) * 1e6}), flush=True)
                self.sent_at, self.fault = None, False
            return None
        if head == "VOLT":
            self.volts = argument
        if head == "CURR":
            self.amps = argument
        return {
            "*IDN?": "benchd,BENCHMARK,0,1",
            "OUTP?": "1" if self.on else "0",
            "VOLT?": self.volts,
            "CURR?": self.amps,
            "SYST:ERR?": '0,"No error"',
            "*OPC?": "1",
            "MEAS:VOLT?": "0.0200" if self.fault and self.on else "4.0000" if self.on else "0.0000",
            "MEAS:CURR?": self.amps if self.fault and self.on else "0.1000" if self.on else "0.0000",
        }.get(head)

    def answer(self, message: str) -> bytes:
        """The reply line to one message, or nothing."""
        measured = "MEAS" in message.upper()
        replies = [r for r in map(self.execute, message.split(";")) if r is not None]
        if not replies:
            return b""
        if self.latency_s:
            until = time.perf_counter() + self.latency_s
            # Sleeping oversleeps a little; the last stretch is spun so that latencies are what they say.
            if self.latency_s > SPIN_S:
                time.sleep(self.latency_s - SPIN_S)
            while time.perf_counter() < until:
                pass
        if measured and self.fault and self.on and self.sent_at is None:
            self.sent_at = time.perf_counter()
        return (";".join(replies) + "\n").encode()


def main() -> None:
    # It stands for a device outside this machine, which does not wait for this machine's processor.
    with contextlib.suppress(PermissionError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
    ctypes.CDLL(None).prctl(PR_SET_TIMERSLACK, 1000, 0, 0, 0)
    instrument = Instrument(float(sys.argv[1]) if len(sys.argv) > 1 else 0.0)
    listener = socket.create_server(("127.0.0.1", 0))
    print(json.dumps({"port": listener.getsockname()[1]}), flush=True)
    chooser = selectors.DefaultSelector()
    chooser.register(listener, selectors.EVENT_READ)
    chooser.register(sys.stdin.fileno(), selectors.EVENT_READ)
    buffers: dict[socket.socket, bytes] = {}
    while True:
        for key, _ in chooser.select():
            if key.fileobj is listener:
                conn, _ = listener.accept()
                conn.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                buffers[conn] = b""
                chooser.register(conn, selectors.EVENT_READ)
            elif key.fileobj == sys.stdin.fileno():
                told = os.read(sys.stdin.fileno(), 4096)
                if not told:
                    return
                instrument.fault = True
            else:
                conn = key.fileobj
                try:
                    data = conn.recv(65536)
                except OSError:
                    data = b""
                if not data:
                    chooser.unregister(conn)
                    conn.close()
                    del buffers[conn]
                    continue
                *lines, buffers[conn] = (buffers[conn] + data).split(b"\n")
                for line in lines:
                    if reply := instrument.answer(line.decode()):
                        conn.sendall(reply)


if __name__ == "__main__":
    main()
