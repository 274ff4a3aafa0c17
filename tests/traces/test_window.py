"""Parts of a trace on columns of pixels: no extreme is lost at any zoom, held against numpy column by column."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.traces.samples import Samples
from benchd.traces.thin import LONG_RUNS, PER_BUCKET, in_runs
from benchd.traces.window import edges, usual_ns, window, with_gaps
from tests.traces.test_thin import traces
from tests.web.fake import START_NS, make_samples


def covered(of: Samples, bounds: np.ndarray) -> list[tuple[float, ...]]:
    """Of each column its first and last time, and the extremes of voltage and current that are numbers."""
    found = []
    for start, end in itertools.pairwise(bounds):
        here = (of.t_ns >= start) & (of.t_ns < end)
        numbers = [x[here][np.isfinite(x[here])] for x in (of.voltage_v, of.current_a)]
        extremes = [float(f(x)) for x in numbers if len(x) for f in (np.min, np.max)]
        found.append((*(of.t_ns[here][[0, -1]].tolist() if here.any() else ()), *extremes))
    return found


@settings(max_examples=150, deadline=None)
@given(samples=traces(), columns=st.integers(1, 60), ends=st.tuples(st.floats(-0.1, 1.1), st.floats(-0.1, 1.1)),
       pieces=st.integers(1, 4))  # fmt: skip
def test_every_column_covers_what_all_readings_cover(
    samples: Samples, columns: int, ends: tuple[float, float], pieces: int
) -> None:
    span = int(samples.t_ns[-1] - samples.t_ns[0])
    low, high = (int(samples.t_ns[0]) + round(end * span) for end in sorted(ends))
    high = max(high, low + 1)
    cuts = np.linspace(0, len(samples), pieces + 1).astype(int)
    cut = [samples[a:b] for a, b in itertools.pairwise(cuts)]
    drawn, readings, thinned = window(cut, low, high, columns)
    assert np.all(np.diff(drawn.t_ns) > 0)
    inside = samples.between(low, high)
    assert readings == len(inside)
    shown = drawn.between(low, high)
    assert len(shown) <= min(readings, PER_BUCKET * columns)
    assert thinned == (len(shown) < readings)
    bounds = edges(low, high, columns)
    assert covered(shown, bounds) == covered(inside, bounds)
    # Nothing is made up, and the line goes on to both edges.
    places = np.searchsorted(samples.t_ns, drawn.t_ns)
    np.testing.assert_array_equal(samples.current_a[places], drawn.current_a)
    before, behind = samples.t_ns[samples.t_ns < low], samples.t_ns[samples.t_ns >= high]
    assert drawn.t_ns[drawn.t_ns < low].tolist() == before[-1:].tolist()
    assert drawn.t_ns[drawn.t_ns >= high].tolist() == behind[:1].tolist()


def test_single_spikes_among_a_million_are_there_at_every_zoom() -> None:
    rng = np.random.default_rng(5)
    samples = make_samples(START_NS, 1000, 1000, lambda t: 0.3 + 0.01 * np.sin(t))
    spikes = rng.choice(len(samples), 40, replace=False)
    samples.current_a[spikes] = 2.0
    for zoom in range(20):
        middle, half = int(samples.t_ns[spikes[zoom % 40]]), int(10**12 / 2 ** (zoom + 1))
        shown, _, _ = window([samples], middle - half, middle + half, 390)
        inside = samples.between(middle - half, middle + half)
        bounds = edges(middle - half, middle + half, 390)
        hit = np.unique(np.searchsorted(bounds, inside.t_ns[inside.current_a == 2.0], "right"))
        drawn = shown.between(middle - half, middle + half)
        assert np.unique(np.searchsorted(bounds, drawn.t_ns[drawn.current_a == 2.0], "right")).tolist() == hit.tolist()


@settings(max_examples=50, deadline=None)
@given(seed=st.integers(0, 10**6), runs=st.integers(1, 6))
def test_long_runs_one_by_one_are_as_all_at_once(seed: int, runs: int) -> None:
    rng = np.random.default_rng(seed)
    count = LONG_RUNS * runs * 2
    first = np.unique(np.concatenate([[0], rng.integers(1, count, runs - 1)])).astype(np.intp)
    columns = tuple(np.round(rng.normal(0, 1, count), 1) for _ in range(2))
    fast = in_runs(first, count, columns)
    slow: set[int] = set()
    for start, end in zip(first, [*first[1:], count], strict=True):
        slow |= {int(start), int(end) - 1}
        slow |= {int(start + f(x[start:end])) for x in columns for f in (np.argmin, np.argmax)}
    assert fast.tolist() == sorted(slow)


def test_a_pause_is_a_gap_and_thinning_is_none() -> None:
    samples = make_samples(START_NS, 60, 100)
    holed = Samples.concat([samples[:2000], samples[2300:]])
    shown, _, thinned = window([holed], START_NS, START_NS + 60 * 10**9, 100)
    assert thinned
    column_ns = 6e8
    found = with_gaps(shown, usual_ns(holed), column_ns)
    missing = np.flatnonzero(np.isnan(found.current_a))
    assert found.t_ns[missing].tolist() == [START_NS + 21_495_000_000]
    whole = window([samples], START_NS, START_NS + 60 * 10**9, 100).samples
    assert with_gaps(whole, usual_ns(samples), column_ns) is whole
    assert usual_ns(samples[:1]) == 0.0


def test_what_is_no_part_is_refused() -> None:
    with pytest.raises(ValueError, match="0 columns"):
        window([], 0, 1, 0)
    with pytest.raises(ValueError, match="an end after the start"):
        window([], 1, 1, 10)
