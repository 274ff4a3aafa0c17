"""Arrays of readings: for traces only, started and stopped with the output, given up without harm."""

import pytest

from benchd.guard.arrays import Arrays
from benchd.reading import Flag, Mode, Reading
from benchd.supplies.errors import LinkLost, ReplyGarbled

READING = Reading(1, 4.0, 0.1, Mode.CV, Flag.NONE, 0)


class Fake:
    chunk_s = 0.25

    def __init__(self, error=None):
        self.running = False
        self.done = []
        self._error = error

    def start(self):
        self.running = True
        self.done.append("start")

    def stop(self):
        self.running = False
        self.done.append("stop")

    def fetch(self):
        self.done.append("fetch")
        if self._error:
            raise self._error
        return [READING]


def test_it_runs_while_the_output_is_on():
    array, told = Fake(), []
    arrays = Arrays({1: array}, told.append)
    assert arrays.turn(1, False, 0.0) == []
    assert arrays.turn(1, True, 1.0) == []
    assert arrays.running(1)
    assert arrays.turn(1, True, 1.2) == []  # no chunk can be there yet
    assert arrays.turn(1, True, 1.25) == [READING]
    assert arrays.turn(1, True, 1.3) == []
    assert arrays.turn(1, True, 1.375) == [READING]
    assert arrays.turn(1, False, 1.4) == []
    assert not arrays.running(1)
    assert arrays.turn(1, False, 1.5) == []
    assert array.done == ["start", "fetch", "fetch", "stop"]
    assert arrays.turn(2, True, 1.6) == []
    assert told == []


def test_one_that_fails_is_given_up_and_single_readings_go_on():
    array, told = Fake(ReplyGarbled("here", "words instead of a block")), []
    arrays = Arrays({1: array}, told.append)
    arrays.turn(1, True, 0.0)
    assert arrays.turn(1, True, 1.0) == []
    assert not arrays.running(1)
    assert arrays.turn(1, True, 2.0) == []
    assert array.done == ["start", "fetch", "stop"]
    assert [text.partition(": here")[0] for text in told] == [
        "channel 1: its array of readings is given up, single readings go on"
    ]


def test_a_lost_link_is_the_guards_affair_and_it_starts_again_afterwards():
    array = Fake(LinkLost("here", "gone"))
    arrays = Arrays({1: array}, lambda text: None)
    arrays.turn(1, True, 0.0)
    with pytest.raises(LinkLost):
        arrays.turn(1, True, 1.0)
    assert not arrays.running(1)
    arrays.turn(1, True, 2.0)
    assert array.done == ["start", "fetch", "start"]
