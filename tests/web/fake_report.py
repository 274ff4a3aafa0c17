"""A desk for reports that writes down what it was asked."""

from __future__ import annotations

from benchd.report.order import Audience, Form
from benchd.web.port import Refused
from benchd.web.report_port import ReportLanguage


class FakeReports:
    """Implements `ReportPort`."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, Form, Audience, str]] = []

    def languages(self) -> list[ReportLanguage]:
        return [ReportLanguage("de", "Deutsch"), ReportLanguage("en", "English")]

    async def report(self, job: str, form: Form, audience: Audience, language: str) -> bytes:
        self.asked.append((job, form, audience, language))
        if job == "R-404":
            raise Refused("not-found", "job 'R-404' is not in the log")
        if language not in ("de", "en"):
            raise Refused("out-of-range", f"language = {language!r}: allowed are de, en")
        return b"%PDF-1.7 x" if form == "pdf" else b"<!DOCTYPE html><p>\xc3\xa4"
