"""The daemon's time-series follower as the settings ask for it, and a secret that changes."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest

from benchd.daemon.core import Core
from benchd.daemon.followers import _influxdb
from benchd.settings import Influx, SettingsError
from benchd.store.writer import LogWriter
from tests.store.making import block, until_async
from tests.store.refusing import OK, Answer, Refusing


@pytest.fixture
def thread(tmp_path: Path) -> Iterator[LogWriter]:
    """A log of its own, with a real writer."""
    writer = LogWriter(tmp_path / "followed.sqlite")
    yield writer
    writer.close()


@contextlib.asynccontextmanager
async def following(influx: Influx, core: Core, writer: LogWriter) -> AsyncIterator[None]:
    task = _influxdb(influx, core, writer)
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def test_a_token_file_is_read_again_when_its_token_is_refused(
    core: Core, thread: LogWriter, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchd.store.follower.Backoff.next_s", lambda self, asked_s=0.0: 0.05)
    file = tmp_path / "token"
    file.write_text("old\n")

    def answer(lines: list[str]) -> Answer:
        return OK if server.asked[-1][1]["Authorization"] == "Token new" else (401, '{"message":"no"}', {})

    server = Refusing(answer)
    try:
        thread.put_block(block(5))
        influx = Influx(url=server.url, token_file=str(file), batch_age_s=0.1)
        async with following(influx, core, thread):
            await until_async(lambda: core.followers["influxdb"]()["state"] == "waiting")
            told = core.followers["influxdb"]()
            assert "answered 401: no; the token is missing or wrong" in told["text"]
            assert "old" not in told["text"]
            assert f"influxdb: {told['text']}" in core.view().warnings
            file.unlink()  # and while it is being written anew
            await until_async(lambda: "cannot be read" in core.followers["influxdb"]()["text"])
            file.write_text("new\n")
            await until_async(lambda: len(server.taken) == 5)
            await until_async(lambda: core.followers["influxdb"]()["state"] == "ok")
    finally:
        server.close()


async def test_a_token_file_that_is_not_there_at_the_start_is_told_then(core: Core, thread: LogWriter) -> None:
    with pytest.raises(SettingsError, match=r"influxdb.token_file = '/nowhere': cannot be read"):
        _influxdb(Influx(url="http://127.0.0.1:9", token_file="/nowhere"), core, thread)


async def test_the_settings_reach_the_server(core: Core, thread: LogWriter) -> None:
    server = Refusing(lambda lines: OK)
    try:
        thread.put_block(block(25))
        influx = Influx(
            url=server.url, write_path="v1", bucket="shop/year", token="u:p", batch_lines=10, batch_age_s=0.1, gzip=True
        )
        async with following(influx, core, thread):
            await until_async(lambda: len(server.taken) == 25)
        path, headers = server.asked[0]
        assert path == "/write?db=shop&rp=year&precision=ns"
        assert (headers["Content-Encoding"], headers["Authorization"]) == ("gzip", "Basic dTpw")
        assert [len(lines) for lines in server.requests] == [10, 10, 5]
    finally:
        server.close()
