"""Trips on the page: the picture, the budget, the pause before re-arming, and who disagrees with whom."""

from __future__ import annotations

import re

import pytest
from playwright.async_api import Browser, expect

from benchd.jobs.job import Job
from benchd.reading import OutputState
from tests.web.browser import DESK, by, eventually, open_page
from tests.web.fake import FakeBench, finding, make_samples, trip_of

pytestmark = pytest.mark.needs_chromium


async def test_a_banner_shows_the_picture_and_counts_the_pause_down(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    watched = await open_page(browser, url, DESK)
    page = watched.page
    await expect(by(page, "link")).to_have_text("live")
    bench.set(1, latched=True, trip=trip_of(), rearm_wait_s=600.0)
    banner = by(page, "trip-banner")
    await expect(by(banner, "trip-budget")).to_have_text(
        "12.80\u00a0mJ ± 0.40\u00a0mJ, at most 15.1\u00a0mJ: within what the plan thinks harmless, 500\u00a0mJ."
    )
    await expect(by(banner, "rearm")).to_have_text(re.compile(r"Re-arm in (600|599) s"))
    await expect(by(banner, "rearm")).to_be_disabled()
    await expect(by(banner, "trip-picture")).to_be_hidden()
    # Its number comes once it is in the log; the banner is not made anew for that.
    bench.trip_filed(7)
    await banner.evaluate("node => node.dataset.same = 'yes'")
    bench.set(1, trip=trip_of() | {"number": 7}, rearm_wait_s=0.0)
    await expect(by(banner, "trip-picture").locator("canvas")).to_be_visible()
    await expect(banner).to_have_attribute("data-same", "yes")
    moments = "onset −12 ms · detected 0 ms · off sent +0.04 ms · off confirmed +21 ms"
    await expect(by(banner, "trip-picture")).to_contain_text(moments)
    await expect(by(banner, "rearm")).to_be_enabled()
    await by(banner, "rearm").click()
    await by(banner, "rearm").click()
    await expect(banner).to_have_count(0)
    assert bench.asked[-1] == ("rearm", "lab", 1, "page")
    assert watched.faults == []


async def test_more_than_harmless_and_a_supply_that_disagrees_cannot_be_missed(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    more = {"rule": "instrument", "over_budget": True, "let_through_j": 0.71}
    bench.set(1, latched=True, trip=trip_of() | more)
    page = (await open_page(browser, url)).page
    banner = by(page, "trip-banner")
    # Also where a phone folds the details away.
    await expect(by(banner, "disagreement")).to_be_visible()
    await expect(by(banner, "disagreement")).to_contain_text(re.compile("benchd had it ON.*by itself", re.S))
    await banner.get_by_role("button", name="More").click()
    await expect(by(banner, "trip-budget")).to_contain_text("MORE than the plan thinks harmless")
    bench.set(1, trip=trip_of() | {"rule": "panel"})  # the supply was on, as benchd had it
    await expect(by(page, "disagreement")).to_have_count(0)
    await expect(by(page, "trip-banner")).to_contain_text("Settings were raised at the supply")


async def test_trips_stand_among_the_power_ups_and_are_looked_at(browser: Browser, bench: FakeBench, url: str) -> None:
    bench.job, bench.job_list = "R-1", [Job("R-1")]
    row = bench.trip_filed(7, "R-1", detected_ns=bench.t_ns + 5 * 10**9, since_on_j=0.05)
    bench.trip_filed(8, "R-2", off_confirmed=False)
    bench.file("T1", "R-1", make_samples(bench.t_ns, 3, 50), finding())
    watched = await open_page(browser, url)
    page = watched.page
    await page.get_by_role("link", name="Power-ups").click()
    await expect(by(page, "trip-row")).to_have_count(2)
    await expect(by(page, "trip-row").nth(1)).to_contain_text("off NOT confirmed")
    await page.get_by_role("button", name="This job only").click()
    await expect(by(page, "trip-row")).to_have_count(1)
    first = page.locator("#part-traces li").first
    await expect(first).to_contain_text("Trip: Short")
    await first.get_by_role("link").click()
    view = by(page, "trip-view")
    await expect(view).to_contain_text(f"Trip {row.number}: Short")
    await expect(view.locator("canvas")).to_be_visible()
    for words in ("12.80\u00a0mJ ± 0.40\u00a0mJ, at most 15.1\u00a0mJ", "50\u00a0mJ", "4\u00a0V, limit 2\u00a0A"):
        await expect(view).to_contain_text(words)
    await view.get_by_role("button", name="All 120 readings").click()
    await view.locator(".u-over").hover()
    await expect(view.locator(".point")).to_have_text(re.compile(r"^-?\d+\.\d\d ms: \d\.\d{3} A, \d\.\d{3} V"))
    assert watched.faults == []
    await page.goto(f"{url}#trip/99")
    await expect(view).to_contain_text("trip 99 is not in the log")


async def test_an_off_that_was_never_confirmed_stays_so_in_the_picture(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    bench.trip_filed(7)
    bench.trip_book[7][1].marks["off_confirmed"] = None
    page = (await open_page(browser, f"{url}#trip/7")).page
    await expect(by(page, "trip-view").locator(".moments")).to_have_text(re.compile("off NOT confirmed$"))


# ---- the foot switch


async def chosen(page, **keys: str) -> None:  # type: ignore[no-untyped-def]
    await by(page, "foot-switch").click()
    for action, key in keys.items():
        await by(page, f"foot-{action}").click()
        await page.keyboard.press(key)
    await page.get_by_role("button", name="Done").click()


async def test_keys_are_chosen_kept_and_work_from_every_view_but_not_in_a_field(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    watched = await open_page(browser, url)
    page = watched.page
    await by(page, "foot-switch").click()
    await by(page, "foot-cut").click()
    await page.keyboard.press("Enter")
    await expect(by(page, "foot-sheet").get_by_role("alert")).to_contain_text("the page itself needs this key")
    await page.keyboard.press("b")
    await expect(by(page, "foot-cut")).to_have_text("B")
    await by(page, "foot-next").click()
    await page.keyboard.press("b")
    await expect(by(page, "foot-sheet").get_by_role("alert")).to_contain_text("already")
    await page.keyboard.press("F8")
    await page.get_by_role("button", name="Done").click()
    await page.reload()
    await page.goto(f"{url}#journal")
    await by(page, "note").fill("")
    await by(page, "note").press("b")
    await expect(by(page, "note")).to_have_value("b")
    assert bench.asked == [a for a in bench.asked if a[0] == "recent"]
    await by(page, "note").blur()
    await page.keyboard.press("b")
    await expect(page.get_by_text("All outputs are off, read back.")).to_be_visible()
    assert bench.asked.count(("off", None, None)) == 1
    # On, in the stage hold by hand: the next stage; booting: a mark; off: nothing, whatever is pressed.
    await page.wait_for_timeout(120)  # as long as a scanner is not between two keys; the browser has no other clock
    await page.keyboard.press("F8")
    await expect(by(page, "foot-said")).to_have_text("Foot switch: no output is on.")
    bench.set(1, output=OutputState.ON, stage="hold", stage_by_hand=True)
    await expect(by(page, "channel-lab-1")).to_have_attribute("data-output", "on")
    await page.keyboard.press("F8")
    await eventually(lambda: bench.asked[-1] == ("next", "lab", 1, "foot-switch"))
    await expect(by(page, "foot-said")).to_have_text("Foot switch: limit raised.")
    await page.keyboard.press("F8")
    await eventually(lambda: bench.asked[-1] == ("mark", "lab", 1, "button"))
    assert [a for a in bench.asked if a[0] == "on"] == []
    assert watched.faults == []


SCAN = """text => {
  const at = document.activeElement;
  for (const key of text) {
    const code = /[a-z]/i.test(key) ? `Key${key.toUpperCase()}` : "";
    at.dispatchEvent(new KeyboardEvent("keydown", { key, code, bubbles: true, cancelable: true }));
    if (key === " ") at.click();
    at.dispatchEvent(new KeyboardEvent("keyup", { key, code, bubbles: true }));
  }
}"""
"""Keys as a scanner types them, in one instant however busy the machine is; a blank presses the button it is on."""


async def test_a_scanner_neither_re_arms_nor_raises_a_limit_nor_presses_a_button(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    page = (await open_page(browser, url)).page
    await chosen(page, rearm="r", next="n")
    # Its blank is no press of the button that has the focus, nor is a first or last letter a foot on "next".
    bench.set(1, output=OutputState.ON, stage="hold", stage_by_hand=True)
    raising = by(by(page, "channel-lab-1"), "next")
    await expect(raising).to_be_enabled()
    await expect(raising).to_be_visible()  # what is not shown yet takes no focus
    await raising.focus()
    await expect(raising).to_be_focused()
    for scan in ("B 1", "n-7", "7-n"):
        await page.evaluate(SCAN, scan)
        await expect(by(page, "foot-said")).to_contain_text("as quickly as a scanner types")
        await page.evaluate("document.querySelector('[data-testid=foot-said]').textContent = ''")
        await page.wait_for_timeout(120)  # as long as a scanner is not between two keys; the browser has no other clock
    assert [a for a in bench.asked if a[0] == "next"] == []
    await page.keyboard.press("n")
    await eventually(lambda: bench.asked[-1] == ("next", "lab", 1, "foot-switch"))
    bench.set(1, output=OutputState.OFF, stage=None, latched=True, trip=trip_of())
    button = by(by(page, "trip-banner"), "rearm")
    await expect(button).to_have_text("Re-arm …")
    await page.evaluate(SCAN, "rr")
    await expect(by(page, "foot-said")).to_have_text("Foot switch: Pressed twice too quickly: press again.")
    # Another key in between: it asks anew.
    await page.keyboard.type("1")
    await expect(button).to_have_text("Re-arm …")
    await page.keyboard.press("r")
    await expect(button).to_have_text("Fault found and cleared? Tap again to re-arm")
    await expect(by(page, "foot-said")).to_have_text("Foot switch: Fault found and cleared? Press again to re-arm.")
    assert [a for a in bench.asked if a[0] == "rearm"] == []
    # A page that has stood still for the 6 s of the question asks anew, as it should: a foot comes again.
    for _ in range(4):
        await page.wait_for_timeout(450)  # the least time between two presses of a foot; the browser has no other clock
        if bench.asked[-1][0] == "rearm":
            break
        await page.keyboard.press("r")
    await eventually(lambda: bench.asked[-1] == ("rearm", "lab", 1, "foot-switch"))
    assert bench.channels["lab", 1].output == OutputState.OFF
