"""The report on paper, read back by a program that has nothing to do with what wrote it."""

from __future__ import annotations

import dataclasses
import io

import msgspec
import pytest
from pypdf import PdfReader

from benchd.report.document import Block, Document, Facts, Items, Para, Photo, Photos, Table
from benchd.report.gather import Gathered
from benchd.report.pdf import pdf
from tests.report.making import EVIL, T0, jpeg, told


def opened(document: Document) -> PdfReader:
    return PdfReader(io.BytesIO(pdf(document, T0)), strict=True)


def words(reader: PdfReader) -> str:
    """Without any white space: where lines break is the setter's own."""
    return squeezed("".join(page.extract_text() for page in reader.pages))


def squeezed(text: str) -> str:
    return "".join(text.split())


def sheet(*blocks: Block, one_page: bool = False) -> Document:
    return Document("en", "T", "", "foot", one_page, "page {page} of {pages}", list(blocks))


def test_what_people_typed_is_text_on_paper_too(evil: Gathered) -> None:
    reader = opened(told(evil))
    text = words(reader)
    assert text.count(squeezed(EVIL)) >= 8
    assert squeezed("Repair report R-1042") in text
    assert squeezed("it stays at 60.0 mA ±") in text
    assert squeezed("In trip 2 the output could not be confirmed off.") in text
    assert squeezed(f"page 1 of {len(reader.pages)}") in text
    assert reader.metadata is not None
    assert reader.metadata.title == "Repair report R-1042"
    # 2026-01-02T03:04:05Z is T0.
    assert str(reader.metadata.creation_date_raw).startswith("D:20260102030405")


def test_the_workshop_s_has_the_photo(evil: Gathered) -> None:
    reader = opened(told(evil, "full", "de"))
    photos = [image.image.size for page in reader.pages for image in page.images if image.image]
    assert photos == [(900, 675)]


def test_the_customer_s_has_no_photo_that_nobody_chose_and_the_german_one_has_its_letters(evil: Gathered) -> None:
    reader = opened(told(evil, "customer", "de"))
    assert len(reader.pages) == 1
    assert list(reader.pages[0].images) == []
    assert squeezed("Bitte beachten Sie") in words(reader)
    assert squeezed("Die Lötstellen eines Teils wurden neu aufgeschmolzen.") in words(reader)


@pytest.mark.parametrize("long", ["no end of words " * 200, "W" * 4000, "\n" * 300 + "x"])
def test_the_customer_s_is_one_page_whatever_was_typed(job: Gathered, long: str) -> None:
    typed = msgspec.structs.replace(job.job, device=long, symptom=long, wanted_back=long)
    photos = tuple(dataclasses.replace(photo, caption=long) for photo in job.photos * 3)
    assert len(opened(told(dataclasses.replace(job, job=typed, photos=photos), "customer")).pages) == 1


def test_long_words_and_tables_stay_on_the_sheet() -> None:
    word = "W" * 300
    reader = opened(sheet(Para(word), Facts([("label", word)]), Items([word]), Table(["a", "b"], [[word, word]])))
    ends: list[float] = []

    def place(text: str, _: object, at: list[float], font: object, size: float) -> None:
        ends.append(at[4] + text.count("W") * 0.9 * size)  # a W of this font is 0.94 of its size wide

    reader.pages[0].extract_text(visitor_text=place)
    assert 200 < max(ends) < 595 - 40, "A4 is 595 points wide, with margins of 57"


def test_letters_of_any_script_do_not_stop_it() -> None:
    assert (
        len(
            opened(
                sheet(Para("日本語 кириллица עברית 😀 \ufffd \u202e"), Photos([Photo(jpeg(40, 30), 40, 30, "", "")]))
            ).pages
        )
        == 1
    )
