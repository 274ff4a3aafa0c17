"""`benchd job report` as a user types it, without a daemon."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.jobs.job import Job
from benchd.store.log import Log
from tests.cli.asking import lines


def benchd(*words: str | Path, status: int = 0) -> str:
    """The command in this process."""
    done = CliRunner().invoke(app, list(map(str, words)), catch_exceptions=False)
    assert done.exit_code == status, (done.stdout, done.stderr)
    return done.stdout + done.stderr


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with Log.open(tmp_path / "benchd.sqlite") as log:
        log.add_job(Job("R-1", device="phone, <blue>", created_ns=1))
    return tmp_path


def test_a_report_is_written_as_pdf_or_as_a_page_that_needs_nothing_else(folder: Path) -> None:
    where = ("--data-dir", folder)
    page, paper = folder / "r.html", folder / "r.pdf"
    assert benchd("job", "report", "R-1", "-o", page, *where) == f"report of job R-1 written to {page}\n"
    text = page.read_text("utf-8")
    assert "phone, &lt;blue&gt;" in text
    assert "<style>" in text
    assert "<link" not in text
    assert "<nav>" not in text
    asked = ("--for", "customer", "--language", "de", "--json")
    (record,) = lines(benchd("job", "report", "R-1", "-o", paper, *asked, *where))
    assert record["bytes"] == paper.stat().st_size
    assert (record["job"], record["for"], record["language"]) == ("R-1", "customer", "de")
    assert paper.read_bytes().startswith(b"%PDF-")


def test_what_cannot_be_written_is_one_line(folder: Path) -> None:
    where = ("--data-dir", folder)
    assert "reports are written as .pdf or .html" in benchd("job", "report", "R-1", "-o", "r.doc", *where, status=2)
    said = benchd("job", "report", "R-9", "-o", folder / "r.pdf", *where, status=1)
    assert said == "benchd: job 'R-9' is not in the log; `benchd job list` shows what is\n"
    said = benchd("job", "report", "R-1", "-o", folder / "r.pdf", "--language", "fr", *where, status=1)
    assert said == "benchd: language = 'fr': allowed are de, en\n"
    assert "there is no such folder" in benchd("job", "report", "R-1", "-o", folder / "no/r.pdf", *where, status=1)
    assert sorted(p.suffix for p in folder.iterdir() if p.name.startswith("r.")) == []
