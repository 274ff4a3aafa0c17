"""The page's measurements with a whole daemon and a simulated supply: a short found by eye and ear, a leak drawn and
laid beside a good board's, a long run that goes on after a kill, a link that is lost."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import expect

from tests.running import Bench, Running, running, until
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


SIDE = {"role": "main", "supply": "s", "channel": 1, "plan": "phone-cell"}
LEAK = {"start_v": 0.1, "stop_v": 0.7, "step_v": 0.1, "limit_a": 0.2, "rest_s": 0.02}
ASLEEP = {"hours": 1 / 36, "boot_s": 1, "zero_s": 0.5, "by_itself": True}


def begun(daemon: Running, card: str, parameters: dict[str, Any], job: str) -> str:
    daemon.call("PUT", "bench/job", {"job": job})
    body = {"card": card, "sides": [SIDE], "parameters": parameters, "accept_cautions": True}
    return str(daemon.call("POST", "runs", body)["run"])


async def test_a_good_boards_curve_stands_beside_that_of_another() -> None:
    with SimulatedSupply() as sim, running({"s": Bench(sim.resource, 5.0, "benchd-sim")}) as daemon:
        for job in ("R-1", "R-2"):
            daemon.call("POST", "jobs", {"id": job, "board": "blue"})
        async with chromium() as browser:
            watched = await open_page(browser, daemon.url)
            page = watched.page
            listed = (await open_page(browser, f"{daemon.url}#measure")).page
            for job, board in (("R-1", "diode-leak"), ("R-2", "leak-only")):
                sim.board(1, board)
                run = begun(daemon, "leak-curve", LEAK, job)
                await page.evaluate("(run) => { location.hash = `measure/run:${run}`; }", run)
                await by(page, "answer-ready").click()
                await expect(by(page, "results")).to_be_visible()
                if job == "R-1":
                    await expect(by(page, "run-beside")).to_have_count(0)
                    await page.get_by_text("It was a good board …").click()
                    await by(page, "make-reference").click()
                    await expect(by(page, "is-reference")).to_have_text("✓ Reference for blue")
            await expect(by(page, "results")).to_contain_text("Against good boards")
            await expect(by(listed, "run-row")).to_have_count(1)
            await expect(by(listed, "run-row")).to_contain_text("Ohmic")
            await expect(by(page, "run-beside")).to_contain_text("Good boards of its kind: R-1, ")
            await expect(by(page, "legend")).to_contain_text("a good board of its kind")
            await expect(by(page, "curve-plot").locator("canvas")).to_have_count(1)
            report = await page.request.get(f"{daemon.url}/api/v1/jobs/R-2/report")
            assert "thin green: a good board of this kind" in await report.text()
            assert watched.faults == []


async def test_a_long_run_goes_on_after_a_kill_when_somebody_says_so_and_its_gap_is_seen(tmp_path: Path) -> None:
    with SimulatedSupply() as sim:
        bench = {"s": Bench(sim.resource, 5.0, "benchd-sim")}
        async with chromium() as browser:
            with running(bench, folder=tmp_path) as first:
                first.call("POST", "jobs", {"id": "R-1", "board": "blue"})
                run = begun(first, "sleep-current", ASLEEP, "R-1")
                page = (await open_page(browser, f"{first.url}#measure/run:{run}")).page
                await by(page, "answer-ready").click()
                await expect(by(page, "run-question")).to_contain_text("clipped on")
                sim.board(1, "sleeper")
                await by(page, "answer-ready").click()
                await expect(by(page, "run-text")).to_contain_text("on average")
                await expect(page.get_by_label("Remark", exact=True)).to_be_visible()
                first.process.kill()
                await expect(by(page, "run-text")).to_contain_text("whether it goes on is not known here")
                until(lambda: sim.truth(1).output, lambda on: on is False, "the guard to switch off")
            with running(bench, folder=tmp_path) as second:
                watched = await open_page(browser, f"{second.url}#measure/run:{run}")
                page = watched.page
                await expect(by(page, "run-outcome")).to_have_text("‖ interrupted")
                await expect(by(page, "run-said")).to_contain_text("when its outputs went off is not in this record")
                assert sim.truth(1).output is False
                await expect(by(page, "resume")).to_be_disabled()
                await by(page, "resume-accept").check()
                sim.board(1, "none")
                await by(page, "resume").click()
                await by(page, "answer-ready").click()
                await expect(by(page, "run-question")).to_contain_text("clipped on")
                sim.board(1, "sleeper")
                await by(page, "answer-ready").click()
                await expect(by(page, "run-text")).to_contain_text("on average")
                await by(page, "run-done").click()
                await expect(by(page, "results")).to_contain_text("Gaps in the record")
                await expect(by(page, "gaps")).to_contain_text("⚠ Gaps in the record: ")
                await expect(by(page, "course-plot").locator("canvas")).to_have_count(1)
                assert sim.truth(1).output is False
                assert watched.faults == []


async def test_a_link_that_is_lost_in_a_run_is_never_told_as_off() -> None:
    with SimulatedSupply() as sim, running({"s": Bench(sim.resource, 5.0, "benchd-sim")}) as daemon:
        daemon.call("POST", "jobs", {"id": "R-1"})
        sim.board(1, "dead-short")
        sim.bridge(1, 0.1)
        run = begun(daemon, "find-short", {"rail_v": 1.1, "limit_a": 1.0}, "R-1")
        async with chromium() as browser:
            page = (await open_page(browser, f"{daemon.url}#measure/run:{run}")).page
            await by(page, "answer-ready").click()
            await expect(by(page, "run-big")).to_contain_text("mΩ")
            sim.kill()
            await expect(by(page, "run-outcome")).to_have_text("‖ interrupted")
            await expect(by(page, "run-unsure")).to_contain_text("an output that was NOT CONFIRMED OFF")
            assert daemon.channel("s")["output"] != "off"
