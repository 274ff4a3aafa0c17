"""`benchd job report`: a job's report as a file, for the next technician or the customer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from benchd.cli import job as job_cli
from benchd.cli import out
from benchd.cli.out_file import written


def report(
    id: Annotated[str, typer.Argument(help="The job.")],
    to: Annotated[Path, typer.Option("--out", "-o", help="The file: .pdf or .html, which needs no other file.")],
    audience: Annotated[
        Literal["technician", "customer"], typer.Option("--for", help="customer: one page in plain words.")
    ] = "technician",
    language: Annotated[str, typer.Option(help="Of the report: en, de.")] = "en",
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Everything about a job on paper. Example: benchd job report R-1042 -o R-1042.pdf --for customer"""
    from benchd.report.gather import NoJob
    from benchd.report.make import made
    from benchd.report.order import Form, Order
    from benchd.report.pdf import PdfError
    from benchd.report.texts import TextsError
    from benchd.share import share_path
    from benchd.store.log import LogError

    forms: dict[str, Form] = {".pdf": "pdf", ".html": "html"}
    if (form := forms.get(to.suffix.lower())) is None:
        out.fail(f"{to}: reports are written as .pdf or .html", 2)
    log = job_cli.log_there(job_cli.data_path(data_dir, config))
    with out.errors(OSError):
        styles = (share_path("web") / "report" / "report.css").read_text("utf-8")
    order = Order(id, str(log), form, audience, language, bench_name(config), styles)
    try:
        content = made(order)
    except NoJob as e:
        out.fail(f"{e}; `benchd job list` shows what is")
    except (TextsError, PdfError, LogError) as e:
        out.fail(str(e))
    with written(to, log) as stream:
        stream.write(content)
    record = {"job": id, "file": str(to), "for": audience, "language": language, "bytes": len(content)}
    out.emit(record, f"report of job {id} written to {to}", json_)


def bench_name(config: Path | None) -> str:
    """As the settings have it; empty where there are none."""
    path = out.config_path(config)
    return out.settings(path).bench if config is not None or path.exists() else ""
