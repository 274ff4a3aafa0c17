"""The table `[jobs]`: how devices are taken in."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, field_validator

from benchd.checked import Table
from benchd.jobs.job import JOB_ID

NUMBER = "{number}"
_MOST = 28
"""Characters of a pattern: an id has 40 at most, and its number grows."""


class JobSettings(Table):
    """How devices are taken in."""

    id_pattern: Annotated[str, Field(max_length=_MOST)] = f"R-{NUMBER}"
    """Of ids that benchd makes; {number} is one above the highest there is."""

    @field_validator("id_pattern")
    @classmethod
    def _makes_ids(cls, text: str) -> str:
        if text.count(NUMBER) != 1 or not JOB_ID.fullmatch(text.replace(NUMBER, "1")):
            raise ValueError(
                f"allowed are letters, digits, '.', '-', '_' and one {NUMBER}, starting and ending with a letter, a "
                f'digit or {NUMBER} (example: "R-{NUMBER}")'
            )
        return text
