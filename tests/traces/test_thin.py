"""Thinning: no extreme is lost, held against another implementation as well."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from tsdownsample import MinMaxDownsampler

from benchd.traces.samples import Samples
from benchd.traces.thin import PER_BUCKET, keep, thin
from tests.web.fake import START_NS, make_samples

VALUES = st.floats(-50, 50, width=32) | st.just(float("nan"))


@st.composite
def traces(draw: st.DrawFn) -> Samples:
    n = draw(st.integers(1, 400))
    steps = draw(hnp.arrays(np.int64, n, elements=st.integers(1, 10**10)))
    columns = [draw(hnp.arrays(np.float64, n, elements=VALUES)) for _ in range(2)]
    marks = np.arange(n).astype(np.uint8)
    return Samples(START_NS + np.cumsum(steps), *columns, marks, marks)


@settings(max_examples=100, deadline=None)
@given(samples=traces(), points=st.integers(PER_BUCKET, 120))
def test_no_extreme_of_any_pixel_column_is_lost(samples: Samples, points: int) -> None:
    thinned = thin(samples, points)
    assert len(thinned) <= max(points, 0)
    assert np.all(np.diff(thinned.t_ns) > 0)
    assert (thinned.t_ns[0], thinned.t_ns[-1]) == (samples.t_ns[0], samples.t_ns[-1])
    # Every reading that is left is a reading that was there, whole.
    places = np.searchsorted(samples.t_ns, thinned.t_ns)
    np.testing.assert_array_equal(samples.t_ns[places], thinned.t_ns)
    np.testing.assert_array_equal(samples.voltage_v[places], thinned.voltage_v)
    np.testing.assert_array_equal(samples.mode[places], thinned.mode)
    if len(samples) <= points:
        assert len(thinned) == len(samples)
        return
    # Bucket by bucket, counted in whole ns with Python's own integers.
    buckets = points // PER_BUCKET
    width = (int(samples.t_ns[-1]) - int(samples.t_ns[0])) // buckets + 1

    def columns(of: Samples) -> dict[int, list[int]]:
        found: dict[int, list[int]] = {}
        for n, t in enumerate(of.t_ns.tolist()):
            found.setdefault((t - int(samples.t_ns[0])) // width, []).append(n)
        return found

    left = columns(thinned)
    for bucket, members in columns(samples).items():
        for of, kept in ((samples.voltage_v, thinned.voltage_v), (samples.current_a, thinned.current_a)):
            values = [x for x in of[members].tolist() if x == x]
            shown = [x for x in kept[left[bucket]].tolist() if x == x]
            assert (max(values, default=None), min(values, default=None)) == (
                max(shown, default=None),
                min(shown, default=None),
            )


def test_one_reading_among_a_million() -> None:
    samples = make_samples(START_NS, 1000, 1000)
    samples.current_a[777_777] = 3.0
    samples.voltage_v[123_456] = 0.1
    thinned = thin(samples, 1200)
    assert len(thinned) <= 1200
    assert thinned.current_a.max() == 3.0
    assert thinned.voltage_v.min() == 0.1


def test_too_few_points_are_refused() -> None:
    with pytest.raises(ValueError, match="points = 5: allowed are 6 or more"):
        thin(make_samples(START_NS, 1, 50), 5)


def kept(y: list[float] | np.ndarray, points: int) -> set[int]:
    """Places kept of one column, of `points` / 2 buckets as min-max thinning counts them."""
    values = np.asarray(y, np.float64)
    return set(keep(np.arange(len(values), dtype=np.int64) * 10**9, (values,), points // 2).tolist())


def test_min_max_keeps_what_the_published_cases_keep() -> None:
    """tsdownsample 0.1.5 MinMaxDownsampler: y of 12 with n = 4 gives places 0, 3, 6, 8; of a slow sine with two
    opposite spikes side by side, 20 points keep both, where largest-triangle thinning loses one."""
    assert kept([0, 1, 0, 3, 0, 1, 9, 1, 0, 2, 0, 0], 4) >= {0, 3, 6, 8}
    y = np.sin(0.02 * np.arange(1000))
    y[500], y[501] = 5.0, -5.0
    assert kept(y, 20) >= {500, 501}


@pytest.mark.parametrize("seed", range(5))
def test_every_extreme_that_another_min_max_keeps_is_kept(seed: int) -> None:
    downsample = MinMaxDownsampler()
    rng = np.random.default_rng(seed)
    y = np.round(rng.standard_t(2, 12_000) * rng.uniform(0.01, 1.0, 12_000), 6)
    theirs = y[downsample.downsample(y, n_out=240)]
    ours = y[sorted(kept(y, 240))]
    # Of equal values either may be the one that is kept.
    assert set(theirs.tolist()) <= set(ours.tolist())
