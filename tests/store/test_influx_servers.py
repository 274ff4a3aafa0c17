"""The time-series follower and real servers that say no: users, limits, types, retention; and the v1 address."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchd.store.follower import Kept
from benchd.store.influx_post import Target
from benchd.store.influx_sink import LineSink
from tests.services import Influxd, VictoriaMetrics

pytestmark = pytest.mark.needs_influxd


class Strict(Influxd):
    """With users, and a limit to a request's size."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        file = folder / "influxd.conf"
        text = file.read_text().replace("  log-enabled = false\n", "  log-enabled = false\n  max-body-size = 20000\n")
        file.write_text(text)

    def demand_users(self) -> None:
        """From the next start on."""
        file = self.folder / "influxd.conf"
        file.write_text(file.read_text().replace("[http]\n", "[http]\n  auth-enabled = true\n"))


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Strict]:
    with Strict(tmp_path_factory.mktemp("influxd")) as found:
        found.query("", "CREATE DATABASE bench")
        yield found


def sink_of(server: Influxd, token: str = "", bucket: str = "bench", **more: bool) -> LineSink:
    sink = LineSink(Target(server.url, bucket, token=lambda: token, write_path="v1", timeout_s=5.0, **more))  # type: ignore[arg-type]
    sink.open()
    return sink


def lines(n: int, name: str, at_ns: int | None = None) -> list[str]:
    start = time.time_ns() if at_ns is None else at_ns
    return [f"{name},bench=b current={k}.5 {start + k}" for k in range(n)]


@pytest.mark.parametrize("gzip", [False, True])
def test_a_body_beyond_the_limit_arrives_in_parts(server: Strict, gzip: bool) -> None:
    name = f"large{gzip}"
    sink = sink_of(server, gzip=gzip)
    assert sink.write(lines(2000, name)) == []
    sink.close()
    assert server.query("bench", f"SELECT count(current) FROM {name}")[0]["count"] == 2000


def test_a_field_of_another_type_is_refused_and_the_rest_is_kept(server: Strict) -> None:
    given = lines(200, "typed")
    given[77] = given[77].replace("77.5", '"text"')
    sink = sink_of(server)
    ((at, reason),) = sink.write(given)
    sink.close()
    assert at == 77
    assert 'field type conflict: input field "current" on measurement "typed" is type string' in reason
    assert server.query("bench", "SELECT count(current) FROM typed")[0]["count"] == 199


def test_what_is_older_than_the_server_keeps_is_refused_and_the_rest_is_kept(server: Strict) -> None:
    server.query("", "CREATE DATABASE brief WITH DURATION 1h")
    given = lines(20, "aged")
    given[4] = lines(1, "aged", at_ns=1_000_000_000)[0]
    sink = sink_of(server, bucket="brief")
    assert sink.write(given) == [(4, "400: partial write: points beyond retention policy dropped=1")]
    sink.close()
    assert server.query("brief", "SELECT count(current) FROM aged")[0]["count"] == 19


def test_a_database_that_is_not_there_is_waited_for(server: Strict) -> None:
    sink = sink_of(server, bucket="later")
    with pytest.raises(Kept, match=r'answered 404: database not found: "later"; make the database there'):
        sink.write(lines(1, "m"))
    server.query("", "CREATE DATABASE later")
    assert sink.write(lines(1, "m")) == []
    sink.close()


def test_users_and_passwords(tmp_path: Path) -> None:
    server = Strict(tmp_path / "own")
    server.start()
    try:
        server.query("", "CREATE DATABASE bench")
        server.query("", "CREATE USER boss WITH PASSWORD 'b' WITH ALL PRIVILEGES")
        server.query("", "CREATE USER writer WITH PASSWORD 'a:word'")
        server.stop()
        server.demand_users()
        server.start()
        wrong = sink_of(server, "writer:guess")
        with pytest.raises(Kept, match=r"answered 401: .*user or password is missing or wrong") as caught:
            wrong.write(lines(1, "m"))
        wrong.close()
        assert "guess" not in caught.value.text
        none = sink_of(server)
        with pytest.raises(Kept, match="answered 401"):
            none.write(lines(1, "m"))
        none.close()
        right = sink_of(server, "writer:a:word")
        with pytest.raises(Kept, match=r"answered 403: .*not authorized.*may not write to this database"):
            right.write(lines(1, "m"))
        right.close()
        boss = sink_of(server, "boss:b")
        assert boss.write(lines(3, "m")) == []
        boss.close()
    finally:
        server.stop()


def test_both_kinds_of_server_say_when_they_were_started(server: Strict, tmp_path: Path) -> None:
    began = time.time()
    sink = sink_of(server)
    first = sink.started()
    assert first is not None
    assert began - 600 < first <= began
    sink.close()
    with VictoriaMetrics(tmp_path / "vm") as other:
        sink = sink_of(other)  # type: ignore[arg-type]
        assert sink.write(lines(10, "m")) == []  # it has the v1 address, too
        started = sink.started()
        assert started is not None
        assert abs(started - time.time()) < 60
        sink.close()
