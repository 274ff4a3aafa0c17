"""Who is let in, from the settings' words to the journal's."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path
from typing import Any

import httpx
import pytest

from benchd import tokens
from benchd.cli import daemon_link
from benchd.daemon.admission import SESSIONS, Admission
from benchd.daemon.core import Core
from benchd.settings import SettingsError
from benchd.settings_web import Web
from benchd.store.log import Log
from benchd.web.addresses import local_url, reached_at
from benchd.web.admitted import faults, tokens_of
from benchd.web.caller import Caller, Role
from tests.daemon.making import ACCURACY, FakeWriter, settings
from tests.web.fake import FakeBench

TOKEN = tokens.new_token()
ANN = {"name": "ann", "role": "operator", "hash": tokens.hash_of(TOKEN)}


def asked(admission: Admission, base: str = "http://127.0.0.1:8425") -> httpx.AsyncClient:
    from benchd.web.app import create_app

    app = create_app(FakeBench(), bench_name="left", access=admission.access)
    return httpx.AsyncClient(transport=httpx.ASGITransport(app), base_url=base)


async def test_a_session_outlives_the_daemon_and_its_file_is_for_nobody_else(
    tmp_path: Path, core: Core, log: Log
) -> None:
    web = Web.model_validate({"token": [ANN]})
    old_umask = os.umask(0)
    try:
        async with asked(Admission(web, tmp_path, core)) as browser:
            assert (await browser.post("/api/v1/sign-in", json={"token": TOKEN})).status_code == 200
            cookies = browser.cookies
    finally:
        os.umask(old_umask)
    assert stat.S_IMODE((tmp_path / SESSIONS).stat().st_mode) == 0o600
    assert TOKEN not in (tmp_path / SESSIONS).read_text()
    async with asked(Admission(web, tmp_path, core)) as browser:
        browser.cookies = cookies
        assert (await browser.get("/api/v1/me")).json()["name"] == "ann"
    async with asked(
        Admission(Web.model_validate({"token": [{**ANN, "hash": tokens.hash_of("x")}]}), tmp_path, core)
    ) as one:
        one.cookies = cookies
        assert (await one.get("/api/v1/me")).status_code == 401
    entry = log.journal(kinds=["access"])[0]
    assert (entry.job, entry.payload["what"], entry.payload["name"]) == (None, "signed-in", "ann")


@pytest.mark.parametrize("text", ["{", "", '{"format": 2, "sessions": []}', "\0"])
def test_a_spoilt_file_of_sessions_keeps_nobody_from_starting(tmp_path: Path, core: Core, text: str) -> None:
    (tmp_path / SESSIONS).write_text(text)
    assert Admission(Web.model_validate({"token": [ANN]}), tmp_path, core).access.sessions.present() == []


async def test_where_sessions_cannot_be_kept_people_come_in_all_the_same(tmp_path: Path, core: Core) -> None:
    (tmp_path / SESSIONS).mkdir()
    async with asked(Admission(Web.model_validate({"token": [ANN]}), tmp_path, core)) as browser:
        assert (await browser.post("/api/v1/sign-in", json={"token": TOKEN})).status_code == 200


def test_what_a_command_needs_is_written_for_its_user_alone(
    tmp_path: Path, core: Core, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / daemon_link.ADDRESS
    file.write_text("{}")
    file.chmod(0o644)  # what an earlier version left
    Admission(Web(), tmp_path, core).announce(file, "http://127.0.0.1:1/")
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    told: dict[str, Any] = json.loads(file.read_text())
    assert len(told["secret"]) > 40
    assert told["secret"] != Admission(Web(), tmp_path, core)._secret

    def not_ours(*_: Any) -> str:
        raise PermissionError

    monkeypatch.setattr(Path, "read_text", not_ours)
    with pytest.raises(Exception, match="1"):  # typer's exit
        daemon_link.daemon_url(tmp_path)
    assert "only the user who runs the daemon may read it" in capsys.readouterr().err


def test_a_token_in_a_file(tmp_path: Path) -> None:
    file = tmp_path / "token"
    web = Web.model_validate({"token": [{"name": "ann", "role": "viewer", "token_file": str(file)}]})
    with pytest.raises(SettingsError, match=r"web\.token\[0\]\.token_file = .* cannot be read"):
        tokens_of(web)
    for text, size in (("", 0), ("  \n", 0), ("hunter2", 7), ("x" * 23, 23)):
        file.write_text(text)
        with pytest.raises(SettingsError, match=rf"has {size} characters, allowed are 24 or more; `benchd token new`"):
            tokens_of(web)
    file.write_text(f"{TOKEN}\n")
    assert tokens_of(web) == {tokens.hash_of(TOKEN): Caller("ann", Role.VIEWER)}
    twice = Web.model_validate({"token": [*web.model_dump()["token"], {**ANN, "name": "ben"}]})
    with pytest.raises(SettingsError, match=r"web\.token\[1\]: ben has the same token as ann"):
        tokens_of(twice)


def test_a_page_in_the_clear_is_told_and_no_hash_goes_into_the_log(tmp_path: Path, writer: FakeWriter) -> None:
    raw = settings(data_dir=str(tmp_path), web={"host": "192.0.2.5", "token": [ANN]})
    core = Core(raw, {("psu-a", n): ACCURACY for n in (1, 2)}, writer, None)  # type: ignore[arg-type]
    assert "everybody there can read along" in Admission(raw.web, tmp_path, core).warning
    assert Admission(Web(), tmp_path, core).warning == ""
    core.remember_settings()
    with writer.log.transaction() as db:
        (kept,) = db.execute("SELECT settings FROM settings_changes").fetchone()
    assert '"ann"' in kept
    assert "sha256" not in kept


def test_a_certificate_that_is_none_keeps_the_daemon_from_starting(tmp_path: Path, core: Core) -> None:
    for file in (str(tmp_path / "none.pem"), "~no-such-user/x.pem"):
        web = Web.model_validate({"tls_cert_file": file, "tls_key_file": file})
        with pytest.raises(SettingsError, match="tls_cert_file"):
            Admission(web, tmp_path, core)
        assert len(faults(web)) == 1


def test_the_addresses_that_people_and_commands_use() -> None:
    assert local_url("0.0.0.0", 8425, False) == "http://127.0.0.1:8425/"
    assert local_url("::", 443, True) == "https://[::1]/"
    assert local_url("192.0.2.5", 80, False) == "http://192.0.2.5/"
    names = reached_at("192.0.2.5", 8425, ["bench.example", "192.0.2.5"], True)
    assert names == ["https://bench.example:8425/", "https://192.0.2.5:8425/"]
    assert all(":8425/" in each and "0.0.0.0" not in each for each in reached_at("0.0.0.0", 8425, ["a"], False))
