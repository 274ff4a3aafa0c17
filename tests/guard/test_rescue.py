"""The watchdog: a supply thread stuck in an exchange is helped over a second link."""

from __future__ import annotations

import threading
import time

from benchd.guard.rescue import Watchdog
from benchd.guard.states import ChannelState
from benchd.guard.wire import OutputChanged, SupplyConfig
from benchd.reading import OutputState
from benchd.supplies.makesafe import ChannelSafe

from .fakes import Bench
from .test_sampler import power_on, ready

OFF, ON, UNKNOWN = OutputState.OFF, OutputState.ON, OutputState.UNKNOWN


def test_a_stuck_thread_is_unknown_at_once_then_what_the_second_link_proved() -> None:
    with Bench() as bench:
        power_on(bench)
        asked: list[str] = []

        def safe(config: SupplyConfig) -> list[ChannelSafe]:
            asked.append(config.name)
            bench.fake.on = {1: False, 2: False}
            return [ChannelSafe(1, OFF, "0.0 mA"), ChannelSafe(2, UNKNOWN, "refused")]

        watchdog = Watchdog(bench.reports.append, safe)
        watchdog.look([bench.thread])
        assert asked == []  # it is in time
        bench.fake.blocked = threading.Event()
        bench.wait(lambda: time.monotonic() > bench.thread.busy_until)
        watchdog.look([bench.thread])
        watchdog.look([bench.thread])
        bench.wait(lambda: len([r for r in bench.of(OutputChanged) if r.reason == "blocked"]) == 4)
        assert asked == ["bench"]
        blocked = [(r.channel, r.state) for r in bench.of(OutputChanged) if r.reason == "blocked"]
        assert blocked == [(1, UNKNOWN), (2, UNKNOWN), (1, OFF), (2, UNKNOWN)]
        bench.fake.blocked.set()
        # Back again, the thread trusts nothing it held: the output that was on has tripped, the other is read anew.
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.TRIPPED)
        bench.wait(lambda: bench.thread.channels[2].state is ChannelState.OFF)


def test_a_supply_that_never_was_ours_is_left_alone() -> None:
    bench = Bench()
    bench.open_errors = [RuntimeError("held by somebody")] * 1000
    with bench:
        bench.wait(lambda: bench.reports)
        bench.thread.busy_until = 0
        asked: list[SupplyConfig] = []
        Watchdog(bench.reports.append, lambda config: asked.append(config) or []).look([bench.thread])  # type: ignore[func-returns-value]
        assert asked == []
        assert bench.thread.nothing_on()


def test_a_thread_that_ended_by_itself_counts_as_stuck() -> None:
    with Bench() as bench:
        ready(bench)
    done = threading.Event()
    Watchdog(bench.reports.append, lambda config: done.set() or []).look([bench.thread])  # type: ignore[func-returns-value]
    assert done.wait(5)
