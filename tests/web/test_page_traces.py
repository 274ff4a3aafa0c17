"""Filed traces on the page: zoomed, measured, marked, beside the good ones of their board and over each other."""

from __future__ import annotations

import re

import msgspec
import pytest
from playwright.async_api import Browser, Page, expect

from benchd.traces.comparison import Comparison, Figure
from benchd.traces.trace import Conditions, Divergence
from tests.web.browser import DESK, PHONE, TABLET, by, open_page
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


async def ink(
    page: Page, colour: tuple[int, int, int], place: str = "[data-testid=trace-plot] canvas"
) -> list[list[int]]:
    """Of each column of pixels of a plot, right of its axis: the highest and the lowest pixel of this colour, or []."""
    found: list[list[int]] = await page.evaluate(
        """([place, [r, g, b]]) => {
          const canvas = document.querySelector(place);
          const copy = document.createElement('canvas');
          [copy.width, copy.height] = [canvas.width, canvas.height];
          const pen = copy.getContext('2d', { willReadFrequently: true });
          pen.drawImage(canvas, 0, 0);
          const { data, width, height } = pen.getImageData(0, 0, copy.width, copy.height);
          const columns = Array.from({ length: width }, () => []);
          for (let y = 0; y < height; y++)
            for (let x = 80; x < width; x++) {
              const k = 4 * (y * width + x);
              if (Math.abs(data[k] - r) + Math.abs(data[k + 1] - g) + Math.abs(data[k + 2] - b) > 24) continue;
              if (columns[x].length) columns[x][1] = y; else columns[x] = [y, y];
            }
          return columns;
        }""",
        [place, colour],
    )
    return found


AMBER = (0xFF, 0xB4, 0x54)


async def test_a_filed_trace_comes_by_itself_and_is_zoomed_to_the_reading(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    watched = await open_page(browser, url, DESK)
    page = watched.page
    await page.get_by_role("link", name="Power-ups").click()
    samples = make_samples(START_NS, 20, 1000)
    samples.current_a[12_345] = 1.5
    bench.file("T1", "R-1", samples, finding(), end_ns=START_NS + 20 * 10**9)
    bench.event("trace")
    await by(page, "trace-row").click()
    found = by(page, "trace-view").get_by_test_id("finding")
    for part in (
        "82 % sure",
        "Flat at 61.2 mA ± 1.1 mA from 1.4 s on.",
        "Early leak: current before the button (20 %). To tell apart: Power without pressing the button",
        "Look for low-level recovery mode on USB.",
        "Disconnect the battery before feeding its terminals.",
    ):
        await expect(found).to_contain_text(part)
    detail = by(page, "detail")
    await expect(detail).to_contain_text("the lowest and the highest reading")
    tall = [n for n, rows in enumerate(await ink(page, AMBER)) if rows and rows[1] - rows[0] > 100]
    assert 1 <= len(tall) <= 4, "one reading among 20 000 is a spike of its own"
    # Keys zoom in about the middle, and the marks' names lead to their moments.
    plot = by(page, "trace-plot")
    await plot.focus()
    for _ in range(30):
        await page.keyboard.press("+")
    await expect(detail).to_contain_text("Every reading is drawn.")
    await page.keyboard.press("0")
    await expect(detail).to_contain_text("the lowest and the highest reading")
    box = await plot.bounding_box()
    assert box is not None
    await page.mouse.move(box["x"] + tall[0], box["y"] + 200)
    for _ in range(6):
        await page.mouse.wheel(0, -400)
    await expect(detail).to_contain_text("Every reading is drawn.")
    await page.wait_for_function("document.querySelector('.point').textContent.includes('A,')")
    assert any(rows and rows[1] - rows[0] > 100 for rows in await ink(page, AMBER)), "it is still there close up"
    async with page.expect_download() as file:
        await by(page, "csv").click()
    assert (await file.value).suggested_filename == "T1.csv"
    assert watched.faults == []


async def test_two_cursors_and_a_mark_by_hand(browser: Browser, bench: FakeBench, url: str) -> None:
    row = bench.file(
        "T1", None, make_samples(START_NS, 30, 50, lambda t: 0.5 + 0 * t), finding(), end_ns=START_NS + 30 * 10**9
    )
    watched = await open_page(browser, f"{url}#trace/T1", TABLET)
    page = watched.page
    await expect(by(page, "finding")).to_be_visible()
    await by(page, "cursors").click()
    readout = by(page, "readout")
    await expect(readout).to_contain_text("Δt\u00a09.99")
    await expect(readout).to_contain_text("mean500\u00a0mA")
    one = page.get_by_role("slider", name="Cursor A")
    before = float(await one.get_attribute("aria-valuenow") or "nan")
    await one.press("Shift+ArrowRight")
    assert before < float(await one.get_attribute("aria-valuenow") or "nan") < before + 2
    grip, plot = await one.locator(".grip").bounding_box(), await by(page, "trace-plot").bounding_box()
    assert grip is not None
    assert plot is not None
    assert min(grip["width"], grip["height"]) >= 48
    await page.mouse.move(grip["x"] + 24, grip["y"] + 24)
    await page.mouse.down()
    await page.mouse.move(plot["x"] + 80, grip["y"] + 24)
    await page.mouse.up()
    assert float(await one.get_attribute("aria-valuenow") or "nan") < 2
    # A mark is placed, moved by a key, and kept; then somebody else has changed it.
    await by(page, "set-mark-boot-end").click()
    await page.get_by_role("slider", name="The mark boot end").press("ArrowRight")
    keep = by(page, "mark-keep")
    await expect(keep).to_contain_text(re.compile(r"Keep it at 15\.\d+"))
    await keep.click()
    marks = by(page, "marking").locator(".marks li")
    await expect(marks).to_contain_text([re.compile(r"boot end 15\.\d+\ssby hand")])
    assert [a[:3] for a in bench.asked if a[0] == "mark-trace"] == [("mark-trace", "T1", "boot-end")]
    bench.filed["T1"] = msgspec.structs.replace(bench.filed["T1"][0], marks=list(row.marks)), bench.filed["T1"][1]
    await by(page, "mark-away-boot-end").click()
    await expect(by(page, "marking").get_by_role("alert")).to_contain_text("are others by now: button 1.200 s")
    await expect(marks).to_have_count(2)
    bench.filed["T1"] = msgspec.structs.replace(row, marks=[]), bench.filed["T1"][1]
    bench.event("journal", job=None)
    await expect(marks).to_have_text(["None."])
    measured = by(page, "measured")
    await measured.locator("summary").click()
    await expect(measured).to_contain_text("charge∫ I dt")
    assert [f for f in watched.faults if "409" not in f] == []


async def test_several_are_laid_over_each_other_or_by_the_clock(browser: Browser, bench: FakeBench, url: str) -> None:
    for n, (id, channel, side) in enumerate((("T1", 1, "battery"), ("U1", 2, "usb"), ("T0", 1, ""))):
        late = 10**9 * n if id != "T0" else -(10**13)
        samples = make_samples(START_NS + late, 12, 50, lambda t: 0.3 * (t > 2))
        bench.file(id, "R-1", samples, finding(), start_ns=START_NS + late, end_ns=START_NS + late + 12 * 10**9,
                   channel=channel, marks=[], conditions=Conditions(4.0, 2.0, side=side))  # fmt: skip
    watched = await open_page(browser, f"{url}#trace/T1", PHONE)
    page = watched.page
    await by(page, "companions").get_by_role("link", name="Beside the USB side of the same time").click()
    await expect(by(page, "by-clock")).to_have_attribute("aria-pressed", "true")
    await expect(by(page, "trace-plot")).to_have_count(2)
    await expect(by(page, "compare-view").locator("h3").nth(1)).to_contain_text("USB side")
    # Two are ticked in the list, and laid over each other.
    await page.get_by_role("link", name="Power-ups", exact=True).click()
    await by(page, "choose").click()
    await expect(by(page, "compare-chosen")).to_be_disabled()
    for id in ("T0", "T1"):
        await page.locator(f"li:has([data-trace={id}])").get_by_test_id("choose-box").check()
    await expect(by(page, "compare-chosen")).to_have_text("Lay these 2 over each other")
    await by(page, "compare-chosen").click()
    await expect(by(page, "by-button")).to_have_attribute("aria-pressed", "true")
    await expect(by(page, "trace-plot")).to_have_count(1)
    await expect(by(page, "over-list").locator("li")).to_have_count(2)
    await expect(by(page, "before-after")).to_contain_text("31 % alike")
    await by(page, "cursors").click()
    await expect(by(page, "readout").locator("dl")).to_have_count(2)
    await by(page, "over-list").get_by_role("button", name=re.compile("^Hide")).first.click()
    await by(page, "under").click()
    await expect(by(page, "trace-plot")).to_have_count(1)
    assert await page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
    await page.goto(f"{url}#compare/T0,T9")
    await expect(by(page, "compare-view")).to_contain_text("trace 'T9' is not in the log")
    assert [f for f in watched.faults if "404" not in f] == []


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
