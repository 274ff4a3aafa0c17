"""Two things at once on a supply in memory: an output is switched while another one, or the same, gets into trouble."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from benchd.guard.framing import encode, report_decoder
from benchd.guard.process import EXIT_SAFE, GuardProcess
from benchd.guard.rescue import Watchdog
from benchd.guard.states import ChannelState
from benchd.guard.wire import (
    Answer,
    ChannelConfig,
    Configure,
    OutputChanged,
    PowerOn,
    Rearm,
    Report,
    RuleLimits,
    Stage,
    SupplyConfig,
    Tripped,
    Tripping,
)
from benchd.reading import OutputState
from benchd.supplies.errors import LinkLost, ReplyLate
from benchd.supplies.makesafe import ChannelSafe
from benchd.supplies.off import OffOutcome

from .fakes import Bench, FakeOpened, FakeSupply
from .test_stages import HOLD, answer, tripped

OFF, ON, UNKNOWN = OutputState.OFF, OutputState.ON, OutputState.UNKNOWN


def power_on(bench: Bench, *before: Stage, channel: int = 1, number: int = 1, limits: RuleLimits | None = None) -> None:
    bench.wait(lambda: bench.thread.channels[channel].state is ChannelState.OFF)
    bench.thread.post(PowerOn(number, "bench", channel, 4.0, 1.0, limits or RuleLimits(), before=before))
    assert answer(bench, number) == Answer(number, True)


def tending(fake: FakeSupply, what: Callable[[], object], within_s: float) -> bool:
    """An exchange that takes until `what()` is true, with the others looked after; whether it came true in time."""
    deadline = time.monotonic() + within_s
    while not what():
        if time.monotonic() > deadline:
            return False
        fake.between()
        time.sleep(0.001)
    return True


def went_off_by_itself(bench: Bench) -> OutputChanged:
    bench.wait(lambda: bench.thread.channels[1].state in (ChannelState.OFF, ChannelState.TRIPPED))
    return bench.wait(lambda: [r for r in bench.of(OutputChanged) if r.channel == 1 and r.state is OFF][-1])  # type: ignore[return-value]


# ---- an instrument that trips by itself ----------------------------------------------------------------------------


def test_a_supply_that_cannot_tell_and_was_in_limit_some_readings_ago_has_tripped() -> None:
    fake = FakeSupply()
    fake.tells = False
    fake.load_a[1] = 1.0
    with Bench(fake) as bench:
        power_on(bench)
        # Just after a look, so that many readings say "no current" before the next one finds it off.
        looks = fake.calls.count(("drift", 1))
        bench.wait(lambda: fake.calls.count(("drift", 1)) > looks)
        fake.on[1] = False
        assert went_off_by_itself(bench).latched
        assert tripped(bench).rule == "instrument"


@pytest.mark.parametrize("late", [1, 1000])
def test_a_supply_that_does_not_answer_whether_it_has_tripped_is_not_taken_for_a_hand_at_its_panel(late: int) -> None:
    class Late(FakeSupply):
        left = late

        def tripped(self, channel: int) -> list[str]:
            if self.left:
                self.left -= 1
                raise ReplyLate("fake", "no reply", "VOLT:PROT:TRIP?")
            return super().tripped(channel)

    fake = Late()
    fake.own_trips = ["VOLT:PROT:TRIP?"]
    with Bench(fake) as bench:
        power_on(bench)
        fake.on[1] = False
        assert went_off_by_itself(bench).latched
        assert ("VOLT:PROT:TRIP?" if late == 1 else "does not answer") in tripped(bench).text


def test_a_trip_that_was_seen_before_off_is_not_forgotten_with_off() -> None:
    class Forgets(FakeSupply):
        def send_off(self, channel: int) -> None:
            super().send_off(channel)
            self.own_trips = []

    fake = Forgets()
    with Bench(fake) as bench:
        power_on(bench)
        fake.own_trips = ["CURR:PROT:TRIP?"]
        fake.dead_but_says_on.add(1)
        assert went_off_by_itself(bench).latched
        assert "CURR:PROT:TRIP?" in tripped(bench).text


# ---- stages --------------------------------------------------------------------------------------------------------


def test_a_short_and_then_a_lost_link_while_the_limit_is_raised_are_one_record() -> None:
    fake = FakeSupply()
    fake.load_a[1] = 0.01
    with Bench(fake) as bench:

        def breaks() -> None:
            fake.shorted.add(1)
            tending(fake, lambda: not fake.on[1], 2.0)
            raise LinkLost("fake", "gone")

        fake.on_adjust = breaks
        power_on(bench, HOLD)
        tripped(bench)
        reads = fake.calls.count(("read", 1))
        bench.wait(lambda: fake.calls.count(("read", 1)) > reads + 20)
        assert [trip.rule for trip in bench.of(Tripped)] == ["short"]


def test_a_slow_raise_of_a_good_board_is_no_short() -> None:
    """Until the settings are written, the voltage is the one of the stage before, far below what it is to become."""
    fake = FakeSupply()
    fake.load_a[1] = 0.05  # more than a tenth of the limit of the hold, so that it counts as a load
    with Bench(fake) as bench:
        fake.on_adjust = lambda: tending(fake, lambda: False, 0.4)
        probe = Stage("probe", 1.0, 0.1, 0.03, least_ohm=1.0)
        power_on(bench, probe, HOLD, limits=RuleLimits(limit_hold_s=0.1))
        bench.wait(lambda: bench.of(Tripped) or bench.thread.channels[1].state is ChannelState.ON)
        assert bench.of(Tripped) == []


def test_a_probe_delivers_no_more_while_another_output_is_prepared() -> None:
    fake = FakeSupply()
    fake.shorted.add(1)
    with Bench(fake) as bench:
        power_on(bench, Stage("probe", 0.5, 0.4, 0.2, least_ohm=1.0))
        ended: list[bool] = []
        fake.on_prepare = lambda: ended.append(tending(fake, lambda: not fake.on[1], 4.0))
        bench.thread.post(PowerOn(2, "bench", 2, 4.0, 1.0, RuleLimits()))
        trip = tripped(bench)
        assert ended == [True]
        assert (trip.rule, trip.stage) == ("short", "probe")
        # 0.2 of 0.4 V at 0.4 A, i.e. 0.032 W, for the 0.2 s of the stage; not for a second of preparing.
        assert trip.since_on_j < 0.032 * 1.0


# ---- off while another output is busy ------------------------------------------------------------------------------


def test_an_off_that_was_ignored_is_repeated_while_another_output_is_prepared() -> None:
    fake = FakeSupply()
    with Bench(fake) as bench:
        power_on(bench)
        went_off: list[bool] = []

        def slow() -> None:
            fake.deaf = True
            fake.shorted.add(1)
            before = fake.calls.count(("send_off", 1))
            tending(fake, lambda: fake.calls.count(("send_off", 1)) > before, 2.0)
            fake.deaf = False
            went_off.append(tending(fake, lambda: not fake.on[1], 1.0))

        fake.on_prepare = slow
        bench.thread.post(PowerOn(2, "bench", 2, 4.0, 1.0, RuleLimits()))
        bench.wait(lambda: went_off)
        assert went_off == [True]
        assert tripped(bench).rule == "short"


def test_a_trip_is_told_of_when_off_is_sent_and_again_when_it_is_proved(monkeypatch: pytest.MonkeyPatch) -> None:
    fake = FakeSupply()
    with Bench(fake) as bench:
        power_on(bench)
        confirm_off, told = bench.opened.confirm_off, []

        def confirm(channel: int, deadline_s: float) -> OffOutcome:
            told.append((fake.calls[-1], [r for r in bench.reports if isinstance(r, Tripping | Tripped)]))
            return confirm_off(channel, deadline_s)

        monkeypatch.setattr(bench.opened, "confirm_off", confirm)
        fake.shorted.add(1)
        trip = tripped(bench)
        (sent, (tripping,)) = told[0]
        assert sent == ("send_off", 1)
        assert tripping == Tripping("bench", 1, f"short: {trip.text}")
        assert len(told) == 1


def test_other_outputs_are_read_between_the_looks_at_each() -> None:
    fake = FakeSupply()
    with Bench(fake) as bench:
        power_on(bench)
        power_on(bench, channel=2, number=2)
        begin = len(fake.calls)

        def look() -> list[tuple[str, int]]:
            """What was done from a look at the settings of the first output to the one at the second's."""
            calls = fake.calls[begin:]
            first = calls.index(("drift", 1)) if ("drift", 1) in calls else len(calls)
            rest = calls[first:]
            return rest[: rest.index(("drift", 2))] if ("drift", 2) in rest else []

        between = bench.wait(look, within_s=12)
        assert ("read", 1) in between  # type: ignore[operator]
        assert ("read", 2) in between  # type: ignore[operator]


def test_re_arming_what_has_not_tripped_uses_up_nothing() -> None:
    with Bench(rearm_per_minute=2) as bench:
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.OFF)
        for number in (1, 2):
            bench.thread.post(Rearm(number, "bench", 1))
            assert answer(bench, number).ok
        power_on(bench, number=3)
        bench.fake.shorted.add(1)
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.TRIPPED)
        bench.thread.post(Rearm(4, "bench", 1))
        assert answer(bench, 4) == Answer(4, True)


# ---- others that act meanwhile -------------------------------------------------------------------------------------


def test_a_thread_that_comes_back_during_its_rescue_switches_nothing_on() -> None:
    fake = FakeSupply()
    asked, goes_on = threading.Event(), threading.Event()
    with Bench(fake, channels=(1,)) as bench:
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.OFF)

        def blocks() -> None:
            asked.set()
            goes_on.wait(10)

        def safe(_: SupplyConfig) -> list[ChannelSafe]:
            fake.on[1] = False  # proved off; while others are looked at, the exchange that was stuck comes back
            goes_on.set()
            bench.wait(lambda: fake.on[1] or bench.of(Answer))
            return [ChannelSafe(1, OFF, "0.0 mA")]

        told: list[tuple[OutputState, bool]] = []

        def report(item: Report) -> None:
            assert isinstance(item, OutputChanged)
            told.append((item.state, fake.on[1]))

        fake.on_prepare = blocks
        bench.thread.post(PowerOn(1, "bench", 1, 4.0, 1.0, RuleLimits()))
        assert asked.wait(5)
        Watchdog(report, safe).rescue(bench.thread)
        bench.wait(lambda: len(told) == 2)
        assert told == [(UNKNOWN, False), (OFF, False)]
        assert not answer(bench, 1).ok
        assert ("output_on", 1) not in fake.calls


def test_with_hold_and_the_daemon_gone_no_stage_is_raised(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(GuardProcess, "_take_signals", lambda _: None)  # only a main thread may
    fake = FakeSupply()
    fake.load_a[1] = 0.01
    supply = SupplyConfig(
        "bench", "fake", "fake", (ChannelConfig(1, 20.0, 3.0),), reading_interval_s=0.002, on_daemon_loss="hold"
    )
    ours, theirs = socket.socketpair()
    process = GuardProcess(theirs, lambda _: lambda _: FakeOpened(fake))
    status: list[int] = []
    thread = threading.Thread(target=lambda: status.append(process.run()), daemon=True)
    thread.start()
    try:
        with ours:
            ours.settimeout(5)
            ours.sendall(encode(Configure((supply,), str(tmp_path), daemon_timeout_s=30.0)))
            decoder, reports = report_decoder(), list[Report]()
            while not any(isinstance(each, OutputChanged) and each.state is OFF for each in reports):
                reports += decoder.feed(ours.recv(65536))
            hold = Stage("hold", 4.0, 0.3, 0.5)
            ours.sendall(encode(PowerOn(1, "bench", 1, 4.0, 1.0, RuleLimits(), before=(hold,))))
            while not any(isinstance(each, Answer) for each in reports):
                reports += decoder.feed(ours.recv(65536))
            assert fake.on[1]
        thread.join(10)
        assert status == [EXIT_SAFE]
        assert not fake.on[1]
        assert ("adjust", 1) not in fake.calls
    finally:
        process._begin_end("the test is over")
        thread.join(10)
