"""`--set NAME=VALUE`: read by the kind of the parameter, and refused with what is allowed."""

from __future__ import annotations

import math

import pytest
import typer
from hypothesis import given
from hypothesis import strategies as st

from benchd.cli import procedure_set
from benchd.procedures.parameter import Parameter

KINDS = {
    "limit_a": Parameter(title="Limit", unit="A", low=0.01, high=2.0),
    "name": Parameter(title="Name", kind="text"),
    "on_it": Parameter(title="On it", kind="choice", choices=["12", "chips"]),
    "by_itself": Parameter(title="Starts by itself", kind="bool"),
}


@pytest.mark.parametrize(
    ("name", "text", "value"),
    [
        ("limit_a", "0.1", 0.1),
        ("name", "0815", "0815"),
        ("name", "true", "true"),
        ("on_it", "12", "12"),
        ("by_itself", "yes", True),
        ("by_itself", "No", False),
        ("by_itself", "true", True),
    ],
)
def test_a_value_is_read_by_its_kind(name: str, text: str, value: object) -> None:
    assert procedure_set.values("card", {name: text}, KINDS) == {name: value}


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("limit_a", "high", "--set limit_a (Limit): 'high' was given; allowed is a number in A"),
        ("limit_a", "3", "--set limit_a (Limit): 3 A was given; allowed is from 0.01 A up to 2 A"),
        ("limit_a", "nan", "nan A was given; allowed is from 0.01 A up to 2 A"),
        ("on_it", "coils", "--set on_it (On it): 'coils' was given; allowed: 12, chips"),
        ("by_itself", "1", "--set by_itself (Starts by itself): '1' was given; allowed is yes or no"),
        ("limit", "1", "--set limit: procedure card has limit_a, name, on_it, by_itself"),
    ],
)
def test_a_wrong_one_is_refused_with_what_is_allowed(
    name: str, text: str, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(typer.Exit):
        procedure_set.values("card", {name: text}, KINDS)
    assert told in capsys.readouterr().err


@pytest.mark.parametrize(
    ("question", "text", "found"),
    [
        ({"kind": "ready"}, "yes", True),
        ({"kind": "text"}, "0815", "0815"),
        ({"kind": "choice", "choices": ["12", "chips"]}, "12", "12"),
        ({"kind": "number", "unit": "V", "low": 0.0, "high": None}, "0.5", 0.5),
    ],
)
def test_an_answer_is_read_by_its_question(question: dict[str, object], text: str, found: object) -> None:
    assert procedure_set.answer({"name": "it", **question}, text) == found


def test_an_answer_below_zero_is_refused_where_zero_is_the_least() -> None:
    with pytest.raises(ValueError, match="it: -1 V was given; allowed is from 0 V"):
        procedure_set.answer({"name": "it", "kind": "number", "unit": "V", "low": 0.0, "high": None}, "-1")


@given(st.text())
def test_any_text_is_a_value_in_range_or_refused(text: str) -> None:
    try:
        value = procedure_set.value(text, KINDS["limit_a"])
    except ValueError:
        return
    assert isinstance(value, float)
    assert math.isfinite(value)
    assert 0.01 <= value <= 2.0
