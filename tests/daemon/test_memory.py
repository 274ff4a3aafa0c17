"""What is kept of one channel's readings, and what is read out of it."""

from __future__ import annotations

import random

import numpy as np
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from benchd.daemon.memory import Memory, between
from benchd.traces.samples import Samples
from tests.daemon.making import MS, S, readings

T0 = 1_700_000_000 * S


def part(start_ns: int, n: int, step_ns: int = 10 * MS) -> Samples:
    return Samples.from_block(readings(start_ns, [0.001 * k for k in range(n)], step_ns))


def test_an_empty_memory_and_empty_parts_give_nothing() -> None:
    memory = Memory(10)
    memory.add(Samples.empty())
    assert memory.parts() == ()
    assert len(between(memory.parts(), 0, 1 << 62)) == 0


@given(
    starts=st.lists(st.integers(0, 400), min_size=1, max_size=30), low=st.integers(-5, 500), span=st.integers(0, 500)
)
@hypothesis_settings(max_examples=60)
def test_what_is_read_out_is_in_order_and_has_each_reading_once(starts: list[int], low: int, span: int) -> None:
    """Parts of 25 readings that overlap and come in any order, against a set of times."""
    memory = Memory(1000)
    for start in starts:
        memory.add(part(T0 + start * 10 * MS, 25))
    there = {T0 + (start + k) * 10 * MS for start in starts for k in range(25)}
    low_ns, high_ns = T0 + low * 10 * MS, T0 + (low + span) * 10 * MS
    found = between(memory.parts(), low_ns, high_ns)
    assert found.t_ns.tolist() == sorted(t for t in there if low_ns <= t < high_ns)


def test_days_of_readings_take_no_more_room_than_what_is_kept() -> None:
    """One reading a block, the worst there is: a day at one a second, of which ten minutes are kept."""
    memory = Memory(600)
    for second in range(86_400):
        memory.add(part(T0 + second * S, 1))
    kept = sum(len(p) for p in memory.parts())
    assert 600 <= kept <= 600 + 2 * 256
    assert len(memory.parts()) < 300
    newest = between(memory.parts(), T0 + 85_800 * S, T0 + 86_400 * S)
    assert len(newest) == 600


def test_what_was_taken_out_for_another_thread_does_not_change() -> None:
    memory = Memory(2)
    for n in range(300):
        memory.add(part(T0 + n * 10 * MS, 1))
    taken = memory.parts()
    before = between(taken, 0, 1 << 62).t_ns.copy()
    for n in range(300, 3000):
        memory.add(part(T0 + n * 10 * MS, 1))
    assert np.array_equal(between(taken, 0, 1 << 62).t_ns, before)
    assert not np.array_equal(between(memory.parts(), 0, 1 << 62).t_ns, before)


def test_a_trips_readings_that_travel_ahead_are_not_doubled() -> None:
    memory = Memory(100)
    whole = part(T0, 100)
    ahead = whole[60:80]
    for piece in (whole[:50], ahead, whole[50:80], whole[80:]):
        memory.add(piece)
    found = between(memory.parts(), 0, 1 << 62)
    assert found.t_ns.tolist() == whole.t_ns.tolist()
    assert found.current_a.tolist() == whole.current_a.tolist()


def test_order_of_parts_does_not_matter() -> None:
    pieces = [part(T0 + k * 100 * MS, 10) for k in range(20)]
    random.Random(3).shuffle(pieces)
    memory = Memory(100)
    for piece in pieces:
        memory.add(piece)
    found = between(memory.parts(), 0, 1 << 62).t_ns
    assert found.tolist() == [T0 + k * 10 * MS for k in range(200)]
