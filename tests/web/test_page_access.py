"""The page for people who sign in: what a viewer is offered, pairing, and the end of a session."""

from __future__ import annotations

import pytest
from playwright.async_api import Browser, expect

from benchd import tokens
from benchd.web.access import Access
from benchd.web.caller import Caller, Role
from benchd.web.desks import Desks
from benchd.web.sessions import Sessions
from tests.web.browser import PHONE, TABLET, by, eventually, open_page
from tests.web.conftest import served
from tests.web.fake import FakeBench
from tests.web.fake_procedures import FakeProcedures

pytestmark = pytest.mark.needs_chromium

TOKEN = tokens.new_token()
VIEW = tokens.new_token()


async def test_a_viewer_looks_and_cuts_and_a_phone_comes_in_by_its_code(browser: Browser, bench: FakeBench) -> None:
    access = Access(
        {tokens.hash_of(TOKEN): Caller("anna", Role.OPERATOR), tokens.hash_of(VIEW): Caller("window", Role.VIEWER)},
        Sessions(86400 * 30.0), addresses=lambda: ["http://bench.example:8425/"],
    )  # fmt: skip
    async with served(bench, access=access) as url:
        contexts = [await browser.new_context(viewport={"width": w, "height": h}) for w, h in (PHONE, PHONE, TABLET)]
        viewer, phone, operator = [await context.new_page() for context in contexts]
        try:
            await viewer.goto(url)
            await by(viewer, "signed-out").get_by_role("link", name="Sign in").click()
            await by(viewer, "secret").fill("benchd_wrong")
            await by(viewer, "enter").click()
            await expect(by(viewer, "sign-in-fault")).to_contain_text("this token is not known here")
            await by(viewer, "secret").fill(VIEW)
            await by(viewer, "secret").press("Enter")
            await expect(by(viewer, "badge")).to_have_text("Looks only: window")
            await expect(by(viewer, "link")).to_have_text("live")
            for changing in ("power-on", "mark-button", "note"):
                assert await by(viewer, changing).locator("visible=true").count() == 0, changing
            for closed, words in (("settings", "see the settings"), ("jobs/new", "take devices in")):
                await viewer.evaluate(f"location.hash = '{closed}'")
                await expect(by(viewer, "only-operators").locator("visible=true")).to_contain_text(words)
            await by(viewer, "cut-off").click()
            await eventually(lambda: ("off", None, None) in bench.asked)
            assert {asked[0] for asked in bench.asked} == {"off", "recent"}

            await operator.goto(f"{url}sign-in#back=bench")
            await by(operator, "secret").fill(TOKEN)
            await by(operator, "enter").click()
            await expect(by(operator, "badge")).to_have_text("anna")
            await expect(by(operator, "power-on").first).to_be_visible()
            await by(operator, "badge").click()
            await by(operator, "pair-operator").click()
            await expect(by(operator, "code")).to_contain_text("http://bench.example:8425/sign-in")
            code = await by(operator, "code").locator("b").inner_text()

            await phone.goto(f"{url}sign-in#code={code}")
            await expect(by(phone, "badge")).to_have_text("Signed in as phone …")
            assert code not in phone.url
            await phone.goto(f"{url}sign-in#code={code}")
            await expect(by(phone, "known")).to_contain_text("You are signed in as phone")
            await phone.get_by_role("link", name="To the bench").click()
            await expect(by(phone, "power-on").first).to_be_visible()

            await operator.get_by_role("button", name="Close").click()
            await by(operator, "badge").click()
            await by(operator, "signed-in").get_by_role("button", name="Sign out phone").click()
            await expect(by(phone, "signed-out")).to_be_visible()
            await expect(by(phone, "cut-off")).to_be_visible()
            await by(operator, "sign-out").click()
            await expect(by(operator, "secret")).to_be_visible()
            assert await by(operator, "known").is_hidden()
        finally:
            for context in contexts:
                await context.close()


async def test_on_a_machine_that_asks_for_no_token_nothing_of_it_shows(browser: Browser, url: str) -> None:
    watched = await open_page(browser, url)
    await expect(by(watched.page, "link")).to_have_text("live")
    await expect(watched.page.locator("body")).to_have_attribute("data-role", "operator")
    assert await by(watched.page, "badge").is_hidden()
    assert await by(watched.page, "signed-out").is_hidden()
    assert watched.faults == []


async def test_a_viewer_reads_measurements_and_is_offered_none(browser: Browser, bench: FakeBench) -> None:
    access = Access({tokens.hash_of(VIEW): Caller("window", Role.VIEWER)}, Sessions(86400.0))
    desks = Desks(procedures=FakeProcedures())  # type: ignore[arg-type]
    async with served(bench, access=access, desks=desks) as url:
        watched = await open_page(browser, f"{url}sign-in#back=measure/card:leak-curve")
        page = watched.page
        await by(page, "secret").fill(VIEW)
        await by(page, "secret").press("Enter")
        await expect(by(page, "badge")).to_have_text("Looks only: window")
        watched.faults.clear()  # before somebody has signed in the bench refuses, and the browser writes that down
        await page.goto(f"{url}#measure/card:leak-curve")
        await expect(by(page, "look-only")).to_contain_text("an operator sets it up and starts it")
        await expect(by(page, "parameter-limit_a")).to_be_disabled()
        await expect(by(page, "start-run")).to_be_hidden()
        await page.evaluate("location.hash = 'measure/run:P1'")
        await expect(by(page, "results")).to_contain_text("Leak at 4 V")
        for changing in ("again", "make-reference"):
            await expect(by(page, changing)).to_be_hidden()
        await page.evaluate("location.hash = 'measure/leads'")
        await expect(by(page, "lead-row").first).to_contain_text("84.0")
        await expect(by(page, "lead-keep")).to_be_hidden()
        assert watched.faults == [], "nothing was asked that the bench refuses"
