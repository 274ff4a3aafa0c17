"""The page in a real browser, served by the real daemon, with the simulated supply behind it."""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

from playwright.async_api import expect

from tests.running import Bench, running, until
from tests.simulated import SimulatedSupply
from tests.web.browser import chromium, open_page


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
                await asyncio.to_thread(until, lambda: sim.truth(1).output, lambda on: not on, "off", 2.0)
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
                await expect(page.get_by_test_id("link")).to_contain_text(re.compile("lost", re.I), timeout=15_000)
                await expect(channel.get_by_test_id("output")).to_have_text(re.compile("unknown", re.I))
