"""The API of followers, and their part of the page."""

from __future__ import annotations

from typing import Any

import httpx
import pytest
from playwright.async_api import Browser, expect

from benchd.store.follower_rows import RejectedRow
from tests.web.browser import DESK, PHONE, by, open_page
from tests.web.fake import START_NS, FakeBench

V1 = "/api/v1"
OK: dict[str, Any] = {"state": "ok", "text": "", "backlog": 0, "lag_s": None, "rejected": 0, "last_ok_ns": START_NS}
AWAY = OK | {"state": "waiting", "text": "http://db.lan:8428 does not answer", "backlog": 7200, "lag_s": 7260.0}
REFUSED = RejectedRow("influxdb readings", 7, START_NS, "422: partial write", "supply_reading,bench=b current=<1> 5")


async def test_followers_are_told_with_what_was_refused(http: httpx.AsyncClient, bench: FakeBench) -> None:
    assert (await http.get(f"{V1}/followers")).json() == {"followers": []}
    bench.followers = {"influxdb": OK | {"rejected": 1, "streams": {"influxdb readings": OK}}, "mqtt": AWAY}
    bench.refused = [REFUSED]
    answer = await http.get(f"{V1}/followers")
    assert answer.json() == {
        "followers": [
            {"name": "influxdb", **OK, "rejected": 1, "streams": {"influxdb readings": OK}},
            {"name": "mqtt", **AWAY},
        ]
    }
    refused = await http.get(f"{V1}/followers/influxdb/rejected")
    assert refused.json() == {
        "rejected": [
            {"follower": "influxdb readings", "seq": 7, "t_ns": START_NS, "reason": "422: partial write",
             "item": "supply_reading,bench=b current=<1> 5"}
        ]
    }  # fmt: skip


@pytest.mark.parametrize(
    ("path", "status", "code"),
    [
        ("nobody/rejected", 404, "not-found"),
        ("Influx_DB/rejected", 400, "bad-value"),
        ("influxdb/rejected?limit=0", 400, "bad-value"),
        ("influxdb/rejected?limit=1001", 400, "bad-value"),
        ("influxdb/rejected?of=1", 400, "unknown-key"),
    ],
)
async def test_what_cannot_be_asked(
    http: httpx.AsyncClient, bench: FakeBench, path: str, status: int, code: str
) -> None:
    bench.followers = {"influxdb": OK}
    answer = await http.get(f"{V1}/followers/{path}")
    assert (answer.status_code, answer.json()["error"]["code"]) == (status, code)


@pytest.mark.needs_chromium
@pytest.mark.parametrize("size", [PHONE, DESK])
async def test_the_page_shows_how_far_each_server_is_behind(
    browser: Browser, bench: FakeBench, url: str, size: tuple[int, int]
) -> None:
    watched = await open_page(browser, url, size)
    page = watched.page
    await expect(by(page, "followers")).to_be_hidden()
    bench.followers = {"influxdb": OK | {"rejected": 1, "text": "1 items were refused"}, "mqtt": AWAY}
    bench.refused = [REFUSED]
    bench.changed()
    part = by(page, "followers")
    await expect(part.locator("summary")).to_have_text("Servers: mqtt waits, 1 refused")
    await part.locator("summary").click()
    mqtt = by(page, "follower-mqtt")
    await expect(mqtt).to_contain_text("waiting, nothing is lost")
    await expect(mqtt).to_contain_text("7200 rows of the log, the oldest 2 h old")
    await expect(by(page, "refused-mqtt")).to_be_hidden()
    await by(page, "refused-influxdb").click()
    await expect(by(page, "follower-influxdb")).to_contain_text("supply_reading,bench=b current=<1> 5")
    bench.followers = {"influxdb": AWAY | {"backlog": 1}, "mqtt": AWAY}
    bench.changed()
    await expect(part.locator("summary")).to_have_text("Servers: influxdb and mqtt wait")
    await expect(by(page, "follower-influxdb")).to_contain_text("1 row of the log, the oldest 2 h old")
    bench.followers = {"influxdb": OK, "mqtt": OK | {"backlog": 900, "lag_s": 30.0}}
    bench.changed()
    await expect(part.locator("summary")).to_have_text("Servers: catching up")
    assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert watched.faults == []
