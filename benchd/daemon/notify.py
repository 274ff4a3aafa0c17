"""What the service manager is told: ready, alive, how things stand, ending. In the words of sd_notify(3), systemd 252.

One datagram to the socket that $NOTIFY_SOCKET names; without that variable nothing is sent. WATCHDOG=1 goes out every
half interval, as sd_watchdog_enabled(3) advises, and only while all is well: whoever hears nothing for the whole
interval ends this daemon, runs `benchd make-safe`, and starts it anew.
"""

from __future__ import annotations

import asyncio
import logging
import os
import socket
import time
from collections.abc import Awaitable, Callable, Mapping

from benchd.reading import OutputState
from benchd.web.port import BenchView

log = logging.getLogger("benchd")

LOOK_S = 0.5
"""How often it is looked whether there is something to tell, s."""


class Notifier:
    """`address`: of the manager's socket; empty: there is none. `watchdog_s`: None where nobody waits for life, s."""

    def __init__(self, address: str = "", watchdog_s: float | None = None) -> None:
        self._address = address
        self._watchdog_s = watchdog_s
        self._complained = False

    @classmethod
    def from_environment(cls, environ: Mapping[str, str] = os.environ) -> Notifier:
        """As $NOTIFY_SOCKET, $WATCHDOG_USEC and $WATCHDOG_PID say."""
        given = environ.get("NOTIFY_SOCKET", "")
        if given and given[0] not in "/@":
            log.warning("NOTIFY_SOCKET is %r; allowed are a path and @name: the service manager is told nothing", given)
            given = ""
        # The first byte of an abstract socket's name is NUL, written as @ (unix(7), sd_notify(3)).
        return cls("\0" + given[1:] if given.startswith("@") else given, _watchdog_s(environ))

    def stopping(self) -> None:
        """The daemon begins to end."""
        self._tell("STOPPING=1", "STATUS=switching every output off")

    async def keep_told(
        self,
        well: Callable[[], bool],
        status: Callable[[], str],
        sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """READY=1 now; then how things stand when that changes, and WATCHDOG=1 while `well`, until cancelled.

        `clock`: s, monotonic. What the socket does not take is tried again at the next look.
        """
        if not self._address:
            return
        ready, said, alive_at_s = False, "", float("-inf")
        look_s = min(LOOK_S, (self._watchdog_s or LOOK_S) / 8)
        while True:
            lines = [] if ready else ["READY=1"]
            beats = self._watchdog_s is not None and clock() - alive_at_s >= self._watchdog_s / 2 and well()
            if beats:
                lines.append("WATCHDOG=1")
            if (now := status().replace("\n", " ")) != said:
                lines.append(f"STATUS={now}")
            if lines and self._tell(*lines):
                ready, said = True, now
                alive_at_s = clock() if beats else alive_at_s
            await sleep(look_s)

    def _tell(self, *lines: str) -> bool:
        """True when it was taken. Never waits: a manager that does not read holds up no trip."""
        if not self._address:
            return True
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
                s.sendto("\n".join(lines).encode(), socket.MSG_DONTWAIT, self._address)
        except OSError as e:
            if not self._complained:
                log.warning("the service manager was not told %s: %s", lines[0], e)
            self._complained = True
            return False
        self._complained = False
        return True


def status_line(view: BenchView, url: str) -> str:
    """How things stand, in one line: `1 of 2 outputs on; job R-1042; http://127.0.0.1:8425/`."""
    outputs = [c.output for c in view.channels]
    parts = [f"{outputs.count(OutputState.ON)} of {len(outputs)} outputs on"]
    if unknown := outputs.count(OutputState.UNKNOWN):
        parts.insert(0, f"{unknown} UNKNOWN")
    if tripped := sum(c.latched for c in view.channels):
        parts.append(f"{tripped} tripped")
    if view.guard != "alive":
        parts.append(f"guard {view.guard}")
    return "; ".join([*parts, f"job {view.job}" if view.job else "no job", url])


def _watchdog_s(environ: Mapping[str, str]) -> float | None:
    """The interval within which life is expected, s. None: nobody waits for it, or for another process' life."""
    try:
        interval_s = int(environ.get("WATCHDOG_USEC", "0")) / 1e6
        meant = int(environ.get("WATCHDOG_PID", "0") or 0)
    except ValueError as e:
        log.warning("WATCHDOG_USEC or WATCHDOG_PID is no whole number, so no sign of life is sent: %s", e)
        return None
    return interval_s if interval_s > 0 and meant in (0, os.getpid()) else None
