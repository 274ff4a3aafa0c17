"""The bench on the page: what it tells without being looked at, and that nothing is switched late or by an old look."""

from __future__ import annotations

import json
from typing import Any

import httpx
import msgspec
import pytest
from playwright.async_api import Browser, Page, expect

from benchd.reading import OutputState
from tests.web.browser import by, eventually, open_page
from tests.web.fake import START_NS, FakeBench

pytestmark = pytest.mark.needs_chromium

COUNT_TONES = """() => {
  window.tones = 0;
  const start = OscillatorNode.prototype.start;
  OscillatorNode.prototype.start = function (...a) { window.tones++; return start.apply(this, a); };
}"""
FOUND: dict[str, Any] = {
    "trace": "T1", "job": None, "t_ns": START_NS, "signature": "low-stall", "confidence": 0.82,
    "evidence": "flat at 61.2 mA", "next_check": "Look on USB.", "caution": "",
}  # fmt: skip


async def tones(page: Page, count: int) -> None:
    """Wait until so many tones were begun."""
    for _ in range(500):
        if (begun := await page.evaluate("window.tones")) >= count:
            break
        await page.wait_for_timeout(20)
    assert begun == count


async def test_what_happens_is_heard_and_what_a_power_up_says_stands_on_the_card(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    watched = await open_page(browser, url)
    page = watched.page
    card = by(page, "channel-lab-1")
    await page.evaluate(COUNT_TONES)
    await by(page, "link").click()  # sounds wait for a first touch
    button = {"kind": "button", "t_ns": START_NS, "by": "recogniser"}
    bench.set(1, output=OutputState.ON, capture="booting", trace="T1", marks=[button], stage="boot")
    await tones(page, 1)
    bench.set(1, capture="settled", trace=None)
    await tones(page, 4)
    await expect(by(card, "card-finding")).to_be_hidden()
    bench.set(1, finding=FOUND)
    await expect(by(card, "card-finding")).to_contain_text("Low stall: flat at tens of mA")
    await expect(by(card, "card-finding")).to_contain_text("82 % sure")
    await expect(by(card, "card-finding")).to_contain_text("Next: Look on USB.")
    # Big numbers: the number fills the screen, the cut-off stays, the rest goes.
    await by(page, "big").click()
    await expect(by(card, "current")).to_be_in_viewport(ratio=1)
    await expect(by(page, "cut-off")).to_be_in_viewport(ratio=1)
    await expect(by(card, "power-off")).to_be_hidden()
    await by(page, "big-back").click()
    # Off is off, for this browser, until it is chosen again.
    await by(page, "hearing").click()
    await by(page, "sounds-on").uncheck()
    await page.keyboard.press("Escape")
    bench.set(1, capture="booting", trace="T2", marks=[button | {"t_ns": START_NS + 10**9}])
    await expect(by(card, "capture")).to_have_text("booting")
    bench.set(1, capture="waiting")
    await expect(by(card, "capture")).to_have_text("waiting for a board")
    await tones(page, 4)
    await page.reload()
    await by(page, "hearing").click()
    await expect(by(page, "sounds-on")).not_to_be_checked()
    assert watched.faults == []


async def test_escape_twice_cuts_from_everywhere(browser: Browser, bench: FakeBench, url: str) -> None:
    page = (await open_page(browser, url)).page
    await expect(by(page, "link")).to_have_text("live")
    await by(page, "channel-lab-1").get_by_test_id("power-on").click()
    await by(page, "power-sheet").get_by_text("With less than the plan …").click()
    await by(page, "less-limit_a").fill("1")
    await page.keyboard.press("Escape")
    await page.keyboard.press("b")
    await page.keyboard.press("Escape")
    await expect(by(page, "power-sheet")).to_have_count(0)
    assert bench.asked.count(("off", None, None)) == 0, "another key came in between"
    # In one instant, however busy the machine is.
    await page.evaluate(
        "for (let n = 0; n < 2; n++) document.body.dispatchEvent("
        "new KeyboardEvent('keydown', { key: 'Escape', bubbles: true, cancelable: true }))"
    )
    await eventually(lambda: bench.asked.count(("off", None, None)) == 1)
    await expect(page.get_by_text("All outputs are off, read back.")).to_be_visible()


async def test_power_goes_on_by_the_state_that_was_looked_at(browser: Browser, bench: FakeBench, url: str) -> None:
    page = (await open_page(browser, url)).page
    await by(page, "channel-lab-1").get_by_test_id("power-on").click()
    sheet = by(page, "power-sheet")
    await expect(sheet).to_be_visible()
    # Somebody else did something, and this page has not heard of it yet.
    bench.channels["lab", 1] = msgspec.structs.replace(bench.channels["lab", 1], version=9, latched=True)
    await by(sheet, "power-on-confirm").click()
    await expect(sheet.get_by_role("alert")).to_contain_text("lab/1 has changed meanwhile")
    await expect(sheet.get_by_role("alert")).to_contain_text("output off, tripped")
    assert [a for a in bench.asked if a[0] == "on"] == []
    # Whoever presses again has read it, and is asked about the state as it is.
    await by(sheet, "power-on-confirm").click()
    await expect(sheet.get_by_role("alert")).to_contain_text("lab 1 tripped and is latched; re-arm it first")
    bench.channels["lab", 1] = msgspec.structs.replace(bench.channels["lab", 1], latched=False)
    await by(sheet, "power-on-confirm").click()
    await eventually(lambda: [a[0] for a in bench.asked if a[0] == "on"] == ["on"])


async def test_it_can_be_installed(http: httpx.AsyncClient) -> None:
    page = (await http.get("/")).text
    assert '<link rel="manifest" href="bench.webmanifest"' in page
    manifest = json.loads((await http.get("/bench.webmanifest")).text)
    # What a browser asks for: a name, where to begin, a display of its own, icons of 192 and 512 px.
    assert manifest["name"]
    assert (manifest["display"], manifest["scope"]) == ("standalone", "/")
    sizes = {icon["sizes"] for icon in manifest["icons"]}
    assert {"192x192", "512x512"} <= sizes
    for icon in manifest["icons"]:
        answer = await http.get(f"/{icon['src']}")
        assert (answer.status_code, answer.headers["content-type"]) == (200, icon["type"])
