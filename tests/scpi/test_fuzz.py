"""A few thousand fuzzed replies for each parser; `python -m tests.scpi.fuzz` sends a million."""

import pytest

from tests.scpi import fuzz


@pytest.mark.parametrize("name", fuzz.TARGETS)
def test_fuzzed_replies_give_what_was_sent_or_the_one_error(name):
    done = fuzz.run(name, 3000)
    assert 0 < done.refused < done.count or name.startswith("frame-")  # both ways are taken


def test_the_checks_can_fail():
    wrong = fuzz.Target(lambda data: 4.0, (b"4.000", b"5.000"), fuzz.one)
    fuzz.TARGETS["wrong"] = wrong
    try:
        with pytest.raises(AssertionError, match="does not stand in it"):
            fuzz.run("wrong", 1000)
    finally:
        del fuzz.TARGETS["wrong"]
