"""The table [jobs] of the settings."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from benchd.jobs.job import check_job_id
from benchd.settings_jobs import NUMBER, JobSettings


@pytest.mark.parametrize("pattern", ["R-{number}", "{number}", "{number}.26-a", "A" * 20 + "{number}"])
def test_a_pattern_makes_ids_up_to_large_numbers(pattern: str) -> None:
    made = JobSettings(id_pattern=pattern).id_pattern
    for number in (1, 10**12):
        check_job_id(made.replace(NUMBER, str(number)))


@pytest.mark.parametrize(
    "pattern", ["", "R", "R-{n}", "{number}{number}", "R {number}", "-{number}", "{number}/x", "{Number}", "R*{number}"]
)
def test_another_is_refused(pattern: str) -> None:
    with pytest.raises(ValidationError, match=r"one \{number\}, starting and ending with"):
        JobSettings(id_pattern=pattern)
