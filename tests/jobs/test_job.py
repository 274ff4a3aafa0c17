"""Job ids go onto every stored point, into topics, addresses and spreadsheets."""

from __future__ import annotations

import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.jobs.job import JobError, check_job_id

EDGE = string.ascii_letters + string.digits
INNER = EDGE + "._-"


@pytest.mark.parametrize("id", ["R-1042", "1", "a.b_c-d", "A" * 40])
def test_ordinary_ids_pass_unchanged(id: str) -> None:
    assert check_job_id(id) == id


@pytest.mark.parametrize(
    "id",
    ["", "A" * 41, "-1", "=1+1", "+1", "@a", "a/b", "a+b", "a#", "a b", "a,b", "a=b", "a\n", "é1", "a.", "../a", "١"],
)
def test_ids_that_break_topics_tags_paths_or_spreadsheets_are_refused(id: str) -> None:
    with pytest.raises(JobError, match=r"job id .*allowed are 1 to 40 letters"):
        check_job_id(id)


@pytest.mark.parametrize("word", ["choices", "by-label"])
def test_a_word_of_an_address_is_no_id(word: str) -> None:
    with pytest.raises(JobError, match="has another meaning here; give another id"):
        check_job_id(word)


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=45))
def test_the_rule_is_what_its_text_says(text: str) -> None:
    allowed = 1 <= len(text) <= 40 and set(text) <= set(INNER) and text[0] in EDGE and text[-1] in EDGE
    try:
        check_job_id(text)
    except JobError:
        assert not allowed
    else:
        assert allowed
