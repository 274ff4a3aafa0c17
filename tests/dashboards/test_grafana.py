"""The dashboards' files: current, whole, and each of their questions answered
by a real server with the right numbers.

The dashboards themselves were never looked at here: no drawing side is installed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from grafana_foundation_sdk.cog.encoder import JSONEncoder
from grafana_foundation_sdk.models.dashboard import Dashboard

from benchd.store.lines import SIGNATURE_CODES
from benchd.traces.cards import shipped
from dashboards.grafana.make import FOLDER, files
from tests.dashboards.expecting import OUTPUT, WHOLE_OUTPUT, Expecting, coded, moment
from tests.dashboards.filling import (
    ALL,
    DATABASE,
    Answer,
    Shown,
    ask_influxd,
    ask_victoria,
    influxql,
    metricsql,
    write_victoria,
)
from tests.dashboards.room import FROM_MS, TO_MS, Room
from tests.running import until
from tests.services import Influxd, VictoriaMetrics

Check = Callable[[Expecting, Answer], None]
SHOWN: dict[str, list[dict[str, Any]]] = {
    "bench": [
        {"bench": "north", "supply": ALL, "channel": ALL},
        {"bench": "north", "supply": ["psu-a"], "channel": ["1", "2"]},
        {"bench": "south", "supply": ["psu-a", "psu-b"], "channel": ["1"]},
    ],
    "job": [{"job": "R.2"}, {"job": "R-1"}, {"job": "nothing-yet"}],
    "benches": [{"bench": ALL}, {"bench": ["north", "south"]}, {"bench": ["south"]}],
}
"""What people may have chosen: one, some, all, and a job with a dot in its id."""


def boards(language: str) -> Iterator[Any]:
    """Name and content of each file."""
    for path in sorted(FOLDER.glob(f"*.{language}.json")):
        name = path.name.split(".")[0]
        yield pytest.param(name, json.loads(path.read_text("utf-8")), id=name)


def asked(board: dict[str, Any], source: str = "${source}") -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    """Each panel with each of its questions to a data source."""
    for panel in board["panels"]:
        for target in panel.get("targets", ()):
            if panel["datasource"]["uid"] == source:
                yield panel, target


# ---- what each panel has to show -----------------------------------------------------------------------------------


def mean(values: np.ndarray) -> float:
    return float(np.mean(values))


def highest(values: np.ndarray) -> float:
    return float(np.max(values))


def lowest(values: np.ndarray) -> float:
    return float(np.min(values))


def same(found: Any, expected: Any) -> None:
    assert found.keys() == expected.keys()
    for tags, value in expected.items():
        assert found[tags] == pytest.approx(value, rel=1e-9, abs=1e-12), dict(tags)


def over_time(figure: str, how: Callable[[np.ndarray], float], *names: str) -> Check:
    return lambda e, answer: same(answer.series, e.over_time(figure, how, names))


def newest(figure: str, *names: str) -> Check:
    return lambda e, answer: same(moment(answer), e.newest(figure, names))


def of_findings(field: str, how: Callable[[list[Any]], float], *names: str) -> Check:
    return lambda e, answer: same(moment(answer), e.of(e.findings(), names, field, how))


def of_trips(*names: str) -> Check:
    return lambda e, answer: same(moment(answer), e.of(e.trips(), names, "rule", len))


def pace(e: Expecting, answer: Answer) -> None:
    same(answer.series, e.over_time("current", lambda v: len(v) / e.shown.interval_s, OUTPUT))


def marks(e: Expecting, answer: Answer) -> None:
    same(answer.series, e.marks())


def table(points: Callable[[Expecting], list[Any]]) -> Check:
    """All columns of InfluxDB's one answer, the newest row first."""

    def check(e: Expecting, answer: Answer) -> None:
        expected = [
            {"time": p.t_ms} | {k: p.tags.get(k) for k in ("bench", "supply", "channel", "job")} | p.fields
            for p in points(e)
        ]
        assert len(answer.rows) == len(expected)
        for row, wanted in zip(answer.rows, expected, strict=True):
            assert row == wanted

    return check


def column(points: Callable[[Expecting], list[Any]], field: str) -> Check:
    """One column of VictoriaMetrics' several answers, by the row's tags."""

    def check(e: Expecting, answer: Answer) -> None:
        values = {
            frozenset(p.tags.items()): float(p.t_ms) if field == "time" else coded(field, p.fields[field])
            for p in points(e)
        }
        same(moment(answer), {tags: value for tags, value in values.items() if value is not None})

    return check


CHECKS: dict[tuple[str, str, str], Check] = {
    ("bench", "Current now", "newest"): newest("current", *OUTPUT),
    ("bench", "Voltage now", "newest"): newest("voltage", *OUTPUT),
    ("bench", "Power now", "newest"): newest("power", *OUTPUT),
    ("bench", "Current", "mean"): over_time("current", mean, *OUTPUT),
    ("bench", "Current", "max"): over_time("current", highest, *OUTPUT),
    ("bench", "Current", "trips"): marks,
    ("bench", "Voltage", "mean"): over_time("voltage", mean, *OUTPUT),
    ("bench", "Voltage", "min"): over_time("voltage", lowest, *OUTPUT),
    ("bench", "Power", "mean"): over_time("power", mean, *OUTPUT),
    ("bench", "Readings per second", "pace"): pace,
    ("job", "Current", "mean"): over_time("current", mean, "trace"),
    ("job", "Current", "max"): over_time("current", highest, "trace"),
    ("job", "Highest current", "peak"): of_findings("peak", max),
    ("job", "Charge", "charge"): of_findings("charge", sum),
    ("job", "Longest power-up", "duration_s"): of_findings("duration_s", max),
    ("job", "Energy by power-up", "energy"): of_findings("energy", max, "trace"),
    ("job", "Highest current by power-up", "peak"): of_findings("peak", max, "trace"),
    ("benches", "Current now", "newest"): newest("current", *WHOLE_OUTPUT),
    ("benches", "Current", "max"): over_time("current", highest, *WHOLE_OUTPUT),
    ("benches", "Power-ups by bench", "signature_code"): of_findings("signature", len, "bench"),
    ("benches", "Trips by bench", "trips"): of_trips("bench"),
    ("benches", "Energy by job", "energy"): of_findings("energy", sum, "job"),
}
for _board in SHOWN:
    CHECKS[_board, "Power-ups", "signature_code"] = of_findings("signature", len)
    CHECKS[_board, "Energy", "energy"] = of_findings("energy", sum)
    CHECKS[_board, "Trips", "trips"] = of_trips()
    for _title, _points in (("Trips", Expecting.trips), ("Findings", Expecting.findings)):
        CHECKS[_board, _title, "rows"] = table(_points)
TRIP_FIELDS = ("rule", "limit", "set_voltage", "let_through_j", "let_through_a2s", "off_confirmed_s", "off_confirmed")
FINDING_FIELDS = ("signature", "confidence", "peak", "duration_s", "charge", "energy")


def check_of(board: str, panel: dict[str, Any], target: dict[str, Any]) -> Check:
    """Fails for a question that nobody has said what to expect of."""
    title, ref = panel["title"], target["refId"]
    if panel["type"] == "table" and ref != "rows":
        points, fields = {
            "Trips": (Expecting.trips, TRIP_FIELDS), "Findings": (Expecting.findings, FINDING_FIELDS),
        }[title]  # fmt: skip
        assert ref in ("time", *fields)
        return column(points, ref)
    return CHECKS[board, title, ref]


def shown_of(board: dict[str, Any], panel: dict[str, Any], values: dict[str, Any]) -> Shown:
    """What is chosen, over the panel's time."""
    everything = {v["name"]: v["allValue"] for v in board["templating"]["list"] if v.get("allValue")}
    shown = Shown(values, everything, FROM_MS, TO_MS, 10)
    if (only := panel.get("timeFrom")) is None:
        return shown
    assert only == "1m"
    return shown.last(60)


# ---- the tests -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", sorted(files()), ids=lambda path: path.name)
def test_the_files_are_what_the_code_makes(path: Path) -> None:
    assert path.read_text("utf-8") == files()[path](), "out of date: python -m dashboards.grafana.make"


def test_no_other_file_lies_there() -> None:
    assert sorted(FOLDER.glob("*.json")) == sorted(files())


@pytest.mark.parametrize("path", sorted(files()), ids=lambda path: path.name)
def test_a_file_stands_alone(path: Path) -> None:
    """Every data source is a variable of the file, panels do not overlap, and the library reads all of it back."""
    text = path.read_text("utf-8")
    board = json.loads(text)
    assert json.loads(json.dumps(Dashboard.from_json(json.loads(text)), cls=JSONEncoder))["uid"] == board["uid"]
    sources = {f"${{{v['name']}}}": v["query"] for v in board["templating"]["list"] if v["type"] == "datasource"}
    taken: set[tuple[int, int]] = set()
    for panel in board["panels"]:
        g = panel["gridPos"]
        cells = {(x, y) for x in range(g["x"], g["x"] + g["w"]) for y in range(g["y"], g["y"] + g["h"])}
        assert not taken & cells, panel["title"]
        assert g["x"] + g["w"] <= 24
        taken |= cells
        if panel["type"] != "row":
            assert sources[panel["datasource"]["uid"]] == panel["datasource"]["type"]
    assert len({panel["id"] for panel in board["panels"]}) == len(board["panels"])


def test_every_shipped_card_and_rule_has_a_code() -> None:
    assert set(shipped()) <= set(SIGNATURE_CODES)
    assert len(set(SIGNATURE_CODES.values())) == len(SIGNATURE_CODES)


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Room:
    return Room(tmp_path_factory.mktemp("room"))


@pytest.fixture(scope="module")
def influxd(tmp_path_factory: pytest.TempPathFactory, room: Room) -> Iterator[Influxd]:
    """Debian's, with the room's lines in it, sent twice: the same point is one point."""
    with Influxd(tmp_path_factory.mktemp("influxd")) as server:
        server.query("", f"CREATE DATABASE {DATABASE}")
        for _ in range(2):
            server.write(DATABASE, "\n".join(room.lines))
        yield server


class Deduplicating(VictoriaMetrics):
    """Takes what is sent again as one, as its documentation says of this setting."""

    def command(self) -> list[str]:
        return [*super().command(), "-dedup.minScrapeInterval=1ms"]


@pytest.fixture(scope="module", params=[1, 2], ids=["sent-once", "sent-twice"])
def victoria(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, room: Room
) -> Iterator[VictoriaMetrics]:
    """With the room's lines in it, written as the follower writes them; what is sent twice needs the setting."""
    kind = VictoriaMetrics if request.param == 1 else Deduplicating
    with kind(tmp_path_factory.mktemp("victoria")) as server:
        for _ in range(request.param):
            write_victoria(server, room.lines)
        readings = sum(len(stretch.t_ms) for stretch in room.stretches)
        for metric, count in (("supply_reading_current", readings), ("trace_finding_energy", len(room.findings))):
            until(lambda metric=metric: len(server.times(metric)), lambda n, count=count: n == count, metric)
        yield server


@pytest.mark.needs_influxd
@pytest.mark.parametrize(("name", "board"), list(boards("influxql")))
def test_influxdb_answers_with_the_numbers_that_were_measured(
    influxd: Influxd, room: Room, name: str, board: dict[str, Any]
) -> None:
    for panel, target in asked(board):
        answers = []
        for values in SHOWN[name]:
            shown = shown_of(board, panel, values)
            answer = ask_influxd(influxd, influxql(target["query"], shown))
            check_of(name, panel, target)(Expecting(room, shown, ending=False), answer)
            answers.append(answer)
        assert any(answer.rows for answer in answers), f"{panel['title']}: nothing was compared"


@pytest.mark.needs_victoria
@pytest.mark.parametrize(("name", "board"), list(boards("metricsql")))
def test_victoriametrics_answers_with_the_numbers_that_were_measured(
    victoria: VictoriaMetrics, room: Room, name: str, board: dict[str, Any]
) -> None:
    for panel, target in asked(board):
        answers = []
        for values in SHOWN[name]:
            shown = shown_of(board, panel, values)
            answer = ask_victoria(victoria, metricsql(target["expr"], shown), shown, bool(target.get("instant")))
            check_of(name, panel, target)(Expecting(room, shown, ending=True), answer)
            answers.append(answer)
        assert any(answer.series for answer in answers), f"{panel['title']}: nothing was compared"
