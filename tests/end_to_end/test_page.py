"""The page in a real browser, served by the real daemon, with the simulated supply behind it."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

from playwright.async_api import expect

from tests.running import Bench, running, until
from tests.simulated import SimulatedSupply
from tests.web.browser import DESK, chromium, open_page


async def test_live_numbers_move_and_cut_off_cuts_off(tmp_path: Path) -> None:
    with SimulatedSupply() as sim:
        supplies = {"s": Bench(sim.resource, 5.0, "benchd-sim", (1,))}
        with running(supplies, folder=tmp_path) as daemon:
            sim.board(1, "clean")
            async with chromium() as browser:
                watched = await open_page(browser, daemon.url + "/")
                page = watched.page
                channel = page.get_by_test_id("channel-s-1")
                await expect(channel.get_by_test_id("output")).to_have_text(re.compile("off", re.I))

                await channel.get_by_test_id("power-on").click()
                await page.get_by_test_id("power-on-confirm").click()
                await expect(channel.get_by_test_id("output")).to_have_text(re.compile("on", re.I))
                assert sim.truth(1).output, "the page says on, so it must be on"
                await expect(channel.get_by_test_id("voltage")).to_contain_text(re.compile(r"[34][.,]\d"))

                sim.button(1)
                seen = set()
                for _ in range(100):
                    seen.add(await channel.get_by_test_id("current").inner_text())
                    if len(seen) > 5:
                        break
                    await asyncio.sleep(0.05)
                assert len(seen) > 5, f"a booting board draws an uneven current; the page showed {seen}"

                await page.get_by_test_id("cut-off").click()
                await asyncio.to_thread(until, lambda: sim.truth(1).output, lambda on: not on, "off")
                await expect(channel.get_by_test_id("output")).to_have_text(re.compile("off", re.I))

                # The power-up is filed and can be looked at, with its finding.
                await page.get_by_role("link", name="Power-ups").first.click()
                await page.get_by_test_id("trace-row").first.click()
                await expect(page.get_by_test_id("trace-view")).to_be_visible()
                await expect(page.get_by_test_id("finding")).to_contain_text(re.compile(r"\d"))
                assert watched.faults == []
                assert all(request.startswith(daemon.url) for request in watched.requests)


async def test_a_trip_is_shown_and_a_dead_daemon_is_not_taken_for_no_current(tmp_path: Path) -> None:
    with SimulatedSupply() as sim:
        supplies = {"s": Bench(sim.resource, 5.0, "benchd-sim", (1,))}
        with running(supplies, folder=tmp_path) as daemon:
            async with chromium() as browser:
                watched = await open_page(browser, daemon.url + "/")
                page = watched.page
                channel = page.get_by_test_id("channel-s-1")
                sim.board(1, "dead-short")
                await asyncio.to_thread(daemon.on, "s")
                banner = page.get_by_test_id("trip-banner").first
                await expect(banner).to_be_visible()
                await expect(banner).to_contain_text(re.compile("short", re.I))
                await expect(channel.get_by_test_id("output")).to_have_text(re.compile("off", re.I))
                assert not sim.truth(1).output

                daemon.process.kill()
                await expect(page.get_by_test_id("link")).to_contain_text(re.compile("lost", re.I))
                await expect(channel.get_by_test_id("output")).to_have_text(re.compile("unknown", re.I))


STAGED = """[plan.probe]
least_ohm = 2.0
[plan.hold]
limit_a = 0.3
seconds = 0.3
by_hand = true
[plan.budget]
fault_j = 20.0
"""


async def test_a_staged_power_up_a_late_short_and_the_way_back(tmp_path: Path) -> None:
    with SimulatedSupply() as sim:
        supplies = {"s": Bench(sim.resource, 5.0, "benchd-sim", (1,))}
        with running(supplies, folder=tmp_path, plan=STAGED) as daemon:
            sim.board(1, "clean")
            async with chromium() as browser:
                watched = await open_page(browser, daemon.url + "/", DESK)
                page = watched.page
                card = page.get_by_test_id("channel-s-1")
                await card.get_by_test_id("power-on").click()
                await expect(page.get_by_test_id("plan-about")).to_contain_text("a rail below 2\u00a0Ω ends it")
                await page.get_by_test_id("power-on-confirm").click()
                await expect(card.get_by_test_id("next")).to_be_visible()
                await expect(card.get_by_test_id("stages").locator("[aria-current]")).to_have_text("Hold")
                await expect(card.get_by_test_id("probe")).to_contain_text(re.compile(r"Rail.*Ω"))
                # What the hold has shown is news: asked in that very moment, the bench says that it has changed.
                await expect(card.get_by_test_id("leak")).to_contain_text(re.compile(r"Leak .*A"))
                assert sim.truth(1).output
                await card.get_by_test_id("next").click()
                await expect(card.get_by_test_id("stages").locator("[aria-current]")).to_have_text("Boot")

                sim.board(1, "dead-short")
                banner = page.get_by_test_id("trip-banner")
                await expect(banner).to_contain_text("Tripped: Short")
                assert not sim.truth(1).output
                await expect(banner.get_by_test_id("trip-budget")).to_contain_text("20\u00a0J")
                await expect(banner.get_by_test_id("trip-picture").locator("canvas")).to_be_visible()
                await expect(banner.get_by_test_id("trip-picture")).to_contain_text(
                    re.compile("onset .* off confirmed")
                )
                await banner.get_by_test_id("rearm").click()  # waits until the pause is over
                await banner.get_by_test_id("rearm").click()
                await expect(banner).to_have_count(0)
                assert not sim.truth(1).output
                await expect(page.get_by_test_id("trip-row")).to_have_count(1)
                await expect(page.get_by_text("Re-armed (s · 1) after: Short, on the page")).to_be_visible()
                assert watched.faults == []


async def test_a_plan_of_ones_own_is_made_on_the_page_and_power_goes_on_with_it(tmp_path: Path) -> None:
    with SimulatedSupply() as sim:
        supplies = {"s": Bench(sim.resource, 5.0, "benchd-sim", (1,))}
        with running(supplies, folder=tmp_path) as daemon:
            async with chromium() as browser:
                watched = await open_page(browser, daemon.url + "/#plans/phone", DESK)
                page = watched.page
                await page.get_by_test_id("plan-copy").click()
                await page.get_by_test_id("plan-name").fill("mine")
                await page.get_by_test_id("plan-voltage_v").fill("3.7")
                await page.get_by_test_id("plan-expected_idle_a.0").fill("0.05")
                await page.get_by_test_id("plan-expected_idle_a.1").fill("0.4")
                await page.get_by_test_id("plan-source").fill("Tried on this bench.")
                await page.get_by_test_id("plan-save").click()
                await expect(page).to_have_url(re.compile("#plans/mine$"))
                assert 'source = "Tried on this bench."' in (tmp_path / "data" / "plans" / "mine.toml").read_text()

                await page.get_by_test_id("plan-over_voltage_v").fill("3.6")
                await page.get_by_test_id("plan-save").click()
                await expect(page.get_by_test_id("fault-over_voltage_v")).to_contain_text("must be above voltage_v")
                assert watched.faults == [
                    "Failed to load resource: the server responded with a status of 400 (Bad Request)"
                ]
                await page.get_by_test_id("plan-discard").click()

                card = page.get_by_test_id("channel-s-1")
                await card.get_by_test_id("power-on").click()
                await page.get_by_test_id("other-plans").click()
                await page.get_by_role("radio", name="mine").check()
                await page.get_by_test_id("power-on-confirm").click()
                await expect(card.get_by_test_id("voltage")).to_contain_text(re.compile(r"3\.[67]"))
                assert sim.truth(1).output
