"""One bench that things happen to: a simulated supply, the line to it, a daemon with its guard, and a witness."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Literal

import psutil

from tests.chaos.relay import Relay
from tests.chaos.witness import Witness
from tests.running import REARM_SOON, Bench, Running, start, until
from tests.simulated import SimulatedSupply

Line = Literal["socket", "relayed", "serial"]
LINES: tuple[Line, ...] = ("socket", "relayed", "serial")

WATCHED: Line = "socket"
"""On this line the supply watches its link by itself; on the others nobody but us switches off."""
WATCHDOG_S = 1.0

SUPPLY = "psu"
INTERVAL_MS = 10.0
TIMEOUT_MS = 200.0
PLAN = "stale_ms = 400"
GUARD_DEATHS = 3
"""Each guard that dies young is replaced later than the one before; after so many a new daemon begins anew."""
BACK_WITHIN_S = 25.0


class Lane:
    """`folder`: for the daemon's data. `environment`: added to what the daemon and its guard get."""

    def __init__(self, line: Line, folder: Path, rng: random.Random, environment: dict[str, str]) -> None:
        self.line = line
        self.rng = rng
        self.struck_s = 0.0
        """When the thing happened that the promise counts from, `time.monotonic`."""
        self.folder = folder
        self._environment = environment
        self._pids: set[int] = set()
        self._guard_deaths = 0
        self._undo = contextlib.ExitStack()
        self.sim = self._undo.enter_context(SimulatedSupply(seed=rng.randrange(1000)))
        self.relay: Relay | None = None
        resource = self.sim.resource
        if line != "socket":
            self.relay = Relay(self.sim.port, folder / "port" if line == "serial" else None)
            self._undo.callback(self.relay.close)
            resource = self.relay.resource
        watchdog_s = WATCHDOG_S if line == WATCHED else None
        self.supplies = {
            SUPPLY: Bench(resource, INTERVAL_MS, "benchd-sim", timeout_ms=TIMEOUT_MS, link_watchdog_s=watchdog_s)
        }
        self.witness = Witness(self.sim, SUPPLY)
        self._undo.callback(self.witness.close)
        self.daemon = self._started()

    # ---- between faults ---------------------------------------------------------------------------------------

    def power(self) -> None:
        """Switch on, with a good board on the leads; everything as it should be afterwards."""
        self.ready()
        self.sim.board(1, self.rng.choice(("clean", "leak", "mid-stall")))
        self.witness.switching_on = True
        try:
            self.daemon.on(SUPPLY)
            self._until_told("on")
        finally:
            self.witness.switching_on = False
        if self.rng.random() < 0.5:
            self.sim.button(1)
        time.sleep(self.rng.uniform(0.0, 0.15))  # at any moment of a reading, a heartbeat or a commit
        assert self.sim.truth(1).output, "it went off although nothing has happened yet"

    def ready(self) -> None:
        """Wait until the guard is alive and the output confirmed off; re-armed if need be."""
        if self._guard_deaths >= GUARD_DEATHS:
            self.daemon.end()
            self._start_again()
        until(self._off_and_guarded, bool, "the guard and the output confirmed off", BACK_WITHIN_S)
        if self.daemon.channel(SUPPLY)["latched"]:
            self.daemon.rearm(SUPPLY)

    def _off_and_guarded(self) -> bool:
        with contextlib.suppress(OSError, LookupError, psutil.Error):
            seen = self.daemon.call("GET", "bench")
            channel = seen["channels"][0]
            # A daemon that was frozen may not have noticed yet that its guard is gone.
            self._pids.add(self.daemon.guard_pid())
            return bool(seen["guard"] == "alive" and channel["link_up"] and channel["output"] == "off")
        return False

    def _until_told(self, state: str, within_s: float = 5.0) -> None:
        until(lambda: self.witness.told, lambda told: told == state, f"the page to say {state}", within_s)

    def _started(self) -> Running:
        daemon = start(self.supplies, self.folder, REARM_SOON, PLAN, self._environment)
        self._pids.add(daemon.process.pid)
        self.witness.follow(daemon.url)
        return daemon

    def _start_again(self) -> None:
        self._guard_deaths = 0
        self.daemon.process.wait(10)
        self.daemon.end()
        self.witness.follow(None)
        self.daemon = self._started()

    # ---- what may happen --------------------------------------------------------------------------------------

    def strike(self) -> None:
        """The promise counts from now."""
        self.struck_s = time.monotonic()

    def short(self) -> None:
        """The board is a dead short from now on."""
        self.strike()
        self.sim.board(1, "dead-short")

    def ask_off(self) -> threading.Thread:
        """Somebody asks for off on the page. Does not wait for the answer, which may be that it is unknown."""
        asking = threading.Thread(target=self._ask_off, args=(self.daemon,), name="asks off", daemon=True)
        self.strike()
        asking.start()
        return asking

    def _ask_off(self, daemon: Running) -> None:
        with contextlib.suppress(OSError):
            daemon.off(SUPPLY)

    def kill_daemon(self, group: bool = False) -> None:
        """kill -9, also of its whole process group."""
        self.strike()
        (os.killpg if group else os.kill)(self.daemon.process.pid, signal.SIGKILL)

    def kill_guard(self) -> None:
        """kill -9."""
        guard = self.daemon.guard_pid()
        self.strike()
        os.kill(guard, signal.SIGKILL)
        self._guard_deaths += 1

    def both(self, what: signal.Signals) -> list[int]:
        """The same signal to daemon and guard, in whatever order; their process ids."""
        pids = [self.daemon.process.pid, self.daemon.guard_pid()]
        self.rng.shuffle(pids)
        for pid in pids:
            os.kill(pid, what)
        self.strike()
        return pids

    def make_safe(self) -> subprocess.Popen[bytes]:
        """What the service manager starts when it sees the daemon gone."""
        safe = [sys.executable, "-m", "benchd", "make-safe", "--config", str(self.daemon.config)]
        return subprocess.Popen(safe, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def freeze(self, pid: int) -> None:
        """SIGSTOP."""
        self.strike()
        os.kill(pid, signal.SIGSTOP)

    def thaw(self, pid: int) -> None:
        """SIGCONT, if it is still there."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGCONT)

    def guard_frozen(self) -> int:
        """SIGSTOP of the guard; its process id."""
        guard = self.daemon.guard_pid()
        self.freeze(guard)
        self._guard_deaths += 1
        return guard

    def new_daemon(self) -> None:
        """Start one where the last was killed, as a service manager does."""
        self._start_again()

    # ---- the end ----------------------------------------------------------------------------------------------

    def close(self) -> None:
        """End every process, by its own id."""
        self.witness.follow(None)
        with contextlib.suppress(psutil.NoSuchProcess):
            self._pids.update(child.pid for child in psutil.Process(self.daemon.process.pid).children())
        self.daemon.process.kill()
        self.daemon.end()
        for pid in self._pids:
            with contextlib.suppress(psutil.NoSuchProcess):
                process = psutil.Process(pid)
                if "benchd" in " ".join(process.cmdline()):
                    process.kill()
        self._undo.close()
