"""The guard as a process, on a simulated supply on a real socket: who is left makes it safe."""

from __future__ import annotations

import _thread
import asyncio
import contextlib
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from pathlib import Path

import pytest

from benchd.guard.client import GuardClient, GuardRefused
from benchd.guard.framing import encode, report_decoder
from benchd.guard.keeper import GuardKeeper
from benchd.guard.process import EXIT_NOT_CONFIRMED, EXIT_SAFE
from benchd.guard.wire import (
    Answer,
    ChannelConfig,
    Configure,
    DaemonBeat,
    GuardBeat,
    LinkChanged,
    OutputChanged,
    PowerOff,
    PowerOn,
    Report,
    RuleLimits,
    SupplyConfig,
    Tripped,
)
from benchd.reading import Block, OutputState
from benchd.supplies.clock import ANCHOR_NS, now_ns
from benchd.supplies.makesafe import ChannelSafe
from benchd.traces.samples import Samples
from tests.simulated import SimulatedSupply

ROOT = Path(__file__).resolve().parents[2]
OFF, ON, UNKNOWN = OutputState.OFF, OutputState.ON, OutputState.UNKNOWN


@pytest.fixture
def supply() -> Iterator[SimulatedSupply]:
    with SimulatedSupply(board1="clean", board2="clean") as simulated:
        yield simulated


def configuration(supply: SimulatedSupply, lock_dir: Path, **options: object) -> Configure:
    held = SupplyConfig(
        "left",
        supply.resource,
        "benchd-sim",
        (ChannelConfig(1, 20.0, 3.0), ChannelConfig(2, 20.0, 3.0)),
        reading_interval_s=0.002,
        timeout_s=0.2,
        **options,  # type: ignore[arg-type]
    )
    return Configure((held,), str(lock_dir), rearm_pause_s=0.0)


def until(what: Callable[[], object], within_s: float) -> float:
    """Poll until true; how long it took, s."""
    started = time.monotonic()
    while not what():
        assert time.monotonic() - started < within_s, f"not within {within_s} s"
        time.sleep(0.005)
    return time.monotonic() - started


class RawGuard:
    """A guard with the daemon's end of its socket in our hands. Kills it on leaving."""

    def __init__(self, configure: Configure) -> None:
        self.sock, theirs = socket.socketpair()
        self.sock.settimeout(0.05)
        self.process = subprocess.Popen(
            [sys.executable, "-m", "benchd.guard", "--fd", str(theirs.fileno())], pass_fds=(theirs.fileno(),), cwd=ROOT
        )
        theirs.close()
        self.decoder = report_decoder()
        self.reports: list[Report] = []
        self.sock.sendall(encode(configure))
        self.beats = 0

    def __enter__(self) -> RawGuard:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        self.sock.close()

    def pump(self, what: Callable[[], object], within_s: float = 8.0, beating: bool = True) -> object:
        """Beat and read until `what()` is true."""
        deadline = time.monotonic() + within_s
        while not (value := what()):
            assert time.monotonic() < deadline, f"not within {within_s} s: {self.reports[-5:]}"
            if beating:
                self.beats += 1
                with contextlib.suppress(BrokenPipeError):  # it has ended, which `what` may be waiting for
                    self.sock.sendall(encode(DaemonBeat(self.beats)))
            with contextlib.suppress(TimeoutError, ConnectionResetError):
                self.reports += self.decoder.feed(self.sock.recv(262144))
        return value

    def of(self, kind: type) -> list:
        return [report for report in self.reports if isinstance(report, kind)]

    def power_on(self, channel: int = 1) -> None:
        self.pump(lambda: len([r for r in self.of(OutputChanged) if r.state is OFF]) >= 2)
        self.sock.sendall(encode(PowerOn(77, "left", channel, 4.0, 1.5, RuleLimits())))
        self.pump(lambda: self.of(Answer))
        assert self.of(Answer)[-1] == Answer(77, True)


def test_the_guard_reads_and_beats_and_holds_no_numpy(supply: SimulatedSupply, tmp_path: Path) -> None:
    with RawGuard(configuration(supply, tmp_path)) as guard:
        guard.power_on()
        assert supply.truth(1).output
        before = len(guard.of(Block))
        guard.pump(lambda: len(guard.of(Block)) > before + 20)
        readings = [r for block in guard.of(Block) if block.channel == 1 for r in block.readings()]
        assert [r.t_ns for r in readings] == sorted({r.t_ns for r in readings})
        assert abs(readings[-1].t_ns - time.time_ns()) < 2_000_000_000
        assert readings[-1].voltage_v == pytest.approx(supply.truth(1).voltage_v, abs=0.1)
        assert guard.of(GuardBeat)[-1].ages_s["left"] < 1
        assert "numpy" not in Path(f"/proc/{guard.process.pid}/maps").read_text()


@pytest.mark.parametrize("how", ["closed", "silent"])
def test_without_a_daemon_every_output_goes_off(supply: SimulatedSupply, tmp_path: Path, how: str) -> None:
    with RawGuard(configuration(supply, tmp_path)) as guard:
        guard.power_on()
        assert supply.truth(1).output
        if how == "closed":
            guard.sock.close()
        took_s = until(lambda: not supply.truth(1).output, 1.5)
        print(f"{how}: off after {took_s * 1e3:.0f} ms")
        assert guard.process.wait(5) == EXIT_SAFE


def test_hold_goes_on_and_still_protects(supply: SimulatedSupply, tmp_path: Path) -> None:
    with RawGuard(configuration(supply, tmp_path, on_daemon_loss="hold")) as guard:
        guard.power_on()
        guard.pump(lambda: guard.of(Block))
        guard.sock.close()
        deadline = time.monotonic() + 0.9
        while time.monotonic() < deadline:
            assert supply.truth(1).output
            time.sleep(0.02)
        assert guard.process.poll() is None
        supply.board(1, "dead-short")
        until(lambda: not supply.truth(1).output, 1.5)
        assert guard.process.wait(5) == EXIT_SAFE


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_switches_off_and_ends(supply: SimulatedSupply, tmp_path: Path, number: signal.Signals) -> None:
    with RawGuard(configuration(supply, tmp_path, on_daemon_loss="hold")) as guard:
        guard.power_on()
        guard.process.send_signal(number)
        guard.pump(lambda: guard.process.poll() is not None)
        assert guard.process.returncode == EXIT_SAFE
        assert not supply.truth(1).output


def test_an_end_that_could_not_be_confirmed_says_so(supply: SimulatedSupply, tmp_path: Path) -> None:
    with RawGuard(configuration(supply, tmp_path)) as guard:
        guard.power_on()
        supply.fault("DEAF")
        guard.process.terminate()
        guard.pump(lambda: guard.process.poll() is not None, within_s=15)
        assert guard.process.returncode == EXIT_NOT_CONFIRMED
        assert OFF not in [r.state for r in guard.of(OutputChanged) if r.channel == 1][2:]


def test_a_daemon_that_takes_nothing_does_not_stop_the_guard(supply: SimulatedSupply, tmp_path: Path) -> None:
    with RawGuard(configuration(supply, tmp_path)) as guard:
        guard.power_on()
        supply.board(1, "dead-short")
        # Beats go out, but nothing is read for a while: the trip happens and waits for us.
        deadline = time.monotonic() + 5
        while supply.truth(1).output:
            guard.sock.sendall(encode(DaemonBeat(1)))
            time.sleep(0.05)
            assert time.monotonic() < deadline
        guard.pump(lambda: guard.of(Tripped))
        assert guard.of(Tripped)[0].off_confirmed_ns is not None


def test_commands_for_a_supply_that_is_not_held(supply: SimulatedSupply, tmp_path: Path) -> None:
    with RawGuard(configuration(supply, tmp_path)) as guard:
        guard.sock.sendall(encode(PowerOff(5, "right")))
        guard.pump(lambda: guard.of(Answer))
        assert guard.of(Answer) == [Answer(5, False, "no supply 'right' is held here; held: left")]


# ---- the daemon's end --------------------------------------------------------------------------------------------


class Daemon:
    """A client and what it was told."""

    def __init__(self, configure: Configure) -> None:
        self.reports: list[Report] = []
        self.alarms: list[str] = []
        self.client = GuardClient(configure, self.reports.append, self.alarms.append)

    def of(self, kind: type) -> list:
        return [report for report in self.reports if isinstance(report, kind)]

    def said(self, channel: int = 1) -> list[tuple[OutputState, str, bool]]:
        return [(r.state, r.reason, r.latched) for r in self.of(OutputChanged) if r.channel == channel]

    async def until(self, what: Callable[[], object], within_s: float = 8.0) -> float:
        started = time.monotonic()
        while not what():
            assert time.monotonic() - started < within_s, f"not within {within_s} s: {self.said()} {self.alarms}"
            await asyncio.sleep(0.005)
        return time.monotonic() - started


Start = Callable[..., Awaitable[Daemon]]


@pytest.fixture
async def start(supply: SimulatedSupply, tmp_path: Path) -> AsyncIterator[Start]:
    started: list[Daemon] = []

    async def make(**options: object) -> Daemon:
        daemon = Daemon(configuration(supply, tmp_path, **options))
        started.append(daemon)
        await daemon.client.start()
        return daemon

    yield make
    for daemon in started:
        await daemon.client.stop()
        assert daemon.client.state == "gone"


async def test_on_off_and_all_off(supply: SimulatedSupply, start: Start) -> None:
    daemon = await start()
    assert daemon.client.state == "alive"
    assert daemon.of(LinkChanged)[0].identity.startswith("benchd,SIM-2")
    await daemon.client.power_on("left", 1, 4.0, 1.5)
    await daemon.client.power_on("left", 2, 3.3, 0.5, RuleLimits(over_current_a=0.9))  # below the limit an inrush trips
    assert supply.truth(1).output
    assert supply.truth(2).output
    with pytest.raises(GuardRefused, match="already on"):
        await daemon.client.power_on("left", 1, 4.0, 1.5)
    with pytest.raises(GuardRefused, match="up to 20 V"):
        await daemon.client.power_on("left", 1, 24.0, 1.5)
    await daemon.client.power_off()
    assert not supply.truth(1).output
    assert not supply.truth(2).output
    assert await daemon.client.stop() is True


async def test_a_short_trips_and_the_output_is_truly_off(supply: SimulatedSupply, start: Start) -> None:
    supply.board(1, "dead-short")
    daemon = await start()
    await daemon.client.power_on("left", 1, 4.0, 1.0)
    await daemon.until(lambda: daemon.of(Tripped))
    trip = daemon.of(Tripped)[0]
    assert trip.rule == "short"
    assert not supply.truth(1).output
    # In limit at 1 A the whole time: charge = I·t (textbook).
    seconds = (trip.off_sent_ns - trip.onset_ns) / 1e9
    # What the readings behind OFF add is nothing from the first of them on, whenever a busy machine came to it.
    first_after_s = (Samples.from_block(trip.after).t_ns[0] - trip.onset_ns) / 1e9
    assert 0.75 * seconds <= trip.let_through_c <= 1.25 * first_after_s
    await daemon.until(lambda: daemon.said()[-1] == (OFF, "trip", True))
    with pytest.raises(GuardRefused, match="re-arm"):
        await daemon.client.power_on("left", 1, 4.0, 1.0)
    await daemon.client.rearm("left", 1)
    assert daemon.said()[-1] == (OFF, "re-armed", False)


async def test_a_clean_board_starts_without_a_trip(supply: SimulatedSupply, start: Start) -> None:
    daemon = await start()
    await daemon.client.power_on("left", 1, 4.0, 2.0)
    supply.button(1)
    await daemon.until(lambda: sum(len(b) for b in daemon.of(Block) if b.channel == 1) > 600)
    assert daemon.of(Tripped) == []
    assert supply.truth(1).output


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
async def test_a_guard_that_is_gone_or_hangs_is_replaced_and_outputs_made_safe(
    supply: SimulatedSupply, start: Start, number: signal.Signals
) -> None:
    daemon = await start()
    await daemon.client.power_on("left", 1, 4.0, 1.5)
    first = daemon.client.pid
    assert first is not None
    os.kill(first, number)
    took_s = await daemon.until(lambda: not supply.truth(1).output, 2.5)
    print(f"{number.name}: off after {took_s * 1e3:.0f} ms")
    await daemon.until(lambda: (OFF, "guard-gone", False) in daemon.said())
    assert (UNKNOWN, "guard-gone", False) in daemon.said()
    assert any("gone" in alarm for alarm in daemon.alarms)
    await daemon.until(lambda: daemon.client.state == "alive" and daemon.client.pid != first)
    assert daemon.client.restarts >= 1
    await daemon.until(lambda: len(daemon.of(LinkChanged)) >= 2)
    await daemon.client.power_on("left", 1, 4.0, 1.5)
    assert supply.truth(1).output


async def test_a_guard_that_heard_nothing_from_a_busy_daemon_is_told_of_as_that(
    supply: SimulatedSupply, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    daemon = await start()
    await daemon.client.power_on("left", 1, 4.0, 1.5)
    with monkeypatch.context() as busy:
        busy.setattr("benchd.guard.keeper.LOOP_DEAD_S", 0.0)  # no beat goes out any more
        await daemon.until(lambda: daemon.alarms)
    assert not supply.truth(1).output
    told = " ".join(daemon.alarms)
    assert re.search(r"having heard nothing from here for \d+\.\d\d s; this computer is too busy", told)
    await daemon.until(lambda: any(each.reason == "daemon-lost" for each in daemon.of(OutputChanged)))
    late = next(each for each in daemon.of(OutputChanged) if each.reason == "daemon-lost")
    assert re.fullmatch(r"the guard heard nothing from the daemon for \d+\.\d\d s", late.text)
    await daemon.until(lambda: daemon.client.state == "alive")


async def test_the_guard_s_readings_are_on_the_daemon_s_clock(
    supply: SimulatedSupply, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if the wall clock had been set back by an hour since the daemon started."""
    hour_ns = 3600 * 10**9
    monkeypatch.setattr("benchd.guard.keeper.ANCHOR_NS", ANCHOR_NS + hour_ns)
    daemon = await start()
    await daemon.until(lambda: daemon.of(Block))
    newest = daemon.of(Block)[-1].readings()[-1]
    assert abs(newest.t_ns - (now_ns() + hour_ns)) < 10**9


async def test_a_latch_of_an_earlier_daemon_needs_a_person(supply: SimulatedSupply, tmp_path: Path) -> None:
    reports: list[Report] = []
    client = GuardClient(configuration(supply, tmp_path), reports.append, print, [("left", 1), ("elsewhere", 9)])
    await client.start()
    try:
        with pytest.raises(GuardRefused, match="re-arm"):
            await client.power_on("left", 1, 4.0, 1.0)
        await client.power_on("left", 2, 4.0, 1.0)
        assert [r.latched for r in reports if isinstance(r, OutputChanged) and r.channel == 1] == [True]
        await client.rearm("left", 1)
        await client.power_on("left", 1, 4.0, 1.0)
    finally:
        assert await client.stop()


async def test_a_latch_outlives_the_guard(supply: SimulatedSupply, start: Start) -> None:
    supply.board(1, "dead-short")
    daemon = await start()
    await daemon.client.power_on("left", 1, 4.0, 1.0)
    await daemon.until(lambda: daemon.said()[-1] == (OFF, "trip", True))
    assert daemon.client.pid is not None
    os.kill(daemon.client.pid, signal.SIGKILL)
    await daemon.until(lambda: daemon.said()[-1] == (OFF, "link-back", True))
    with pytest.raises(GuardRefused, match="re-arm"):
        await daemon.client.power_on("left", 1, 4.0, 1.0)
    await daemon.client.rearm("left", 1)
    assert daemon.said()[-1] == (OFF, "re-armed", False)
    supply.board(1, "clean")
    await daemon.client.power_on("left", 1, 4.0, 1.0)


async def test_a_command_under_way_when_the_guard_goes_is_refused(supply: SimulatedSupply, start: Start) -> None:
    daemon = await start()
    supply.command("SIM:LATency 0.1")
    asked = asyncio.create_task(daemon.client.power_on("left", 1, 4.0, 1.0))
    await asyncio.sleep(0.15)
    assert daemon.client.pid is not None
    os.kill(daemon.client.pid, signal.SIGKILL)
    with pytest.raises(GuardRefused, match="went away"):
        await asked
    supply.command("SIM:LATency 0")
    await daemon.until(lambda: daemon.said()[-1][0] is OFF)
    assert not supply.truth(1).output


async def test_a_deaf_supply_is_unknown_and_alarmed_never_off(supply: SimulatedSupply, start: Start) -> None:
    daemon = await start()
    await daemon.client.power_on("left", 1, 4.0, 1.0)
    supply.fault("DEAF")
    with pytest.raises(GuardRefused, match="could not be confirmed"):
        await daemon.client.power_off("left", 1)
    assert supply.truth(1).output
    # Escalation: voltage and limit went to the minimum although OFF was ignored.
    assert supply.truth(1).voltage_v < 0.5
    assert daemon.said()[-1] == (UNKNOWN, "asked", False)
    with pytest.raises(GuardRefused, match="unknown"):
        await daemon.client.power_on("left", 1, 4.0, 1.0)
    supply.fault("NONE")
    await daemon.until(lambda: daemon.said()[-1] == (OFF, "asked", False))
    assert not supply.truth(1).output


async def test_a_link_cut_in_the_middle_is_unknown_and_off_when_it_is_back(
    supply: SimulatedSupply, start: Start
) -> None:
    daemon = await start()
    await daemon.client.power_on("left", 1, 4.0, 1.0)
    supply.fault("CLOSE")
    await daemon.until(lambda: daemon.said()[-1] == (UNKNOWN, "trip", True))
    assert supply.truth(1).output  # nobody can reach it, and nobody says off
    assert daemon.of(Tripped)[0].off_confirmed_ns is None
    await daemon.until(lambda: not daemon.of(LinkChanged)[-1].up)
    supply.fault("NONE")
    await daemon.until(lambda: daemon.said()[-1] == (OFF, "trip", True), 12)
    assert not supply.truth(1).output
    assert daemon.of(LinkChanged)[-1].up


async def test_a_supply_that_falls_silent_trips_stale(supply: SimulatedSupply, start: Start) -> None:
    daemon = await start()
    await daemon.client.power_on("left", 1, 4.0, 1.0, RuleLimits(stale_s=0.3))
    supply.fault("SILENT", 1000)
    await daemon.until(lambda: daemon.of(Tripped))
    assert daemon.of(Tripped)[0].rule == "stale"
    await daemon.until(lambda: not supply.truth(1).output)
    supply.fault("NONE")
    await daemon.until(lambda: daemon.said()[-1] == (OFF, "trip", True), 12)


async def test_two_daemons_on_one_supply_the_second_is_told_who_holds_it(supply: SimulatedSupply, start: Start) -> None:
    first = await start()
    await first.client.power_on("left", 1, 4.0, 1.5)
    second = await start()
    link = second.of(LinkChanged)[0]
    assert not link.up
    assert str(first.client.pid) in link.text
    with pytest.raises(GuardRefused, match="held by"):
        await second.client.power_on("left", 2, 4.0, 1.0)
    await second.client.stop()
    assert supply.truth(1).output  # the second never held it, so its end switches nothing


async def test_what_cannot_be_made_safe_is_unknown_and_tried_again(supply: SimulatedSupply, start: Start) -> None:
    daemon = await start()
    await daemon.client.power_on("left", 1, 4.0, 1.0)
    assert daemon.client.pid is not None
    os.kill(daemon.client.pid, signal.SIGSTOP)  # so that the cut is not seen by the guard first
    supply.fault("CLOSE")
    os.kill(daemon.client.pid, signal.SIGKILL)
    await daemon.until(lambda: (UNKNOWN, "guard-gone", False) in daemon.said())
    await asyncio.sleep(1.2)
    assert daemon.said()[-1] == (UNKNOWN, "guard-gone", False)
    assert supply.truth(1).output
    supply.fault("NONE")
    await daemon.until(lambda: not supply.truth(1).output, 15)
    await daemon.until(lambda: daemon.said()[-1][0] is OFF, 15)


async def test_stop_is_not_called_confirmed_when_the_last_guard_never_reached_the_supply(
    supply: SimulatedSupply, start: Start
) -> None:
    daemon = await start()
    await daemon.client.power_on("left", 1, 4.0, 1.0)
    first = daemon.client.pid
    assert first is not None
    os.kill(first, signal.SIGSTOP)
    supply.fault("CLOSE")
    os.kill(first, signal.SIGKILL)
    await daemon.until(lambda: daemon.client.state == "alive" and daemon.client.pid != first, 15)
    assert await daemon.client.stop() is False
    assert supply.truth(1).output
    assert daemon.said()[-1][0] is UNKNOWN


async def test_one_supply_that_hangs_does_not_keep_the_others_unguarded(tmp_path: Path) -> None:
    release, made_safe = threading.Event(), threading.Event()

    def safe(config: SupplyConfig) -> list[ChannelSafe]:
        if config.name == "hangs":
            release.wait(30)
            return [ChannelSafe(1, UNKNOWN, "no reply")]
        made_safe.set()
        return [ChannelSafe(1, OFF, "0.0 mA")]

    channel = (ChannelConfig(1, 20.0, 3.0),)
    supplies = tuple(SupplyConfig(name, "none", "none", channel) for name in ("hangs", "answers"))
    told: list[Report | str] = []
    keeper = GuardKeeper(Configure(supplies, str(tmp_path)), told.append, safe)
    started = time.monotonic()
    try:
        keeper._make_safe(list(supplies))
        assert made_safe.is_set()
        assert time.monotonic() - started < 10
        assert keeper.stop() is False  # one of them is still not proved off
    finally:
        release.set()


async def test_without_a_thread_to_spare_supplies_are_made_safe_one_after_the_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    supplies = tuple(SupplyConfig(name, "none", "none", (ChannelConfig(1, 20.0, 3.0),)) for name in ("a", "b"))
    told: list[Report | str] = []
    keeper = GuardKeeper(Configure(supplies, str(tmp_path)), told.append, lambda _: [ChannelSafe(1, OFF, "0.0 mA")])

    def none_left(*_: object) -> None:
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(_thread, "start_new_thread", none_left)
    keeper._make_safe(list(supplies))
    assert [(r.supply, r.state) for r in told if isinstance(r, OutputChanged)] == [("a", OFF), ("b", OFF)]
    assert keeper.stop() is True


async def test_a_report_that_the_daemon_cannot_handle_holds_up_nothing(supply: SimulatedSupply, tmp_path: Path) -> None:
    outputs: list[OutputChanged] = []
    failures: list[dict[str, object]] = []

    def handle(report: Report) -> None:
        if isinstance(report, LinkChanged | Block):
            raise RuntimeError("not handled")
        if isinstance(report, OutputChanged):
            outputs.append(report)

    asyncio.get_running_loop().set_exception_handler(lambda _, context: failures.append(context))
    client = GuardClient(configuration(supply, tmp_path), handle, print)
    await client.start()
    try:
        await client.power_on("left", 1, 4.0, 1.0)
        assert outputs[-1].state is ON
        assert str(failures[0]["exception"]) == "not handled"
    finally:
        assert await client.stop()


async def test_stop_while_the_guard_is_being_restarted(supply: SimulatedSupply, start: Start) -> None:
    daemon = await start()
    await daemon.client.power_on("left", 1, 4.0, 1.0)
    assert daemon.client.pid is not None
    os.kill(daemon.client.pid, signal.SIGKILL)
    await daemon.until(lambda: daemon.client.state == "restarting")
    assert await daemon.client.stop() is True
    assert daemon.client.state == "gone"
    assert not supply.truth(1).output


async def test_a_stalled_event_loop_is_survived_when_short(supply: SimulatedSupply, start: Start) -> None:
    daemon = await start()
    await daemon.client.power_on("left", 1, 4.0, 1.0)
    pid = daemon.client.pid
    time.sleep(1.2)  # noqa: ASYNC251 - the stall is the test
    await asyncio.sleep(0.2)
    assert daemon.client.pid == pid
    assert supply.truth(1).output
    assert daemon.alarms == []


async def test_commands_without_a_guard_are_refused(supply: SimulatedSupply, tmp_path: Path) -> None:
    client = GuardClient(configuration(supply, tmp_path), print, print)
    assert client.state == "gone"
    with pytest.raises(GuardRefused, match="the guard is gone"):
        await client.power_off()
    assert await client.stop() is True
