"""Taking in, changing and finding jobs, and their photos, from the command line: with a daemon and without."""

from __future__ import annotations

import json
from pathlib import Path

import httpx
import pytest
from starlette.testclient import TestClient
from typer.testing import CliRunner

from benchd.cli import daemon_link, job
from benchd.cli.main import app
from benchd.jobs.job import Job
from benchd.jobs.jpeg import plain_size
from benchd.web.app import create_app
from benchd.web.desks import Desks
from tests.jobs.pictures import SECRET, camera_file
from tests.web.fake import FakeBench
from tests.web.fake_record import FakeRecords

assert job.app in {group.typer_instance for group in app.registered_groups}  # and main has put the commands into it


def benchd(folder: Path, *words: object, status: int = 0) -> str:
    """What it says; with a status beside 0 on standard error."""
    # The group alone: to make all commands anew each time takes longer than what is asked here.
    said = CliRunner().invoke(job.app, [*map(str, words), "--data-dir", str(folder)])
    assert said.exit_code == status, said.output
    return said.stderr if status else said.stdout


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> FakeBench:
    """A daemon that runs, as far as the commands can tell: the real routes over a bench in memory."""
    bench = FakeBench()
    client = TestClient(create_app(bench, bench_name="north", desks=Desks(records=FakeRecords(bench))))
    client.headers["host"] = "localhost"

    def fetch(
        url: str, method: str, path: str, raw: bytes | None = None, kind: str = "", within_s: float | None = None
    ):
        answer: httpx.Response = client.request(method, f"/api/v1/{path}", content=raw, headers={"content-type": kind})
        if answer.status_code >= 400:
            raise daemon_link.DaemonSaid(answer.json()["error"]["message"])
        return answer.content

    monkeypatch.setattr(daemon_link, "daemon_url", lambda _: "http://localhost")
    monkeypatch.setattr(daemon_link, "fetch", fetch)
    return bench


FULL = (
    "--device", "tablet", "--board", "t-main", "--symptom", "dark", "--history", "dropped", "--battery", "swollen",
    "--wanted-back", "pictures", "--accessories", "case", "--consent", "screen", "--consent", "data-loss",
)  # fmt: skip


@pytest.mark.parametrize("daemon", [False, True])
def test_a_device_is_taken_in_and_changed(tmp_path: Path, daemon: bool, request: pytest.FixtureRequest) -> None:
    bench = request.getfixturevalue("served") if daemon else None
    assert benchd(tmp_path, "new", *FULL, "--use") == "job R-1 taken in, on the bench\n"
    assert benchd(tmp_path, "edit", "R-1", "--battery", "out", "--symptom", "") == "job R-1: battery, symptom changed\n"
    assert benchd(tmp_path, "state", "R-1", "waiting-parts") == "job R-1: waiting for parts\n"
    taken = json.loads(benchd(tmp_path, "state", "R-1", "ready", "--json"))
    assert (taken["device"], taken["symptom"], taken["history"], taken["battery"]) == ("tablet", "", "dropped", "out")
    assert (taken["wanted_back"], taken["accessories"], taken["state"], taken["version"]) == (
        "pictures",
        "case",
        "ready",
        4,
    )
    assert set(taken["consent"]) == {"screen", "data-loss"}
    assert "R-9' is not in" in benchd(tmp_path, "edit", "R-9", "--device", "x", status=1)
    assert "R-9' is not in" in benchd(tmp_path, "state", "R-9", "ready", status=1)
    if bench is not None:
        assert bench.job == "R-1"
        assert not list(tmp_path.iterdir())  # a daemon owns the log


def test_what_cannot_be_is_refused_in_words(tmp_path: Path) -> None:
    assert "battery" in benchd(tmp_path, "new", "R-1", "--battery", "full", status=1)
    assert "there is no risk 'all'; there are: data-loss" in benchd(tmp_path, "new", "--consent", "all", status=1)
    assert "say what becomes other" in benchd(tmp_path, "edit", "R-1", status=2)
    assert "state" in benchd(tmp_path, "state", "R-1", "lost", status=1)
    assert "no such log" in benchd(tmp_path, "state", "R-1", "ready", status=1)
    assert not (tmp_path / "benchd.sqlite").exists()


def test_ids_go_on_as_the_settings_say(tmp_path: Path) -> None:
    settings = tmp_path / "benchd.toml"
    supply = '[[supply]]\nname = "a"\nresource = "TCPIP0::192.0.2.5::5025::SOCKET"\nprofile = "generic-scpi"\n'
    channel = 'channel = [{ max_voltage_v = 5.0, max_limit_a = 3.0, plan = "phone-cell" }]\n'
    settings.write_text('[jobs]\nid_pattern = "W{number}"\n' + supply + channel)
    assert benchd(tmp_path, "new", "W7") == "job W7 taken in\n"
    assert benchd(tmp_path, "new", "--config", settings) == "job W8 taken in\n"


def test_jobs_are_found(tmp_path: Path) -> None:
    benchd(tmp_path, "new", "R-1", "--device", "phone, BLUE", "--history", "fell into\nwater")
    benchd(tmp_path, "new", "R-2", "--device", "phone, red", "--board", "b")
    benchd(tmp_path, "state", "R-1", "ready")
    found = benchd(tmp_path, "find", "water blue")
    assert "R-1" in found
    assert "ready" in found
    assert "R-2" not in found
    records = [json.loads(line) for line in benchd(tmp_path, "find", "phone", "--json").splitlines()]
    assert [record["id"] for record in records] == ["R-2", "R-1"]
    assert "R-2" in benchd(tmp_path, "find", "--board", "b", "--state", "taken-in")
    assert benchd(tmp_path, "find", "laptop") == "no job is like that; `benchd job list` shows all\n"
    assert "state" in benchd(tmp_path, "find", "--state", "lost", status=1)


def test_photos_come_and_go(tmp_path: Path) -> None:
    file, saved = tmp_path / "camera.jpg", tmp_path / "saved.jpg"
    file.write_bytes(camera_file())
    benchd(tmp_path, "new", "R-1")
    assert "photo 1: corroded, 800 x 600" in benchd(tmp_path, "photo", "add", "R-1", file, "--caption", "corroded")
    assert "photo 1: corroded" in benchd(tmp_path, "photo", "list", "R-1")
    benchd(tmp_path, "photo", "save", "R-1", 1, "-o", saved)
    assert plain_size(saved.read_bytes()) == (800, 600)
    assert SECRET.encode() not in saved.read_bytes()
    assert "job R-2 has no photo 1" in benchd(tmp_path, "photo", "save", "R-2", 1, "-o", saved, status=1)
    assert benchd(tmp_path, "photo", "remove", "R-1", 1) == "job R-1: photo 1 removed\n"
    assert "has no photo 1" in benchd(tmp_path, "photo", "remove", "R-1", 1, status=1)
    assert benchd(tmp_path, "photo", "list", "R-1") == "job R-1 has no photos\n"
    journal = benchd(tmp_path, "show", "R-1")
    assert "photo 1: corroded, 800 x 600" in journal
    assert "photo 1 removed" in journal
    file.write_text("no picture")
    assert "cannot be read as a picture" in benchd(tmp_path, "photo", "add", "R-1", file, status=1)
    assert "cannot be read: No such file" in benchd(tmp_path, "photo", "add", "R-1", tmp_path / "none", status=1)


def test_photos_go_through_the_daemon(tmp_path: Path, served: FakeBench) -> None:
    file = tmp_path / "camera.jpg"
    file.write_bytes(camera_file())
    served.job_list = [Job("R-1")]
    assert "photo 1: a & b?, 800 x 600" in benchd(tmp_path, "photo", "add", "R-1", file, "--caption", "a & b?")
    assert benchd(tmp_path, "photo", "remove", "R-1", 1) == "job R-1: photo 1 removed\n"
    assert "has no photo 1" in benchd(tmp_path, "photo", "remove", "R-1", 1, status=1)
