"""Addresses of reports: what they answer, and what they refuse before anything is made."""

from __future__ import annotations

from pathlib import Path

import httpx
import pytest

from benchd.share import share_path
from benchd.web.desks import Desks
from tests.web.conftest import served
from tests.web.fake import FakeBench
from tests.web.fake_report import FakeReports


@pytest.fixture
def reports() -> FakeReports:
    return FakeReports()


@pytest.fixture
def desks(reports: FakeReports) -> Desks:
    return Desks(reports=reports)


async def test_a_report_is_a_page_or_a_pdf(http: httpx.AsyncClient, reports: FakeReports) -> None:
    page = await http.get("/api/v1/jobs/R-1042/report")
    assert (page.status_code, page.headers["content-type"]) == (200, "text/html; charset=utf-8")
    assert page.text.endswith("<p>ä")
    # A page under the API is under the same policy as the rest: no script of its own, no frame around it.
    assert "default-src 'none'" in page.headers["content-security-policy"]
    paper = await http.get("/api/v1/jobs/R-1042/report.pdf?for=customer&language=de")
    assert (paper.status_code, paper.headers["content-type"]) == (200, "application/pdf")
    assert paper.headers["content-disposition"] == 'inline; filename="R-1042-customer-de.pdf"'
    assert reports.asked == [("R-1042", "html", "technician", "en"), ("R-1042", "pdf", "customer", "de")]


async def test_the_languages_are_told(http: httpx.AsyncClient) -> None:
    answer = await http.get("/api/v1/reports")
    assert answer.json() == {"languages": [{"id": "de", "name": "Deutsch"}, {"id": "en", "name": "English"}]}


@pytest.mark.parametrize(
    ("path", "status", "code", "where"),
    [
        ("R-404/report", 404, "not-found", "/api/v1/jobs/R-404/report"),
        ("R-1/report?language=fr", 400, "out-of-range", "/api/v1/jobs/R-1/report"),
        ("R-1/report.pdf?language=../en", 400, "bad-value", "query.language"),
        ("R-1/report?for=me", 400, "bad-value", "query.for"),
        ("R-1/report?colour=red", 400, "unknown-key", "query.colour"),
        ("-/report", 400, "bad-value", "path.id"),
    ],
)
async def test_what_cannot_be_is_told(http: httpx.AsyncClient, path: str, status: int, code: str, where: str) -> None:
    answer = await http.get(f"/api/v1/jobs/{path}")
    error = answer.json()["error"]
    assert (answer.status_code, error["code"], error["where"]) == (status, code, where)


async def test_its_looks_are_served(bench: FakeBench) -> None:
    assert (share_path("web") / "report" / "report.css").is_file()
    async with served(bench, Path(share_path("web"))) as url, httpx.AsyncClient(base_url=url) as client:
        answer = await client.get("/report/report.css")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "text/css; charset=utf-8")
