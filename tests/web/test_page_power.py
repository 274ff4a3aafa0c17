"""Power on the page: plans and cautions, stages, what stands behind the protection."""

from __future__ import annotations

import re

import pytest
from playwright.async_api import Browser, expect

from benchd.reading import OutputState
from tests.web.browser import by, eventually, open_page
from tests.web.fake import FakeBench

pytestmark = pytest.mark.needs_chromium

PROBE = {"resistance_ohm": 212.4, "uncertainty_ohm": 8.6, "least_ohm": 1.0, "passed": True, "text": "The rail."}
LEAK = {"current_a": 0.0082, "uncertainty_a": 0.0004, "expected_a": 0.005, "in_limit": False, "text": "The leak."}
SLOW = {"cut_within_ms": 380.0, "asked_ms": 200.0, "kept": False, "limit_a": 0.5, "text": "8 readings/s: 380 ms"}
HEALTH = {
    "interval_ms": 20.12, "jitter_ms": 0.4, "worst_ms": 22.0, "worst_minute_ms": 31.5, "round_trip_ms": 8.2,
    "overrun_ms": None,
}  # fmt: skip


async def test_the_sheet_tells_what_the_plan_does_before_power_goes_on(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    watched = await open_page(browser, url)
    page = watched.page
    await by(by(page, "channel-lab-1"), "power-on").click()
    about = by(page, "plan-about")
    await expect(about).to_contain_text("Phone board, one cell · comes with benchd")
    await expect(about).to_contain_text("Probe 500\u00a0mV, limit 100\u00a0mA, 200 ms; a rail below 1\u00a0Ω ends it")
    await expect(about).to_contain_text("Hold 4\u00a0V, limit 300\u00a0mA, 2.00 s, until the limit is raised by hand")
    await expect(by(page, "cautions")).to_contain_text("power class PS1")
    await page.get_by_text("Protections and where the figures come from").click()
    for words in ("1000 µF", "500\u00a0mJ", "Source: Common practice, no source.", "up to 5\u00a0mA"):
        await expect(by(page, "plan-more")).to_contain_text(words)
    await page.get_by_text("With less than the plan …").click()
    await by(page, "less-voltage_v").fill("3,8")
    await by(page, "less-limit_a").fill("lots")
    await by(page, "power-on-confirm").click()
    await expect(by(page, "power-sheet").get_by_role("alert")).to_have_text("lots is not a number: write for example 2")
    assert [a for a in bench.asked if a[0] == "on"] == []
    await by(page, "less-limit_a").fill("")
    await by(page, "power-on-confirm").click()
    await eventually(lambda: ("on", "lab", 1, "phone", 3.8, None, "page") in bench.asked)
    assert watched.faults == []


async def test_stages_are_shown_and_the_limit_is_raised_by_hand(browser: Browser, bench: FakeBench, url: str) -> None:
    watched = await open_page(browser, url)
    page = watched.page
    card = by(page, "channel-lab-1")
    await expect(by(page, "link")).to_have_text("live")
    bench.set(1, output=OutputState.ON, stage="probe")
    here = by(card, "stages").locator("[aria-current]")
    await expect(here).to_have_text("Probe")
    await expect(by(card, "stage-words")).to_contain_text("Hands off the board")
    bench.set(1, stage="hold", probe=PROBE)
    await expect(here).to_have_text("Hold")
    await expect(by(card, "probe")).to_have_text("Rail 212.4\u00a0Ω ± 8.6\u00a0Ω")
    await expect(by(card, "stage-words")).to_contain_text("The limit is raised by itself.")
    await expect(by(card, "next")).to_be_hidden()
    bench.set(1, stage_by_hand=True, current_a=0.0071)
    await expect(by(card, "leak")).to_have_text("Draws 7.1\u00a0mA now; a good board: up to 5\u00a0mA")
    await expect(by(card, "leak")).to_have_attribute("data-good", "false")
    bench.set(1, leak=LEAK)
    await expect(by(card, "leak")).to_have_text("Leak 8.20\u00a0mA ± 0.40\u00a0mA: MORE than a good board's 5\u00a0mA")
    await by(card, "next").click()
    await eventually(lambda: ("next", "lab", 1, "page") in bench.asked)
    await expect(here).to_have_text("Boot")
    await expect(by(card, "stage-words")).to_have_text("The limit is raised: the button may be pressed now.")
    bench.set(1, capture="booting")
    await expect(by(card, "stage-words")).to_have_text("")
    await expect(by(card, "next")).to_be_hidden()
    await by(card, "power-off").click()
    await expect(by(card, "stages")).to_be_hidden()
    await expect(by(card, "probe")).to_have_text(re.compile("^Last power-up: Rail"))
    assert watched.faults == []


SHOWN = [
    ("probe", PROBE | {"resistance_ohm": 0.214, "uncertainty_ohm": 0.02, "passed": False},
     "Rail 214\u00a0mΩ ± 20\u00a0mΩ: below 1\u00a0Ω, a dead short. Nothing more was applied.", "false"),
    ("probe", PROBE | {"resistance_ohm": None, "text": "Rail above 5 kΩ"}, "Rail above 5 kΩ", "true"),
    ("leak", LEAK | {"current_a": 0.004},
     "Leak 4.00\u00a0mA ± 0.40\u00a0mA, a good board: up to 5\u00a0mA", "true"),
    ("leak", LEAK | {"current_a": 0.3, "uncertainty_a": None, "in_limit": True},
     "Leak 300\u00a0mA, held back by the limit: it may be more", "false"),
    ("leak", LEAK | {"expected_a": None}, "Leak 8.20\u00a0mA ± 0.40\u00a0mA", "true"),
]  # fmt: skip


async def test_what_a_stage_has_shown_in_words(browser: Browser, bench: FakeBench, url: str) -> None:
    page = (await open_page(browser, url)).page
    await expect(by(page, "link")).to_have_text("live")
    for kind, found, words, good in SHOWN:
        bench.set(1, output=OutputState.ON, stage="boot", **{kind: found})
        shown = by(by(page, "channel-lab-1"), kind)
        await expect(shown).to_have_text(words)
        await expect(shown).to_have_attribute("data-good", good)


async def test_a_promise_that_is_not_kept_and_the_figures_behind(browser: Browser, bench: FakeBench, url: str) -> None:
    bench.set(
        1, output=OutputState.ON, on_s=61.0, promise=SLOW, health=HEALTH, second_layer=["over-voltage above 4.6 V"]
    )
    watched = await open_page(browser, url)
    page = watched.page
    card = by(page, "channel-lab-1")
    await expect(by(card, "promise-warning")).to_have_text("8 readings/s: 380 ms.")
    await by(card, "health").locator("summary").click()
    fold = by(card, "health")
    for words in ("20.1 ms", "31.5 ms", "late by this computer–", "over-voltage above 4.6 V"):
        await expect(fold).to_contain_text(words)
    await expect(fold).to_contain_text(re.compile(r"On for 6\d\.\d s"))
    bench.set(1, promise=SLOW | {"kept": True})
    await expect(by(card, "promise-warning")).to_be_hidden()
    await expect(by(fold, "promise")).to_have_text("8 readings/s: 380 ms.")
    bench.set(1, second_layer=[])
    await expect(by(card, "second-layer")).to_contain_text("only benchd's guard protects")
    assert watched.faults == []
