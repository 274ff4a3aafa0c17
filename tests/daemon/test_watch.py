"""One channel as the daemon follows it: what the guard's reports make of its state, its trace and its view."""

from __future__ import annotations

import pytest

from benchd.daemon.memory import between
from benchd.daemon.power_up import Asked
from benchd.daemon.watch import ChannelWatch, OpenTrace
from benchd.reading import OutputState, pack
from benchd.settings import CaptureSettings
from benchd.traces.capture import TraceClosed
from tests.daemon.making import ACCURACY, MS, S, off, on, readings, settings, trip

T0 = 1_700_000_000 * S


class Bench:
    """One watch, the traces it closed, and the job on the bench."""

    def __init__(self) -> None:
        self.job: str | None = "R-1"
        self.closed: list[tuple[OpenTrace, TraceClosed]] = []
        self.watch = ChannelWatch(
            "psu-a", settings().supply[0].channel[0], CaptureSettings(), ACCURACY, lambda: self.job,
            lambda opened, closed: self.closed.append((opened, closed)),
        )  # fmt: skip

    def feed(self, t_ns: int, amps: list[float]) -> int:
        """Readings every 10 ms; returns the time of the next."""
        self.watch.on_block(readings(t_ns, amps))
        return t_ns + len(amps) * 10 * MS


@pytest.fixture
def bench() -> Bench:
    return Bench()


def connected(bench: Bench) -> int:
    """Output on, noise learnt, a board that draws 60 mA clipped on: a trace is open."""
    bench.watch.on_output(on(t_ns=T0))
    t = bench.feed(T0, [0.0, 0.0001] * 100)
    t = bench.feed(t, [0.06] * 50)
    assert bench.watch.open is not None
    return t


def test_before_the_guard_has_spoken_nothing_is_claimed(bench: Bench) -> None:
    view = bench.watch.view(T0)
    assert (view.output, view.link_up, view.capture) == (OutputState.UNKNOWN, False, "off")
    assert (view.voltage_v, view.current_a, view.power_w, view.reading_age_s) == (None, None, None, None)
    assert view.rate_per_s == 0.0


def test_the_view_has_the_newest_reading_its_age_and_the_rate(bench: Bench) -> None:
    bench.watch.on_output(on(t_ns=T0))
    end = bench.feed(T0, [0.1] * 500)
    view = bench.watch.view(end)
    assert (view.voltage_v, view.current_a) == (4.0, 0.1)
    assert view.power_w == pytest.approx(0.4)
    assert view.reading_age_s == pytest.approx(0.01)
    for _ in range(60):
        end = bench.feed(end, [0.1] * 10)
    assert bench.watch.view(end).rate_per_s == pytest.approx(100, rel=0.02)  # one reading every 10 ms
    assert bench.watch.view(end + 5 * S).rate_per_s == 0.0


def test_a_trace_opens_under_the_job_of_that_moment_with_pre_roll_and_conditions(bench: Bench) -> None:
    bench.watch.asked = Asked(settings().plan[0], "pellor-p3")
    connected(bench)
    bench.job = "R-2"
    opened = bench.watch.open
    assert opened is not None
    assert opened.job == "R-1"
    assert opened.start_ns == T0  # 2 s of pre-roll reach back to when the output went on
    assert (opened.conditions.set_voltage_v, opened.conditions.limit_a) == (4.0, 2.0)
    assert (opened.conditions.board, opened.conditions.resolution_a) == ("pellor-p3", 0.0001)
    assert (opened.conditions.accuracy_fraction_a, opened.conditions.accuracy_offset_a) == (0.001, 0.002)
    assert (opened.conditions.accuracy_fraction_v, opened.conditions.accuracy_offset_v) == (0.0005, 0.005)
    assert bench.watch.view(T0).trace == opened.id


@pytest.mark.parametrize("usb_side", [True, False])
def test_a_plan_tells_on_which_side_the_board_is_fed(bench: Bench, usb_side: bool) -> None:
    plan = settings().plan[0].model_copy(update={"usb_side": usb_side})
    bench.watch.asked = Asked(plan, "pellor-p3")
    connected(bench)
    assert bench.watch.open is not None
    assert bench.watch.open.conditions.side == ("usb" if usb_side else "")


@pytest.mark.parametrize("state", [OutputState.OFF, OutputState.UNKNOWN])
def test_off_and_unknown_both_end_the_trace(bench: Bench, state: OutputState) -> None:
    end = connected(bench)
    opened = bench.watch.open
    bench.watch.on_output(off(t_ns=end, state=state))
    ((was, closed),) = bench.closed
    assert was is opened
    assert (closed.reason, closed.end_ns) == ("off", end)
    assert bench.watch.open is None
    assert bench.watch.last_closed is opened


def test_on_again_while_on_is_no_new_power_up(bench: Bench) -> None:
    end = connected(bench)
    opened = bench.watch.open
    bench.watch.on_output(on(t_ns=end, limit_a=1.0))
    assert opened is not None
    assert bench.watch.open is not None
    assert bench.watch.open.id == opened.id
    assert (bench.watch.limit_a, bench.watch.open.conditions.limit_a) == (1.0, 1.0)


def test_a_trip_closes_the_trace_with_the_readings_that_led_to_it(bench: Bench) -> None:
    """They travel ahead of the block they are in, which comes afterwards."""
    end = connected(bench)
    ahead = readings(end, [2.0] * 5, volts=0.2)
    bench.watch.on_trip(trip(end + 40 * MS, ahead))
    ((opened, closed),) = bench.closed
    assert (closed.reason, closed.end_ns) == ("tripped", end + 40 * MS)
    bench.watch.on_block(ahead)
    found = between(bench.watch.memory.parts(), end, end + S)
    assert found.current_a.tolist() == [2.0] * 5
    assert bench.watch.last_closed is opened
    assert [(m.by, m.why) for m in closed.marks if m.kind == "tripped"] == [("guard", "short")]


@pytest.mark.parametrize("stage", ["probe", "boot"])
@pytest.mark.parametrize("amps", [[], [float("nan")] * 3])
def test_a_trip_without_a_reading_is_no_trace(bench: Bench, stage: str, amps: list[float]) -> None:
    bench.watch.on_output(on(t_ns=T0, stage=stage))
    bench.watch.on_trip(trip(T0 + 100 * MS, readings(T0 + 10 * MS, amps), rule="stale", stage=stage, on_ns=T0))
    assert bench.closed == []
    assert (bench.watch.open, bench.watch.last_closed) == (None, None)
    assert bench.watch.trip is not None
    assert bench.watch.trip["rule"] == "stale"


def test_the_trip_of_a_probe_is_a_trace_with_its_rule(bench: Bench) -> None:
    bench.watch.on_output(on(t_ns=T0, stage="probe"))
    found = readings(T0 + 10 * MS, [0.1] * 4, volts=0.01)
    bench.watch.on_trip(trip(T0 + 60 * MS, found, rule="short", stage="probe", on_ns=T0))
    ((_, closed),) = bench.closed
    assert [(m.kind, m.why) for m in closed.marks] == [("connected", ""), ("tripped", "short")]


def test_the_banner_stays_until_the_latch_is_released(bench: Bench) -> None:
    end = connected(bench)
    bench.watch.on_trip(trip(end, readings(end, [2.0])))
    bench.watch.on_output(off(t_ns=end, reason="trip", latched=True))
    view = bench.watch.view(end)
    assert view.latched
    assert view.trip is not None
    assert view.trip["rule"] == "short"
    bench.watch.on_output(off(t_ns=end + S, reason="re-armed"))
    assert bench.watch.view(end).trip is None


def test_a_new_power_up_forgets_the_trace_before(bench: Bench) -> None:
    """A trip within its first moments must not be filed under the last board's trace."""
    bench.watch.on_output(off(t_ns=connected(bench)))
    assert bench.watch.last_closed is not None
    bench.watch.on_output(on(t_ns=T0 + 60 * S))
    assert bench.watch.last_closed is None


def test_readings_that_come_twice_or_late_are_fed_once(bench: Bench) -> None:
    end = connected(bench)
    latest = bench.watch.latest
    bench.watch.on_block(readings(T0, [9.0] * 5))
    assert bench.watch.latest == latest
    bench.feed(end - 20 * MS, [0.06] * 4)  # two of them are there already
    assert bench.watch.latest is not None
    assert bench.watch.latest[0] == end + 10 * MS


def test_an_empty_block_still_counts_what_was_dropped(bench: Bench) -> None:
    bench.watch.on_block(pack("psu-a", 1, [], dropped=7))
    assert (bench.watch.dropped, bench.watch.pending, bench.watch.latest) == (7, [], None)


def test_a_mark_by_hand_opens_and_ends_a_trace(bench: Bench) -> None:
    bench.watch.on_output(on(t_ns=T0))
    end = bench.feed(T0, [0.0, 0.0001] * 100)
    bench.watch.mark("button", end)
    assert bench.watch.open is not None
    end = bench.feed(end, [0.0] * 100)
    bench.watch.mark("removed", end)
    ((_, closed),) = bench.closed
    assert [(m.kind, m.by) for m in closed.marks] == [("button", "hand"), ("removed", "hand")]
