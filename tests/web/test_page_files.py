"""The page's files as they are sent: kept in memory, plain and squeezed."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator
from pathlib import Path

import httpx
import pytest

from benchd.web.app import create_app
from tests.web.fake import FakeBench

SCRIPT = "// one of the page's scripts\n" * 100
PLAIN, SQUEEZED = {"Accept-Encoding": "identity"}, {"Accept-Encoding": "gzip, deflate, br"}


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A folder with a page, and something beside it that is not shown to anybody."""
    root = tmp_path / "web"
    (root / "shared").mkdir(parents=True)
    (root / "index.html").write_text("<!doctype html>")
    (root / "shared" / "a.js").write_text(SCRIPT)
    (root / "icon.png").write_bytes(bytes(5000))
    (root / "notes.txt").write_text("left behind")
    (tmp_path / "secret.js").write_text("what nobody may see")
    (root / "linked.js").symlink_to(tmp_path / "secret.js")
    return root


@pytest.fixture
async def page(root: Path, bench: FakeBench) -> AsyncIterator[httpx.AsyncClient]:
    transport = httpx.ASGITransport(create_app(bench, bench_name="north", root=root))
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost:8425") as client:
        yield client


async def test_squeezed_for_who_can_read_it(page: httpx.AsyncClient) -> None:
    plain = await page.get("/shared/a.js", headers=PLAIN)
    squeezed = await page.get("/shared/a.js", headers=SQUEEZED)
    assert plain.text == squeezed.text == SCRIPT
    assert int(plain.headers["content-length"]) == len(SCRIPT)
    assert int(squeezed.headers["content-length"]) == squeezed.num_bytes_downloaded < len(SCRIPT) / 10
    assert ("content-encoding" in plain.headers, squeezed.headers["content-encoding"]) == (False, "gzip")
    for answer in (plain, squeezed):
        assert answer.headers["vary"] == "Accept-Encoding"
        assert answer.headers["content-type"] == "text/javascript; charset=utf-8"
        assert answer.headers["cache-control"] == "no-cache"
    for path in ("/", "/icon.png"):  # small, and dense already
        answer = await page.get(path, headers=SQUEEZED)
        assert (answer.status_code, "content-encoding" in answer.headers) == (200, False)


@pytest.mark.parametrize("can_read", [PLAIN, SQUEEZED])
async def test_what_a_browser_has_is_not_sent_again(page: httpx.AsyncClient, can_read: dict[str, str]) -> None:
    first = await page.get("/shared/a.js", headers=can_read)
    tag = first.headers["etag"]
    again = await page.get("/shared/a.js", headers={**can_read, "If-None-Match": f'"other", {tag}'})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    since = {**can_read, "If-Modified-Since": first.headers["last-modified"]}
    assert (await page.get("/shared/a.js", headers=since)).status_code == 304
    other = await page.get(
        "/shared/a.js", headers={**(PLAIN if can_read is SQUEEZED else SQUEEZED), "If-None-Match": tag}
    )
    assert (other.status_code, other.text) == (200, SCRIPT)
    head = await page.head("/shared/a.js", headers=can_read)
    assert (head.status_code, head.content) == (200, b"")
    for name in ("etag", "content-length", "content-type"):
        assert head.headers[name] == first.headers[name]


async def test_a_file_that_changes_is_read_again(page: httpx.AsyncClient, root: Path) -> None:
    tag = (await page.get("/shared/a.js")).headers["etag"]
    file = root / "shared" / "a.js"
    changed = file.stat().st_mtime_ns + 1_000_000
    file.write_text(SCRIPT.upper())  # as long as before
    os.utime(file, ns=(changed, changed))
    answer = await page.get("/shared/a.js", headers={"If-None-Match": tag})
    assert (answer.status_code, answer.text) == (200, SCRIPT.upper())
    file.unlink()
    assert (await page.get("/shared/a.js")).status_code == 404


@pytest.mark.parametrize(
    "path",
    [
        "notes.txt",
        "shared",
        "shared/b.js",
        "..%2fsecret.js",
        "%2e%2e/secret.js",
        "linked.js",
        "a%00.js",
        "a" * 300 + ".js",
        "index.html/a.js",
    ],
)
async def test_nothing_but_the_page_is_found(page: httpx.AsyncClient, path: str) -> None:
    for _ in range(2):
        answer = await page.get(f"/{path}")
        assert (answer.status_code, "nobody" in answer.text) == (404, False)
    assert (await page.post("/shared/a.js")).status_code == 404
