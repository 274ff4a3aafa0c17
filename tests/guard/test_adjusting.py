"""Other settings for an output that is on, as somebody asks for them, on a supply in memory."""

from __future__ import annotations

import pytest

from benchd.guard.envelope import check_envelope
from benchd.guard.states import ChannelState
from benchd.guard.wire import (
    Adjust,
    Answer,
    ChannelConfig,
    OutputChanged,
    PowerOff,
    PowerOn,
    RuleLimits,
    Stage,
    Tripped,
)
from benchd.reading import OutputState
from benchd.supplies.errors import LinkLost, ReplyLate, SupplyError

from .fakes import Bench, FakeSupply
from .test_stages import BY_HAND, answer, calls, tripped, wait_off

OFF, ON = OutputState.OFF, OutputState.ON


def asked(most_v: float | None = None, most_a: float | None = None, *before: Stage, **limits: float) -> PowerOn:
    rules = RuleLimits(**limits)
    return PowerOn(1, "bench", 1, 4.0, 1.0, rules, before=before, most_voltage_v=most_v, most_limit_a=most_a)


def switch_on(bench: Bench, command: PowerOn) -> None:
    bench.wait(lambda: bench.thread.channels[1].state is ChannelState.OFF)
    bench.thread.post(command)
    assert answer(bench, 1) == Answer(1, True)


def adjust(bench: Bench, number: int, voltage_v: float, limit_a: float) -> Answer:
    bench.thread.post(Adjust(number, "bench", 1, voltage_v, limit_a))
    return answer(bench, number)


def told(bench: Bench) -> list[tuple[float, float]]:
    return [(r.voltage_v, r.limit_a) for r in bench.of(OutputChanged) if r.channel == 1 and r.state is ON]


def test_settings_change_within_the_ceilings_and_the_daemon_is_told() -> None:
    with Bench() as bench:
        switch_on(bench, asked(5.0, 2.0))
        for number, settings in enumerate([(5.0, 2.0), (3.3, 0.2), (3.3, 0.2), (4.0, 1.0)], 10):
            assert adjust(bench, number, *settings).ok
        assert told(bench) == [(4.0, 1.0), (5.0, 2.0), (3.3, 0.2), (4.0, 1.0)]
        assert calls(bench) == ["prepare", "output_on", *["adjust"] * 4]
        assert bench.thread.channels[1].state is ChannelState.ON
        assert not bench.of(Tripped)


@pytest.mark.parametrize(
    ("voltage_v", "limit_a"),
    [(5.001, 1.0), (4.0, 2.001), (0.0, 1.0), (4.0, 0.0), (-1.0, 1.0), (float("nan"), 1.0), (4.0, float("nan"))],
)
def test_beyond_the_ceilings_nothing_is_changed(voltage_v: float, limit_a: float) -> None:
    with Bench() as bench:
        switch_on(bench, asked(5.0, 2.0))
        found = adjust(bench, 2, voltage_v, limit_a)
        assert "above 0 V up to 5 V and above 0 A up to 2 A, as the power-on said. Nothing was changed" in found.error
        assert told(bench) == [(4.0, 1.0)]
        assert calls(bench) == ["prepare", "output_on"]


def test_without_ceilings_the_settings_of_the_power_on_are_the_ceilings() -> None:
    with Bench() as bench:
        switch_on(bench, asked())
        assert adjust(bench, 2, 3.0, 0.5).ok
        assert adjust(bench, 3, 4.0, 1.0).ok
        assert "up to 4 V" in adjust(bench, 4, 4.1, 1.0).error


def test_what_the_supply_cannot_have_is_refused_and_the_output_stays_on() -> None:
    fake = FakeSupply()
    fake.most_v = 4.5
    with Bench(fake) as bench:
        switch_on(bench, asked(5.0, 2.0))
        assert "allowed 0 to 4.5 V. Nothing was sent" in adjust(bench, 2, 5.0, 1.0).error
        assert bench.thread.channels[1].state is ChannelState.ON
        assert told(bench) == [(4.0, 1.0)]


def test_an_output_that_is_off_or_in_a_stage_is_not_adjusted() -> None:
    with Bench() as bench:
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.OFF)
        assert "while on, but it is off; " in adjust(bench, 2, 3.0, 0.5).error
        bench.thread.post(Adjust(3, "bench", 7, 3.0, 0.5))
        assert "has no channel 7" in answer(bench, 3).error
        switch_on(bench, asked(5.0, 2.0, BY_HAND))
        assert "it is in stage hold; nothing was changed" in adjust(bench, 4, 3.0, 0.5).error
        assert bench.thread.channels[1].state is ChannelState.HOLDING


@pytest.mark.parametrize(
    ("most_v", "most_a", "words"),
    [
        (3.0, None, "most_voltage_v = 3 V was asked for as the ceiling of later settings; allowed is from the 4 V"),
        (20.1, None, "up to 20 V, as its settings say"),
        (None, 0.9, "most_limit_a = 0.9 A"),
        (None, 3.1, "up to 3 A"),
        (float("nan"), None, "most_voltage_v = nan V"),
        (6.0, None, "over_voltage_v trips above 6 V: raise that"),
    ],
)
def test_ceilings_lie_within_the_envelope(most_v: float | None, most_a: float | None, words: str) -> None:
    command = asked(most_v, most_a, over_voltage_v=6.0)
    assert words in check_envelope(ChannelConfig(1, 20.0, 3.0), command)
    assert check_envelope(ChannelConfig(1, 20.0, 3.0), asked(5.9, 3.0, over_voltage_v=6.0)) == ""


def test_settings_that_do_not_come_back_as_written_switch_off() -> None:
    with Bench() as bench:
        switch_on(bench, asked())

        def other() -> None:
            raise SupplyError("asked for a voltage of 3 V, came back 7 V")

        bench.fake.on_adjust = other
        found = adjust(bench, 2, 3.0, 0.5)
        assert "came back 7 V; the output is off" in found.error
        wait_off(bench)
        assert not bench.of(Tripped)


def test_one_reply_that_is_late_is_asked_for_again_and_a_second_one_switches_off() -> None:
    with Bench() as bench:
        switch_on(bench, asked())
        late = [1]

        def some() -> None:
            if late and late.pop():
                raise ReplyLate("fake", "no reply", "VOLT?")

        bench.fake.on_adjust = some
        assert adjust(bench, 2, 3.0, 0.5).ok
        late += [1, 1]
        late.reverse()
        assert "no reply" in adjust(bench, 3, 2.0, 0.5).error
        wait_off(bench)


def test_a_link_that_is_lost_meanwhile_is_a_trip() -> None:
    with Bench() as bench:
        switch_on(bench, asked())

        def gone() -> None:
            bench.fake.lost = True
            raise LinkLost("fake", "closed by the other side")

        bench.fake.on_adjust = gone
        assert not adjust(bench, 2, 3.0, 0.5).ok
        trip = tripped(bench)
        assert trip.rule == "stale"
        assert "while other settings were written" in trip.text


def test_a_short_while_the_settings_are_written_trips() -> None:
    with Bench() as bench:
        switch_on(bench, asked(5.0))

        def breaks() -> None:
            bench.fake.shorted.add(1)
            for _ in range(200):
                bench.fake.between()

        bench.fake.on_adjust = breaks
        assert "short" in adjust(bench, 2, 5.0, 1.0).error
        assert tripped(bench).rule == "short"
        assert not bench.fake.on[1]


def test_an_off_overtakes_and_what_was_asked_before_it_is_refused() -> None:
    with Bench() as bench:
        switch_on(bench, asked())
        bench.fake.on_adjust = lambda: bench.thread.post(PowerOff(3, "bench", 1)) or bench.fake.between()
        assert "an off was asked for meanwhile" in adjust(bench, 2, 3.0, 0.5).error
        assert answer(bench, 3).ok
        assert not bench.fake.on[1]


def test_adjusting_without_end_does_not_keep_from_looking_at_the_time() -> None:
    with Bench() as bench:
        switch_on(bench, asked(5.0, longest_on_s=0.2))
        for number in range(100, 400):
            bench.thread.post(Adjust(number, "bench", 1, 3.0 + number % 2, 1.0))
        wait_off(bench)
        assert bench.thread.channels[1].reason == "on-time"
        bench.wait(lambda: len(bench.of(Answer)) == 301)
        assert not all(each.ok for each in bench.of(Answer))


def test_readings_taken_meanwhile_are_delivered() -> None:
    with Bench() as bench:
        switch_on(bench, asked())
        channel = bench.thread.channels[1]
        seen: list[int] = []

        def reads() -> None:
            seen.append(len(channel.before))
            bench.fake.between()
            seen.append(len(channel.before))

        bench.wait(lambda: len(channel.before) < 100)
        bench.fake.on_adjust = reads
        assert adjust(bench, 2, 3.0, 0.5).ok
        assert seen[1] == seen[0] + 1
