"""The stated confidence: never falls with the fit, never promises too much, and leaves no more than is left."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.traces.calibration import MOST_STATED, NAMED, UNCLEAR, calibrated, shared

PART = st.floats(0, 1)


@given(st.sampled_from(["clean-boot", "unclear", "one of the user's own"]), PART, PART, PART)
def test_what_fits_better_is_never_stated_with_less(signature: str, one: float, other: float, quality: float) -> None:
    low, high = sorted((one, other))
    stated = calibrated(signature, low, quality), calibrated(signature, high, quality)
    assert 0 <= stated[0] <= stated[1] <= MOST_STATED


@given(PART, PART)
def test_worse_readings_are_never_stated_with_more(raw: float, quality: float) -> None:
    assert calibrated("no-draw", raw, quality) <= calibrated("no-draw", raw, 1.0)


@pytest.mark.parametrize(("signature", "corners"), [("dead-short", NAMED), ("unclear", UNCLEAR)])
def test_each_map_goes_through_its_corners(signature: str, corners: tuple[tuple[float, float], ...]) -> None:
    for raw, stated in corners:
        assert calibrated(signature, raw, 1.0) == pytest.approx(min(stated, MOST_STATED))


def test_no_number_is_no_confidence() -> None:
    assert calibrated("no-draw", math.nan, 1.0) == NAMED[0][1]


@given(PART, st.lists(PART, max_size=5))
def test_alternatives_share_what_is_left(confidence: float, fits: list[float]) -> None:
    parts = shared(confidence, fits)
    assert len(parts) == len(fits)
    assert sum(parts) <= 1 - confidence + 1e-9
    assert all(part <= fit for part, fit in zip(parts, fits, strict=True))


def test_the_better_of_two_alternatives_has_the_larger_share() -> None:
    assert shared(0.7, [0.6, 0.2]) == pytest.approx((0.225, 0.075))
    assert shared(0.7, [0.1, 0.0]) == pytest.approx((0.1, 0.0))
