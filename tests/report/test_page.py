"""The report as a page: whatever people typed is text, and it needs no style and no script of its own."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.report.document import Block, Document, Facts, Heading, Items, Para, Signing, Table, Ticked, Ticks
from benchd.report.gather import Gathered
from benchd.report.page import page
from tests.report.making import EVIL, told

KNOWN = {
    "html", "head", "meta", "title", "link", "body", "nav", "a", "main", "header", "footer", "h1", "h2", "h3", "p",
    "table", "tr", "th", "td", "thead", "tbody", "ul", "ol", "li", "div", "figure", "figcaption", "img", "small", "br",
    "svg", "rect", "line", "polyline", "polygon", "text",
}  # fmt: skip


class Seen(HTMLParser):
    """What a parser that is not ours finds in a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: list[tuple[str, str, str | None]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes += [(tag, name, value) for name, value in attrs]

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.fixture(scope="module")
def pages(evil: Gathered) -> tuple[str, str]:
    """Both reports of a job in which everybody typed markup."""
    return page(told(evil), [("Back & forth", "/#job/R-1042")]), page(told(evil, "customer"))


def test_what_people_typed_is_text(pages: tuple[str, str]) -> None:
    for text in pages:
        seen = Seen(text)
        assert seen.tags <= KNOWN
        assert EVIL in " ".join("".join(seen.words).split())


def test_it_keeps_to_the_policy_of_the_page_s_server(pages: tuple[str, str]) -> None:
    for text in pages:
        seen = Seen(text)
        names = {name for _, name, _ in seen.attributes}
        assert not {n for n in names if n.startswith("on")} | names & {"style", "srcdoc", "action"}
        loaded = [(tag, v or "") for tag, n, v in seen.attributes if n in ("src", "href", "xlink:href")]
        assert all(v == "/report/report.css" for tag, v in loaded if tag == "link")
        assert all(v.startswith("data:image/jpeg;base64,") for tag, v in loaded if tag == "img")
        assert all(v.startswith("/#job/") for tag, v in loaded if tag == "a")
        assert {tag for tag, _ in loaded} <= {"link", "img", "a"}


def test_pictures_have_words(pages: tuple[str, str]) -> None:
    seen = Seen(pages[0])
    alts = [v for tag, n, v in seen.attributes if tag == "img" and n == "alt"]
    assert alts == [f"Photo: {EVIL}"]
    drawn = [v for tag, n, v in seen.attributes if tag == "svg" and n == "role"]
    assert drawn == ["img"] * pages[0].count("<title>Current over time") + ["img"] * pages[0].count("<title>Trace ")
    assert len(drawn) == 7


def test_a_file_of_its_own_has_its_styles_in_it() -> None:
    made = page(Document("en", "T", "", "F", False, "", []), styles="p { color: red; }")
    assert "<style>\np { color: red; }</style>" in made
    assert "<link" not in made


TEXT = st.text(max_size=30)
BLOCKS: st.SearchStrategy[Block] = st.one_of(
    st.builds(Heading, TEXT),
    st.builds(Para, TEXT),
    st.builds(Facts, st.lists(st.tuples(TEXT, TEXT), max_size=2)),
    st.builds(lambda a, b: Table([a], [[b]], [0]), TEXT, TEXT),
    st.builds(Items, st.lists(TEXT, max_size=2), st.booleans()),
    st.builds(lambda a, b, c: Ticks([Ticked(a, "open", b, c)]), TEXT, TEXT, TEXT),
    st.builds(Signing, st.lists(TEXT, max_size=2)),
)


@settings(max_examples=40)
@given(st.lists(BLOCKS, max_size=4), TEXT, TEXT)
def test_no_text_at_all_becomes_markup(blocks: list[Block], title: str, foot: str) -> None:
    assert Seen(page(Document("en", title, title, foot, True, "", blocks))).tags <= KNOWN
