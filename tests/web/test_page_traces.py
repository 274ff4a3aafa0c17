"""A filed trace on the page beside the good ones of its board."""

from __future__ import annotations

import msgspec
import pytest
from playwright.async_api import Browser, expect

from benchd.traces.comparison import Comparison, Figure
from benchd.traces.trace import Divergence
from tests.web.browser import by, open_page
from tests.web.fake import START_NS, FakeBench, finding, make_samples

pytestmark = pytest.mark.needs_chromium

LEAVES = Divergence(3.1, 0.061, 0.41, 0.02, 17.0, "Leaves the good one 3.10 s after the button: 0.061 A, not 0.410 A.")


async def test_a_finding_says_where_it_leaves_the_good_ones(browser: Browser, bench: FakeBench, url: str) -> None:
    samples = make_samples(START_NS, 20, 50)
    bench.file("T1", None, samples, msgspec.structs.replace(finding(), divergence=LEAVES, similarity=0.43))
    bench.file("T2", None, samples, msgspec.structs.replace(finding(), similarity=0.97))
    bench.file("T3", None, samples, finding())
    watched = await open_page(browser, f"{url}#trace/T1")
    page = watched.page
    found = by(page, "finding")
    await expect(found.locator(".standing li")).to_have_text(
        ["43 % alike to the references of its board.", LEAVES.text]
    )
    await page.goto(f"{url}#trace/T2")
    await expect(found.locator(".standing li")).to_have_text(
        ["97 % alike to the references of its board.", "It stays within what they draw."]
    )
    await page.goto(f"{url}#trace/T3")
    await expect(found).to_contain_text("82 % sure")
    await expect(found.locator(".standing")).to_have_count(0)
    assert watched.faults == []


async def test_a_picture_can_be_taken_away(browser: Browser, bench: FakeBench, url: str) -> None:
    bench.file("T1", None, make_samples(START_NS, 3, 50), finding())
    page = (await open_page(browser, f"{url}#trace/T1")).page
    async with page.expect_download() as file:
        await by(page, "picture").click()
    taken = await file.value
    assert taken.suggested_filename == "T1.png"
    assert (await taken.path()).read_bytes().startswith(b"\x89PNG")


async def test_a_trace_becomes_a_reference_of_its_board_and_is_taken_off(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    bench.file("T1", None, make_samples(START_NS, 3, 50), finding())
    watched = await open_page(browser, f"{url}#trace/T1")
    page = watched.page
    await by(page, "reference-add").click()
    await expect(by(page, "reference-board")).to_have_attribute("placeholder", "phone-main")
    await by(page, "reference-sheet").get_by_label("Note").fill("new board")
    await by(page, "reference-go").click()
    await expect(by(page, "reference")).to_contain_text("Reference for demo-a: new board")
    await expect(by(page, "reference-doubt")).to_have_text("it reads as low-stall")
    await expect(by(page, "reference-sheet")).to_have_count(0)
    await by(page, "reference-remove").click()
    await expect(by(page, "reference-add")).to_be_visible()
    assert [a for a in bench.asked if a[0] != "recent"] == [
        ("reference", "T1", "", "new board", "page"),
        ("no-reference", "T1", "page"),
    ]
    assert watched.faults == []


async def test_before_and_after_and_the_nearest_of_the_past(browser: Browser, bench: FakeBench, url: str) -> None:
    samples = make_samples(START_NS, 3, 50)
    bench.file("T0", "R-1", samples, finding(), start_ns=START_NS - 10**12)
    bench.file("T1", "R-1", samples, msgspec.structs.replace(finding(), signature="clean-boot", confidence=0.9))
    asked: list[tuple[str, str | None]] = []

    async def compare(trace: str, earlier: str | None) -> Comparison:
        asked.append((trace, earlier))
        figures = (
            Figure("leak before the button", "A", 0.0312, 0.0004, 0.0021, 0.0004, -0.0291, 0.0006, True),
            Figure("peak", "A", 0.094, None, 0.81, None, 0.716, None, None),
            Figure("settled mean", "A", None, None, 0.23, 0.01, None, None, None),
            Figure("lowest voltage share", "1", 0.98, 0.01, 0.97, 0.01, -0.01, 0.014, False),
            Figure("charge since the button", "C", None, None, None, None, None, None, None),
        )
        return Comparison("low-stall", 0.82, "clean-boot", 0.9, figures, 0.31, LEAVES, 12.0)

    bench.compare = compare  # type: ignore[method-assign]
    watched = await open_page(browser, f"{url}#trace/T1")
    page = watched.page
    told = by(page, "before-after")
    await expect(told).to_contain_text(
        "Before: Low stall: flat at tens of mA (82 %). Now: Clean boot: busy, then settles (90 %)."
    )
    await expect(told).to_contain_text(f"31 % alike. {LEAVES.text}")
    rows = told.locator("tbody tr")
    await expect(rows).to_have_text(
        [
            "leak before the button changed31.20\u00a0mA ± 0.40\u00a0mA2.10\u00a0mA ± 0.40\u00a0mA",
            "peak94\u00a0mA810\u00a0mA",
            "settled mean–230\u00a0mA ± 10\u00a0mA",
            "lowest voltage share98 %97 %",
        ]
    )
    assert asked == [("T1", "T0")]
    near = by(page, "near-row")
    await expect(near).to_have_count(1)
    await expect(near).to_contain_text("differs by 10\u00a0mA")
    await near.click()
    await expect(page.get_by_role("heading", name="Low stall: flat at tens of mA")).to_be_visible()
    await expect(by(page, "before-after")).to_be_empty()  # nothing was before it
    assert watched.faults == []
