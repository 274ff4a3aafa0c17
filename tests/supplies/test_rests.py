"""What a supply that takes its time is given: rests after OFF, and time to reply."""

import time

import pytest

from benchd.supplies.link import Link
from benchd.supplies.pace import Pace
from benchd.supplies.profile import load_profile
from benchd.supplies.profile_link import LinkProfile

MS_NS = 1_000_000


class Slate:
    """A wire that remembers what was sent, and when."""

    fresh_is_clean = True
    silence_ns = 0

    def __init__(self):
        self.sent = []

    def unread(self, harmless=b""):
        return False

    def send(self, data, timeout_s):
        self.sent.append((time.monotonic(), data))

    def receive(self, timeout_s, asked, frame):
        return b"1"

    def close(self):
        pass


@pytest.fixture
def slate():
    return Slate()


@pytest.fixture
def link(slate):
    link = Link.open("nowhere", LinkProfile(), 0.3, opener=lambda *_: slate)
    yield link
    link.close()


def test_off_goes_out_at_once_and_again_after_the_rest_that_was_running(link, slate):
    link.send(b"SET\n", 300 * MS_NS)
    link.send_now(b"OFF\n", 20 * MS_NS)
    link.exchange(b"STATE?\n")
    (set_s, _), (first_s, first), (second_s, second), (asked_s, _) = slate.sent
    assert first == second == b"OFF\n"
    assert first_s - set_s < 0.2
    assert second_s - set_s >= 0.3
    # A supply that missed nothing works on both.
    assert asked_s - second_s >= 0.04


def test_off_is_not_repeated_where_no_rest_was_running(link, slate):
    link.send_now(b"OFF\n", 20 * MS_NS)
    link.exchange(b"STATE?\n")
    (off_s, _), (asked_s, _) = slate.sent
    assert asked_s - off_s >= 0.02


def test_no_time_out_is_shorter_than_the_slowest_reply(slate):
    patient = LinkProfile(slowest_reply_ms=600.0)
    assert Link.open("nowhere", patient, 0.3, opener=lambda *_: slate).timeout_s == 0.6
    assert Link.open("nowhere", patient, 1.0, opener=lambda *_: slate).timeout_s == 1.0


def test_what_proves_off_is_given_the_time_that_it_takes():
    """By hand for the HMP on a network: OFF twice, its state and a reading; and all that doubled.

    Every question and every proof of the selection takes 0.1 s (BAS), selecting rests 0.05 s, switching 0.1 s.
    """
    proof_s, select_s, ask_s, switch_s = 0.1, 0.05, 0.1, 0.1
    reached_s = 2 * proof_s + select_s
    off_s = 2 * (switch_s + reached_s)
    state_s = (ask_s + reached_s) + ask_s + proof_s
    reading_s = 2 * (ask_s + reached_s) + ask_s
    pace = Pace.of(load_profile("rs-hmp"), 1, serial=False)
    assert pace.off_deadline_s == pytest.approx(2 * (off_s + state_s + reading_s), rel=0.05)
    assert pace.round_s == pytest.approx(reading_s, rel=0.05)
