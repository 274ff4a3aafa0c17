"""What the dashboards ask of the daemons' own figures, and the values of their variables: answered by real servers."""

from __future__ import annotations

import json
import urllib.parse
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.guard.wire import Health, LinkChanged
from dashboards.grafana.make import FOLDER
from tests.daemon.making import FakeGuard, off, on, past
from tests.dashboards.filling import (
    ALL,
    DATABASE,
    Answer,
    Shown,
    Tags,
    ask_influxd,
    ask_victoria,
    influxql,
    metricsql,
    write_victoria,
)
from tests.dashboards.room import FROM_MS, TO_MS, Room
from tests.services import Influxd, VictoriaMetrics

SHOWN = Shown({"bench": ALL}, {"bench": ".*"}, FROM_MS, TO_MS, 10)


def board(name: str) -> dict[str, Any]:
    return dict(json.loads((FOLDER / f"{name}.json").read_text("utf-8")))


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[VictoriaMetrics]:
    with VictoriaMetrics(tmp_path_factory.mktemp("victoria")) as server:
        yield server


def scraped(server: VictoriaMetrics, text: bytes) -> None:
    """Hands figures to the server as if it had asked for them at the end of what is shown."""
    url = f"{server.url}/api/v1/import/prometheus?timestamp={TO_MS}&extra_label=job=benchd&extra_label=instance=a:8425"
    urllib.request.urlopen(urllib.request.Request(url, text), timeout=10).close()
    urllib.request.urlopen(f"{server.url}/internal/force_flush", timeout=10).close()


def newest(answer: Answer) -> dict[Tags, float]:
    return {tags: points[max(points)] for tags, points in answer.series.items()}


def told(text: bytes, name: str, tags: tuple[str, ...], **wanted: str) -> dict[Tags, float]:
    """The figure as the daemon told it, by some of its labels."""
    return {
        frozenset((tag, sample.labels[tag]) for tag in tags): sample.value
        for family in text_string_to_metric_families(text.decode())
        for sample in family.samples
        if sample.name == name and wanted.items() <= sample.labels.items()
    }


@pytest.mark.needs_victoria
@pytest.mark.parametrize("language", ["influxql", "metricsql"])
def test_the_row_of_the_daemons_shows_what_they_say(
    core: Core, bench: Bench, guard: FakeGuard, server: VictoriaMetrics, language: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    core.on_report(LinkChanged("psu-a", True, past(0)))
    core.on_report(on(1))
    core.on_report(off(2))
    for channel, worst_ms in ((1, 31.0), (2, 47.0)):
        core.on_report(Health("psu-a", channel, past(0), 50, 20.0, 0.4, worst_ms, 2.5, 0.2))
    health = {"state": "waiting", "text": "", "backlog": 9, "rejected": 0, "last_ok_ns": 1, "lag_s": 71.5}
    core.followers["influxdb"] = lambda: health
    plain = core.writer.health
    monkeypatch.setattr(core.writer, "health", lambda: {**plain(), "free_bytes": 3.5e9, "file_bytes": 2e6})
    text, _ = bench.metrics("")
    scraped(server, text)
    output = ("bench", "supply", "channel")
    expected = {
        ("Outputs", "outputs"): {
            frozenset({("bench", "left"), ("supply", "psu-a"), ("channel", channel), ("state", state)}): 1.0
            for channel, state in (("1", "on"), ("2", "off"))
        },
        ("Guard", "guard"): told(text, "benchd_guard_state", ("bench",), state="alive"),
        ("Room for the log", "free"): told(text, "benchd_log_free_bytes", ("bench",)),
        ("How far servers are behind", "lag"): told(text, "benchd_follower_lag_seconds", ("bench", "follower")),
        ("Longest gap between readings", "gap"): told(text, "benchd_reading_longest_gap_minute_seconds", output),
    }
    assert list(expected["How far servers are behind", "lag"].values()) == [71.5]
    asked = 0
    for panel in board(f"benches.{language}")["panels"]:
        if panel.get("datasource", {}).get("uid") != "${metrics}":
            continue
        for target in panel["targets"]:
            asked += 1
            answer = ask_victoria(server, metricsql(target["expr"], SHOWN), SHOWN, bool(target.get("instant")))
            without = {tags - {("job", "benchd"), ("instance", "a:8425")}: v for tags, v in newest(answer).items()}
            assert without == pytest.approx(expected[panel["title"], target["refId"]]), panel["title"]
    assert asked == len(expected)


VALUES: dict[tuple[str, str], tuple[dict[str, Any], set[str]]] = {
    ("bench", "bench"): ({}, {"north", "south"}),
    ("bench", "supply"): ({"bench": "south"}, {"psu-a"}),
    ("bench", "channel"): ({"bench": "north", "supply": ["psu-a"]}, {"1", "2"}),
    ("job", "job"): ({}, {"R-1", "R.2", "Rx2"}),
    ("benches", "bench"): ({}, {"north", "south"}),
}
"""By dashboard and variable: what is chosen before, and what can be chosen then."""


def variables(language: str) -> Iterator[tuple[Any, Shown, set[str]]]:
    """The question of each variable that asks one, what is chosen, and what has to come."""
    seen = set()
    for name in ("bench", "job", "benches"):
        for variable in board(f"{name}.{language}")["templating"]["list"]:
            if variable["type"] == "query":
                values, expected = VALUES[name, variable["name"]]
                seen.add((name, variable["name"]))
                yield variable["query"], Shown(values, {"supply": ".*"}, FROM_MS, TO_MS, 10), expected
    assert seen == VALUES.keys()


@pytest.mark.needs_influxd
def test_influxdb_knows_what_can_be_chosen(tmp_path: Path) -> None:
    with Influxd(tmp_path / "influxd") as influxd:
        influxd.query("", f"CREATE DATABASE {DATABASE}")
        influxd.write(DATABASE, "\n".join(Room(tmp_path).lines))
        for query, shown, expected in variables("influxql"):
            assert {row["value"] for row in ask_influxd(influxd, influxql(query, shown)).rows} == expected, query


@pytest.mark.needs_victoria
def test_victoriametrics_knows_what_can_be_chosen(tmp_path: Path, server: VictoriaMetrics) -> None:
    """`label_values(metric, label)` asks /api/v1/series (Grafana, "Prometheus template variables")."""
    write_victoria(server, Room(tmp_path).lines)
    for query, shown, expected in variables("metricsql"):
        series, label = metricsql(query["query"], shown).removeprefix("label_values(").rstrip(")").rsplit(", ", 1)
        asked = urllib.parse.urlencode({"match[]": series, "start": FROM_MS / 1000, "end": TO_MS / 1000})
        with urllib.request.urlopen(f"{server.url}/api/v1/series?{asked}", timeout=10) as answer:
            found = json.load(answer)["data"]
        assert {labels[label] for labels in found if label in labels} == expected, query
