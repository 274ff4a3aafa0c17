"""A report as a page: HTML whose texts are all escaped, without any script; its looks come from one file of styles."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from html import escape

from benchd.report.document import (
    Block,
    Document,
    Drawings,
    Facts,
    Heading,
    Items,
    Para,
    Photos,
    Signing,
    Table,
    Ticks,
    kept,
)

STYLES = "/report/report.css"
"""Where the page's own server has the styles."""


def page(document: Document, links: Sequence[tuple[str, str]] = (), styles: str | None = None) -> str:
    """The whole page. `links`: what stands above it on a screen, text and address; `styles`: written into the page, for
    one that is a file of its own (None: the server's)."""
    d = document
    look = f'<link rel="stylesheet" href="{STYLES}">' if styles is None else f"<style>\n{styles}</style>"
    anchors = "".join(f'<a href="{escape(href)}">{escape(text)}</a>' for text, href in links)
    nav = f"<nav>{anchors}</nav>\n" if links else ""
    body = "\n".join(_block(block) for block in d.blocks)
    return (
        f'<!DOCTYPE html>\n<html lang="{escape(d.language)}">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(d.title)}</title>\n{look}\n</head>\n<body>\n{nav}"
        f"<main{' class=one-page' if d.one_page else ''}>\n<header><h1>{_text(d.title)}</h1>"
        f"{f'<p>{_text(d.subtitle)}</p>' if d.subtitle else ''}</header>\n"
        f"{body}\n</main>\n<footer>{_text(d.foot)}</footer>\n</body>\n</html>\n"
    )


def _block(block: Block) -> str:
    match block:
        case Heading():
            return f"<h{block.level + 1}>{_text(block.text)}</h{block.level + 1}>"
        case Para():
            look = f' class="{block.look}"' if block.look else ""
            return f"<p{look}>{_text(block.text)}</p>"
        case Facts():
            rows = "".join(f'<tr><th scope="row">{_text(k)}</th><td>{_text(v)}</td></tr>' for k, v in block.rows)
            return f'<table class="facts">{rows}</table>'
        case Table():
            return _table(block)
        case Items():
            kind = "ol" if block.ordered else "ul"
            return f"<{kind}>{''.join(f'<li>{_text(item)}</li>' for item in block.items)}</{kind}>"
        case Ticks():
            return _ticks(block)
        case Drawings():
            return _drawings(block)
        case Photos():
            return _photos(block)
        case Signing():
            return f'<div class="signing">{"".join(f"<p>{_text(label)}</p>" for label in block.labels)}</div>'


def _table(table: Table) -> str:
    def cells(tag: str, row: Sequence[str]) -> str:
        right = [' class="right"' if n in table.right else "" for n in range(len(row))]
        return "<tr>" + "".join(f"<{tag}{r}>{_text(c)}</{tag}>" for r, c in zip(right, row, strict=True)) + "</tr>"

    head, rows = cells("th", table.head), "".join(cells("td", row) for row in table.rows)
    return (
        f'<div class="scroll" tabindex="0"><table class="rows"><thead>{head}</thead><tbody>{rows}</tbody></table></div>'
    )


def _ticks(ticks: Ticks) -> str:
    rows = "".join(
        f'<tr class="{row.tick}"><td class="state">{_text(row.state)}</td><td>{_text(row.label)}'
        f"{f'<small>{_text(row.note)}</small>' if row.note else ''}</td></tr>"
        for row in ticks.rows
    )
    return f'<table class="ticks">{rows}</table>'


def _drawings(drawings: Drawings) -> str:
    """A wide one is moved under a narrow screen: its letters would get too small."""
    shown = (f'<div class="scroll" tabindex="0">{d.svg}</div>' if drawings.wide else d.svg for d in drawings.items)
    figures = "".join(
        f"<figure>{svg}<figcaption>{_text(d.caption)}</figcaption></figure>"
        for svg, d in zip(shown, drawings.items, strict=True)
    )
    return f'<div class="abreast {"wide" if drawings.wide else "pair"}">{figures}</div>'


def _photos(photos: Photos) -> str:
    figures = "".join(
        f'<figure><img src="data:image/jpeg;base64,{base64.b64encode(p.jpeg).decode()}" width="{p.width}" '
        f'height="{p.height}" alt="{escape(p.alt)}"><figcaption>{_text(p.caption)}</figcaption></figure>'
        for p in photos.items
    )
    return f'<div class="abreast photos">{figures}</div>'


def _text(text: str) -> str:
    """As it is, lines as lines, figures in one piece."""
    return escape(kept(text)).replace("\n", "<br>")
