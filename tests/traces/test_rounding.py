"""Figures for people: a value ends where its uncertainty does."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.traces.rounding import amperes, figure


@pytest.mark.parametrize(
    ("value", "u", "unit", "said"),
    [
        (1.3447, 0.0844, "A", "1.345 A ± 0.084 A"),
        (0.9877, 0.0844, "A", "988 mA ± 84 mA"),
        (3.226e-06, 0.0023, "A", "0.0 mA ± 2.3 mA"),
        (-3.226e-06, 0.0023, "A", "0.0 mA ± 2.3 mA"),
        (0.001201, 0.0023, "A", "1.2 mA ± 2.3 mA"),
        (0.2492, 0.0996, "A", "249 mA ± 100 mA"),
        (212.4, 8.6, "Ω", "212.4 Ω ± 8.6 Ω"),
        (0.9978, 0.002, "1", "99.78 % ± 0.20 %"),
        (8.947, None, "C", "8.95 C"),
        (0.0597, None, "A", "59.7 mA"),
        (0.0, None, "A", "0 mA"),
        (1.394, 0.0, "A", "1.39 A"),
        (9.996, None, "V", "10.0 V"),
    ],
)
def test_a_value_ends_where_its_uncertainty_does(value: float, u: float | None, unit: str, said: str) -> None:
    """Two digits of the uncertainty (JCGM 100:2008 §7.2.6)."""
    assert figure(value, u, unit) == said


def test_one_current_alone_is_rounded_by_what_it_stands_beside() -> None:
    assert amperes(0.0597, 0.0136) == "60 mA"
    assert amperes(1.3447, 0.0136) == "1.345 A"


@given(st.floats(-1e3, 1e3), st.none() | st.floats(0, 1e3), st.sampled_from(["A", "V", "Ω", "C", "1"]))
def test_any_value_is_said_without_powers_of_ten(value: float, u: float | None, unit: str) -> None:
    said = figure(value, u, unit)
    assert "e" not in said
    assert not said.startswith("-0 ")
    if "±" in said:
        mine, its = (part.split()[0].partition(".")[2] for part in said.split("±"))
        assert len(mine) == len(its)
