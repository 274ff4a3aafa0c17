"""The files of the bench, edited on the page: a form and texts, checked as the files are, and nothing typed is lost."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_asyncio
from playwright.async_api import Browser, Page, expect
from pydantic import BaseModel

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.files_desk import FilesDesk
from benchd.daemon.step_desk import StepDesk
from benchd.settings import Channel, Settings, Supply, load
from benchd.store.log import Log
from benchd.web.desks import Desks
from tests.daemon.making import ACCURACY, FakeWriter
from tests.web.browser import DESK, by, open_page
from tests.web.conftest import close_pages, served
from tests.web.fake import FakeBench

FIELDS = Path(__file__).parents[2] / "dashboards" / "web" / "settings" / "benchfields.js"
TEXT = """\
data_dir = "{folder}"
[guard]
# rearm_pause_s = 2.0      # from a trip until its output may be re-armed
[mqtt]
host = "broker"
user = "bench"
password = "s3cret"  # ask the owner
[[supply]]
name = "psu-a"
resource = "TCPIP0::192.0.2.5::5025::SOCKET"
profile = "generic-scpi"
[[supply.channel]]
max_voltage_v = 5.0  # no more
max_limit_a = 3.0
plan = "phone-cell"
"""


def keys_of(table: type[BaseModel]) -> set[str]:
    return set(table.model_fields)


def test_every_key_of_the_settings_has_a_field_and_each_with_a_unit_in_its_name_shows_it() -> None:
    source = FIELDS.read_text("utf-8")
    parts = re.split(r"export const (SUPPLY|CHANNEL) = |\{ table: \"(\w*)\"", source)[1:]
    told = {
        (first or second or "").lower(): dict(re.findall(r"""field\("(\w+)", "[^"]*"(?:, "([^"]*)")?""", text))
        for first, second, text in zip(parts[::3], parts[1::3], parts[2::3], strict=True)
    }
    without = {"web": {"token"}}  # made by `benchd token new`, and edited as text
    tables = {"supply": keys_of(Supply) - {"channel"}, "channel": keys_of(Channel)}
    for name, field in Settings.model_fields.items():
        kinds = [k for k in (field.annotation, *getattr(field.annotation, "__args__", ())) if isinstance(k, type)]
        table = next((k for k in kinds if issubclass(k, BaseModel)), None)
        if table is None:
            tables.setdefault("", set()).add(name)
        elif name not in ("plan", "supply"):
            tables[name] = keys_of(table) - without.get(name, set())
    assert {name: set(fields) for name, fields in told.items()} == tables
    ends = {"_v": "V", "_a": "A", "_ms": "ms", "_s": "s", "_mohm": "mΩ", "_m": "m"}
    for fields in told.values():
        for key, unit in fields.items():
            wanted = next((u for end, u in ends.items() if key.endswith(end)), None)
            assert wanted is None or unit == wanted, key


class Shop:
    """A bench with a settings file and a desk over it, on a page of its own."""

    def __init__(self, config: Path, log: Log, url: str) -> None:
        self.config, self.log, self.url = config, log, url

    def text(self) -> str:
        return self.config.read_text("utf-8")

    def by_hand(self, old: str, new: str) -> None:
        text = self.text()
        assert old in text
        self.config.write_text(text.replace(old, new), "utf-8")


@pytest_asyncio.fixture(loop_scope="session")
async def shop(bench: FakeBench, tmp_path: Path, shared_browser: Browser) -> AsyncIterator[Shop]:
    config = tmp_path / "benchd.toml"
    config.write_text(TEXT.replace("{folder}", str(tmp_path)), "utf-8")
    with Log.open(tmp_path / "benchd.sqlite") as log:
        core = Core(load(config), {("psu-a", 1): ACCURACY}, FakeWriter(log), None)  # type: ignore[arg-type]
        over = Bench(core, log.path)
        desk = FilesDesk(core, over, StepDesk(core, over), config)
        async with served(bench, desks=Desks(files=desk)) as url:
            yield Shop(config, log, url)
            await close_pages(shared_browser)


async def opened(browser: Browser, shop: Shop, address: str, **how: object) -> Page:
    watched = await open_page(browser, f"{shop.url}#settings{address}", **how)  # type: ignore[arg-type]
    return watched.page


@pytest.mark.needs_chromium
async def test_the_form_says_what_is_wrong_at_its_field_and_changes_one_line_of_the_file(
    browser: Browser, shop: Shop
) -> None:
    page = await opened(browser, shop, "")
    await by(page, "kind-supplies").click()
    supply = by(page, "group-supply-0")
    await supply.locator("summary").click()
    await expect(by(page, "set-supply[0].timeout_ms")).to_have_attribute("placeholder", "300")
    assert "s3cret" not in await page.content()
    limit = by(page, "set-supply[0].channel[0].max_limit_a")
    await limit.fill("much")
    await by(page, "form-save").click()
    await expect(by(page, "fault-supply[0].channel[0].max_limit_a")).to_contain_text("much: not a number")
    await limit.fill("1,5")
    await by(page, "form-save").click()
    fault = by(page, "fault-supply[0].channel[0].max_limit_a")
    await expect(fault).to_contain_text("plan 'phone-cell' asks for 2.0 A, the channel's max_limit_a is 1.5 A")
    await expect(limit).to_be_focused()
    await page.reload()
    await supply.locator("summary").click()
    await expect(limit).to_have_value("3")
    await limit.fill("2,5")
    await by(page, "group-mqtt").locator("summary").click()
    await expect(by(page, "set-mqtt.password")).to_have_value(re.compile(r"^\(hidden \w+\)$"))
    before = shop.text()
    await by(page, "form-save").click()
    await expect(by(page, "pending")).to_contain_text(
        "To bring it into force, end benchd and start it again: nothing is on now."
    )
    assert shop.text() == before.replace("max_limit_a = 3.0", "max_limit_a = 2.5")
    await page.goto(f"{shop.url}#settings/changes")
    await expect(by(page, "change").first).to_contain_text("this machine: supply[0].channel[0].max_limit_a")
    await by(page, "change").first.locator("summary").click()
    await expect(by(page, "change").first.locator(".came")).to_have_text("+max_limit_a = 2.5")


@pytest.mark.needs_chromium
async def test_a_supply_and_an_output_are_added_and_taken_out(browser: Browser, shop: Shop) -> None:
    page = await opened(browser, shop, "/bench", size=DESK)
    await by(page, "add-supply").click()
    await by(page, "set-supply[1].name").fill("psu-b")
    await by(page, "set-supply[1].resource").fill("ASRL/dev/ttyUSB0::INSTR")
    await by(page, "set-supply[1].profile").fill("generic-scpi")
    await by(page, "add-channel-1").click()
    await by(page, "set-supply[1].channel[0].max_voltage_v").fill("5")
    await by(page, "set-supply[1].channel[0].max_limit_a").fill("2")
    await by(page, "form-save").click()
    await expect(by(page, "fault-supply[1].channel[1].max_voltage_v")).to_contain_text("missing")
    await page.get_by_role("button", name="Take output 2 out").click()
    await page.get_by_role("button", name="Tap again").click()
    before = shop.text()
    await by(page, "form-save").click()
    await expect(by(page, "form-discard")).to_be_hidden()
    assert shop.text().startswith(before)
    assert [s.name for s in load(shop.config).supply] == ["psu-a", "psu-b"]


@pytest.mark.needs_chromium
async def test_a_text_is_checked_while_it_is_typed_and_an_old_page_loses_nothing(browser: Browser, shop: Shop) -> None:
    page = await opened(browser, shop, "/supplies:benchd")
    text = by(page, "file-text")
    await expect(text).to_have_value(re.compile('password = "\\(hidden \\w+\\)"  # ask the owner'))
    typed = (await text.input_value()).replace("# no more", "# ours").replace("[guard]", "[guard]\nquiet_hours = 7")
    await text.fill(typed)
    await expect(by(page, "file-faults")).to_contain_text("guard.quiet_hours = 7: allowed: text in quotes")
    await page.get_by_role("button", name="Line 3").click()
    assert await text.evaluate("node => node.value.slice(node.selectionStart, node.selectionEnd)") == "quiet_hours = 7"
    await page.keyboard.type('quiet_hours = "22:00-06:00"')
    await expect(by(page, "file-faults")).to_be_empty()
    shop.by_hand("# no more", "# no more, says the boss")
    await by(page, "file-save").click()
    await expect(by(page, "stale")).to_contain_text("What you typed is kept")
    await by(page, "stale").locator("summary").click()
    await expect(by(page, "stale").locator("pre")).to_contain_text("# no more, says the boss")
    assert "quiet_hours" not in shop.text()
    await by(page, "keep-mine").click()
    await expect(by(page, "file-discard")).to_be_hidden()
    assert "max_voltage_v = 5.0  # ours" in shop.text()
    assert 'password = "s3cret"  # ask the owner' in shop.text()


@pytest.mark.needs_chromium
async def test_a_shipped_card_is_made_ones_own_copied_and_deleted(browser: Browser, shop: Shop) -> None:
    page = await opened(browser, shop, "/card")
    await by(page, "file-row").filter(has_text="low-stall").click()
    text = by(page, "file-text")
    await text.fill("# of this shop\n" + await text.input_value())
    await page.reload()
    await expect(by(page, "unsaved")).to_have_text("Not saved yet.")
    await by(page, "file-save").click()
    await expect(page.get_by_text("A file of this bench. What is saved holds at once.")).to_be_visible()
    own = shop.config.parent / "cards" / "low-stall.toml"
    assert own.read_text("utf-8").startswith("# of this shop\n")
    await page.get_by_text("Copy low-stall under another name").click()
    await by(page, "copy-name").fill("lower-stall")
    await by(page, "copy").click()
    await expect(text).to_have_value(re.compile('id = "lower-stall"'))
    await by(page, "file-save").click()
    await expect(page.get_by_text("A file of this bench.")).to_be_visible()
    await by(page, "file-delete").click()
    await by(page, "file-delete").click()
    await expect(by(page, "file-row").filter(has_text="your own")).to_have_count(1)
    assert [path.name for path in own.parent.iterdir()] == ["low-stall.toml"]
