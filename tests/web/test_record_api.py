"""The job record over HTTP: taken in, changed by one at a time, searched, scanned, with photos."""

from __future__ import annotations

from typing import Any
from xml.etree import ElementTree

import httpx
import pytest

from benchd.jobs.job import Job
from benchd.jobs.jpeg import plain_size
from benchd.web.desks import Desks
from tests.jobs.pictures import SECRET, camera_file
from tests.web.fake import FakeBench
from tests.web.fake_record import FakeRecords


@pytest.fixture
def desks(bench: FakeBench) -> Desks:
    bench.job_list = [Job("R-7", "phone, blue", "blue-phone", "no start", 1, version=3)]
    return Desks(records=FakeRecords(bench))


JPEG = {"content-type": "image/jpeg"}
FULL = {
    "device": "tablet", "board": "t-main", "symptom": "dark\nsince May", "history": "dropped",
    "wanted_back": "pictures", "battery": "swollen", "accessories": "case", "consent": ["screen", "data-loss"],
}  # fmt: skip


async def test_a_device_is_taken_in_with_all_that_is_said_and_an_id_that_is_made(http: httpx.AsyncClient) -> None:
    made = await http.post("/api/v1/jobs", json=FULL)
    assert made.status_code == 201
    job = made.json()
    assert job["id"] == "R-2"
    assert {key: job[key] for key in FULL} == FULL | {"consent": ["data-loss", "screen"]}
    assert (job["state"], job["version"]) == ("taken-in", 1)
    assert (await http.get("/api/v1/jobs/R-2")).json() == job


@pytest.mark.parametrize(("body", "code", "where"), [
    ({"battery": "full"}, "bad-value", "body.battery"), ({"consent": ["all"]}, "bad-value", "body.consent"),
    ({"consent": "data-loss"}, "bad-value", "body.consent"), ({"device": "a\nb"}, "bad-value", "body.device"),
    ({"history": "x" * 4001}, "bad-value", "body.history"), ({"owner": "x"}, "unknown-key", "body.owner"),
    ({"id": "a b"}, "bad-value", "body.id"), ({"seen": 3}, "unknown-key", "body.seen"),
])  # fmt: skip
async def test_what_cannot_be_taken_in_says_where(
    http: httpx.AsyncClient, bench: FakeBench, body: dict[str, Any], code: str, where: str
) -> None:
    said = (await http.post("/api/v1/jobs", json=body)).json()["error"]
    assert (said["code"], said["where"]) == (code, where)
    assert len(bench.job_list) == 1


async def test_who_changes_what_another_has_changed_sees_it_as_it_is_now(http: httpx.AsyncClient) -> None:
    first = await http.patch("/api/v1/jobs/R-7", json={"symptom": "dead", "seen": 3})
    assert (first.status_code, first.json()["symptom"], first.json()["device"]) == (200, "dead", "phone, blue")
    for method, path, body in (
        ("PATCH", "/api/v1/jobs/R-7", {"symptom": "wet", "seen": 3}),
        ("PUT", "/api/v1/jobs/R-7/state", {"state": "ready", "seen": 3}),
    ):
        late = await http.request(method, path, json=body)
        assert (late.status_code, late.json()["error"]["code"]) == (409, "stale")
        assert late.json()["error"]["present"] == first.json()
    done = await http.put("/api/v1/jobs/R-7/state", json={"state": "ready", "seen": first.json()["version"]})
    assert (done.json()["state"], done.json()["symptom"]) == ("ready", "dead")
    assert (await http.put("/api/v1/jobs/R-7/state", json={"state": "lost"})).json()["error"]["where"] == "body.state"


async def test_jobs_are_searched(http: httpx.AsyncClient) -> None:
    await http.post("/api/v1/jobs", json=FULL)

    async def ids(**query: Any) -> list[str]:
        return [job["id"] for job in (await http.get("/api/v1/jobs", params=query)).json()["jobs"]]

    assert await ids(text="Blue phone") == ["R-7"]
    assert await ids(board="t-main", state="taken-in") == ["R-2"]
    assert await ids(state="ready") == []
    assert (await http.get("/api/v1/jobs?state=lost")).json()["error"]["code"] == "bad-value"


@pytest.mark.parametrize(("typed", "answer"), [
    ("R-7", ("R-7", True)), ("  R-7\r\n", ("R-7", True)), ("]Q3R-7", ("R-7", True)), ("R-99", ("R-99", False)),
])  # fmt: skip
async def test_a_scan_leads_to_the_job(http: httpx.AsyncClient, typed: str, answer: tuple[str, bool]) -> None:
    read = (await http.get("/api/v1/jobs/by-label", params={"text": typed})).json()
    assert (read["id"], read["known"]) == answer
    assert (read["job"] is not None) == read["known"]


async def test_a_scan_of_something_else_is_refused(http: httpx.AsyncClient) -> None:
    read = await http.get("/api/v1/jobs/by-label", params={"text": "https://bench.example/?x"})
    assert (read.status_code, read.json()["error"]["code"]) == (400, "out-of-range")


async def test_what_to_choose_from(http: httpx.AsyncClient) -> None:
    told = (await http.get("/api/v1/jobs/choices")).json()
    assert told["states"][0] == {"id": "taken-in", "label": "Taken in"}
    assert (told["next_id"], told["boards"]) == ("R-2", ["blue-phone"])


async def test_the_label_is_a_picture(http: httpx.AsyncClient) -> None:
    label = await http.get("/api/v1/jobs/R-7/label.svg")
    assert label.headers["content-type"].startswith("image/svg+xml")
    assert ElementTree.fromstring(label.text).attrib["width"] == "62mm"
    assert (await http.get("/api/v1/jobs/R-8/label.svg")).status_code == 404


async def test_a_photo_comes_goes_out_and_is_removed(http: httpx.AsyncClient) -> None:
    photos = "/api/v1/jobs/R-7/photos"
    added = await http.post(photos, params={"caption": "corroded"}, content=camera_file((3000, 2000)), headers=JPEG)
    assert added.status_code == 201
    photo = added.json()
    assert (photo["caption"], photo["width"], photo["height"]) == ("corroded", 2560, 1707)
    assert (await http.get(photos)).json() == {"photos": [photo]}
    for end, size in (("", (2560, 1707)), ("/thumbnail", (320, 213))):
        got = await http.get(f"{photos}/{photo['id']}{end}")
        assert got.headers["content-type"] == "image/jpeg"
        assert got.headers["cache-control"] == "no-store"
        assert plain_size(got.content) == size
        assert SECRET.encode() not in got.content
    assert (await http.delete(f"{photos}/{photo['id']}")).json() == photo
    assert (await http.get(photos)).json() == {"photos": []}
    assert (await http.get(f"{photos}/{photo['id']}")).status_code == 404


@pytest.mark.parametrize("content", [b"", b"<script>", camera_file()[:500]])
async def test_what_is_no_photo_is_refused(http: httpx.AsyncClient, content: bytes) -> None:
    said = await http.post("/api/v1/jobs/R-7/photos", content=content, headers=JPEG)
    assert (said.status_code, said.json()["error"]["code"]) == (400, "out-of-range")
    assert (await http.get("/api/v1/jobs/R-7/photos")).json() == {"photos": []}
    assert (await http.post("/api/v1/jobs/R-8/photos", content=content, headers=JPEG)).status_code == 404
