"""The watchdog's hand: makes a supply safe over a second link when its own thread is stuck in an exchange.

Nothing may be believed of a thread that does not come back, so its outputs are reported `unknown` at once, with the
reason `blocked`, and then whatever the second link could prove.
"""

from __future__ import annotations

import functools
import time
from collections.abc import Callable

from benchd.guard.errand import Errand
from benchd.guard.opening import make_config_safe
from benchd.guard.sampler import SupplyThread
from benchd.guard.waiting import TakenOver
from benchd.guard.wire import OutputChanged, Report, SupplyConfig
from benchd.reading import OutputState
from benchd.supplies.clock import now_ns
from benchd.supplies.makesafe import ChannelSafe

AGAIN_S = 2.0
"""A thread that stays stuck is made safe again this often: its exchange may have reached the supply after all, s."""


class Watchdog:
    """Watches the supply threads. `look` is called often from the main thread and never waits."""

    def __init__(
        self,
        report: Callable[[Report], None],
        safe: Callable[[SupplyConfig], list[ChannelSafe]] = make_config_safe,
    ) -> None:
        self._report = report
        self._safe = safe
        self._next_s: dict[str, float] = {}
        self._running: dict[str, Errand] = {}

    def look(self, threads: list[SupplyThread]) -> None:
        """Start a rescue for every thread that is overdue, unless one is under way."""
        now = time.monotonic()
        for thread in threads:
            if thread.opened and (now > thread.busy_until or not thread.is_alive()):
                self.rescue(thread)

    def rescue(self, thread: SupplyThread) -> None:
        """Make one supply safe over a second link, in a helper thread; not again before AGAIN_S have passed."""
        name = thread.config.name
        running = self._running.get(name)
        if time.monotonic() < self._next_s.get(name, 0.0) or (
            running is not None and running.begun and not running.done.is_set()
        ):
            return
        self._next_s[name] = time.monotonic() + AGAIN_S
        errand = self._running[name] = Errand(functools.partial(self._rescue, thread))
        errand.start()

    def _rescue(self, thread: SupplyThread) -> None:
        # A thread that comes back meanwhile must not switch on what is told to be off a moment later.
        thread.being_rescued = True
        try:
            self._rescue_over_second_link(thread)
        finally:
            thread.post(TakenOver())
            thread.being_rescued = False

    def _rescue_over_second_link(self, thread: SupplyThread) -> None:
        config = thread.config
        late_s = time.monotonic() - thread.round_s
        words = f"an exchange with the supply has not come back for {late_s:.2f} s"
        for number, channel in thread.channels.items():
            self._report(
                OutputChanged(
                    config.name,
                    number,
                    OutputState.UNKNOWN,
                    "blocked",
                    now_ns(),
                    latched=channel.latched,
                    text=words,
                )
            )
        for safe in self._safe(config):
            latched = safe.channel in thread.channels and thread.channels[safe.channel].latched
            self._report(
                OutputChanged(
                    config.name,
                    safe.channel,
                    safe.state,
                    "blocked",
                    now_ns(),
                    latched=latched,
                    text=f"{words}; over a second link: {safe.text}",
                )
            )
