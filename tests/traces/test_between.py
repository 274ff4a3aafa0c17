"""What went through between two moments of a trace."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from benchd.traces.between import At, between
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions
from tests.web.fake import START_NS, make_samples

KNOWN = Conditions(resolution_a=0.001, accuracy_fraction_a=0.001, accuracy_offset_a=0.002)


def ramp() -> Samples:
    """0.1 A/s at 4 V, 10 readings/s for 10 s; no number at 5 s."""
    samples = make_samples(START_NS, 10, 10, lambda t: 0.1 * t)
    samples.current_a[50] = math.nan
    return samples


@pytest.mark.parametrize("pieces", [1, 3, 100])
def test_the_charge_of_a_ramp_in_any_pieces(pieces: int) -> None:
    samples = ramp()
    cuts = np.linspace(0, len(samples), pieces + 1).astype(int)
    found = between((samples[a:b] for a, b in itertools.pairwise(cuts)), START_NS, KNOWN, 2.05, 8.05)
    # ∫ 0.1·t dt from 2.05 to 8.05 (textbook): 0.05·(8.05² − 2.05²).
    assert found.charge_c == pytest.approx(0.05 * (8.05**2 - 2.05**2), rel=1e-9)
    assert found.energy_j == pytest.approx(4 * 0.05 * (8.05**2 - 2.05**2), rel=1e-9)
    assert found.mean_a == pytest.approx(0.505)
    assert found.readings == 59
    assert (found.least_a, found.most_a) == (pytest.approx(0.21), pytest.approx(0.80))
    assert (found.least_v, found.most_v) == (4.0, 4.0)
    assert found.first in (At(2.0, 4.0, pytest.approx(0.2)), At(2.1, 4.0, pytest.approx(0.21)))
    # JCGM 100: k·s·√((limit/√3)² + (step/√12)²), limit = 0.001·0.505 A + 0.002 A.
    assert found.charge_u_c == pytest.approx(2 * 6 * math.hypot(0.002505 / math.sqrt(3), 0.001 / math.sqrt(12)))


def test_without_readings_or_accuracy_nothing_is_made_up() -> None:
    none = between([Samples.empty()], START_NS, KNOWN, 0.0, 1.0)
    assert (none.first, none.charge_c, none.charge_u_c, none.mean_a, none.least_a) == (None,) * 5
    outside = between([ramp()], START_NS, KNOWN, 20.0, 30.0)
    assert (outside.readings, outside.charge_c, outside.last) == (0, None, At(9.9, 4.0, pytest.approx(0.99)))
    one = between([ramp()], START_NS, KNOWN, 3.0, 3.0)
    assert (one.readings, one.charge_c, one.most_a) == (1, None, pytest.approx(0.3))
    assert between([ramp()], START_NS, Conditions(), 1.0, 2.0).charge_u_c is None
    with pytest.raises(ValueError, match="the end must not be before the start"):
        between([], START_NS, KNOWN, 2.0, 1.0)
    with pytest.raises(ValueError, match="the end must not be before the start"):
        between([], START_NS, KNOWN, math.nan, 1.0)
