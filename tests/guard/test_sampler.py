"""One supply's thread on a supply in memory: commands, trips, lost links, and a supply that does not obey."""

from __future__ import annotations

import time

import pytest

from benchd.guard.states import REASONS, ChannelState, Event
from benchd.guard.waiting import AllOff
from benchd.guard.wire import (
    Answer,
    LinkChanged,
    OutputChanged,
    PowerOff,
    PowerOn,
    Rearm,
    RuleLimits,
    SupplyErrors,
    Tripped,
    Tripping,
)
from benchd.reading import OutputState, Reading
from benchd.supplies.errors import AnotherUnit, SupplyHeld
from benchd.supplies.pace import Pace

from .fakes import Bench, FakeSupply

OFF, ON, UNKNOWN = OutputState.OFF, OutputState.ON, OutputState.UNKNOWN


def said(bench: Bench, channel: int = 1) -> list[tuple[OutputState, str, bool]]:
    return [(r.state, r.reason, r.latched) for r in bench.of(OutputChanged) if r.channel == channel]


def answer(bench: Bench, number: int) -> Answer:
    found = bench.wait(lambda: [each for each in bench.of(Answer) if each.id == number])
    return found[0]  # type: ignore[index]


def ready(bench: Bench) -> None:
    bench.wait(lambda: all(c.state is ChannelState.OFF for c in bench.thread.channels.values()))


def power_on(bench: Bench, channel: int = 1, limits: RuleLimits | None = None, number: int = 1) -> None:
    bench.wait(lambda: bench.thread.channels[channel].state is ChannelState.OFF)
    bench.thread.post(PowerOn(number, "bench", channel, 4.0, 1.0, limits or RuleLimits()))
    assert answer(bench, number) == Answer(number, True)


def test_an_output_found_on_is_said_and_switched_off() -> None:
    fake = FakeSupply()
    fake.on[1] = True
    with Bench(fake) as bench:
        ready(bench)
        assert said(bench, 1) == [(ON, "found-on", False), (OFF, "found-on", False)]
        assert said(bench, 2) == [(OFF, "link-back", False)]
        assert not fake.on[1]


def test_power_on_and_off_are_answered_after_confirmation() -> None:
    with Bench() as bench:
        power_on(bench)
        assert bench.fake.on == {1: True, 2: False}
        on = bench.of(OutputChanged)[-1]
        assert (on.state, on.voltage_v, on.limit_a, on.reason) == (ON, 4.0, 1.0, "asked")
        bench.thread.post(PowerOff(2, "bench", 1))
        assert answer(bench, 2).ok
        assert said(bench) == [
            (OFF, "link-back", False),
            (UNKNOWN, "switching-on", False),
            (ON, "asked", False),
            (OFF, "asked", False),
        ]


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (PowerOn(5, "bench", 1, 25.0, 1.0, RuleLimits()), "25 V was asked for; allowed is above 0 V up to 20 V"),
        (PowerOn(5, "bench", 1, 4.0, 3.5, RuleLimits()), "3.5 A was asked for; allowed is above 0 A up to 3 A"),
        (PowerOn(5, "bench", 1, float("nan"), 1.0, RuleLimits()), "nan V was asked for"),
        (PowerOn(5, "bench", 1, 4.0, float("nan"), RuleLimits()), "nan A was asked for"),
        (PowerOn(5, "bench", 1, 4.0, 1.0, RuleLimits(stale_s=0)), "stale_s = 0 s"),
        (PowerOn(5, "bench", 7, 4.0, 1.0, RuleLimits()), "has no channel 7; it has 1, 2"),
    ],
)
def test_a_power_on_outside_the_envelope_is_refused_and_sends_nothing(command: PowerOn, words: str) -> None:
    with Bench() as bench:
        ready(bench)
        bench.thread.post(command)
        refused = answer(bench, 5)
        assert not refused.ok
        assert words in refused.error
        assert not {"prepare", "output_on"} & {what for what, _ in bench.fake.calls}


def test_a_refused_preparation_says_why_switches_off_and_brings_the_instrument_s_errors() -> None:
    with Bench() as bench:
        ready(bench)
        bench.fake.refuses = "asked for a voltage of 4 V, came back 5 V"
        bench.fake.queue = [(-222, "Data out of range")]
        bench.thread.post(PowerOn(1, "bench", 1, 4.0, 1.0, RuleLimits()))
        refused = answer(bench, 1)
        assert "came back 5 V" in refused.error
        assert "the output is off" in refused.error
        assert bench.of(SupplyErrors)[0].errors == ((-222, "Data out of range"),)
        assert bench.thread.channels[1].state is ChannelState.OFF


def test_an_output_that_will_not_confirm_on_is_switched_off() -> None:
    with Bench() as bench:
        ready(bench)
        bench.fake.wont_start = True
        bench.thread.post(PowerOn(1, "bench", 1, 4.0, 1.0, RuleLimits()))
        assert not answer(bench, 1).ok
        assert not bench.fake.on[1]
        assert ON not in [state for state, _, _ in said(bench)]


def test_a_short_trips_latches_and_the_other_output_stays_on() -> None:
    with Bench() as bench:
        power_on(bench, 1)
        power_on(bench, 2, number=2)
        bench.fake.shorted.add(1)
        trip: Tripped = bench.wait(lambda: bench.of(Tripped))[0]  # type: ignore[index]
        assert bench.fake.on == {1: False, 2: True}
        assert trip.rule == "short"
        assert trip.onset_ns < trip.detected_ns < trip.off_sent_ns < (trip.off_confirmed_ns or 0)
        assert (trip.set_voltage_v, trip.limit_a) == (4.0, 1.0)
        assert trip.before.readings()[-1].t_ns == trip.detected_ns
        assert 2 <= len(trip.before) <= 200
        assert all(each.t_ns > trip.off_sent_ns for each in trip.after.readings())
        shorted_s = (trip.off_sent_ns - trip.onset_ns) / 1e9
        assert shorted_s <= trip.let_through_c <= shorted_s + 0.05  # 1 A until off, then a falling edge
        assert trip.let_through_j == pytest.approx(0.2 * trip.let_through_c)
        bench.wait(lambda: said(bench)[-1] == (OFF, "trip", True))

        bench.thread.post(PowerOn(3, "bench", 1, 4.0, 1.0, RuleLimits()))
        refused = answer(bench, 3)
        assert not refused.ok
        assert "re-arm" in refused.error
        bench.fake.shorted.clear()
        bench.thread.post(Rearm(4, "bench", 1))
        assert answer(bench, 4).ok
        assert said(bench)[-1] == (OFF, "re-armed", False)
        power_on(bench, 1, number=5)


def test_nothing_comes_between_the_offending_reading_and_off() -> None:
    with Bench() as bench:
        power_on(bench, 1, RuleLimits(over_current_a=0.5))
        reports = len(bench.reports)
        bench.fake.load_a[1] = 0.9
        bench.wait(lambda: bench.of(Tripped))
        calls = bench.fake.calls
        first_off = len(calls) - 1 - calls[::-1].index(("send_off", 1))
        assert calls[first_off - 1] == ("read", 1)
        assert [type(report) for report in bench.reports[reports : reports + 2]] == [Tripping, Tripped]


def test_a_deaf_supply_is_unknown_never_off_and_tried_again() -> None:
    with Bench() as bench:
        power_on(bench)
        bench.fake.deaf = True
        bench.fake.shorted.add(1)
        trip: Tripped = bench.wait(lambda: bench.of(Tripped))[0]  # type: ignore[index]
        assert trip.off_confirmed_ns is None
        bench.wait(lambda: said(bench)[-1] == (UNKNOWN, "trip", True))
        bench.thread.post(PowerOff(7, "bench", 1))
        assert "could not be confirmed" in answer(bench, 7).error
        bench.thread.post(Rearm(8, "bench", 1))
        assert not answer(bench, 8).ok
        assert OFF not in [state for state, _, _ in said(bench)[1:]]
        bench.fake.deaf = False
        bench.wait(lambda: said(bench)[-1] == (OFF, "trip", True))
        assert not bench.fake.on[1]
        assert len(bench.of(Tripped)) == 1


def test_late_replies_trip_stale() -> None:
    with Bench() as bench:
        power_on(bench, limits=RuleLimits(stale_s=0.1))
        bench.fake.late = True
        trip: Tripped = bench.wait(lambda: bench.of(Tripped))[0]  # type: ignore[index]
        assert trip.rule == "stale"
        assert trip.off_confirmed_ns is None
        assert not bench.fake.on[1]  # OFF was sent even so
        assert trip.detected_ns - trip.onset_ns >= 100_000_000
        bench.fake.late = False
        bench.wait(lambda: said(bench)[-1] == (OFF, "trip", True))


def test_a_lost_link_is_unknown_at_once_and_off_when_it_is_back() -> None:
    with Bench() as bench:
        power_on(bench, 1)
        bench.fake.lost = True
        bench.wait(lambda: bench.of(Tripped))
        assert said(bench, 1)[-2:] in (
            [(ON, "asked", False), (UNKNOWN, "link-lost", False)],
            [(UNKNOWN, "link-lost", False), (UNKNOWN, "trip", True)],
        )
        bench.wait(lambda: said(bench, 2)[-1] == (UNKNOWN, "link-lost", False))
        bench.wait(lambda: [each.up for each in bench.of(LinkChanged)] == [True, False])
        bench.thread.post(PowerOn(2, "bench", 2, 4.0, 1.0, RuleLimits()))
        assert "no link" in answer(bench, 2).error
        assert bench.fake.on[1]
        bench.fake.lost = False
        bench.wait(lambda: said(bench, 1)[-1] == (OFF, "trip", True))
        bench.wait(lambda: said(bench, 2)[-1] == (OFF, "link-back", False))
        assert not bench.fake.on[1]
        assert [each.up for each in bench.of(LinkChanged)] == [True, False, True]
        back = max(at for at, call in enumerate(bench.fake.calls) if call == ("reconnect", 0))
        assert bench.fake.calls[back - 2 : back] == [("send_off", 1), ("send_off", 2)]  # OFF before any question


def test_an_output_that_went_off_by_itself_is_noticed() -> None:
    with Bench() as bench:
        power_on(bench)
        bench.fake.queue = [(600, "protection")]
        bench.fake.on[1] = False
        bench.wait(lambda: said(bench)[-1] == (OFF, "instrument", False))
        bench.wait(lambda: bench.of(SupplyErrors))


def test_an_output_switched_on_at_the_panel_is_said_and_switched_off() -> None:
    with Bench() as bench:
        ready(bench)
        bench.fake.on[2] = True
        bench.wait(lambda: said(bench, 2)[-2:] == [(ON, "found-on", False), (OFF, "found-on", False)])
        assert not bench.fake.on[2]


def test_off_overtakes_a_power_on_that_is_being_prepared_and_one_that_waits() -> None:
    with Bench() as bench:
        ready(bench)

        def meanwhile() -> None:
            bench.fake.on_prepare = lambda: None
            bench.thread.post(PowerOn(2, "bench", 2, 4.0, 1.0, RuleLimits()))
            bench.thread.post(PowerOff(3))

        bench.fake.on_prepare = meanwhile
        bench.thread.post(PowerOn(1, "bench", 1, 4.0, 1.0, RuleLimits()))
        assert "off was asked for" in answer(bench, 1).error
        assert "off was asked for" in answer(bench, 2).error
        assert answer(bench, 3).ok
        assert "output_on" not in {what for what, _ in bench.fake.calls}


def test_an_output_is_guarded_while_another_is_being_prepared() -> None:
    with Bench() as bench:
        power_on(bench, 1, RuleLimits(over_current_a=0.5))

        def spike() -> None:
            bench.fake.load_a[1] = 0.9
            bench.fake.calls.clear()

        bench.fake.on_prepare = spike
        power_on(bench, 2, number=2)
        first = bench.wait(lambda: bench.of(Tripped))[0]  # type: ignore[index]
        assert (first.channel, first.rule) == (1, "over-current")
        assert first.off_confirmed_ns is not None
        assert bench.fake.calls[:2] == [("read", 1), ("send_off", 1)]  # before preparing had ended
        assert bench.fake.on == {1: False, 2: True}
        assert said(bench, 1)[-1] == (OFF, "trip", True)


def test_looking_after_slow_outputs_meanwhile_is_allowed_its_time() -> None:
    """Else the watchdog would take a thread for stuck that only goes round other outputs of a slow family."""
    with Bench() as bench:
        power_on(bench, 1)
        bench.opened.pace = Pace(50.0, 0.0, 0.5)
        allowed_s: list[float] = []
        read = bench.fake.read

        def timed(channel: int) -> Reading:
            allowed_s.append(bench.thread.busy_until - time.monotonic())
            return read(channel)

        def preparing() -> None:
            bench.fake.read = timed  # type: ignore[method-assign]

        bench.fake.on_prepare = preparing
        power_on(bench, 2, number=2)
        assert 50 < allowed_s[0] < 70


def test_making_safe_is_told_who_was_held() -> None:
    with Bench() as bench:
        ready(bench)
        assert bench.thread.config.identity == bench.opened.identity


def test_another_unit_at_the_place_is_not_switched_off_again_and_again() -> None:
    with Bench() as bench:
        power_on(bench, 1)
        bench.fake.calls.clear()
        attempts: list[int] = []

        def reconnect() -> str:
            attempts.append([what for what, _ in bench.fake.calls].count("send_off"))
            raise AnotherUnit("fake", "expected the identification 'A', got 'B'")

        bench.opened.reconnect = reconnect  # type: ignore[method-assign]
        bench.fake.lost = True
        bench.wait(lambda: len(attempts) >= 4)
        assert attempts[0] > 0  # it could have been ours
        assert attempts[1:] == attempts[:1] * (len(attempts) - 1)
        assert bench.thread.channels[1].state is ChannelState.TRIPPED_UNKNOWN


def test_off_goes_to_every_output_before_the_first_is_confirmed() -> None:
    with Bench() as bench:
        power_on(bench, 1)
        power_on(bench, 2, number=2)
        bench.fake.calls.clear()
        bench.thread.post(AllOff(Event.DAEMON_LOST, "daemon-lost"))
        bench.wait(lambda: said(bench, 2)[-1] == (OFF, "daemon-lost", False))
        offs = [at for at, call in enumerate(bench.fake.calls) if call[0] == "send_off"]
        assert bench.fake.calls[offs[0] : offs[0] + 2] == [("send_off", 1), ("send_off", 2)]
        assert bench.thread.nothing_on()


def test_a_held_supply_is_told_once_and_tried_again() -> None:
    bench = Bench()
    bench.open_errors = [SupplyHeld("held by guard of supply x (process 12)")] * 2
    with bench:
        ready(bench)
    links = bench.of(LinkChanged)
    assert [(each.up, each.text) for each in links] == [(False, "held by guard of supply x (process 12)"), (True, "")]
    assert bench.opened.closed


def test_a_mistake_of_ours_makes_safe(capsys: pytest.CaptureFixture[str]) -> None:
    with Bench() as bench:
        power_on(bench)
        bench.fake.queue = [(1, "x")]

        def wrong(channel: int) -> bool:
            del bench.fake.output_state  # type: ignore[method-assign]
            raise RuntimeError("a mistake")

        bench.fake.output_state = wrong  # type: ignore[method-assign]
        bench.wait(lambda: said(bench)[-1] == (OFF, "trip", True))
        assert not bench.fake.on[1]
    assert "a mistake" in capsys.readouterr().err


def test_every_reason_used_is_a_word_with_a_meaning() -> None:
    with Bench() as bench:
        power_on(bench)
        bench.fake.lost = True
        bench.wait(lambda: bench.of(Tripped))
    assert {each.reason for each in bench.of(OutputChanged)} <= set(REASONS)
