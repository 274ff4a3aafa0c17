"""Keeps a guard process: spawn, heartbeats, watch, and make-safe with restart when it is gone. One thread.

The guard counts as gone when its socket closes, when it sends what is no frame of ours, or when it has been silent
for SILENT_S although everything that had arrived was read. It is then killed, so that it cannot wake up and switch
something, and every supply it held is made safe at once, each in a thread of its own; only then a new one starts.
"""

from __future__ import annotations

import functools
import os
import select
import socket
import subprocess
import sys
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import msgspec

from benchd.guard.errand import Errand
from benchd.guard.framing import FramingError, encode, report_decoder
from benchd.guard.opening import longer_s, make_config_safe
from benchd.guard.priority import go_ahead
from benchd.guard.wire import (
    Command,
    Configure,
    DaemonBeat,
    GuardBeat,
    LinkChanged,
    OutputChanged,
    Report,
    SupplyConfig,
)
from benchd.reading import OutputState
from benchd.supplies.clock import ANCHOR_NS, HANDED_DOWN, now_ns
from benchd.supplies.makesafe import ChannelSafe

BEAT_S = 0.1
SILENT_S = 0.4
FIRST_BEAT_WITHIN_S = 10.0
LOOP_DEAD_S = 5.0
FIRST_DELAY_S = 0.2
LONGEST_DELAY_S = 10.0
HEALTHY_S = 30.0
"""A guard that lived this long starts the restart delays from the beginning."""
END_WITHIN_S = 6.0
SAFE_WITHIN_S = 3.0
"""Making safe is waited for this long: thrice what it takes where the link itself is bounded, s."""
BEGIN_WITHIN_S = 0.1
"""A thread that has not begun by then is taken to have died of want of memory, s."""
ASK_AGAIN_S = 0.5
"""A guard that has not ended this long after it was told gets SIGTERM, which means the same, s."""
REMEMBER_S = 5.0
"""A guard that was left alone has made its supplies safe and ended after this long, s; slow families take longer."""
SILENCES = 500
"""So many beats are remembered: 50 s of them."""
PACKAGE_PARENT = str(Path(__file__).resolve().parents[2])


class GuardKeeper:
    """`arrived` gets reports, and sentences for the operator, in the keeper's own thread."""

    def __init__(
        self,
        configure: Configure,
        arrived: Callable[[Report | str], None],
        safe: Callable[[SupplyConfig], list[ChannelSafe]] = make_config_safe,
    ) -> None:
        self.state: Literal["alive", "restarting", "gone"] = "gone"
        self.pid: int | None = None
        self.loop_seen_s = time.monotonic()
        """When the event loop last came round; set by its owner."""
        self._configure = configure
        self.longer_s = longer_s(*configure.supplies)
        """What the slowest supply takes to be proved off, beyond what a quick one does."""
        self._arrived = arrived
        self._safe = safe
        self._process: subprocess.Popen[bytes] | None = None
        self._sock: socket.socket | None = None
        self._send_lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._stopping = threading.Event()
        self._end_expected = False
        self._held: set[str] = set()
        """Supplies whose link was up in some guard of ours: theirs are the outputs to make safe."""
        self._not_safe: set[str] = set()
        self._guards = 0
        """How many were started: an errand that comes late must not speak for the next one."""
        self._seen_off: dict[str, set[int]] = {}
        """Outputs that the guard which runs now has confirmed off, by supply."""

    # ---- for the owner ----------------------------------------------------------------------------------------

    @property
    def guards(self) -> int:
        """How many were started."""
        return self._guards

    def start(self) -> None:
        """Start the thread that starts the guard. Once only."""
        self.state = "restarting"
        self._thread = threading.Thread(target=self._run, name="guard-keeper", daemon=True)
        self._thread.start()

    def send(self, command: Command) -> None:
        """Send a command. One that cannot be sent is lost with the guard, and its answer never comes."""
        frame = encode(command)
        with self._send_lock:
            if self._sock is None:
                return
            try:
                # A living guard reads at once. A full socket means that it hangs, and half a frame cannot be undone.
                if self._sock.send(frame, socket.MSG_DONTWAIT) == len(frame):
                    return
            except OSError:
                pass
            self._sock.shutdown(socket.SHUT_RDWR)

    def expect_end(self) -> None:
        """The guard is about to be told to end: its going is no accident."""
        self._end_expected = True

    def stop(self) -> bool:
        """Wait for the guard's end, kill it if it does not come, and make safe then. True when all is proved off."""
        self._end_expected = True
        self._stopping.set()
        if self._thread is not None:
            self._thread.join()
        self.state = "gone"
        return not self._not_safe

    # ---- the thread -------------------------------------------------------------------------------------------

    def _run(self) -> None:
        go_ahead()  # on a busy machine late heartbeats would make the guard cut a good start
        delay_s = FIRST_DELAY_S
        while not self._stopping.is_set():
            started = time.monotonic()
            try:
                self._spawn()
                why = self._serve()
            except Exception as error:  # whatever it is, the outputs are not looked after by anybody now
                traceback.print_exc(file=sys.stderr)
                why = f"the guard could not be started or kept: {error}"
            self.state = "restarting"
            status = self._reap(self._end_expected)
            if self._end_expected and status == 0:
                break
            self._gone(f"{why} (exit status {status})")
            if self._end_expected:
                break
            delay_s = FIRST_DELAY_S if time.monotonic() - started > HEALTHY_S else delay_s
            self._wait_before_restart(delay_s)
            delay_s = min(2 * delay_s, LONGEST_DELAY_S)
        self._try_again()

    def _spawn(self) -> None:
        ours, theirs = socket.socketpair()
        environment = dict(os.environ)
        paths = [PACKAGE_PARENT, *environment.get("PYTHONPATH", "").split(os.pathsep)]
        environment["PYTHONPATH"] = os.pathsep.join(path for path in paths if path)
        environment[HANDED_DOWN] = str(ANCHOR_NS)
        words = [sys.executable, "-m", "benchd.guard", "--fd", str(theirs.fileno())]
        try:
            self._process = subprocess.Popen(
                words,
                pass_fds=(theirs.fileno(),),
                start_new_session=True,
                close_fds=True,
                stdin=subprocess.DEVNULL,
                env=environment,
            )
        except OSError:
            ours.close()
            raise
        finally:
            theirs.close()
        self.pid = self._process.pid
        self._guards += 1
        self._seen_off.clear()
        with self._send_lock:
            self._sock = ours
        self.send(self._configure)

    def _serve(self) -> str:
        """Beat and read until the guard is gone; returns why it is believed to be."""
        sock = self._sock
        assert sock is not None
        decoder = report_decoder()
        heard_s = time.monotonic()
        may_be_silent_s = FIRST_BEAT_WITHIN_S
        next_beat_s = heard_s
        heard_of_s, silences = heard_s, deque[tuple[float, float]](maxlen=SILENCES)
        sequence = 0
        stop_s: float | None = None
        while True:
            now = time.monotonic()
            if now >= next_beat_s:
                next_beat_s = now + BEAT_S
                if now - self.loop_seen_s < LOOP_DEAD_S:
                    sequence += 1
                    self.send(DaemonBeat(sequence))
                    silences.append((now, now - heard_of_s))
                    heard_of_s = now
            readable = select.select([sock], [], [], max(0.0, next_beat_s - time.monotonic()))[0]
            if readable:
                try:
                    data = sock.recv(262144)
                    reports = decoder.feed(data)
                except (OSError, FramingError) as error:
                    return self._why_ended(str(error), heard_of_s, silences)
                if not data:
                    return self._why_ended("its end of the socket closed", heard_of_s, silences)
                heard_s = time.monotonic()
                for report in reports:
                    if isinstance(report, GuardBeat):
                        self.state, may_be_silent_s = "alive", SILENT_S
                    else:
                        self._note(report)
            elif time.monotonic() - heard_s > may_be_silent_s:
                return f"silent for {time.monotonic() - heard_s:.2f} s"
            if self._stopping.is_set():
                stop_s = stop_s or now
                if now - stop_s > END_WITHIN_S + self.longer_s:
                    return "it did not end when told"
                if now - stop_s > ASK_AGAIN_S and self._process is not None:
                    self._process.terminate()  # it may have been starting when it was to be told

    def _why_ended(self, seen: str, heard_of_s: float, silences: deque[tuple[float, float]]) -> str:
        """A guard that hears nothing from here makes safe and ends by itself; then the fault is on this side."""
        now = time.monotonic()
        recent = [length_s for at_s, length_s in silences if now - at_s < REMEMBER_S + self.longer_s]
        silent_s = max(*recent, now - heard_of_s) if recent else now - heard_of_s
        if silent_s > self._configure.daemon_timeout_s:
            return f"it ended by itself, having heard nothing from here for {silent_s:.2f} s; this computer is too busy"
        return seen

    def _note(self, report: Report) -> None:
        if isinstance(report, LinkChanged) and report.up:
            self._held.add(report.supply)
            if report.met is not None:
                self._note_unit(report.supply, report.met.resource, report.identity)
        if isinstance(report, OutputChanged):
            self._note_output(report)
        self._arrived(report)

    def _note_unit(self, name: str, resource: str, identity: str) -> None:
        """Where a supply answers now is where it is made safe, and where the next guard begins; and who answers."""
        supplies = tuple(
            msgspec.structs.replace(each, resource=resource, identity=identity) if each.name == name else each
            for each in self._configure.supplies
        )
        self._configure = msgspec.structs.replace(self._configure, supplies=supplies)

    def _note_output(self, report: OutputChanged) -> None:
        """A supply is safe again when the guard has confirmed each of its outputs off, not only one."""
        off = self._seen_off.setdefault(report.supply, set())
        if report.state is not OutputState.OFF:
            off.discard(report.channel)
            return
        off.add(report.channel)
        supply = next(each for each in self._configure.supplies if each.name == report.supply)
        if {channel.number for channel in supply.channels} <= off:
            self._not_safe.discard(report.supply)

    def _reap(self, expected: bool) -> int | None:
        """End the process if it has not ended, and collect it. With `expected` it gets a moment to do so itself."""
        process = self._process
        if process is not None:
            try:
                process.wait(1.0 if expected else 0.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        with self._send_lock:
            if self._sock is not None:
                self._sock.close()
                self._sock = None
        self._process = self.pid = None
        return None if process is None else process.returncode

    # ---- the guard is gone ------------------------------------------------------------------------------------

    def _gone(self, why: str) -> None:
        words = f"the guard process is gone: {why}"
        self._arrived(words + "; making its supplies safe")
        held = [supply for supply in self._configure.supplies if supply.name in self._held]
        for supply in held:
            for channel in supply.channels:
                self._tell(supply.name, channel.number, OutputState.UNKNOWN, words)
        self._make_safe(held)

    def _make_safe(self, supplies: list[SupplyConfig]) -> None:
        errands = []
        for supply in supplies:
            self._not_safe.add(supply.name)
            errand = Errand(functools.partial(self._make_one_safe, supply, self._guards))
            errand.start()
            errands.append(errand)
        begin_by = time.monotonic() + BEGIN_WITHIN_S
        # One that hangs (a look-up of a host name is not bounded) must not keep the other supplies unguarded.
        deadline = time.monotonic() + SAFE_WITHIN_S + longer_s(*supplies)
        for errand in errands:
            while not errand.begun and time.monotonic() < begin_by:
                errand.done.wait(0.01)
            errand.run()  # where no thread has begun it: the machine is out of threads or memory
        for errand in errands:
            errand.done.wait(max(0.0, deadline - time.monotonic()))

    def _make_one_safe(self, supply: SupplyConfig, guards: int) -> None:
        if guards != self._guards:
            return  # a new guard holds it: it must not be cut, nor spoken of, from here
        reached = self._safe(supply)
        if guards != self._guards:
            return
        for channel, state, text in reached:
            self._tell(supply.name, channel, state, text)
        if all(state is OutputState.OFF for _, state, _ in reached):
            self._not_safe.discard(supply.name)

    def _tell(self, supply: str, channel: int, state: OutputState, text: str) -> None:
        self._arrived(OutputChanged(supply, channel, state, "guard-gone", now_ns(), text=text))

    def _try_again(self) -> None:
        not_safe = [supply for supply in self._configure.supplies if supply.name in self._not_safe]
        if not_safe:
            self._make_safe(not_safe)

    def _wait_before_restart(self, delay_s: float) -> None:
        deadline = time.monotonic() + delay_s
        while not self._stopping.is_set():
            self._try_again()
            left_s = deadline - time.monotonic()
            if left_s <= 0 and time.monotonic() - self.loop_seen_s < LOOP_DEAD_S:
                return  # with a dead event loop a new guard would only end at once, for want of heartbeats
            self._stopping.wait(min(max(left_s, 0.05), 0.5))
