"""The page in a real browser, over a real socket, with a bench in memory behind it."""

from __future__ import annotations

import asyncio
import re
import time
from pathlib import Path

import httpx
import pytest
from playwright.async_api import Browser, Page, expect

from benchd.jobs.job import Job
from benchd.reading import OutputState
from benchd.web.port import Refused
from tests.web.browser import DESK, PATIENCE_S, PHONE, TABLET, by, eventually, open_page
from tests.web.conftest import served
from tests.web.fake import START_NS, FakeBench, finding, make_samples, trip_of

pytestmark = pytest.mark.needs_chromium

SMALLEST_TARGET_PX = 56
HEAVIEST_BYTES = 300_000


def samples_now(i: float, v: float = 4.0) -> dict[str, object]:
    return {
        "type": "samples", "supply": "lab", "channel": 1, "t0_ns": time.time_ns(), "t_ms": [0], "v": [v], "i": [i],
    }  # fmt: skip


async def inked(page: Page) -> int:
    """Pixels of the first plot that are drawn in the colour of the current."""
    return await page.evaluate(
        """() => {
          const canvas = document.querySelector('.plot canvas');
          if (!canvas) return -1;
          // A copy: reading back from the page's own canvas would change how it is drawn.
          const copy = document.createElement('canvas');
          [copy.width, copy.height] = [canvas.width, canvas.height];
          const pen = copy.getContext('2d', { willReadFrequently: true });
          pen.drawImage(canvas, 0, 0);
          const data = pen.getImageData(0, 0, copy.width, copy.height).data;
          let n = 0;
          for (let k = 0; k < data.length; k += 4)
            if (data[k] === 0xff && data[k + 1] === 0xb4 && data[k + 2] === 0x54 && data[k + 3] === 255) n++;
          return n;
        }"""
    )


async def test_live_numbers_and_the_cut_off(browser: Browser, bench: FakeBench, url: str) -> None:
    watched = await open_page(browser, url)
    page = watched.page
    card = by(page, "channel-lab-1")
    await expect(by(page, "link")).to_have_text("live")
    await expect(card.get_by_test_id("output")).to_have_text("off")
    bench.set(1, output=OutputState.ON, current_a=0.0623, voltage_v=3.9981, power_w=0.249, mode="cv", capture="booting")
    await expect(card.get_by_test_id("current")).to_have_text("0.062 A")
    await expect(card.get_by_test_id("voltage")).to_have_text("3.998 V")
    await expect(card.get_by_test_id("power")).to_have_text("0.249 W")
    await expect(card.get_by_test_id("output")).to_have_text("on")
    await expect(card.get_by_test_id("capture")).to_have_text("booting")
    bench.set(1, current_a=1.25)
    await expect(card.get_by_test_id("current")).to_have_text("1.250 A")
    await by(page, "cut-off").click()
    await expect(page.get_by_text("All outputs are off, read back.")).to_be_visible()
    await expect(card.get_by_test_id("output")).to_have_text("off")
    assert ("off", None, None) in bench.asked
    assert watched.faults == []


async def test_the_plot_draws_what_comes_live(browser: Browser, bench: FakeBench, url: str) -> None:
    watched = await open_page(browser, url)
    await expect(by(watched.page, "link")).to_have_text("live")
    assert await inked(watched.page) < 1500, "axis labels only"
    async with asyncio.timeout(PATIENCE_S):
        while await inked(watched.page) < 3000:
            for n in range(20):
                bench.send(samples_now(0.2 + 0.6 * (n % 2)))
                await asyncio.sleep(0.02)
    assert watched.faults == []


async def test_a_page_that_just_opened_shows_the_last_seconds(browser: Browser, bench: FakeBench, url: str) -> None:
    start = time.time_ns() - 30 * 10**9
    bench.memory["lab", 1] = make_samples(start, 30, 50, lambda t: 0.3 + 0.2 * (t % 1))
    watched = await open_page(browser, url)
    async with asyncio.timeout(PATIENCE_S):
        while await inked(watched.page) < 3000:  # noqa: ASYNC110 - a canvas has no event for it
            await asyncio.sleep(0.05)
    assert ("recent", "lab", 1, 120.0) in bench.asked
    assert watched.faults == []


async def test_an_off_that_is_not_confirmed_is_loud(browser: Browser, bench: FakeBench, url: str) -> None:
    watched = await open_page(browser, url)
    page = watched.page
    await expect(by(page, "link")).to_have_text("live")
    bench.refuse = Refused("wrong-state", "lab 1 still reads 3.9 V")
    await by(page, "cut-off").press("Enter")
    await expect(
        page.get_by_text("NOT CONFIRMED: use the supply's own switch. lab 1 still reads 3.9 V")
    ).to_be_visible()
    # It is asked for again by itself; and a key that follows at once is not taken for the end of the same press.
    bench.refuse = None
    await expect(page.get_by_text("All outputs are off, read back.")).to_be_visible()
    done = bench.asked.count(("off", None, None))
    await by(page, "cut-off").press("Enter")
    await eventually(lambda: bench.asked.count(("off", None, None)) == done + 1)


async def test_a_lost_link_does_not_look_like_a_quiet_board(browser: Browser, bench: FakeBench) -> None:
    bench.set(1, output=OutputState.ON, current_a=0.5)
    async with served(bench) as url:
        page = (await open_page(browser, url)).page
        card = by(page, "channel-lab-1")
        await expect(card).to_have_attribute("data-stale", "false")
        value = card.get_by_test_id("current").locator(".value")
        await expect(value).to_have_css("text-decoration-line", "none")
        await by(page, "channel-lab-2").get_by_test_id("power-on").click()
        await by(page, "power-sheet").get_by_test_id("power-on-confirm").hover()
        await page.mouse.down()
    await expect(by(page, "link")).to_have_text(re.compile(r"link lost \d+ s"))
    # The button was held while the link went: letting it go does nothing, now or when the link is back.
    await page.mouse.up()
    await expect(by(page, "foot-said")).to_contain_text("Not done: this page does not hear the bench")
    await page.keyboard.press("Escape")
    await expect(card.get_by_test_id("output")).to_have_text("unknown")
    # No number is left that could be taken for that of now; the last one is told with its age.
    await expect(value).to_have_text("–")
    await expect(card.get_by_text(re.compile(r"not heard: \d+ s ago it was 0.500 A"))).to_be_visible()
    await by(page, "cut-off").press("Enter")
    await expect(page.get_by_text(re.compile("NOT CONFIRMED.*The bench does not answer"))).to_be_visible()
    # It comes back by itself.
    async with served(bench, port=int(url.rstrip("/").rsplit(":", 1)[1])):
        await expect(by(page, "link")).to_have_text("live")
        await expect(card.get_by_test_id("output")).to_have_text("on")
        await expect(value).to_have_text("0.500")
        assert [a for a in bench.asked if a[0] == "on"] == []
        await expect(value).to_have_css("text-decoration-line", "none")


async def test_a_supply_that_stopped_answering_is_struck_out_too(browser: Browser, bench: FakeBench, url: str) -> None:
    page = (await open_page(browser, url)).page
    card = by(page, "channel-lab-1")
    await expect(by(page, "link")).to_have_text("live")
    bench.set(1, link_up=False, link_text="No reply for 3 s.", output=OutputState.UNKNOWN, reading_age_s=75.0)
    await expect(card.get_by_test_id("output")).to_have_text("unknown")
    await expect(card.get_by_text("Supply not reached. No reply for 3 s.")).to_be_visible()
    await expect(card.get_by_text(re.compile(r"these numbers are 7\d s old"))).to_be_visible()
    await expect(card.get_by_test_id("power-off")).to_be_visible()
    bench.set(1, current_a=None, voltage_v=None, power_w=None, reading_age_s=None)
    await expect(card.get_by_test_id("current")).to_have_text("– A")


async def test_power_goes_on_with_a_plan_after_the_cautions(browser: Browser, bench: FakeBench, url: str) -> None:
    watched = await open_page(browser, url)
    page = watched.page
    card = by(page, "channel-lab-1")
    await card.get_by_test_id("power-on").click()
    sheet = by(page, "power-sheet")
    await expect(sheet).to_contain_text("Lithium cell on board: disconnect it before feeding its terminals")
    await expect(sheet.get_by_role("radio", name="phone")).to_be_checked()
    await by(sheet, "other-plans").click()
    await sheet.get_by_text("laptop").click()
    await expect(by(sheet, "plan-about")).to_be_in_viewport(ratio=1)
    await expect(by(sheet, "cautions")).to_contain_text("Hot parts.")
    await sheet.get_by_test_id("power-on-confirm").click()
    await expect(sheet).to_have_count(0)
    await expect(card.get_by_test_id("output")).to_have_text("on")
    await card.get_by_test_id("mark-button").click()
    await eventually(lambda: ("mark", "lab", 1, "button") in bench.asked)
    await card.get_by_test_id("power-off").click()
    await expect(card.get_by_test_id("output")).to_have_text("off")
    assert [a for a in bench.asked if a[0] == "on"] == [("on", "lab", 1, "laptop", None, None, "page")]
    assert watched.faults == []


async def test_an_unverified_profile_is_marked_and_asked_about_once(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    for number in (1, 2):
        bench.set(number, trust="unverified", consent_key="k1", consent_text="Written from thin <documents>.")
    watched = await open_page(browser, url)
    page = watched.page
    card = by(page, "channel-lab-1")
    await expect(card.get_by_test_id("identity")).to_have_text("EXAMPLE TWO · firmware 1 unverified profile")
    await expect(card.get_by_test_id("trust")).to_have_attribute("title", re.compile("thin documents.*example-two"))
    await card.get_by_test_id("power-on").click()
    dialog = page.get_by_role("dialog", name="Unverified profile: lab")
    await expect(dialog).to_have_accessible_description("Written from thin <documents>.")
    await dialog.get_by_role("button", name="Leave it off").click()
    await expect(page.locator(".sheet")).to_have_count(0)
    assert bench.asked == [a for a in bench.asked if a[0] not in ("consent", "on")]
    await card.get_by_test_id("power-on").press("Enter")
    await dialog.get_by_role("button", name="Accept this profile").press("Enter")
    sheet = by(page, "power-sheet")
    await expect(sheet).to_be_visible()
    await expect(card.get_by_test_id("output")).to_have_text("off")  # accepting switches nothing
    await sheet.get_by_test_id("power-on-confirm").click()
    await expect(card.get_by_test_id("output")).to_have_text("on")
    await by(page, "channel-lab-2").get_by_test_id("power-on").click()
    await expect(by(page, "power-sheet")).to_contain_text("Its smallest setting is 0.01 V.")
    assert [a for a in bench.asked if a[0] in ("consent", "on")] == [
        ("consent", "lab", "k1", "the page"),
        ("on", "lab", 1, "phone", None, None, "page"),
    ]
    assert watched.faults == []


async def test_a_consent_that_came_too_late_says_why(browser: Browser, bench: FakeBench, url: str) -> None:
    page = (await open_page(browser, url)).page
    card = by(page, "channel-lab-1")
    await card.get_by_test_id("power-on").click()
    # It was met again meanwhile, as another model, while the sheet was open.
    bench.set(1, consent_key="k2", consent_text="Thin.")
    await by(page, "power-sheet").get_by_test_id("power-on-confirm").click()
    await expect(by(page, "power-sheet").get_by_role("alert")).to_have_text("lab 1: Thin.")
    await expect(card.get_by_test_id("output")).to_have_text("off")


async def test_the_cut_off_stays_in_reach_of_every_sheet(browser: Browser, bench: FakeBench, url: str) -> None:
    bench.job_list = [Job(f"R-{n}", "phone", "", "", n) for n in range(30)]
    page = (await open_page(browser, url)).page
    for opener in (by(page, "job"), by(page, "channel-lab-1").get_by_test_id("power-on")):
        await opener.click()
        await expect(page.locator(".sheet")).to_be_visible()
        top = await page.evaluate(
            """() => {
              const box = document.querySelector('[data-testid=cut-off]').getBoundingClientRect();
              const hit = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
              return hit.dataset.testid;
            }"""
        )
        assert top == "cut-off"
        before = len(bench.asked)
        await by(page, "cut-off").click()
        await eventually(lambda before=before: ("off", None, None) in bench.asked[before:])
        await page.keyboard.press("Escape")
        await expect(page.locator(".sheet")).to_have_count(0)


async def test_a_trip_is_shown_until_a_person_re_arms(browser: Browser, bench: FakeBench, url: str) -> None:
    watched = await open_page(browser, url)
    page = watched.page
    await expect(by(page, "link")).to_have_text("live")
    bench.set(1, output=OutputState.UNKNOWN, latched=True, trip=trip_of(confirmed=False))
    banner = by(page, "trip-banner")
    await expect(banner).to_contain_text("Tripped: Short")
    await expect(banner).to_contain_text("OFF IS NOT CONFIRMED")
    await expect(banner.get_by_test_id("rearm")).to_be_disabled()
    await expect(banner.get_by_role("button", name="Less")).to_have_count(0)
    bench.set(1, output=OutputState.OFF, trip=trip_of())
    await expect(banner).to_contain_text("In limit at 2.000 A with 0.412 V of 4.000 V for 12 ms.")
    await expect(banner).to_contain_text("Output is off, read back.")
    await expect(banner).to_contain_text("let through 31 mC, 12.80 mJ ± 0.40 mJ, 61 mA²s")
    await expect(by(page, "channel-lab-1").get_by_test_id("power-on")).to_be_disabled()
    await expect(by(page, "channel-lab-1").get_by_test_id("capture")).to_have_text("tripped: re-arm first")
    # A phone has no room for the details of what is made safe: they come when asked for.
    await expect(banner.get_by_text("let through")).to_be_hidden()
    await expect(banner.get_by_text("Output is off, read back.")).to_be_visible()
    await banner.get_by_role("button", name="More").click()
    await expect(banner.get_by_text("let through")).to_be_visible()
    await banner.get_by_role("button", name="Less").click()
    await expect(banner.get_by_text("let through")).to_be_hidden()
    await banner.get_by_test_id("rearm").click()
    await expect(banner.get_by_test_id("rearm")).to_have_text("Fault found and cleared? Tap again to re-arm")
    assert [a for a in bench.asked if a[0] == "rearm"] == []
    await banner.get_by_test_id("rearm").click()
    await expect(banner).to_have_count(0)
    assert bench.asked[-1] == ("rearm", "lab", 1, "page")
    assert watched.faults == []


async def test_a_desk_shows_the_details_of_a_trip_at_once(browser: Browser, bench: FakeBench, url: str) -> None:
    bench.set(1, latched=True, trip=trip_of())
    page = (await open_page(browser, url, DESK)).page
    await expect(by(page, "trip-banner").get_by_text("let through")).to_be_visible()
    await by(page, "trip-banner").get_by_role("button", name="Less").click()
    await expect(by(page, "trip-banner").get_by_text("let through")).to_be_hidden()


async def test_a_trip_is_not_called_off_by_a_page_that_hears_nothing(browser: Browser, bench: FakeBench) -> None:
    bench.set(1, latched=True, trip=trip_of())
    async with served(bench) as url:
        page = (await open_page(browser, url)).page
        banner = by(page, "trip-banner")
        await expect(banner).to_contain_text("Output is off, read back.")
    await expect(by(page, "link")).to_have_text(re.compile("link lost"))
    await expect(banner).not_to_contain_text("Output is off")
    await expect(banner).to_contain_text("what it is now is not known")
    await expect(page.get_by_text("If in doubt, switch off at the supply itself.")).to_be_visible()
    async with served(bench, port=int(url.rstrip("/").rsplit(":", 1)[1])):
        await expect(banner).to_contain_text("Output is off, read back.")
        await expect(page.get_by_text("If in doubt, switch off at the supply itself.")).to_have_count(0)


async def test_a_button_under_a_trip_can_be_reached_on_a_phone(browser: Browser, bench: FakeBench, url: str) -> None:
    page = (await open_page(browser, url)).page
    bench.set(2, latched=True, trip=trip_of())
    await expect(by(page, "trip-banner")).to_be_visible()
    # Fails when the head or the cut-off bar covers what was scrolled to.
    await by(page, "channel-lab-1").get_by_test_id("power-on").click()
    await expect(by(page, "power-sheet")).to_be_visible()


async def test_a_trip_sounds_once_the_page_was_touched(browser: Browser, bench: FakeBench, url: str) -> None:
    page = (await open_page(browser, url)).page
    await page.evaluate(
        """() => {
          window.tones = 0;
          const start = OscillatorNode.prototype.start;
          OscillatorNode.prototype.start = function (...a) { window.tones++; return start.apply(this, a); };
        }"""
    )
    await expect(by(page, "link")).to_have_text("live")
    await by(page, "link").click()
    bench.set(1, latched=True, trip=trip_of())
    await expect(by(page, "trip-banner")).to_be_visible()
    await page.wait_for_function("window.tones === 4")
    bench.changed()
    await expect(by(page, "trip-banner")).to_be_visible()
    assert await page.evaluate("window.tones") == 4, "one trip sounds once, however often the bench repeats it"


@pytest.mark.parametrize("size", [PHONE, TABLET, DESK], ids=["phone", "tablet", "desk"])
async def test_it_fits_and_its_targets_are_wide_enough_for_gloves(
    browser: Browser, bench: FakeBench, url: str, size: tuple[int, int]
) -> None:
    bench.job_list = [Job("R-1042", "phone", "main", "dead", 1)]
    bench.file("T1", "R-1042", make_samples(START_NS, 3, 50), finding())
    bench.set(1, output=OutputState.ON, current_a=10.0625, voltage_v=19.998)
    bench.trip_filed(7, "R-1042")
    bench.set(2, latched=True, trip=trip_of() | {"number": 7})
    watched = await open_page(browser, url, size)
    page = watched.page
    await expect(by(page, "trip-banner")).to_be_visible()
    for view in ("bench", "traces", "journal", "trace/T1", "trip/7", "plans", "plans/phone"):
        await page.goto(f"{url}#{view}")
        await expect(page.locator(f"section.view-{view.split('/')[0]}")).to_be_visible()
        if view == "trace/T1":
            await expect(by(page, "trace-view").get_by_role("button", name="Button", exact=True)).to_be_visible()
        if view == "trip/7":
            await expect(by(page, "trip-view").locator("canvas")).to_be_visible()
        if view == "plans/phone":
            await by(page, "plan-copy").click()
        assert await page.evaluate("document.documentElement.scrollWidth") <= size[0]
        cut_short = await page.evaluate(
            """() => [...document.querySelectorAll('button, .like-button, .tabs a')]
              .filter((e) => e.checkVisibility() && e.scrollWidth > e.clientWidth).map((e) => e.textContent)"""
        )
        assert cut_short == [], "the words of a button fit into it"
        await expect(by(page, "cut-off")).to_be_in_viewport(ratio=1)
        small = await page.evaluate(
            """(least) => [...document.querySelectorAll(
                'button, a, input:not([type=checkbox]), .tick, textarea, summary')]
              .filter((e) => e.checkVisibility() && !e.closest('.entries'))
              .map((e) => [e.textContent || e.name, e.getBoundingClientRect()])
              .filter(([, box]) => box.height < least || box.width < least)
              .map(([name, box]) => `${name}: ${box.width} x ${box.height}`)""",
            SMALLEST_TARGET_PX,
        )
        assert small == []
    assert watched.faults == []


async def test_it_is_light_and_asks_nobody_else(browser: Browser, bench: FakeBench, url: str) -> None:
    watched = await open_page(browser, url)
    await expect(by(watched.page, "link")).to_have_text("live")
    assert {httpx.URL(r).netloc for r in watched.requests} == {httpx.URL(url).netloc}
    files = {r for r in watched.requests if "/api/" not in r}
    async with httpx.AsyncClient() as client:
        answers = [await client.get(f) for f in files]
    assert any(f.endswith("uPlot.esm.js") for f in files)
    assert sum(len(a.content) for a in answers) <= HEAVIEST_BYTES
    assert watched.faults == []


async def test_cut_off_works_without_the_plot_library_and_without_any_script(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    page = await browser.new_page()
    await page.route("**/uPlot.esm.js", lambda route: route.abort())
    await page.goto(url)
    await expect(by(page, "channel-lab-1").get_by_test_id("current")).to_have_text("0.000 A")
    await by(page, "cut-off").click()
    await eventually(lambda: bench.asked.count(("off", None, None)) == 1)
    context = await browser.new_context(java_script_enabled=False)
    bare = await context.new_page()
    await bare.goto(url)
    await bare.get_by_test_id("cut-off").click()
    await eventually(lambda: bench.asked.count(("off", None, None)) == 2)


# ---- colours


def luminance(colour: str) -> float:
    """Relative luminance as defined in WCAG 2.2."""
    digits = colour.lstrip("#")
    wide = "".join(c * 2 for c in digits) if len(digits) == 3 else digits
    parts = [int(wide[n : n + 2], 16) / 255 for n in (0, 2, 4)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    """Contrast ratio as defined in WCAG 2.2."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", ["dark", "light"])
def test_text_stands_out_as_wcag_level_aa_wants(scheme: str) -> None:
    css = (Path(__file__).parents[2] / "dashboards" / "web" / "app.css").read_text("utf-8")
    dark, light, *_ = re.findall(r":root \{(.*?)\}", css, re.S)  # then the one of paper
    colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]+)", dark))
    if scheme == "light":
        colours |= dict(re.findall(r"--([\w-]+): (#[0-9a-f]+)", light))
    pairs = [
        *((text, back) for text in ("ink", "soft", "bad", "unknown") for back in ("ground", "card")),
        ("amp", "card"), ("volt", "card"), ("ink", "quiet"), ("soft", "quiet"), ("ground", "off"), ("on-ink", "on"),
        ("ground", "unknown"), ("go-ink", "go"), ("cut-ink", "cut"), ("trip-ink", "trip"),
    ]  # fmt: skip
    # SC 1.4.3: 4.5 : 1. Black on white is 21 : 1 by the same formula.
    assert contrast("#000", "#fff") == pytest.approx(21)
    assert {
        p: round(contrast(colours[p[0]], colours[p[1]]), 2)
        for p in pairs
        if contrast(colours[p[0]], colours[p[1]]) < 4.5
    } == {}
