"""What the report asks of the daemon."""

from __future__ import annotations

from typing import Protocol

import msgspec

from benchd.report.order import Audience, Form


class ReportLanguage(msgspec.Struct):
    """A language that reports can be in."""

    id: str
    """As in `language=`: en, de."""
    name: str
    """By its own name."""


class ReportPort(Protocol):
    """Every method may raise `Refused`."""

    def languages(self) -> list[ReportLanguage]:
        """Those that a report can be in."""

    async def report(self, job: str, form: Form, audience: Audience, language: str) -> bytes:
        """The report of a job as a file's content.

        Raises Refused('not-found'), Refused('out-of-range') for a language that there is none of, and ApiError with
        the code `report-failed` or `busy`.
        """
