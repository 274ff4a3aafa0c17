"""A supply thread of the guard on every message-based bus: what happens to an output that is on when the bus fails."""

import contextlib
import time

import pytest

from benchd.guard.opening import Opener
from benchd.guard.sampler import SupplyThread
from benchd.guard.waiting import End
from benchd.guard.wire import (
    Answer,
    ChannelConfig,
    LinkChanged,
    OutputChanged,
    PowerOff,
    PowerOn,
    RuleLimits,
    SupplyConfig,
    Tripped,
)
from benchd.reading import Mode, OutputState
from benchd.supplies.visa_session import VisaSession
from tests.supplies.buses.station import SmallSupply

OFF, ON, UNKNOWN = OutputState.OFF, OutputState.ON, OutputState.UNKNOWN
TIMEOUT_S = 0.15


class Guarded:
    """The thread, its reports, and the supply behind it."""

    def __init__(self, thread, reports, instrument, supply):
        self.thread = thread
        self.reports = reports
        self.instrument = instrument
        self.supply = supply

    def of(self, kind):
        return [each for each in list(self.reports) if isinstance(each, kind)]

    def said(self):
        return [(each.state, each.reason) for each in self.of(OutputChanged)]

    def wait(self, condition, limit_s=10.0):
        ends = time.monotonic() + limit_s
        while not (seen := condition()):
            assert time.monotonic() < ends, self.reports
            time.sleep(0.002)
        return seen

    def wait_off(self):
        self.wait(lambda: self.thread.channels[1].output is OFF)

    def power_on(self):
        self.wait_off()
        self.thread.post(PowerOn(1, "left", 1, 4.0, 1.0, RuleLimits()))
        (answer,) = self.wait(lambda: [each for each in self.of(Answer) if each.id == 1])
        assert answer == Answer(1, True)
        assert self.supply.on


@pytest.fixture
def guarded(bus, tmp_path):
    """`with guarded() as it`: with an opened link; `wrap(answer)` may change what the supply answers."""

    @contextlib.contextmanager
    def making(wrap=lambda answer: answer):
        supply = SmallSupply()
        with bus(wrap(supply.answer)) as instrument:
            channels = (ChannelConfig(1, 20.0, 1.5),)
            config = SupplyConfig("left", instrument.resource, "generic-scpi", channels, 0.005, TIMEOUT_S)
            reports = []
            thread = SupplyThread(config, Opener(str(tmp_path)).open, reports.append)
            thread.start()
            try:
                yield Guarded(thread, reports, instrument, supply)
            finally:
                instrument.station.wake()
                thread.post(End())
                thread.join(5)
                assert not thread.is_alive()

    return making


def test_identify_prepare_on_read_off_confirm(guarded):
    with guarded() as it:
        it.power_on()
        assert (it.supply.set_v, it.supply.limit_a) == (4.0, 1.0)
        ring = it.thread.channels[1].ring
        ring.take()
        it.wait(lambda: len(ring) >= 5)
        it.thread.post(PowerOff(2, "left", 1))
        (answer,) = it.wait(lambda: [each for each in it.of(Answer) if each.id == 2])
        assert answer.ok
        assert not it.supply.on
        assert it.of(LinkChanged)[0].identity == "Example Works,EX-4,0,1.0"
        # While it is being switched on, nobody can say what it is.
        assert it.said() == [(OFF, "link-back"), (UNKNOWN, "switching-on"), (ON, "asked"), (OFF, "asked")]
        first = ring.take()[0][0]
        assert (first.voltage_v, first.current_a, first.mode) == (4.0, 0.04, Mode.CV)


def test_a_lost_link_while_on_is_unknown_and_off_is_the_first_thing_after_it_is_back(guarded, monkeypatch):
    attempts = []
    usual = VisaSession.open
    monkeypatch.setattr(VisaSession, "open", lambda *words: attempts.append(time.monotonic()) or usual(*words))
    with guarded() as it:
        it.power_on()
        started = time.monotonic()
        it.instrument.unplug()
        it.wait(lambda: (UNKNOWN, "link-lost") in it.said())
        assert time.monotonic() - started < 2.5
        (trip,) = it.wait(lambda: it.of(Tripped))
        assert trip.off_confirmed_ns is None
        assert it.of(LinkChanged)[-1].up is False
        # Until the trip gave up, OFF was tried as fast as it goes; from here on the delay grows from 0.2 s.
        attempts.clear()
        it.wait(lambda: len(attempts) >= 3)
        assert attempts[2] - attempts[0] >= 0.2
        assert it.supply.on  # nobody can reach it
        assert it.said()[-1][0] is UNKNOWN
        already = len(it.instrument.station.lines)
        it.instrument.plug()
        it.wait_off()
        assert not it.supply.on
        since = it.instrument.station.lines[already:]
        # Who it is and how it stands are asked; the first thing that is done is OFF.
        assert set(since[: since.index("OUTP OFF")]) <= {"*IDN?", "OUTP?"}
        assert it.said()[-1] == (OFF, "trip")
        assert not any(line.startswith("OUTP ON") for line in since)


def test_a_bus_that_hangs_while_on_is_unknown_in_bounded_time_and_off_when_it_is_back(guarded):
    with guarded() as it:
        it.power_on()
        started = time.monotonic()
        it.instrument.station.hang()
        it.wait(lambda: it.said()[-1][0] is UNKNOWN)
        assert time.monotonic() - started < 4.0
        assert it.thread.busy_until > time.monotonic() - 0.5  # it was never stuck for the watchdog's time
        it.instrument.station.wake()
        it.wait_off()
        assert not it.supply.on


def test_late_replies_never_become_readings(guarded):
    """Every ninth question is answered after its time-out, by an instrument that hands out old replies first."""

    def wrap(answer):
        count = iter(range(10**9))

        def sometimes_late(line):
            late = "?" in line and next(count) % 9 == 8
            return [1.3 * TIMEOUT_S] * late + answer(line)

        return sometimes_late

    with guarded(wrap) as it:
        for number in range(5):
            it.wait_off()
            it.thread.post(PowerOn(10 + number, "left", 1, 4.0, 1.0, RuleLimits(stale_s=30.0)))
            (answer,) = it.wait(lambda number=number: [each for each in it.of(Answer) if each.id == 10 + number], 20.0)
            if answer.ok:
                break
        it.wait(lambda: len(it.thread.channels[1].ring) > 30, 20.0)
        readings, _ = it.thread.channels[1].ring.take()
        assert {(each.voltage_v, each.current_a) for each in readings} <= {(4.0, 0.04), (0.0, 0.0)}
