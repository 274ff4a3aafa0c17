"""A power-up in stages on a supply in memory, and what an instrument or a hand changes meanwhile."""

from __future__ import annotations

from benchd.guard.states import ChannelState
from benchd.guard.wire import (
    Advance,
    Answer,
    Health,
    OutputChanged,
    PowerOff,
    PowerOn,
    Rearm,
    RuleLimits,
    Stage,
    StageOver,
    SupplyErrors,
    Tripped,
)
from benchd.reading import OutputState
from benchd.supplies.adjusting import Drift
from benchd.supplies.errors import LinkLost, ReplyLate, SupplyError

from .fakes import Bench, FakeSupply

OFF, ON, UNKNOWN = OutputState.OFF, OutputState.ON, OutputState.UNKNOWN
PROBE = Stage("probe", 0.5, 0.1, 0.03, least_ohm=1.0)
HOLD = Stage("hold", 4.0, 0.3, 0.03)
BY_HAND = Stage("hold", 4.0, 0.3, 0.03, by_hand=True)


def answer(bench: Bench, number: int) -> Answer:
    found = bench.wait(lambda: [each for each in bench.of(Answer) if each.id == number])
    return found[0]  # type: ignore[index]


def power_on(bench: Bench, *before: Stage, limits: RuleLimits | None = None, delay_s: float | None = None) -> None:
    bench.wait(lambda: bench.thread.channels[1].state is ChannelState.OFF)
    command = PowerOn(1, "bench", 1, 4.0, 1.0, limits or RuleLimits(), before=before, over_current_delay_s=delay_s)
    bench.thread.post(command)
    assert answer(bench, 1) == Answer(1, True)


def tripped(bench: Bench) -> Tripped:
    return bench.wait(lambda: bench.of(Tripped))[0]  # type: ignore[index, no-any-return]


def stages(bench: Bench) -> list[tuple[str, float, float]]:
    return [(r.stage, r.voltage_v, r.limit_a) for r in bench.of(OutputChanged) if r.channel == 1 and r.state is ON]


def wait_off(bench: Bench) -> None:
    bench.wait(lambda: bench.of(OutputChanged)[-1].state is OFF and not bench.fake.on[1])


def calls(bench: Bench) -> list[str]:
    return [what for what, channel in bench.fake.calls if channel == 1 and what in ("prepare", "output_on", "adjust")]


def test_probe_hold_and_boot_follow_each_other_with_the_output_on() -> None:
    fake = FakeSupply()
    fake.load_a[1] = 0.01
    with Bench(fake) as bench:
        power_on(bench, PROBE, HOLD, delay_s=0.5)
        assert fake.second == (0.5, None)
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.ON)
        assert stages(bench) == [("probe", 0.5, 0.1), ("hold", 4.0, 0.3), ("boot", 4.0, 1.0)]
        assert calls(bench) == ["prepare", "output_on", "adjust", "adjust"]
        probe, hold = bench.of(StageOver)
        assert (probe.stage, probe.passed, probe.current_a) == ("probe", True, 0.01)
        assert (hold.stage, hold.passed, hold.voltage_v, hold.limit_a) == ("hold", True, 4.0, 0.3)
        assert bench.of(OutputChanged)[-1].second_layer == ("over-current after a while",)


def test_while_it_is_being_switched_on_nobody_is_told_off() -> None:
    with Bench() as bench:
        power_on(bench)
        said = [r.state for r in bench.of(OutputChanged) if r.channel == 1]
        assert said[-2:] == [UNKNOWN, ON]


def test_a_dead_short_ends_with_the_probe_and_hardly_any_energy() -> None:
    fake = FakeSupply()
    fake.shorted.add(1)
    with Bench(fake) as bench:
        power_on(bench, PROBE, HOLD)
        trip = tripped(bench)
        assert (trip.rule, trip.stage, trip.set_voltage_v, trip.limit_a) == ("short", "probe", 0.5, 0.1)
        assert trip.off_confirmed_ns is not None
        assert 0 < trip.let_through_j < 0.1
        assert trip.since_on_j == trip.let_through_j
        assert calls(bench) == ["prepare", "output_on"]
        (over,) = bench.of(StageOver)
        assert not over.passed
        assert not fake.on[1]


def test_a_board_that_draws_the_limit_of_the_hold_never_gets_more() -> None:
    fake = FakeSupply()
    fake.load_a[1] = 0.0
    with Bench(fake) as bench:
        fake.on_adjust = lambda: fake.load_a.update({1: 0.3})
        power_on(bench, PROBE, HOLD)
        trip = tripped(bench)
        assert (trip.rule, trip.stage) == ("over-current", "hold")
        assert calls(bench) == ["prepare", "output_on", "adjust"]


def test_a_hold_by_hand_goes_on_when_asked_and_says_so_otherwise() -> None:
    fake = FakeSupply()
    fake.load_a[1] = 0.01
    with Bench(fake) as bench:
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.OFF)
        bench.thread.post(Advance(7, "bench", 1))
        assert "it is off" in answer(bench, 7).error
        power_on(bench, BY_HAND)
        (shown,) = bench.wait(lambda: bench.of(StageOver))  # type: ignore[misc]
        assert (shown.stage, shown.passed, shown.current_a) == ("hold", True, 0.01)
        assert bench.thread.channels[1].state is ChannelState.HOLDING
        bench.thread.post(Advance(8, "bench", 1))
        assert answer(bench, 8).ok
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.ON)
        assert len(bench.of(StageOver)) == 1
        bench.thread.post(Advance(9, "bench", 1))
        assert "it is in stage boot" in answer(bench, 9).error


def test_a_short_that_appears_while_the_limit_is_raised_trips() -> None:
    fake = FakeSupply()
    fake.load_a[1] = 0.01
    with Bench(fake) as bench:

        def breaks() -> None:
            fake.shorted.add(1)
            for _ in range(200):
                fake.between()

        fake.on_adjust = breaks
        power_on(bench, HOLD)
        trip = tripped(bench)
        assert trip.rule == "short"
        assert not fake.on[1]
        assert bench.thread.channels[1].state is ChannelState.TRIPPED
        assert (ON, "boot") not in [(r.state, r.stage) for r in bench.of(OutputChanged)]


def test_a_stage_that_cannot_be_raised_is_switched_off_and_says_why() -> None:
    for error, rule in ((SupplyError("asked 1 A, came back 9 A"), None), (LinkLost("fake", "gone"), "stale")):
        fake = FakeSupply()
        fake.load_a[1] = 0.01

        def fails(error: Exception = error) -> None:
            raise error

        with Bench(fake) as bench:
            fake.on_adjust = fails
            power_on(bench, HOLD)
            wait_off(bench)
            last = bench.of(OutputChanged)[-1]
            assert last.reason == ("refused" if rule is None else "trip")
            assert [t.rule for t in bench.of(Tripped)] == ([] if rule is None else [rule])


def test_a_late_reply_while_raising_is_tried_once_more() -> None:
    fake = FakeSupply()
    fake.load_a[1] = 0.01
    left = [ReplyLate("fake", "no reply", "CURR?")]

    def once() -> None:
        if left:
            raise left.pop()

    with Bench(fake) as bench:
        fake.on_adjust = once
        power_on(bench, HOLD)
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.ON)


def test_off_asked_for_in_a_stage_ends_it() -> None:
    fake = FakeSupply()
    fake.load_a[1] = 0.01
    with Bench(fake) as bench:
        power_on(bench, Stage("hold", 4.0, 0.3, 60.0))
        bench.thread.post(PowerOff(2, "bench", 1, "quiet hours have begun"))
        assert answer(bench, 2).ok
        assert bench.of(Tripped) == []
        assert bench.of(OutputChanged)[-1].text == "quiet hours have begun"
        assert not fake.on[1]


def test_stages_beyond_the_boot_or_the_envelope_are_refused() -> None:
    with Bench() as bench:
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.OFF)
        wrong = [
            Stage("probe", 4.5, 0.1, 0.1), Stage("hold", 4.0, 1.5, 0.1), Stage("hold", float("nan"), 0.1, 0.1),
            Stage("hold", 4.0, 0.1, 0.0), Stage("hold", 4.0, 0.1, float("inf")), Stage("probe", 0.5, 0.1, 0.1, -1.0),
        ]  # fmt: skip
        for number, stage in enumerate(wrong, 10):
            bench.thread.post(PowerOn(number, "bench", 1, 4.0, 1.0, RuleLimits(), before=(stage,)))
            assert stage.name in answer(bench, number).error
        assert calls(bench) == []


def test_an_instrument_that_trips_by_itself_is_a_trip_and_latches() -> None:
    for names, tells, latched in ((["CURR:PROT:TRIP?"], True, True), ([], True, False), ([], False, False)):
        fake = FakeSupply()
        with Bench(fake) as bench:
            power_on(bench)
            fake.own_trips, fake.tells = names, tells
            fake.on[1] = False
            bench.wait(lambda: bench.of(OutputChanged)[-1].state is OFF and bench.of(OutputChanged)[-1].channel == 1)
            assert bench.thread.channels[1].latched is latched
            assert [t.rule for t in bench.of(Tripped)] == (["instrument"] if latched else [])


def test_an_instrument_that_has_tripped_and_still_says_on_is_noticed_by_its_readings() -> None:
    fake = FakeSupply()
    with Bench(fake) as bench:
        power_on(bench)
        fake.own_trips = ["OUTP:PROT:WDOG:TRIP?"]
        bench.wait(lambda: len(bench.thread.channels[1].before) > 20)
        assert bench.of(Tripped) == []  # nothing speaks against it as long as there is current
        fake.dead_but_says_on.add(1)
        trip = tripped(bench)
        assert (trip.rule, trip.off_confirmed_ns is not None) == ("instrument", True)


def test_settings_raised_by_somebody_else_trip_and_lowered_ones_are_told_once() -> None:
    fake = FakeSupply()
    with Bench(fake) as bench:
        power_on(bench)
        fake.drifted = Drift(False, "asked for a limit of 1 A, it is 0.5 A")
        bench.wait(lambda: [e for e in bench.of(SupplyErrors) if "0.5 A" in e.errors[0][1]], within_s=8)
        assert bench.of(Tripped) == []
        fake.drifted = Drift(True, "asked for a limit of 1 A, it is 5 A")
        trip = bench.wait(lambda: bench.of(Tripped), within_s=8)[0]  # type: ignore[index]
        assert trip.rule == "panel"
        assert "5 A" in trip.text


def test_the_longest_time_on_switches_off_without_a_latch() -> None:
    fake = FakeSupply()
    with Bench(fake) as bench:
        power_on(bench, limits=RuleLimits(longest_on_s=0.05))
        bench.wait(lambda: bench.of(OutputChanged)[-1].reason == "on-time")
        last = bench.of(OutputChanged)[-1]
        assert (last.state, last.latched) == (OFF, False)
        assert not fake.on[1]


def test_re_arming_waits_for_its_pause_and_is_bounded() -> None:
    with Bench(rearm_pause_s=0.2, rearm_per_minute=1) as bench:
        fake = bench.fake
        power_on(bench)
        fake.shorted.add(1)
        trip = tripped(bench)
        bench.wait(lambda: bench.thread.channels[1].state is ChannelState.TRIPPED)
        assert bench.of(OutputChanged)[-1].rearm_from_ns > trip.detected_ns
        bench.thread.post(Rearm(2, "bench", 1))
        assert "re-arm in" in answer(bench, 2).error
        number = [2]

        def rearms() -> bool:
            number[0] += 1
            bench.thread.post(Rearm(number[0], "bench", 1))
            return answer(bench, number[0]).ok

        bench.wait(rearms)
        fake.shorted.clear()
        bench.thread.post(PowerOn(500, "bench", 1, 4.0, 1.0, RuleLimits()))
        assert answer(bench, 500).ok
        fake.shorted.add(1)
        bench.wait(lambda: len(bench.of(Tripped)) == 2)
        bench.thread.post(Rearm(501, "bench", 1))
        answer(bench, 501)
        bench.wait(lambda: "times within a minute" in _again(bench, number))


def _again(bench: Bench, number: list[int]) -> str:
    number[0] += 1000
    bench.thread.post(Rearm(number[0], "bench", 1))
    return answer(bench, number[0]).error


def test_health_is_told_about_once_a_second() -> None:
    with Bench() as bench:
        found = bench.wait(lambda: bench.of(Health))[0]  # type: ignore[index]
        assert found.readings > 10
        assert 0 < found.interval_ms < found.worst_ms
