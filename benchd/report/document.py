"""What a report is made of, as data: the page and the PDF show the same blocks, each in its own way.

Every text is plain text: what puts it on a page or on paper may not read it as markup.
"""

from __future__ import annotations

import re
from typing import Literal

import msgspec

_FIGURE = re.compile(
    r"(?<=\d) (?=(?:[mµk]?(?:A|V|W|J|C|s|Ω|A²s)|min|%)(?![A-Za-z]))"
    r"| (?=± \d)|(?<=±) (?=\d)|(?<=k) (?== 2)|(?<=k =) (?=2)"
)
"""The space between a number and its unit, and around ± and the = of the coverage factor."""


def kept(text: str) -> str:
    """The text with figures that no line is broken in."""
    return _FIGURE.sub("\N{NO-BREAK SPACE}", text)


class Heading(msgspec.Struct, tag="heading", frozen=True):
    """Begins a part. Level 1 stands below the title."""

    text: str
    level: Literal[1, 2] = 1


class Para(msgspec.Struct, tag="para", frozen=True):
    """A paragraph; lines stay lines."""

    text: str
    look: Literal["", "lead", "quiet", "loud"] = ""
    """lead: what matters most; quiet: beside the point; loud: a danger."""


class Facts(msgspec.Struct, tag="facts", frozen=True):
    """Labels, each with its text."""

    rows: list[tuple[str, str]]


class Table(msgspec.Struct, tag="table", frozen=True):
    """Rows below a head. `right`: columns of figures, by their place."""

    head: list[str]
    rows: list[list[str]]
    right: list[int] = []


class Items(msgspec.Struct, tag="items", frozen=True):
    """A list."""

    items: list[str]
    ordered: bool = False


Tick = Literal["done", "open", "not-needed"]


class Ticked(msgspec.Struct, frozen=True):
    """One point of a checklist. `state`: in words, for a sign alone says nothing to everybody."""

    label: str
    tick: Tick
    state: str
    note: str = ""


class Ticks(msgspec.Struct, tag="ticks", frozen=True):
    """A checklist as it was ticked."""

    rows: list[Ticked]


class Drawing(msgspec.Struct, frozen=True):
    """A drawing of a trace. `alt`: what it shows, for those who do not see it."""

    svg: str
    caption: str
    alt: str


class Drawings(msgspec.Struct, tag="drawings", frozen=True):
    """Drawings side by side; `wide`: one over the whole width."""

    items: list[Drawing]
    wide: bool = False


class Photo(msgspec.Struct, frozen=True):
    """A photo as JPEG."""

    jpeg: bytes
    width: int
    height: int
    caption: str
    alt: str


class Photos(msgspec.Struct, tag="photos", frozen=True):
    """Photos side by side."""

    items: list[Photo]


class Signing(msgspec.Struct, tag="signing", frozen=True):
    """Lines to sign on, each with what is written below it."""

    labels: list[str]


Block = Heading | Para | Facts | Table | Items | Ticks | Drawings | Photos | Signing


class Document(msgspec.Struct, frozen=True):
    """A whole report."""

    language: str
    title: str
    subtitle: str
    foot: str
    """Stands on every sheet of paper."""
    one_page: bool
    """Set smaller until it fits on one sheet."""
    page_of: str
    """`Page {page} of {pages}`, in the report's language."""
    blocks: list[Block]
