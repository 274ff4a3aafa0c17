"""The page's measurements with a whole daemon and a simulated supply: a short found by eye and ear, a leak drawn."""

from __future__ import annotations

import re

import pytest
from playwright.async_api import expect

from tests.running import Bench, running
from tests.simulated import SimulatedSupply
from tests.web.browser import by, chromium, open_page

pytestmark = pytest.mark.needs_chromium

LISTEN = """() => {
  globalThis.tones = [];
  const set = AudioParam.prototype.setTargetAtTime;
  AudioParam.prototype.setTargetAtTime = function (value, ...rest) {
    tones.push(value);
    return set.call(this, value, ...rest);
  };
}"""
"""What the tone of the probe is told to be, Hz, and its loudness, written down."""
HIGHEST = "() => Math.max(0, ...tones.splice(0))"


async def test_a_short_is_found_by_eye_and_ear_and_a_leak_is_drawn() -> None:
    with SimulatedSupply() as sim, running({"s": Bench(sim.resource, 5.0, "benchd-sim")}) as daemon:
        daemon.until_guarded()
        daemon.call("POST", "jobs", {"id": "R-1", "board": "blue"})
        daemon.call("PUT", "bench/job", {"job": "R-1"})
        sim.board(1, "dead-short")
        sim.bridge(1, 0.120)
        async with chromium() as browser:
            watched = await open_page(browser, daemon.url)
            page = watched.page
            await page.evaluate(LISTEN)
            await by(page, "measure").click()
            await expect(by(page, "leads-state")).to_contain_text("To be measured: s · 1")
            await by(page, "procedure-find-short").click()
            await expect(page.locator("#fault-parameter-rail_v")).to_have_text("This has to be given.")
            await by(page, "parameter-rail_v").fill("1,1")
            await by(page, "parameter-limit_a").fill("1")
            await expect(by(page, "most")).to_contain_text("500 mV · 1 A")
            await expect(by(page, "start-run")).to_be_disabled()  # the cautions are not read yet
            await by(page, "accept").check()
            await by(page, "start-run").click()
            await expect(by(page, "run-question")).to_contain_text("Is the battery out")
            await by(page, "answer-ready").click()
            big = by(page, "run-big")
            for name, ohm, told in (("coil", 0.120, r"1(69|70)\."), ("C14", 0.015, r"e6[45]\.")):
                sim.bridge(1, ohm)
                await expect(big).to_have_text(re.compile(told))  # with the 50 mΩ of the leads, which nobody measured
                await by(page, "point-name").fill(name)
                await by(page, "point-keep").click()
                await expect(by(page, "points")).to_contain_text(name)
            await expect(by(page, "points").locator("tbody tr").first).to_contain_text("C14")
            assert 1000 < await page.evaluate(HIGHEST) <= 1761, "nearest: the highest tone"
            await page.evaluate("location.hash = 'journal'")
            await expect(by(page, "run-strip")).to_contain_text("Find the short: goes on")
            await page.evaluate(HIGHEST)
            await by(page, "run-strip").click()
            await by(page, "run-done").click()
            await expect(by(page, "run-said")).to_contain_text("The lowest resistance is at C14")
            assert sim.truth(1).output is False
            await expect(by(page, "run-strip")).to_have_count(0)
            run = daemon.call("POST", "runs", {
                "card": "leak-curve", "sides": [{"role": "main", "supply": "s", "channel": 1}], "accept_cautions": True,
                "parameters": {"start_v": 0.1, "stop_v": 0.7, "step_v": 0.1, "limit_a": 0.2, "rest_s": 0.05},
            })["run"]  # fmt: skip
            sim.board(1, "diode-leak")
            await by(page, "run-strip").click()
            await by(page, "answer-ready").click()
            await expect(by(page, "results")).to_contain_text("diode-like")
            await expect(by(page, "curve-plot").first.locator("canvas")).to_have_count(1)
            await page.evaluate("location.hash = 'job'")
            await expect(by(page, "measurements").get_by_test_id("run-row")).to_have_count(2)
            await page.evaluate("location.hash = 'measure/leads'")
            await by(page, "measure-view").locator("summary").click()
            for field, text in (("lead-ohm", "0,084"), ("lead-u", "0.002")):
                await by(page, field).fill(text)
            await by(page, "lead-keep").click()
            await expect(by(page, "lead-row").first).to_contain_text("84.0")
            assert run in [row["id"] for row in daemon.call("GET", "runs?job=R-1")["runs"]]
            assert watched.faults == []
