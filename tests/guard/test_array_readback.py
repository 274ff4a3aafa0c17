"""A guarded output whose traces are made of the supply's own array of readings, on the simulated NGM202."""

import itertools
import time

import pytest

from benchd.guard.opening import Opener
from benchd.guard.sampler import SupplyThread
from benchd.guard.states import ChannelState
from benchd.guard.waiting import End
from benchd.guard.wire import Answer, ChannelConfig, PowerOn, RuleLimits, SupplyConfig, Tripped
from tests.simulated import SimulatedSupply

CHUNK_NS = 250_000_000


class Guarded:
    def __init__(self, sim, lock_dir, array_readback):
        channels = (ChannelConfig(1, 20.0, 3.0), ChannelConfig(2, 20.0, 3.0))
        config = SupplyConfig("lab", sim.resource, "rs-ngx", channels, 0.01, array_readback=array_readback)
        self.reports = []
        self.thread = SupplyThread(config, Opener(str(lock_dir)).open, self.reports.append)

    def wait(self, what, limit_s=10.0):
        ends = time.monotonic() + limit_s
        while not (found := what()):
            assert time.monotonic() < ends, self.reports
            time.sleep(0.005)
        return found

    def power_on(self, board_limits):
        self.wait(lambda: self.thread.channels[1].state is ChannelState.OFF)
        self.thread.post(PowerOn(1, "lab", 1, 4.0, 0.5, board_limits))
        (answer,) = self.wait(lambda: [each for each in self.reports if isinstance(each, Answer)])
        assert answer.ok, answer

    def __enter__(self):
        self.thread.start()
        return self

    def __exit__(self, *_):
        self.thread.post(End())
        self.thread.join(10)
        assert not self.thread.is_alive()


@pytest.fixture
def sim():
    with SimulatedSupply(family="rs-ngx", model="NGM202", board1="clean") as supply:
        yield supply


@pytest.mark.parametrize("array_readback", [True, False])
def test_traces_are_made_of_the_array_and_only_where_it_is_wanted(sim, tmp_path, array_readback):
    with Guarded(sim, tmp_path, array_readback) as it:
        it.power_on(RuleLimits())
        ring = it.thread.channels[1].ring
        ring.take()
        seen = []

        def enough():
            seen.extend(ring.take()[0])
            return len(seen) >= 60

        it.wait(enough)
        late = seen[-40:]
        assert all((reading.half_trip_ns >= CHUNK_NS) is array_readback for reading in late)
        times = [reading.t_ns for reading in late]
        assert times == sorted(set(times))
        if array_readback:
            # S100 is a reading every 10 ms; from one chunk to the next the exchange's own time comes on top.
            steps = sorted(later - earlier for earlier, later in itertools.pairwise(times))
            assert steps[len(steps) // 2] == pytest.approx(10_000_000, abs=1000)
        assert sim.truth(1).output


def test_a_short_is_tripped_by_single_readings_not_when_a_chunk_arrives(sim, tmp_path):
    with Guarded(sim, tmp_path, True) as it:
        it.power_on(RuleLimits())
        it.wait(lambda: len(it.thread.channels[1].ring) > 20)
        sim.board(1, "dead-short")
        trip = it.wait(lambda: [each for each in it.reports if isinstance(each, Tripped)])[0]
        assert trip.rule == "short"
        assert trip.off_confirmed_ns is not None
        assert not sim.truth(1).output
        assert trip.detected_ns - trip.onset_ns < CHUNK_NS
