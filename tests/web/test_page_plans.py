"""The plan editor: copies, changes, faults beside their fields, and nothing that was typed is lost."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.async_api import Browser, Page, expect
from pydantic import BaseModel

from benchd.plans.plan import Plan
from tests.web.browser import by, eventually, open_page
from tests.web.fake import PHONE, FakeBench

FIELDS = Path(__file__).parents[2] / "dashboards" / "web" / "settings" / "planfields.js"


def keys_of(model: type[BaseModel], tables: tuple[str, ...] = ("probe", "hold", "budget")) -> set[str]:
    """The keys of a plan's file, those of its tables with a dot."""
    found: set[str] = set()
    for name, field in model.model_fields.items():
        inner = [a for a in (field.annotation, *getattr(field.annotation, "__args__", ())) if isinstance(a, type)]
        table = next((a for a in inner if issubclass(a, BaseModel)), None)
        found |= {f"{name}.{key}" for key in table.model_fields} if table else {name}
    assert {key.split(".")[0] for key in found if "." in key} == set(tables)
    return found


def test_every_key_of_a_plan_has_a_field_and_each_with_a_unit_in_its_name_shows_it() -> None:
    told = dict(re.findall(r"""field\("([\w.]+)", "[^"]*"(?:, "([^"]*)")?""", FIELDS.read_text("utf-8")))
    keys = {key.removesuffix(".0").removesuffix(".1") for key in told}
    assert keys == keys_of(Plan) - {"name"}
    ends = {"_v": "V", "_a": "A", "_ms": "ms", ".ms": "ms", "_s": "s", ".seconds": "s", "_ohm": "Ω", "_uf": "µF",
            "_j": "J", "_a2s": "A²s"}  # fmt: skip
    for key, unit in told.items():
        stem = key.removesuffix(".0").removesuffix(".1")
        assert unit == next((u for end, u in ends.items() if stem.endswith(end)), ""), key


async def editor(browser: Browser, url: str, name: str = "phone") -> Page:
    watched = await open_page(browser, f"{url}#plans/{name}")
    await expect(watched.page.get_by_role("form", name=f"Plan {name}")).to_be_visible()
    return watched.page


@pytest.mark.needs_chromium
async def test_a_shipped_plan_is_read_copied_changed_and_deleted(browser: Browser, bench: FakeBench, url: str) -> None:
    watched = await open_page(browser, url)
    page = watched.page
    await by(page, "plans").click()
    await expect(by(page, "plan-row").nth(1)).to_contain_text("Phone board, one cell")
    await by(page, "plan-row").nth(1).click()
    await expect(by(page, "plan-voltage_v")).to_be_disabled()
    await expect(by(page, "plan-delete")).to_be_hidden()
    await by(page, "plan-copy").click()
    await expect(by(page, "plan-name")).to_have_value("phone-own")
    await by(page, "plan-voltage_v").fill("4,2")
    await by(page, "plan-hold.by_hand").uncheck()
    await page.get_by_label("Probe").uncheck()
    await expect(by(page, "plan-probe.least_ohm")).to_be_hidden()
    await by(page, "plan-over_voltage_v").fill("")
    await by(page, "plan-save").click()
    await expect(page).to_have_url(f"{url}#plans/phone-own")
    wanted = {key: value for key, value in PHONE.items() if key not in ("probe", "over_voltage_v")}
    wanted |= {"voltage_v": 4.2, "hold": PHONE["hold"] | {"by_hand": False}}
    assert bench.asked[-1] == ("save-plan", "phone-own", wanted)
    # Now it is one's own: changed in place, without its keys that have no field being lost.
    bench.plan_book["phone-own"].values["later"] = 7
    await page.reload()
    await by(page, "plan-limit_a").fill("1")
    await by(page, "plan-save").click()
    await eventually(lambda: bench.asked[-1] == ("save-plan", "phone-own", wanted | {"limit_a": 1, "later": 7}))
    await by(page, "plan-delete").click()
    await expect(by(page, "plan-delete")).to_have_text("Tap again to delete")
    assert "phone-own" in bench.plan_book
    await by(page, "plan-delete").click()
    await expect(by(page, "plan-row")).to_have_count(2)
    assert bench.asked[-1] == ("delete-plan", "phone-own")
    assert watched.faults == []


@pytest.mark.needs_chromium
async def test_a_plan_that_somebody_changed_meanwhile_is_not_deleted(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    await bench.save_plan("mine", {"voltage_v": 4.2, "limit_a": 1})
    page = await editor(browser, url, "mine")
    await bench.save_plan("mine", {"voltage_v": 3.8, "limit_a": 1})
    await by(page, "plan-delete").click()
    await by(page, "plan-delete").click()
    await expect(by(page, "stale")).to_contain_text("Not deleted. plan mine was changed meanwhile.")
    assert "mine" in bench.plan_book
    await by(page, "look-again").click()
    await expect(by(page, "plan-voltage_v")).to_have_value("3.8")
    await by(page, "plan-delete").click()
    await by(page, "plan-delete").click()
    await expect(page).to_have_url(f"{url}#plans")
    assert bench.asked[-1] == ("delete-plan", "mine")


@pytest.mark.needs_chromium
async def test_faults_stand_beside_their_fields_and_nothing_typed_is_lost(
    browser: Browser, bench: FakeBench, url: str
) -> None:
    page = await editor(browser, url)
    await by(page, "plan-copy").click()
    await by(page, "plan-name").fill("mine")
    await by(page, "plan-limit_a").fill("two")
    await by(page, "plan-expected_idle_a.1").fill("")
    await by(page, "plan-save").click()
    await expect(by(page, "fault-limit_a")).to_have_text("two: not a number. Write for example 4.2")
    await expect(by(page, "fault-expected_idle_a.1")).to_have_text("Both ends are needed, or none.")
    await expect(by(page, "plan-limit_a")).to_be_focused()
    assert [a for a in bench.asked if a[0] == "save-plan"] == []
    await by(page, "plan-limit_a").fill("1")
    await by(page, "plan-expected_idle_a.1").fill("0.5")
    await by(page, "plan-voltage_v").fill("70")
    await by(page, "plan-over_voltage_v").fill("75")
    await by(page, "plan-save").click()
    await expect(by(page, "fault-voltage_v")).to_have_text("voltage_v = 70: allowed: 60.0 or less (unit: V)")
    await expect(by(page, "fault-over_voltage_v")).to_contain_text("over_voltage_v = 75")
    await expect(by(page, "plan-voltage_v")).to_have_attribute("aria-invalid", "true")
    await expect(by(page, "fault-limit_a")).to_have_text("")
    # Gone to another view, and the page thrown away by the browser: what was typed is there still.
    await page.get_by_role("link", name="Power-ups").click()
    await page.goto(f"{url}#plans")
    await expect(by(page, "plan-row").nth(1)).to_contain_text("not saved yet")
    await page.goto(f"{url}#plans/phone")
    await page.reload()
    await expect(by(page, "plan-name")).to_have_value("mine")
    await expect(by(page, "plan-voltage_v")).to_have_value("70")
    await expect(by(page, "unsaved")).to_have_text("Not saved yet.")
    await by(page, "plan-discard").click()
    await expect(by(page, "plan-voltage_v")).to_have_value("4")
    await expect(by(page, "plan-voltage_v")).to_be_disabled()


@pytest.mark.needs_chromium
async def test_a_fault_is_put_where_its_sentence_begins(browser: Browser, bench: FakeBench, url: str) -> None:
    page = await editor(browser, url)
    message = "\n".join(
        [
            "plan 'p': /data/p.toml: budget.fault_j = 0.1 J: charging harmless_bulk_uf = 1000.0 µF may take 0.2 J",
            "/data/p.toml: probe.least_ohm: missing; it has to be given",
            "/data/p.toml: probe: it could deliver 0.2 J",
            "/data/p.toml: expected_idle_a[1] = -1: allowed: 0 or more (unit: A)",
            "/data/p.toml: cannot be written: no space left",
        ]
    )
    placed = await page.evaluate("async (text) => (await import('./settings/planfields.js')).placed(text)", message)
    assert placed == {
        "budget.fault_j": "budget.fault_j = 0.1 J: charging harmless_bulk_uf = 1000.0 µF may take 0.2 J",
        "probe.least_ohm": "probe.least_ohm: missing; it has to be given",
        "probe": "probe: it could deliver 0.2 J",
        "expected_idle_a.0": "expected_idle_a[1] = -1: allowed: 0 or more (unit: A)",
        "": "/data/p.toml: cannot be written: no space left",
    }
