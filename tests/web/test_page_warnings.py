"""Warnings at the top of the page: one line on a phone, and what of them can be put away."""

from __future__ import annotations

import pytest
from playwright.async_api import Browser, expect

from benchd.reading import OutputState
from tests.web.browser import DESK, PHONE, by, open_page
from tests.web.fake import START_NS, FakeBench

pytestmark = pytest.mark.needs_chromium

STANDING = "lab/2: the output is UNKNOWN, it may be on: no answer"
PAST = [
    f"lab/{n} is off: the guard process is gone; said by the daemon (read back off over a link of its own)"
    for n in range(1, 7)
]


def tell(bench: FakeBench, *past: str) -> None:
    bench.alarms = [{"text": text, "at_ns": START_NS + n * 1_000_000} for n, text in enumerate(past)]
    bench.warnings = [STANDING, *past]
    bench.changed()


async def test_on_a_phone_they_leave_room_for_the_card_and_the_tabs(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    bench.set(2, output=OutputState.UNKNOWN)
    watched = await open_page(browser, url, PHONE)
    page = watched.page
    await expect(by(page, "warnings")).to_be_hidden()
    tell(bench, *PAST)
    line = by(page, "warnings-fold")
    await expect(line).to_have_text(f"7 warnings, newest: {PAST[-1]}")
    await expect(page.get_by_text(STANDING)).to_be_hidden()
    box = await page.locator(".head").bounding_box()
    assert box is not None
    assert box["height"] < PHONE[1] / 3
    await expect(page.locator(".tabs")).to_be_in_viewport()
    await expect(by(page, "channel-lab-1").get_by_test_id("output")).to_be_in_viewport()
    await line.click()
    await expect(page.get_by_text(STANDING)).to_be_visible()
    await expect(page.locator(".tabs")).to_be_in_viewport(ratio=1)
    await line.click()
    await expect(page.get_by_text(STANDING)).to_be_hidden()
    assert watched.faults == []


async def test_what_happened_is_put_away_and_what_is_so_stays(browser: Browser, bench: FakeBench, url: str) -> None:
    page = (await open_page(browser, url, DESK)).page
    tell(bench, *PAST[:2])
    shown = by(page, "warnings").locator("li")
    await expect(shown).to_have_count(3)
    await expect(by(page, "warnings-fold")).to_be_hidden()
    await by(page, "alarms-away").click()
    await expect(shown).to_have_text([STANDING])
    await expect(by(page, "alarms-away")).to_be_hidden()
    tell(bench, *PAST[:3])  # a new one is shown, and not those before it
    await expect(shown).to_have_text([STANDING, PAST[2]])
