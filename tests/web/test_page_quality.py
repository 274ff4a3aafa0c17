"""The page for everybody: by keyboard, by ear, on any screen, in any colours; every view with something in it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_asyncio
from playwright.async_api import Browser, Locator, Page, expect

from tests.page.test_code import modules  # noqa: F401 - a fixture
from tests.web.browser import DESK, TABLET, by, open_page
from tests.web.conftest import close_pages
from tests.web.full_shop import Shop, full_shop

pytestmark = pytest.mark.needs_chromium

SMALL_PHONE, WALL = (360, 740), (3840, 600)
"""The wall's screen is as wide as 4K; its height costs time to paint, and no width."""
VIEWS = {
    "bench": "Low stall",
    "job": "charger chip",
    "jobs": "Waiting for parts",
    "jobs/new": "Take a device in",
    "traces": "82 %",
    "trace/T1": "All that is measured",
    "trip/7": "off confirmed",
    "compare/T1,T3": "Whole",
    "plans": "Phone board",
    "settings": "Signature cards",
    "settings/bench": "psu-a",
    "settings/card": "boot-loop",
    "settings/card:low-stall": "low-stall",
    "settings/changes": "Changes",
    "measure": "Leak curve",
    "measure/card:leak-curve": "is too much for this",
    "measure/run:P1": "like a resistor",
    "measure/leads": "measure them again",
    "journal": "Journal of R-1042",
}
"""Each view, and words that stand in it once it is there."""
SHEETS = ("job", "foot-switch", "hearing", "power-on")
"""What opens each."""
LOOKED_AT = "main > [data-looked-at]"
AXE = """([place, only]) => axe.run(place, {
    runOnly: only ?? ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'best-practice'],
    resultTypes: ['violations'], preload: false,
  }).then(({ violations }) => violations.flatMap(({ id, nodes }) =>
    nodes.map((node) => `${id}: ${node.target.join(' ')}: ${node.failureSummary}`)))"""


@pytest_asyncio.fixture(loop_scope="session")
async def shop(tmp_path: Path, shared_browser: Browser) -> AsyncIterator[Shop]:
    async with full_shop(tmp_path) as found:
        yield found
        await close_pages(shared_browser)


async def judged(page: Page, place: str = "html", only: list[str] | None = None) -> list[str]:
    """What axe-core finds (rules of WCAG 2.1 A and AA, and common practice): rule, element, what is wrong."""
    found: list[str] = await page.evaluate(AXE, [place, only])
    return found


async def sticks_out(page: Page) -> list[str]:
    """What reaches past the right side of the window, and by how many px."""
    found: list[str] = await page.evaluate(
        """() => {
          if (document.documentElement.scrollWidth <= innerWidth) return [];
          const beyond = (node) => Math.round(node.getBoundingClientRect().right - innerWidth);
          return [...document.querySelectorAll('body *')].filter((node) => beyond(node) > 0)
            .map((node) => `${node.tagName} ${node.className}: ${beyond(node)} px`).slice(0, 5);
        }"""
    )
    return found


async def look_at(page: Page, view: str) -> None:
    """As a link there does."""
    await page.evaluate("hash => { location.hash = hash }", view)
    await expect(page.locator(LOOKED_AT)).to_contain_text(VIEWS[view])


async def resize(page: Page, size: tuple[int, int]) -> None:
    await page.set_viewport_size({"width": size[0], "height": size[1]})


@pytest.mark.timeout(300)  # eight views, judged and laid out anew for each size: long where much else runs
@pytest.mark.parametrize("views", [list(VIEWS)[::2], list(VIEWS)[1::2]], ids=["some", "others"])
async def test_every_view_can_be_read_by_everybody_on_every_screen(
    browser: Browser,
    shop: Shop,
    modules: Path,  # noqa: F811
    views: list[str],
) -> None:
    watched = await open_page(browser, shop.url, SMALL_PHONE)
    page = watched.page
    # What is evaluated is no script of the page: its policy, which allows none but its own, stays in force.
    await page.evaluate((modules / "axe-core" / "axe.min.js").read_text("utf-8"))
    faults = []
    if "bench" in views:
        for opener in SHEETS:
            await by(page, opener).last.click()
            sheet = page.locator(".sheet")
            faults += [f"sheet {opener}: {fault}" for fault in await judged(page, ".sheet")]
            if await sheet.evaluate("node => node.scrollWidth > node.clientWidth"):
                faults.append(f"sheet {opener}: wider than it can show")
            await sheet.get_by_role("button", name="Close").click()
    shop.trip(2)
    shop.say_more()
    for view in views:
        await look_at(page, view)
        await page.evaluate("() => { for (const one of document.querySelectorAll('main details')) one.open = true }")
        place = "html" if view == "bench" else LOOKED_AT
        faults += [f"{view}, dark: {fault}" for fault in await judged(page, place)]
        await page.emulate_media(color_scheme="light")
        faults += [f"{view}, light: {fault}" for fault in await judged(page, place, ["color-contrast"])]
        for size in (SMALL_PHONE, DESK, WALL):
            await resize(page, size)
            faults += [f"{view}, {size[0]} px wide: {node}" for node in await sticks_out(page)]
        await resize(page, SMALL_PHONE)
        await page.emulate_media(color_scheme="dark")
    assert not faults, "\n".join(faults)
    assert watched.faults == []
    assert [url for url in watched.requests if not url.startswith(shop.url)] == []


FOCUSED = """() => {
  const at = document.activeElement;
  if (at === document.body) return null;
  const { left, right, top, bottom } = at.getBoundingClientRect();
  const y = Math.min(Math.max((top + bottom) / 2, top + 2), innerHeight - 2);
  const seen = document.elementFromPoint((left + right) / 2, y);
  const ring = (node) => {
    const { outlineStyle, outlineWidth } = getComputedStyle(node);
    return outlineStyle !== 'none' && parseFloat(outlineWidth) >= 2;
  };
  return {
    name: at.dataset.testid || at.getAttribute('aria-label') || at.textContent.trim().slice(0, 40),
    ringed: [at, at.closest('label'), at.firstElementChild].some((node) => node && ring(node)),
    covered: !(seen && (at.contains(seen) || seen.contains(at))),
  };
}"""


async def walk(page: Page, most: int) -> list[str]:
    """Tab until it is round: what had the focus. Each is seen, and seen to have it."""
    names: list[str] = []
    for _ in range(most):
        await page.keyboard.press("Tab")
        at = await page.evaluate(FOCUSED)
        if at is None:
            break
        assert at["ringed"], f"{at['name']}: its focus is not seen"
        assert not at["covered"], f"{at['name']}: something lies over it"
        names.append(at["name"])
    return names


async def test_everything_is_reached_by_keyboard_and_sheets_give_the_focus_back(browser: Browser, shop: Shop) -> None:
    watched = await open_page(browser, shop.url, TABLET)
    page = watched.page
    await expect(by(page, "link")).to_have_text("live")
    names = await walk(page, 60)
    order = [
        "job",
        "Bench",
        "Settings",
        "plans",
        "foot-switch",
        "hearing",
        "power-off",
        "mark-button",
        "power-on",
        "cut-off",
    ]
    assert [name for name in names if name in order] == order
    for view in ("job", "trace/T1"):
        await look_at(page, view)
        assert (await walk(page, 90))[-1] == "cut-off"
    await look_at(page, "bench")
    for opener in SHEETS:
        await by(page, opener).last.focus()
        await page.keyboard.press("Enter")
        sheet = page.locator(".sheet")
        await expect(sheet.locator(":focus")).to_have_count(1)
        inside = await walk(page, 60)
        assert inside[-1] == "cut-off", "in reach while a sheet is open"
        assert not {"Bench", "plans", "power-off"} & set(inside), "what lies behind a sheet is passed by"
        await sheet.get_by_role("button", name="Close").focus()
        await page.keyboard.press("Escape")
        await expect(sheet).to_have_count(0)
        await expect(by(page, opener).last).to_be_focused()
        await page.keyboard.press("Shift")  # else the next Escape were the second of two, which cut
    # A link whose view goes with it gives the focus to the new view, not to the top of the page.
    await look_at(page, "traces")
    await by(page, "trace-row").first.focus()
    await page.keyboard.press("Enter")
    await expect(by(page, "trace-view")).to_be_focused()
    assert shop.bench.asked == [] or all(asked[0] == "recent" for asked in shop.bench.asked)
    assert watched.faults == []


HEARD = """() => {
  globalThis.heard = [];
  new MutationObserver((changes) => {
    for (const { target } of changes) {
      const at = (target instanceof Element ? target : target.parentElement)
        ?.closest('[aria-live], [role=status], [role=alert]');
      if (at && at.getAttribute('aria-live') !== 'off') heard.push(`${at.className || at.id}: ${at.textContent}`);
    }
  }).observe(document.body, { subtree: true, childList: true, characterData: true });
}"""


async def heard(page: Page) -> list[str]:
    """What a screen reader was given to say since the last look."""
    found: list[str] = await page.evaluate("() => globalThis.heard.splice(0)")
    return found


async def figures_go_by(shop: Shop, current: Locator) -> None:
    """A second of readings, 20 times a second, as a bench with an output on tells them."""
    for n in range(20):
        for channel in (1, 2):
            shop.bench.send(
                {
                    "type": "samples", "supply": "lab", "channel": channel, "t0_ns": shop.bench.t_ns + n * 50_000_000,
                    "t_ms": [0, 25], "v": [3.98, 3.97], "i": [n / 10, n / 10 + 0.05], "mode": "cv",
                }
            )  # fmt: skip
        shop.bench.t_ns += 50_000_000
        shop.bench.set(1, current_a=n / 10 + 0.05)
        await asyncio.sleep(0.05)
    await expect(current).to_contain_text("1.95")


async def test_what_is_read_aloud_is_news_and_nothing_moves_for_who_wants_it_still(
    browser: Browser, shop: Shop
) -> None:
    watched = await open_page(browser, shop.url, DESK)
    page = watched.page
    await page.emulate_media(reduced_motion="reduce", forced_colors="active")
    current = by(page, "channel-lab-1").get_by_test_id("current")
    await figures_go_by(shop, current)
    await page.evaluate(HEARD)
    await figures_go_by(shop, current)
    # On a busy machine an output may be without new numbers for a while, and that is said.
    states = {f"unseen: lab {n}{more}" for n in ("1 on", "2 off") for more in ("", ", without new numbers")}
    assert set(await heard(page)) <= states, "figures are looked at, not listened to"
    shop.trip(1)
    await expect(by(page, "trip-banner")).to_contain_text("Tripped: Short")
    assert any("Tripped: Short" in words for words in await heard(page))
    await expect(by(page, "rearm")).to_have_text("Re-arm in 88 s")
    assert not any("Re-arm" in words for words in await heard(page)), "a countdown is no news"
    shop.say_more()
    await expect(by(page, "channel-lab-2").get_by_test_id("output")).to_have_text("unknown")
    assert any("lab 2 unknown" in words for words in await heard(page))
    assert await page.evaluate("document.getAnimations().length") == 0
    # Without colours of ours a state has its word, and a chosen thing its line.
    for place, property, value in (
        (by(page, "channel-lab-2"), "border-left-width", "12px"),
        (page.locator(".tabs [aria-current]"), "text-decoration-line", "underline"),
        (page.locator(".span[aria-pressed=true]").first, "text-decoration-line", "underline"),
    ):
        await expect(place).to_have_css(property, value)
    assert watched.faults == []
