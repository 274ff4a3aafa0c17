"""Every kind of board looks on the bench as its name says."""

from __future__ import annotations

import itertools

import pytest

from benchd.sim.bench import Channel
from benchd.sim.board import KINDS

BUTTON_S = 2.0


def trace(kind: str, *, limit_a: float = 2.0, until_s: float = 14.0, seed: int = 1) -> list[tuple[float, float, float]]:
    """Time, terminal voltage and current every 5 ms, output on at 0 s, button at 2 s; averages of 1 ms."""
    channel = Channel(seed=seed)
    channel.attach(KINDS[kind], 0.0)
    channel.set(0.0, voltage_v=4.0, limit_a=limit_a)
    channel.switch(True, 0.0)
    rows = []
    pressed = False
    for step in range(1, int(until_s * 200)):
        now_s = step * 0.005
        if now_s >= BUTTON_S and not pressed:
            pressed = True
            channel.press(now_s)
        reading = channel.average(now_s)
        rows.append((now_s, reading.voltage_v, reading.current_a))
    return rows


def currents(rows: list[tuple[float, float, float]], from_s: float, to_s: float) -> list[float]:
    return [current_a for now_s, _, current_a in rows if from_s <= now_s < to_s]


def mean(values: list[float]) -> float:
    return sum(values) / len(values)


def test_clean_board_climbs_peaks_and_settles() -> None:
    rows = trace("clean")
    assert max(currents(rows, 0.5, 2.0)) < 0.002
    assert 0.9 < max(currents(rows, 2.0, 14.0)) < 1.3
    stairs = [mean(currents(rows, 2.0 + a, 2.0 + b)) for a, b in ((0.05, 0.2), (0.3, 0.7), (0.75, 1.7), (1.9, 3.9))]
    assert stairs == sorted(stairs)
    settled = currents(rows, 11.0, 14.0)
    assert mean(settled) == pytest.approx(0.25, abs=0.02)
    assert max(settled) < 0.32


def test_two_boards_of_a_kind_are_not_the_same_to_the_sample() -> None:
    assert currents(trace("clean", until_s=4.0), 2.5, 4.0) != currents(trace("clean", until_s=4.0, seed=2), 2.5, 4.0)


@pytest.mark.parametrize("kind", ["open", "none"])
def test_nothing_is_drawn(kind: str) -> None:
    assert max(currents(trace(kind, until_s=6.0), 0.1, 6.0)) < 0.001


def test_dead_short_pins_the_limit() -> None:
    rows = trace("dead-short", limit_a=0.5, until_s=3.0)
    assert currents(rows, 0.1, 3.0) == pytest.approx([0.5] * len(currents(rows, 0.1, 3.0)))
    assert max(voltage_v for now_s, voltage_v, _ in rows if now_s > 0.1) < 0.4


def test_leak_draws_before_the_button() -> None:
    rows = trace("leak")
    assert mean(currents(rows, 0.5, 2.0)) == pytest.approx(0.046, abs=0.002)
    assert max(currents(rows, 2.0, 14.0)) > 0.9
    assert max(currents(trace("leak-only"), 2.0, 14.0)) < 0.05


def test_late_short_starts_and_then_pins() -> None:
    rows = trace("late-short", until_s=6.0)
    assert max(currents(rows, 2.1, 3.1)) < 0.6
    assert mean(currents(rows, 3.3, 6.0)) == pytest.approx(2.0, rel=0.01)
    assert max(voltage_v for now_s, voltage_v, _ in rows if now_s > 3.3) < 1.0


def test_late_short_is_back_after_power_is_off_and_the_button_pressed_again() -> None:
    channel = Channel()
    channel.attach(KINDS["late-short"], 0.0)
    channel.set(0.0, voltage_v=4.0, limit_a=1.0)
    channel.switch(True, 0.0)
    channel.press(1.0)
    assert channel.truth(4.0).current_a == pytest.approx(1.0)
    channel.switch(False, 4.0)
    channel.switch(True, 6.0)
    assert channel.truth(7.0).current_a < 0.002
    assert channel.press(7.0)
    assert channel.truth(10.0).current_a == pytest.approx(1.0)


def test_low_stall_is_flat_at_sixty_milliamperes() -> None:
    rows = trace("low-stall", until_s=10.0)
    flat = currents(rows, 3.0, 10.0)
    assert mean(flat) == pytest.approx(0.06, abs=0.003)
    assert max(flat) - min(flat) < 0.004
    assert max(currents(rows, 2.0, 10.0)) < 0.08


def test_loop_repeats_every_two_and_a_half_seconds() -> None:
    rows = trace("loop", until_s=18.0)
    low = [now_s for now_s, _, current_a in rows if now_s > 3.0 and current_a < 0.03]
    starts = [low[0], *(later for earlier, later in itertools.pairwise(low) if later - earlier > 1.0)]
    periods = [later - earlier for earlier, later in itertools.pairwise(starts)]
    assert len(periods) >= 4
    assert all(period == pytest.approx(2.5, abs=0.02) for period in periods)
    assert min(currents(rows, 4.2, 18.0)) < 0.03


def test_brief_kick_drops_back_to_nothing_within_a_second() -> None:
    rows = trace("brief-kick", until_s=6.0)
    assert max(currents(rows, 2.0, 3.0)) > 0.04
    assert max(currents(rows, 3.0, 6.0)) < 0.002


def test_mid_stall_and_over_draw_sit_beside_the_clean_board() -> None:
    stalled = currents(trace("mid-stall", until_s=10.0), 6.0, 10.0)
    assert mean(stalled) == pytest.approx(0.26, abs=0.01)
    assert max(stalled) - min(stalled) < 0.01
    assert mean(currents(trace("over-draw"), 11.0, 14.0)) == pytest.approx(0.36, abs=0.03)


def test_button_does_nothing_without_power_or_while_running() -> None:
    channel = Channel()
    channel.attach(KINDS["clean"], 0.0)
    assert not channel.press(0.5)
    channel.set(0.5, voltage_v=4.0, limit_a=1.0)
    channel.switch(True, 0.5)
    assert channel.press(1.5)
    assert not channel.press(1.6)
