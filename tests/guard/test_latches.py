"""Latches, and what goes with them, when the guard goes away: what the daemon's end remembers and says."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import AsyncIterator
from pathlib import Path

import msgspec
import pytest

from benchd.guard.client import GuardClient, GuardRefused
from benchd.guard.errand import Errand
from benchd.guard.keeper import GuardKeeper
from benchd.guard.wire import ChannelConfig, Configure, OutputChanged, Report, SupplyConfig, Tripped, Tripping
from benchd.reading import OutputState, pack
from benchd.supplies.clock import now_ns
from benchd.supplies.makesafe import ChannelSafe
from tests.simulated import SimulatedSupply

from .test_process import Daemon, configuration

OFF, ON, UNKNOWN = OutputState.OFF, OutputState.ON, OutputState.UNKNOWN
EMPTY = pack("left", 1, [])
TRIPPING = Tripping("left", 1, "short: collapsed")
TRIPPED = Tripped("left", 1, "short", "collapsed", 1, 2, 3, 4, 4.0, 1.0, 0.0, 0.0, 0.0, EMPTY, EMPTY)
LEFT = SupplyConfig("left", "none", "none", (ChannelConfig(1, 20.0, 3.0),))


@contextlib.asynccontextmanager
async def running(configure: Configure) -> AsyncIterator[Daemon]:
    daemon = Daemon(configure)
    await daemon.client.start()
    try:
        yield daemon
    finally:
        await daemon.client.stop()


# ---- the client alone ----------------------------------------------------------------------------------------------


def told(*reports: Report, gone: bool = False) -> tuple[GuardClient, list[str]]:
    """A client that got these reports, and its alarms. `gone`: the guard went away after them."""
    alarms: list[str] = []
    client = GuardClient(Configure((LEFT,), "none", rearm_pause_s=60.0), lambda _: None, alarms.append)
    for report in reports:
        client._arrived(report)
    if gone:
        client._keeper.state = "restarting"
    client._deliver()
    return client, alarms


@pytest.mark.parametrize("report", [TRIPPING, TRIPPED])
async def test_the_word_of_a_trip_latches_by_itself(report: Report) -> None:
    """The state that the guard reports after it may be lost with the guard."""
    client, alarms = told(report)
    with pytest.raises(GuardRefused, match="nobody has re-armed it"):
        await client.power_on("left", 1, 4.0, 1.0)
    assert alarms == []


async def test_a_guard_that_goes_away_before_the_record_of_a_trip_is_alarmed_and_its_pause_holds() -> None:
    client, alarms = told(TRIPPING, gone=True)
    assert alarms == [
        "left channel 1: the guard went away while it cut a trip (short: collapsed); it stays latched, and there is no "
        "record of what was let through"
    ]
    with pytest.raises(GuardRefused, match="re-arm in"):
        await client.rearm("left", 1)
    client._deliver()
    assert len(alarms) == 1


async def test_the_pause_runs_from_the_off_and_not_from_when_word_of_it_came() -> None:
    """The guard's own pause does, and the page counts that one down: this one must not refuse when that is over."""
    client, _ = told(msgspec.structs.replace(TRIPPED, off_confirmed_ns=now_ns() - 60_000_000_000), gone=True)
    with pytest.raises(GuardRefused, match="the guard is restarting"):  # no word of the pause
        await client.rearm("left", 1)


async def test_a_guard_that_goes_away_after_the_record_of_a_trip_is_not_alarmed_for_it() -> None:
    client, alarms = told(TRIPPING, msgspec.structs.replace(TRIPPED, off_confirmed_ns=now_ns()), gone=True)
    assert alarms == []
    with pytest.raises(GuardRefused, match="re-arm in"):
        await client.rearm("left", 1)


# ---- real guards ---------------------------------------------------------------------------------------------------


async def test_the_pause_before_re_arming_outlives_the_guard(tmp_path: Path) -> None:
    with SimulatedSupply(board1="dead-short", board2="clean") as supply:
        configure = msgspec.structs.replace(configuration(supply, tmp_path), rearm_pause_s=60.0, rearm_per_minute=1)
        async with running(configure) as daemon:
            await daemon.client.power_on("left", 1, 4.0, 1.0)
            await daemon.until(lambda: daemon.said()[-1] == (OFF, "trip", True))
            assert daemon.client.pid is not None
            os.kill(daemon.client.pid, signal.SIGKILL)
            await daemon.until(lambda: daemon.said()[-1] == (OFF, "link-back", True))
            with pytest.raises(GuardRefused, match="re-arm in"):
                await daemon.client.rearm("left", 1)


async def test_a_guard_killed_while_a_trip_is_being_proved_leaves_a_latch(tmp_path: Path) -> None:
    with SimulatedSupply(board1="dead-short", board2="clean") as supply:
        async with running(configuration(supply, tmp_path)) as daemon:
            supply.fault("IGNORE", 20)
            await daemon.client.power_on("left", 1, 4.0, 1.0)
            await daemon.until(lambda: ("left", 1) in daemon.client._latched)
            assert daemon.client.pid is not None
            os.kill(daemon.client.pid, signal.SIGKILL)
            supply.fault("NONE")
            await daemon.until(lambda: daemon.said()[-1] == (OFF, "link-back", True))
            assert daemon.of(Tripped) == []
            assert any("no record of what was let through" in alarm for alarm in daemon.alarms)
            assert not supply.truth(1).output


def test_an_errand_that_comes_late_says_nothing_once_a_new_guard_holds_the_supply(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    release = threading.Event()
    errands: list[Errand] = []

    class Seen(Errand):
        def start(self) -> None:
            errands.append(self)
            super().start()

    def safe(_: SupplyConfig) -> list[ChannelSafe]:
        release.wait(30)
        return [ChannelSafe(1, OFF, "0.0 mA")]

    monkeypatch.setattr("benchd.guard.keeper.SAFE_WITHIN_S", 0.2)
    monkeypatch.setattr("benchd.guard.keeper.Errand", Seen)
    heard: list[Report | str] = []
    keeper = GuardKeeper(Configure((LEFT,), str(tmp_path)), heard.append, safe)
    try:
        keeper._make_safe([LEFT])  # no longer waited for: it hangs
        keeper._guards += 1  # as with the start of each guard
        keeper._note(OutputChanged("left", 1, ON, "asked", 2))
    finally:
        release.set()
    assert errands[0].done.wait(5)
    assert [each.state for each in heard if isinstance(each, OutputChanged)] == [ON]
    assert keeper.stop() is False
