"""From an order to a report: reads the log, puts the parts together, and sets them as a page or a PDF."""

from __future__ import annotations

import time
from pathlib import Path
from typing import get_args

from benchd import __version__
from benchd.jobs.checklist_folder import checklist_folder
from benchd.report.customer import customer
from benchd.report.document import Document
from benchd.report.full import full
from benchd.report.gather import Gathered, gathered
from benchd.report.order import Audience, Order
from benchd.report.page import page
from benchd.report.pdf import pdf
from benchd.report.texts import Texts, languages
from benchd.store.log import Log

AUDIENCES: tuple[Audience, ...] = get_args(Audience)


def made(order: Order) -> bytes:
    """The report as a file's content; the log is only read.

    Raises NoJob, TextsError, LogError, PdfError.
    """
    now_ns = time.time_ns()
    texts = Texts(order.language)  # before anything is read: it may be no language
    path = Path(order.log)
    lists = checklist_folder(path.parent / "checklists").read()
    with Log.open(path, read_only=True) as db:
        told = document(gathered(db, order.job, lists), texts, order, now_ns)
    if order.form == "pdf":
        return pdf(told, now_ns)
    links = _links(order, texts) if order.styles is None else []
    return page(told, links, order.styles).encode()


def document(g: Gathered, texts: Texts, order: Order, now_ns: int) -> Document:
    """The report as data. `now_ns`: what it says of when it was made, ns since the epoch."""
    if order.audience == "customer":
        return customer(g, texts, now_ns, order.bench)
    return full(g, texts, now_ns, order.bench, __version__)


def _links(order: Order, texts: Texts) -> list[tuple[str, str]]:
    """To the job, the other reports of it, and this one as PDF; addresses from where the page is served."""

    def here(form: str, audience: str, language: str) -> str:
        return f"{form}?for={audience}&language={language}"

    links = [(texts("page.job"), f"/#job/{order.job}")]
    links += [
        (texts(f"page.{other}"), here("report", other, order.language))
        for other in AUDIENCES
        if other != order.audience
    ]
    links += [
        (Texts(other)("page.language"), here("report", order.audience, other))
        for other in languages()
        if other != order.language
    ]
    return [*links, (texts("page.pdf"), here("report.pdf", order.audience, order.language))]
