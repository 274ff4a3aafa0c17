"""The report of a trip: one page of HTML that needs nothing else, for the customer and the next technician. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape
from typing import Any

from benchd.traces.cautions import BATTERY
from benchd.traces.trip_words import advice, figure_rows, for_customer

_STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; color: #1b1b1b; background: #fff; margin: 2rem auto; max-width: 52rem;
       padding: 0 1rem; }
h1 { font-size: 1.5rem; margin-bottom: 0; } h2 { font-size: 1.15rem; margin-top: 2rem; }
p.filed { color: #555; margin-top: .2rem; }
svg { width: 100%; height: auto; }
table { border-collapse: collapse; width: 100%; } th, td { text-align: left; vertical-align: top; padding: .3rem .6rem;
        border-top: 1px solid #ddd; } th { font-weight: 600; white-space: nowrap; width: 1%; }
.loud { border: 3px solid #a40000; color: #a40000; font-weight: 700; padding: .6rem 1rem; }
@media print { body { margin: 0; font-size: 12px; } h2 { break-after: avoid; } }
"""


def report(
    heading: str, filed: Sequence[tuple[str, str]], figures: dict[str, Any], svg: bytes, cautions: Sequence[str]
) -> str:
    """The page. `filed`: label and text of what stands in its head; `svg`: the picture; `cautions`: of its plan."""
    said = advice(figures["rule"])
    loud = "" if figures.get("off_confirmed") else (
        '<p class="loud">The output could not be confirmed off: switch off at the supply itself.</p>\n'
    )  # fmt: skip
    head = " · ".join(f"{escape(label)} {escape(text)}" for label, text in filed if text)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(heading)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n"
        f'<h1>{escape(heading)}</h1>\n<p class="filed">{head}</p>\n{loud}'
        f"<h2>For the customer</h2>\n{_paragraphs(for_customer(figures))}"
        f"<h2>What the readings show</h2>\n{_inline(svg)}\n{_table(figure_rows(figures))}"
        "<p>± is the expanded uncertainty (k = 2, about 95 %) from the accuracy that the supply's maker states.</p>\n"
        f"<h2>For the next technician</h2>\n<p>Next checks, cheapest first:</p>\n{_list(said.checks, 'ol')}"
        f"<h2>Cautions</h2>\n{_list(_once(said.cautions, cautions), 'ul')}</body>\n</html>\n"
    )


def _once(of_rule: Sequence[str], of_plan: Sequence[str]) -> list[str]:
    """No caution twice: those of a plan tell of the battery in other words, and of more."""
    return list(dict.fromkeys([*(c for c in of_rule if not (of_plan and c == BATTERY)), *of_plan]))


def _inline(svg: bytes) -> str:
    """The picture as part of the page: without the lines that only a file of its own has."""
    text = svg.decode("utf-8")
    return re.sub(r"\A.*?(?=<svg)", "", text, flags=re.DOTALL).strip()


def _paragraphs(sentences: Sequence[str]) -> str:
    return f"<p>{escape(' '.join(sentences))}</p>\n"


def _table(rows: Sequence[tuple[str, str]]) -> str:
    lines = "".join(f'<tr><th scope="row">{escape(k)}</th><td>{escape(v)}</td></tr>\n' for k, v in rows)
    return f"<table>\n{lines}</table>\n"


def _list(items: Sequence[str], kind: str) -> str:
    return f"<{kind}>\n" + "".join(f"<li>{escape(item)}</li>\n" for item in items) + f"</{kind}>\n"
