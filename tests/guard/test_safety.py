"""Moments in which an output could stay on, or be called off, because something else happens at the same time."""

from __future__ import annotations

import sys
import time

import pytest

from benchd.guard.sampler import SupplyThread
from benchd.guard.states import ChannelState
from benchd.guard.waiting import End, TakenOver
from benchd.guard.wire import (
    ChannelConfig,
    LinkChanged,
    OutputChanged,
    PowerOff,
    PowerOn,
    RuleLimits,
    SupplyConfig,
    Tripped,
)
from benchd.reading import OutputState
from benchd.supplies.errors import LinkLost, SupplyHeld
from benchd.supplies.makesafe import ChannelSafe

from .fakes import Bench
from .test_sampler import answer, power_on, ready, said

OFF, ON, UNKNOWN = OutputState.OFF, OutputState.ON, OutputState.UNKNOWN


@pytest.mark.parametrize("channel", [1, None])
def test_off_reaches_an_output_while_another_is_still_being_prepared(channel: int | None) -> None:
    with Bench() as bench:
        power_on(bench, 1)
        on_when_prepared: list[bool] = []
        bench.fake.on_prepare = lambda: bench.thread.post(PowerOff(3, "bench", channel))
        usual = bench.fake.prepare

        def prepare(number: int, *settings: float, **second_layer: float | None) -> tuple[str, ...]:
            protects = usual(number, *settings, **second_layer)  # type: ignore[arg-type]
            on_when_prepared.append(bench.fake.on[1])
            return protects

        bench.fake.prepare = prepare  # type: ignore[method-assign]
        bench.thread.post(PowerOn(2, "bench", 2, 4.0, 1.0, RuleLimits()))
        assert answer(bench, 3).ok
        assert on_when_prepared == [False]
        assert said(bench, 1)[-1] == (OFF, "asked", False)


def test_an_output_found_on_is_not_said_to_be_on_as_it_was_asked_for_once() -> None:
    with Bench() as bench:
        power_on(bench)
        bench.thread.post(PowerOff(2, "bench", 1))
        assert answer(bench, 2).ok
        bench.fake.on[1] = True
        bench.wait(lambda: said(bench)[-1] == (OFF, "found-on", False))
        found = [r for r in bench.of(OutputChanged) if r.channel == 1 and r.reason == "found-on" and r.state is ON]
        assert [(r.voltage_v, r.limit_a) for r in found] == [(0.0, 0.0)]


def test_an_output_that_somebody_switched_on_into_a_short_is_noticed_by_its_current() -> None:
    with Bench() as bench:
        ready(bench)
        bench.fake.limit_a[1], bench.fake.set_v[1] = 1.0, 4.0  # 0.2 V at the terminals
        bench.fake.shorted.add(1)
        bench.thread._poll_s = time.monotonic() + 3600  # the routine look is far away
        bench.fake.on[1] = True
        bench.wait(lambda: (ON, "found-on", False) in said(bench), 2.0)
        bench.wait(lambda: not bench.fake.on[1])


@pytest.mark.parametrize("asked_v", [None, 30.0])
def test_a_voltage_raised_beyond_the_envelope_by_somebody_else_trips(asked_v: float | None) -> None:
    with Bench() as bench:
        power_on(bench, limits=RuleLimits(over_voltage_v=asked_v))
        bench.fake.set_v[1] = 20.5  # within the overshoot allowed for
        before = len(bench.fake.calls)
        bench.wait(lambda: len(bench.fake.calls) > before + 20)
        assert bench.of(Tripped) == []
        bench.fake.set_v[1] = 22.0
        trip: Tripped = bench.wait(lambda: bench.of(Tripped))[0]  # type: ignore[index]
        assert trip.rule == "over-voltage"
        assert "above the threshold of 21 V" in trip.text
        assert not bench.fake.on[1]


def test_a_closer_threshold_stays_what_it_is() -> None:
    channel = Bench().thread.channels[1]
    assert channel.config == ChannelConfig(1, 20.0, 3.0)
    assert channel.within_envelope(RuleLimits(over_voltage_v=4.4)).over_voltage_v == 4.4


def test_what_the_second_link_proved_is_taken_back_when_the_link_is_lost() -> None:
    with Bench() as bench:
        ready(bench)
        bench.fake.lost = True
        bench.wait(lambda: said(bench)[-1] == (UNKNOWN, "link-lost", False))
        bench.reports.append(OutputChanged("bench", 1, OFF, "blocked", 0))  # as the watchdog does
        bench.thread.post(TakenOver())
        bench.wait(lambda: said(bench)[-1] == (UNKNOWN, "link-lost", False))


def test_a_mistake_of_ours_switches_off_before_anything_is_written(monkeypatch: pytest.MonkeyPatch) -> None:
    with Bench() as bench:
        power_on(bench)
        on_when_written: list[bool] = []

        class Errors:
            def write(self, text: str) -> int:
                on_when_written.append(bench.fake.on[1])
                return len(text)

            def flush(self) -> None:
                pass

        monkeypatch.setattr(sys, "stderr", Errors())

        def wrong(channel: int) -> bool:
            del bench.fake.output_state  # type: ignore[method-assign]
            raise RuntimeError("a mistake")

        bench.fake.output_state = wrong  # type: ignore[method-assign]
        bench.wait(lambda: on_when_written)
        assert not any(on_when_written)


def test_off_goes_to_a_supply_that_another_process_holds_but_is_not_called_off() -> None:
    bench = Bench()
    bench.open_errors = [SupplyHeld("held by the guard of a daemon that is gone")] * 1000
    asked: list[tuple[int, ...]] = []

    def last_resort(config: SupplyConfig) -> list[ChannelSafe]:
        asked.append(tuple(channel.number for channel in config.channels))
        return [ChannelSafe(channel.number, OFF, "output says off, 0.0 mA") for channel in config.channels]

    bench.thread = SupplyThread(bench.thread.config, bench._open, bench.reports.append, last_resort=last_resort)
    with bench:
        bench.wait(lambda: bench.reports)
        bench.thread.post(PowerOff(1, "bench", 2))
        refused = answer(bench, 1)
        bench.thread.post(PowerOff(2))
        assert not answer(bench, 2).ok
        bench.thread.post(End())
    assert asked == [(2,), (1, 2)]
    assert not refused.ok
    assert "held by the guard of a daemon that is gone" in refused.error
    assert "channel 2: off (output says off, 0.0 mA)" in refused.error
    assert OFF not in [r.state for r in bench.of(OutputChanged)]


def test_a_supply_that_cannot_be_opened_is_unknown_whatever_an_earlier_guard_said() -> None:
    bench = Bench()
    bench.open_errors = [SupplyHeld("held by another")] * 1000
    with bench:
        bench.wait(lambda: bench.of(LinkChanged))
        assert said(bench, 1) == [(UNKNOWN, "link-lost", False)]
        assert said(bench, 2) == [(UNKNOWN, "link-lost", False)]


def test_an_off_confirmed_in_a_moment_of_a_broken_link_holds_no_longer_than_that_moment() -> None:
    with Bench() as bench:
        ready(bench)
        bench.fake.lost = True
        bench.wait(lambda: said(bench)[-1] == (UNKNOWN, "link-lost", False))
        bench.wait(lambda: not bench.of(LinkChanged)[-1].up)

        def refused() -> str:
            raise LinkLost("fake", "refused")

        bench.opened.reconnect = refused  # type: ignore[method-assign]
        bench.fake.lost = False  # one exchange gets through, the next attempt to open does not
        bench.thread.post(PowerOff(1, "bench", 1))
        assert answer(bench, 1).ok
        bench.wait(lambda: said(bench)[-2:] == [(OFF, "asked", False), (UNKNOWN, "link-lost", False)], 8.0)


def test_an_output_that_obeys_again_is_off_before_its_next_full_attempt() -> None:
    with Bench() as bench:
        power_on(bench)
        bench.fake.deaf = True
        bench.thread.post(PowerOff(2, "bench", 1))
        assert not answer(bench, 2).ok
        channel = bench.thread.channels[1]
        assert channel.state is ChannelState.UNKNOWN
        channel.retry_ns += 3600 * 10**9
        bench.fake.deaf = False
        bench.wait(lambda: not bench.fake.on[1], 2.0)
        assert said(bench)[-1] == (UNKNOWN, "asked", False)
        channel.retry_ns = 0
        bench.wait(lambda: said(bench)[-1] == (OFF, "asked", False))
