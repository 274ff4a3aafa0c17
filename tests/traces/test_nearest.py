"""The nearest past traces: what describes one, the search, and the error on an open set of current signatures."""

from __future__ import annotations

import importlib.metadata
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from benchd.traces import nearest
from benchd.traces.features import Features
from benchd.traces.line import make_line
from benchd.traces.nearest import BANDS, LENGTH, LEVELS, describe
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Trace
from benchd.traces.uncertainty import Known
from tests.traces import power_ups

Floats = NDArray[np.float64]


def whole(trace: Trace) -> Features:
    """Features of a recording that has no button: all of it counts."""
    line = make_line(trace)
    return Features(
        readings=len(trace.samples), duration_s=float(line.t_s[-1]), rate_per_s=1 / line.interval_s, line=line,
        known=Known.of(trace.conditions), normal_leak_a=0.005, odd_leak_a=0.03, tripped_s=None, charge_c=0.0,
        energy_j=0.0,
    )  # fmt: skip


def row(trace: Trace, features: Features | None = None) -> NDArray[np.float32]:
    made = describe(trace, features)
    assert made is not None
    assert made.shape == (LENGTH,)
    assert made.dtype == np.float32
    return made


# ---- the open set ---------------------------------------------------------------------------------------------------


def acsf1(part: str) -> tuple[Floats, list[str]]:
    """Current signatures of appliances, ten classes with ten series each (Gisler et al., WoSSPA 2013), as the wheel of
    sktime 1.2.0 brings them; its values are taken as amperes, as they are."""
    try:
        files = importlib.metadata.distribution("sktime")
    except importlib.metadata.PackageNotFoundError:
        pytest.skip("the package sktime, which brings the set, is not installed")
    text = files.locate_file(f"sktime/datasets/data/ACSF1/ACSF1_{part}.ts").read_text("utf-8")  # type: ignore[attr-defined]
    lines = [x.rsplit(":", 1) for x in text.splitlines() if x.strip() and x[0] not in "#@"]
    return np.array([[float(v) for v in values.split(",")] for values, _ in lines]), [label for _, label in lines]


def error(train: Floats, labels: list[str], test: Floats, wanted: list[str]) -> float:
    found = [labels[int(nearest.nearest(r, train, 1)[0][0])] for r in test]
    return float(np.mean([a != b for a, b in zip(found, wanted, strict=True)]))


def test_the_plain_distance_has_the_published_error() -> None:
    """0.4600 for 1-NN with Euclidean distance: the UCR archive's summary table of 2018."""
    (train, labels), (test, wanted) = acsf1("TRAIN"), acsf1("TEST")
    assert error(train, labels, test, wanted) == pytest.approx(0.46)
    order, distances = nearest.nearest(test[0], train, 1)  # type: ignore[arg-type]
    assert int(order[0]) == 2
    assert float(distances[0]) == pytest.approx(0.1968531, abs=1e-6)


def test_the_archives_own_rows_find_the_right_appliance() -> None:
    """At most 0.20 is wanted; DTW has 0.36 there, the best published classifiers some 0.07."""
    (train, labels), (test, wanted) = acsf1("TRAIN"), acsf1("TEST")
    traces = [[power_ups.flat_trace(x) for x in part] for part in (train, test)]
    rows = [np.array([row(t, whole(t)) for t in part]) for part in traces]
    assert error(rows[0], labels, rows[1], wanted) <= 0.20


# ---- what describes a trace ----------------------------------------------------------------------------------------


def test_the_distance_of_two_even_currents_is_their_difference() -> None:
    """2-Wasserstein: all of the one has to be moved by that much; their order says the same, at half weight."""
    rows = [row(power_ups.flat_trace(np.full(200, a))) for a in (0.10, 0.35)]
    parts = np.abs(rows[1] - rows[0])
    assert float(np.linalg.norm(parts[:LEVELS])) == pytest.approx(0.25, rel=1e-4)
    assert float(np.linalg.norm(parts[LEVELS : LEVELS + BANDS])) == pytest.approx(0.0, abs=1e-6)
    assert float(np.linalg.norm(rows[1] - rows[0])) == pytest.approx(0.25 * math.sqrt(1 + 0.5**2), rel=1e-3)


def test_the_spectrum_has_the_root_mean_square_of_what_moves() -> None:
    """Parseval: a sine of 0.2 A amplitude has 0.2/sqrt(2) A, all in one band."""
    t_s = np.arange(600) * 0.2
    trace = power_ups.flat_trace(0.5 + 0.2 * np.sin(2 * np.pi * 0.5 * t_s))
    bands = row(trace, whole(trace))[LEVELS : LEVELS + BANDS]
    assert float(np.linalg.norm(bands)) == pytest.approx(0.2 / math.sqrt(2), rel=0.01)
    assert float(bands.max()) == pytest.approx(float(np.linalg.norm(bands)), rel=0.01)


@pytest.mark.parametrize("rate", [5, 20, 1000])
def test_the_rate_hardly_matters(rate: float) -> None:
    board = power_ups.good(3)
    usual, other = row(power_ups.trace(board, 1, 50)), row(power_ups.trace(board, 2, rate))
    stalled = row(power_ups.trace(power_ups.stopped(3, 1.0, 0.06), 3, rate))
    apart = float(np.linalg.norm(usual - other))
    assert apart < 0.08
    assert apart < 0.25 * float(np.linalg.norm(usual - stalled))


def test_how_long_somebody_waited_does_not_matter() -> None:
    board = power_ups.good(3)
    patient = power_ups.good(3)
    patient.demand_a = np.concatenate([np.full(20_000, 0.001), board.demand_a, board.demand_a[-8000:]])
    patient.button_s = power_ups.WINDOW_S + 20.0
    a, b = row(power_ups.trace(board, 1)), row(power_ups.trace(patient, 2))
    assert float(np.linalg.norm(a - b)) < 0.05


def test_a_trace_without_a_reading_is_not_described() -> None:
    assert describe(Trace(Samples.empty(), 0, Conditions())) is None


@given(st.lists(st.floats(-2, 10), min_size=1, max_size=50))
@settings(max_examples=60, deadline=None)
def test_any_readings_make_a_row_of_numbers(amps: list[float]) -> None:
    made = describe(power_ups.flat_trace(np.array(amps)))
    assert made is not None
    assert np.isfinite(made).all()


# ---- the search ------------------------------------------------------------------------------------------------------


@given(st.integers(1, 60), st.integers(0, 70), st.integers(0, 5))
@settings(max_examples=60, deadline=None)
def test_the_search_is_exact_and_keeps_the_order_of_equals(count: int, wanted: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows = rng.integers(0, 3, (count, 4)).astype(np.float32)
    order, distances = nearest.nearest(rows[0], rows, wanted)
    every = np.sqrt(((rows - rows[0]).astype(float) ** 2).sum(axis=1))
    expected = np.argsort(every, kind="stable")[:wanted]
    assert order.tolist() == expected.tolist()
    assert distances == pytest.approx(every[expected])
