"""The guard process: its main thread talks to the daemon, watches the supply threads, and ends in safety.

The main thread never touches an instrument and never waits for the daemon: the socket is non-blocking, what it
does not take stays in bounded places (`outbox.py`). All of these lead to every output off and confirmed:

    daemon's end closed              at once
    no DaemonBeat for the timeout    at once; judged only after everything that had arrived was read
    SIGTERM, SIGINT                  at once, `hold` or not
    Shutdown                         likewise, then the answer

When the daemon is gone, a supply with `on_daemon_loss = "hold"` is left on and goes on being protected; the process
then lives until its outputs are off for another reason. If the heartbeats come back meanwhile, all is as before.
The process ends when every output is confirmed off, or after GIVE_UP_S with exit status 3.
"""

from __future__ import annotations

import contextlib
import gc
import os
import select
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable

from benchd.guard.framing import FramingError, command_decoder
from benchd.guard.opening import Opener, longer_s
from benchd.guard.outbox import Outbox
from benchd.guard.priority import go_ahead
from benchd.guard.rescue import Watchdog
from benchd.guard.sampler import SupplyThread
from benchd.guard.states import Event
from benchd.guard.switcher import Opened
from benchd.guard.waiting import AllOff, End
from benchd.guard.wire import (
    Adjust,
    Advance,
    Answer,
    Command,
    Configure,
    DaemonBeat,
    GuardBeat,
    PowerOff,
    PowerOn,
    Rearm,
    Report,
    Shutdown,
    SupplyConfig,
)

BEAT_S = 0.1
TICK_S = 0.015
"""With many readings the main loop comes round this often, so that a block is not older than 20 ms when it is sent."""
CONFIGURE_WITHIN_S = 10.0
GIVE_UP_S = 4.0
"""Outputs that cannot be confirmed off after this long with nobody to tell: end, s. Slow families are given longer."""
RESCUE_AFTER_S = 1.0
"""A thread that has not switched off by itself this long after the daemon was lost is helped over a second link; where
the family is slow, later, since a second link would only be in the way of the first."""
END_S = 2.0
"""Threads are waited for this long at the end, so that they close their links in good order, s."""
COLLECT_S = 30.0
SWITCH_INTERVAL_S = 0.0001
"""Longest time that the main thread may keep a supply thread from running Python code, s (CPython's default: 5 ms)."""

EXIT_SAFE = 0
EXIT_NOT_CONFIRMED = 3


class GuardProcess:
    """One run of the guard over a connected socket."""

    def __init__(
        self,
        sock: socket.socket,
        open_supply: Callable[[str], Callable[[SupplyConfig], Opened]] = lambda lock_dir: Opener(lock_dir).open,
    ) -> None:
        self._sock = sock
        self._sock.setblocking(False)
        self._open_supply = open_supply
        self._outbox = Outbox()
        self._decoder = command_decoder()
        self._watchdog = Watchdog(self._report)
        self._threads: dict[str, SupplyThread] = {}
        self._configured: Configure | None = None
        self._longer_s: dict[str, float] = {}
        self._wake_read, self._wake_write = os.pipe()
        os.set_blocking(self._wake_read, False)
        os.set_blocking(self._wake_write, False)
        self._joint: dict[int, list[str | None]] = {}
        """Answers still awaited for a command that went to every supply: None, or the error, for each that came."""
        self._joint_lock = threading.Lock()
        self._started_s = self._heard_s = self._collect_s = time.monotonic()
        self._beat_s = 0.0
        self._tick_s = TICK_S
        self._seq = 0
        self._closed = False
        self._lost_s: float | None = None
        """Since when the daemon has been gone; None while it is there."""
        self._send_lock = threading.Lock()
        self._signal: int | None = None
        self._ending: str | None = None
        """Why the process is ending whatever the daemon does; `hold` counts no more."""
        self._ending_s = 0.0
        self._shutdown_id: int | None = None

    # ---- the loop ---------------------------------------------------------------------------------------------

    def run(self) -> int:
        """Until the end. Returns the exit status: EXIT_SAFE, or EXIT_NOT_CONFIRMED when an output may be on."""
        self._take_signals()
        poller = select.poll()
        poller.register(self._wake_read, select.POLLIN)
        poller.register(self._sock, select.POLLIN)
        while True:
            self._wait(poller)
            now = time.monotonic()
            if self._signal is not None:
                self._begin_end(signal.Signals(self._signal).name)
            self._beat(now)
            self._watch_daemon(now)
            status = self._finished(now)
            with self._send_lock:
                self._send()
            if status is not None:
                return self._end(status)
            if now - self._collect_s > COLLECT_S:
                self._collect_s = now
                gc.collect()

    def _wait(self, poller: select.poll) -> None:
        if not self._closed:
            wanted = select.POLLIN | (select.POLLOUT if self._outbox.waiting else 0)
            poller.modify(self._sock, wanted)
        for fd, happened in poller.poll(self._tick_s * 1000):
            if fd == self._wake_read:
                with contextlib.suppress(BlockingIOError):
                    os.read(self._wake_read, 4096)
            elif happened & ~select.POLLOUT:
                self._receive()
        if self._closed:
            with contextlib.suppress(KeyError):
                poller.unregister(self._sock)

    def _receive(self) -> None:
        try:
            while data := self._sock.recv(65536):
                self._heard_s = time.monotonic()
                for command in self._decoder.feed(data):
                    self._obey(command)
        except BlockingIOError:
            return
        except FramingError as error:
            print(f"guard: {error}; the daemon cannot be understood any more", file=sys.stderr, flush=True)
        except OSError:
            pass
        self._closed = True

    def _send_at_once(self) -> None:
        """From a supply thread that has time: costs half of what waking the main loop for each reading does."""
        if not self._send_lock.acquire(blocking=False):
            self._wake()
            return
        try:
            self._send_samples()
        finally:
            self._send_lock.release()

    def _send(self) -> None:
        """Send what there is. Under `_send_lock`, by the main thread only: `fill` may print."""
        if not self._closed:
            self._outbox.fill()
        self._send_samples()

    def _send_samples(self) -> None:
        """Send readings, and what was encoded before. Under `_send_lock`; never waits."""
        if self._closed:
            return
        for thread in self._threads.values():
            self._outbox.fill_samples(thread.channels.values())
        try:
            self._outbox.send(self._sock)
        except OSError:
            self._closed = True

    def _beat(self, now: float) -> None:
        if now - self._beat_s >= BEAT_S:
            self._put_beat(now)
            self._watchdog.look(list(self._threads.values()))

    def _put_beat(self, now: float) -> None:
        self._beat_s = now
        self._seq += 1
        ages = {name: now - thread.round_s for name, thread in self._threads.items()}
        with self._send_lock:
            self._outbox.put_beat(GuardBeat(self._seq, ages))

    # ---- commands ---------------------------------------------------------------------------------------------

    def _obey(self, command: Command) -> None:
        if isinstance(command, DaemonBeat):
            return
        if isinstance(command, Configure):
            self._configure(command)
        elif isinstance(command, Shutdown):
            self._shutdown_id = command.id
            self._begin_end("shutdown")
        elif isinstance(command, PowerOff) and command.supply is None:
            self._all(command)
        else:
            self._one(command)

    def _configure(self, configure: Configure) -> None:
        if self._configured is not None:
            print("guard: configured twice; the second is ignored", file=sys.stderr, flush=True)
            return
        self._configured = configure
        self._longer_s = {supply.name: longer_s(supply) for supply in configure.supplies}
        open_supply = self._open_supply(configure.lock_dir)
        # Few readings: each is sent when it is there, with a sleep in between. Many: collected until the next tick.
        rounds_per_s = sum(1 / max(supply.reading_interval_s, 1e-4) for supply in configure.supplies)
        few = rounds_per_s < 1 / TICK_S
        self._tick_s = BEAT_S if few else TICK_S
        for supply in configure.supplies:
            self._threads[supply.name] = SupplyThread(
                supply,
                open_supply,
                self._report,
                self._send_at_once if few else None,
                rearm_pause_s=configure.rearm_pause_s,
                rearm_per_minute=configure.rearm_per_minute,
            )
        for thread in self._threads.values():
            thread.start()

    def _one(self, command: PowerOn | PowerOff | Rearm | Advance | Adjust) -> None:
        thread = self._threads.get(command.supply or "")
        if thread is None:
            known = ", ".join(self._threads) or "none"
            self._report(Answer(command.id, False, f"no supply {command.supply!r} is held here; held: {known}"))
        elif self._ending is not None and isinstance(command, PowerOn):
            self._report(Answer(command.id, False, "the guard is ending and switches nothing on"))
        else:
            thread.post(command)

    def _all(self, command: PowerOff) -> None:
        if not self._threads:
            self._report(Answer(command.id, True))
            return
        with self._joint_lock:
            self._joint[command.id] = []
        for thread in self._threads.values():
            thread.post(PowerOff(command.id, why=command.why))

    def _report(self, report: Report) -> None:
        """From any thread."""
        if isinstance(report, Answer) and self._joint:
            joined = self._join(report)
            if joined is None:
                return
            report = joined
        self._outbox.put(report)
        self._wake()

    def _wake(self) -> None:
        """From any thread: have the main loop come round now."""
        with contextlib.suppress(BlockingIOError):  # a full pipe wakes as well as one more byte
            os.write(self._wake_write, b"w")

    def _join(self, answer: Answer) -> Answer | None:
        with self._joint_lock:
            came = self._joint.get(answer.id)
            if came is None:
                return answer
            came.append(answer.error or None)
            if len(came) < len(self._threads):
                return None
            del self._joint[answer.id]
        errors = [error for error in came if error]
        return Answer(answer.id, not errors, "; ".join(errors))

    # ---- ends -------------------------------------------------------------------------------------------------

    def _take_signals(self) -> None:
        def end(number: int, _frame: object) -> None:
            self._signal = number  # no more here: the main thread may hold any of its locks just now
            with contextlib.suppress(BlockingIOError):
                os.write(self._wake_write, b"s")

        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, end)

    def _begin_end(self, why: str) -> None:
        if self._ending is not None:
            return
        self._ending = why
        self._ending_s = time.monotonic()
        for thread in self._threads.values():
            thread.post(AllOff(Event.OFF_ASKED, "shutdown"))

    def _watch_daemon(self, now: float) -> None:
        if self._configured is None:
            if self._closed or now - self._started_s > CONFIGURE_WITHIN_S:
                self._begin_end("no configuration came")
            return
        silent = now - self._heard_s > self._configured.daemon_timeout_s
        if not silent and not self._closed:
            self._lost_s = None
            for thread in self._threads.values():
                thread.alone = False
        elif self._lost_s is None:
            if not self._closed:
                self._receive()  # this process itself may have been stopped: what arrived meanwhile counts
                if time.monotonic() - self._heard_s <= self._configured.daemon_timeout_s and not self._closed:
                    return
            self._lost_s = now
            late_s = time.monotonic() - self._heard_s
            words = "" if self._closed else f"the guard heard nothing from the daemon for {late_s:.2f} s"
            for thread in self._threads.values():
                thread.alone = True
                if thread.config.on_daemon_loss == "off":
                    thread.post(AllOff(Event.DAEMON_LOST, "daemon-lost", words))

    def _finished(self, now: float) -> int | None:
        """The exit status when there is nothing left to do, else None."""
        if self._ending is not None:
            since, waited_for = self._ending_s, list(self._threads.values())
        elif self._lost_s is not None:
            since = self._lost_s
            waited_for = [each for each in self._threads.values() if each.config.on_daemon_loss == "off"]
        else:
            return None
        if all(thread.nothing_on() for thread in self._threads.values()):
            return EXIT_SAFE
        late = [thread for thread in waited_for if not thread.nothing_on()]
        for thread in late:
            if now - since > RESCUE_AFTER_S + self._longer_s[thread.config.name]:
                self._watchdog.rescue(thread)
        held = [thread for thread in self._threads.values() if thread not in waited_for and not thread.nothing_on()]
        if late and not held and now - since > GIVE_UP_S + max(self._longer_s.values(), default=0.0):
            return EXIT_NOT_CONFIRMED
        return None

    def _end(self, status: int) -> int:
        for thread in self._threads.values():
            thread.post(End())
        # A slow supply may be in the middle of its readings; a guard that says nothing meanwhile would count as dead.
        deadline = time.monotonic() + END_S + max(self._longer_s.values(), default=0.0)
        for thread in self._threads.values():
            while thread.is_alive() and (now := time.monotonic()) < deadline:
                thread.join(BEAT_S / 2)
                self._put_beat(now)
                with self._send_lock:
                    self._send()
        if not all(thread.nothing_on() for thread in self._threads.values()):
            status = EXIT_NOT_CONFIRMED
            print("guard: ends with an output that could not be confirmed off", file=sys.stderr, flush=True)
        if self._shutdown_id is not None:
            error = "" if status == EXIT_SAFE else "an output could not be confirmed off; switch off at the instrument"
            self._report(Answer(self._shutdown_id, status == EXIT_SAFE, error))
        while not self._closed and self._outbox.waiting and time.monotonic() < deadline:
            with self._send_lock:
                self._send()
            select.select([], [self._sock], [], 0.05)
        self._sock.close()
        os.close(self._wake_read)
        os.close(self._wake_write)
        return status


def run_guard(fd: int) -> int:
    """Take over an inherited socket and run until the end. Returns the exit status."""
    go_ahead()
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    gc.collect()
    gc.freeze()
    gc.disable()  # a collection in the wrong millisecond delays a trip; the main loop collects now and then
    return GuardProcess(socket.socket(fileno=fd)).run()
