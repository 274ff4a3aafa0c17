"""The pages of jobs in a real browser: intake, scans, steps, checks, photos, and two people at one job."""

from __future__ import annotations

import io
import re
from collections.abc import AsyncIterator
from pathlib import Path

import msgspec
import pytest
import pytest_asyncio
from PIL import Image
from playwright.async_api import Browser, Page, Route, expect

from benchd.jobs.choices import BATTERIES, RISKS, STATES
from benchd.jobs.job import Job
from benchd.jobs.photo import Photo
from benchd.web.desks import Desks
from benchd.web.step_port import TimelineEntry
from tests.web.browser import DESK, TABLET, Watched, by, eventually, open_page
from tests.web.conftest import close_pages, served
from tests.web.fake import START_NS, FakeBench, finding, make_samples
from tests.web.fake_procedures import FakeProcedures
from tests.web.fake_record import FakeRecords
from tests.web.fake_report import FakeReports
from tests.web.fake_steps import FakeSteps, beside

SMALL_PHONE = (360, 740)
EVIL = "<script>window.hit = 1</script><img src=x onerror='window.hit = 1'>"
JOB = Job("R-1042", "phone, blue", "blue-phone", "no start", START_NS, battery="in", version=1)
DICTATES = """() => { window.SpeechRecognition = class {
  start() {
    const said = Object.assign([{ transcript: ' after a fall ' }], { isFinal: true });
    setTimeout(() => { this.onresult({ resultIndex: 0, results: [said] }); this.onend(); });
  }
} }"""
WORDS = Path(__file__).parents[2] / "dashboards" / "web" / "jobs" / "jobwords.js"


@pytest.fixture
def steps() -> FakeSteps:
    return FakeSteps()


class Records(FakeRecords):
    """Also remembers what came over the wire."""

    sent: list[bytes]

    async def add_photo(self, id: str, data: bytes, caption: str, by: str) -> Photo:
        """See `RecordPort`."""
        self.sent.append(data)
        return await super().add_photo(id, data, caption, by)


@pytest.fixture
def records(bench: FakeBench) -> Records:
    bench.job_list = [JOB, Job("R-7", EVIL, EVIL, EVIL, 1, version=1)]
    found = Records(bench)
    found.sent = []
    return found


@pytest_asyncio.fixture(loop_scope="session")
async def url(bench: FakeBench, records: Records, steps: FakeSteps, shared_browser: Browser) -> AsyncIterator[str]:
    """The page of a bench whose jobs, steps and checklists are in memory."""
    async with served(
        bench, desks=Desks(records=records, steps=steps, reports=FakeReports(), procedures=FakeProcedures())
    ) as found:
        yield found
        await close_pages(shared_browser)


async def open_live(browser: Browser, url: str, size: tuple[int, int] = SMALL_PHONE) -> Watched:
    """The page, once it hears the bench: before that it does nothing that it could not see the end of."""
    watched = await open_page(browser, url, size)
    await expect(by(watched.page, "link")).to_have_text("live")
    return watched


async def scan(page: Page, text: str) -> bool:
    """As a scanner types at what has the focus, with no time between the keys; whether its Enter was kept from that."""
    return not await page.evaluate(
        """(keys) => {
          const at = document.activeElement ?? document.body;
          const how = { bubbles: true, cancelable: true };
          const press = (key) => at.dispatchEvent(new KeyboardEvent('keydown', { key, ...how }));
          return keys.map(press).at(-1);
        }""",
        [*text, "Enter"],
    )


def test_words_of_the_page_are_those_of_the_bench() -> None:
    text = WORDS.read_text("utf-8")

    def table(name: str) -> dict[str, str]:
        body = text.split(f"export const {name} = {{")[1].split("\n};")[0]
        return dict(re.findall(r'^  "?([\w-]*)"?: "(.*)",$', body, re.M))

    assert table("STATES") == STATES
    assert table("BATTERIES") == {"": "Not looked at yet", **BATTERIES}
    assert table("RISKS") == RISKS


@pytest.mark.needs_chromium
async def test_a_device_is_taken_in_and_repaired(
    browser: Browser, bench: FakeBench, steps: FakeSteps, records: Records, url: str
) -> None:
    watched = await open_live(browser, f"{url}#jobs")
    page = watched.page
    await page.evaluate(DICTATES)
    await by(page, "take-in").click()
    await expect(by(page, "intake-id")).to_have_attribute("placeholder", "R-3")
    await by(page, "intake-id").fill("R-1")
    await by(page, "field-device").fill(EVIL)
    await by(page, "field-symptom").fill("dead")
    await by(page, "dictate").first.click()
    await expect(by(page, "field-symptom")).to_have_value("dead after a fall")
    # A look at another view, and what was typed is there again.
    await page.goto(f"{url}#bench")
    await page.goto(f"{url}#jobs/new")
    await by(page, "battery-swollen").check()
    await by(page, "consent-data-loss").check()
    await by(page, "intake-go").click()
    await expect(by(page, "job")).to_contain_text("R-1")
    view = by(page, "job-view")
    await expect(view.locator("h2")).to_contain_text(EVIL)
    await expect(by(view, "battery-caution")).to_contain_text("out of the room")
    job = bench.job_list[-1]
    assert job.symptom == "dead after a fall"
    assert (job.id, job.device, job.battery, job.consent, bench.job) == ("R-1", EVIL, "swollen", ("data-loss",), "R-1")
    # Two taps: the kind, and where. One that is written down late says which power-up came after it.
    bench.file("T1", "R-1", make_samples(START_NS, 1, 50), finding())
    await by(view, "step-cleaned").click()
    await page.get_by_role("button", name="ultrasonic bath").click()
    entry = by(view, "entry").first
    await expect(entry).to_contain_text("Cleaned: ultrasonic bath")
    # Before a storage chip is lifted its checks come first; one is ticked there, then it is entered all the same.
    await by(view, "step-storage-lifted").click()
    await by(page, "step-detail").fill("U7")
    await by(page, "step-more").locator("summary").click()
    await expect(by(page, "step-effect").locator("option")).to_have_count(2)
    await by(page, "step-effect").select_option("T1")
    await by(page, "step-go").click()
    await by(page, "first-a").click()
    await expect(by(page, "first-a")).to_have_attribute("aria-checked", "true")
    await by(page, "step-anyway").click()
    await expect(entry).to_contain_text("Storage chip lifted: U7")
    assert steps.asked[1][:6] == ("tick", "R-1", "before-chip", "a", "done", "")
    told = [asked[6:8] for asked in steps.asked if asked[0] == "step"]
    assert told == [(None, False), ("T1", True)], "what shows its effect, and that checks were open"
    await by(entry, "take-back").click()
    await by(entry, "take-back").click()
    await expect(by(view, "entry").nth(1)).to_contain_text("Taken back")
    # Checks.
    await by(view, "checklist-after-repair").locator("summary").click()
    listed = by(view, "checklist-after-repair")
    await by(listed, "tick-a").click()
    await expect(by(listed, "tick-a")).to_have_attribute("aria-checked", "true")
    await by(listed, "skip-b").click()
    await expect(listed).to_contain_text("✓ all done")
    await expect(by(listed, "skip-b")).to_be_focused()
    await by(listed, "note-b").click()
    await by(page, "check-note").fill("none fitted")
    await by(page, "check-note-go").click()
    await expect(listed).to_contain_text("none fitted")
    # State, report.
    await by(view, "state").click()
    await by(page, "state-ready").click()
    await expect(by(view, "state")).to_contain_text("Ready")
    await expect(by(view, "state")).to_be_focused()
    await by(view, "report").click()
    await expect(by(page, "report-customer-pdf")).to_have_attribute("href", "/api/v1/jobs/R-1/report.pdf?for=customer")
    await expect(by(page, "report-language")).to_have_value("en")
    await by(page, "report-language").select_option("de")
    await expect(by(page, "report-pdf")).to_have_attribute("href", "/api/v1/jobs/R-1/report.pdf?language=de")
    assert await page.evaluate("window.hit") is None
    assert [f for f in watched.faults if "409" not in f] == []


@pytest.mark.needs_chromium
async def test_each_step_stands_between_its_power_ups_and_everything_fits(
    browser: Browser, bench: FakeBench, steps: FakeSteps, url: str
) -> None:
    bench.job = "R-1042"
    for id, amps in (("T1", 0.06), ("T2", 0.9)):
        bench.file(id, "R-1042", make_samples(START_NS, 3, 50, lambda t, amps=amps: amps + 0 * t), finding())
    step = TimelineEntry(3, START_NS, "step", "R-1042", None, None, None, {"step": "cleaned", "label": "Cleaned"})
    step.before, step.after = beside("T1", START_NS, "low-stall"), beside("T2", START_NS, "clean-boot")
    steps.entries.append(step)
    watched = await open_live(browser, f"{url}#job")
    page = watched.page
    shown = by(page, "step-traces")
    await shown.scroll_into_view_if_needed()
    lines = shown.locator("polyline")
    await expect(lines).to_have_count(2)
    heights = [(await line.get_attribute("points") or "").split(",")[-1] for line in await lines.all()]
    assert [float(y) for y in heights] == pytest.approx([72 - 3 - 66 * 0.06 / 0.9, 3], abs=0.1), "one scale for both"
    await expect(shown.get_by_role("link").first).to_have_attribute("href", "#trace/T1")
    await expect(by(page, "compare")).to_have_attribute("href", "#compare/T1,T2")
    for size in (SMALL_PHONE, TABLET, DESK):
        await page.set_viewport_size({"width": size[0], "height": size[1]})
        for view in ("job/R-1042", "jobs", "jobs/new"):
            await page.goto(f"{url}#{view}")
            await expect(page.locator(f"section.view-{view.split('/')[0]} h2")).to_be_visible()
            assert await wrong_sizes(page) == [], (size, view)
    # Who may only look is offered nothing that changes.
    await page.evaluate("document.body.dataset.role = 'viewer'")
    await page.goto(f"{url}#job/R-1042")
    await expect(by(page, "state")).to_be_disabled()
    for name in ("steps", "job-note", "edit", "photo-take", "use"):
        await expect(by(page, name).locator("visible=true")).to_have_count(0)
    assert watched.faults == []


async def wrong_sizes(page: Page) -> list[str]:
    """What is wider than the page, cut short, or too small for a glove."""
    return await page.evaluate(
        """() => {
          const found = document.documentElement.scrollWidth > innerWidth ? ['the page is too wide'] : [];
          const controls = 'main button, main a, main input:not([type=checkbox], [type=radio], [type=file]), '
            + 'main .tick, main textarea, main select, main summary';
          for (const one of document.querySelectorAll(controls)) {
            if (!one.checkVisibility() || one.closest('.entries > li > a, .uplot')) continue;
            const box = one.getBoundingClientRect();
            const name = one.textContent || one.name;
            const small = !one.closest('.entries') && (box.height < 48 || box.width < 48);
            if (small) found.push(`${name}: ${box.width} x ${box.height}`);
            const cut = one.matches('button, .like-button') && one.scrollWidth > one.clientWidth;
            if (cut) found.push(`${name}: cut short`);
          }
          return found;
        }"""
    )


@pytest.mark.needs_chromium
async def test_a_scan_puts_a_job_on_the_bench_in_every_view(browser: Browser, bench: FakeBench, url: str) -> None:
    watched = await open_live(browser, f"{url}#traces")
    page = watched.page
    # The first key of all is slow: the browser is asked for its sound. A real scanner's keys keep their own times.
    await page.keyboard.press("Shift")
    # The Enter of a scan does not press the button that has the focus.
    await by(page, "cut-off").focus()
    assert await scan(page, "R-1042 ")
    await expect(by(page, "foot-said")).to_have_text("R-1042, phone, blue is on the bench.")
    assert bench.job == "R-1042"
    # Two at once: the last one wins, and says so.
    held: list[Route] = []
    await page.route("**/jobs/by-label?text=R-1042", lambda route: held.append(route))
    await scan(page, "R-1042")
    await eventually(lambda: held)
    await scan(page, "R-7")
    await expect(by(page, "foot-said")).to_contain_text("is on the bench. Scanned just before and not used: R-1042.")
    await held[0].continue_()
    await page.unroute_all()
    # Another tablet is heard of.
    bench.job = "R-1042"
    bench.changed()
    await expect(by(page, "foot-said")).to_contain_text("chosen elsewhere, just after your R-7")
    # A label that nobody knows: asked for, and the next scan takes its place.
    await scan(page, "R-88")
    await expect(by(page, "job-id")).to_have_value("R-88")
    await page.keyboard.type("R-89")
    await page.keyboard.press("Enter")
    await expect(by(page, "take-in-new")).to_have_text("Take R-89 in …")
    await page.keyboard.type("R-7")
    await page.keyboard.press("Enter")
    await expect(by(page, "job-sheet")).to_have_count(0)
    assert bench.job == "R-7"
    # Typed words find, a slow hand is no scanner, and what can be no id says what is allowed.
    await by(page, "job").click()
    await page.keyboard.type("blue", delay=90)
    await expect(by(page, "pick")).to_have_count(1)
    await by(page, "job-id").fill("a/b")
    await by(page, "job-go").click()
    await expect(by(page, "job-sheet").get_by_role("alert")).to_contain_text("a/b")
    assert [f for f in watched.faults if "400" not in f] == []


@pytest.mark.needs_chromium
async def test_two_people_at_one_job_lose_nothing(
    browser: Browser, bench: FakeBench, records: Records, steps: FakeSteps, url: str
) -> None:
    page = (await open_live(browser, f"{url}#job/R-1042")).page
    await by(page, "edit").click()
    await by(page, "field-symptom").fill("no start, warm")
    await by(page, "field-device").fill("phone, dark blue")
    await records.change("R-1042", {"symptom": "restarts", "history": "pond"}, "other", None)
    await by(page, "edit-go").click()
    await expect(by(page, "conflict")).to_contain_text("Nothing is written yet")
    await expect(by(page, "field-symptom")).to_have_value("no start, warm")
    await expect(by(page, "field-history")).to_have_value("pond")
    await expect(by(page, "edit-sheet")).to_contain_text("There now: restarts")
    await by(page, "take-symptom").click()
    await by(page, "edit-go").click()
    await expect(by(page, "edit-sheet")).to_have_count(0)
    job = await records.job("R-1042")
    assert (job.symptom, job.history, job.device) == ("restarts", "pond", "phone, dark blue")
    # The state: another part was changed meanwhile, so it holds; the state was, so it is asked again.
    await by(page, "state").click()
    stale = msgspec.structs.replace(job, accessories="case", version=job.version + 1)
    bench.job_list[0] = stale
    await by(page, "state-testing").click()
    await expect(by(page, "state")).to_contain_text("Being tested")
    await by(page, "state").click()
    bench.job_list[0] = msgspec.structs.replace(stale, state="given-up", version=99)
    await by(page, "state-ready").click()
    await expect(by(page, "state-sheet").get_by_role("alert")).to_contain_text("“Given up”")
    await page.keyboard.press("Escape")
    # A tick that somebody else has set just before.
    await by(page, "checklist-before-power").locator("summary").click()
    await steps.tick("R-1042", "before-power", "b", "not-needed", by="anna")
    await by(page, "tick-b").first.click()
    await expect(by(page, "checklists").get_by_role("alert")).to_contain_text(
        "changed by somebody else just before (anna)"
    )
    assert steps.lists["before-power"].items[1].state == "not-needed"


@pytest.mark.needs_chromium
async def test_photos_are_made_smaller_on_the_way_and_labels_are_printed_alone(
    browser: Browser, bench: FakeBench, records: Records, url: str
) -> None:
    page = (await open_live(browser, f"{url}#job/R-1042")).page
    camera = io.BytesIO()
    exif = Image.Exif()
    exif[0x0112] = 6  # Orientation of EXIF 2.32: turned by a quarter
    exif.get_ifd(0x8825)[1] = "N"  # GPSLatitudeRef
    Image.linear_gradient("L").resize((3200, 2400)).convert("RGB").save(camera, "JPEG", exif=exif)
    await by(page, "photo-caption").fill(EVIL)
    await by(page, "photo-files").set_input_files(
        [
            {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": camera.getvalue()},
            {"name": "b.txt", "mimeType": "text/plain", "buffer": b"no picture"},
        ]
    )
    await expect(by(page, "photo")).to_have_count(1)
    await expect(by(page, "photos").get_by_role("alert")).to_contain_text("b.txt is no picture")
    with Image.open(io.BytesIO(records.sent[0])) as image:
        assert (image.size, dict(image.getexif())) == ((1920, 2560), {}), "upright, smaller, and it tells no place"
    await by(page, "photo").click()
    await expect(by(page, "photo-sheet").locator("img")).to_be_visible()
    await by(page, "photo-remove").click()
    assert records.taken, "asked first"
    await by(page, "photo-remove").click()
    await expect(by(page, "photo")).to_have_count(0)
    await page.evaluate("window.print = () => { window.printed = document.body.className; }")
    await by(page, "label").click()
    await page.wait_for_function("window.printed === 'printing'")
    await page.emulate_media(media="print")
    await expect(by(page, "print-sheet").locator("img")).to_be_visible()
    await expect(by(page, "job-view")).to_be_hidden()
    await page.evaluate("dispatchEvent(new Event('afterprint'))")
    await expect(by(page, "print-sheet")).to_have_count(0)
    assert await page.evaluate("window.hit") is None
