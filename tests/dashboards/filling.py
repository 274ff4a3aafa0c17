"""What the drawing side puts into a question before it goes to a server, and the servers' answers in one form.

From the documentation of Grafana: "Global variables" ($__interval, $__interval_ms, $__range, $timeFilter), "Variable
syntax" (the format `regex`), "Add variables" (a custom all value goes in as it is), "Prometheus template variables"
(several values are joined as (a|b), the special characters of a pattern escaped). That $timeFilter is
`time >= …ms and time <= …ms` stands in its source, pkg/tsdb/influxdb/models/query.go.
"""

from __future__ import annotations

import dataclasses
import json
import re
import urllib.error
import urllib.parse
import urllib.request
from typing import Any

from tests.services import Influxd, VictoriaMetrics

ALL = "$__all"
DATABASE = "benches"
Value = str | list[str]
Tags = frozenset[tuple[str, str]]


@dataclasses.dataclass(frozen=True)
class Shown:
    """What is chosen on a dashboard. `values`: of its variables by name; ALL or a list for those that take several."""

    values: dict[str, Value]
    all_values: dict[str, str]
    """By variable: its custom all value."""
    from_ms: int
    to_ms: int
    interval_s: int

    def last(self, seconds: int) -> Shown:
        """The same, for a panel that shows only the last while."""
        return dataclasses.replace(self, from_ms=self.to_ms - seconds * 1000)


def influxql(text: str, shown: Shown) -> str:
    """The question as InfluxDB gets it."""

    def value(match: re.Match[str]) -> str:
        name, form = match["braced"] or match["bare"], match["form"]
        chosen = shown.values[name]
        if chosen == ALL:
            return shown.all_values[name]
        if form == "regex":
            parts = [re.sub(r"([\\^$*+?.()|\[\]{}/])", r"\\\1", v) for v in _listed(chosen)]
            return parts[0] if len(parts) == 1 else f"({'|'.join(parts)})"
        assert isinstance(chosen, str), f"${name} takes several values and stands where one belongs"
        return chosen

    text = text.replace("$timeFilter", f"time >= {shown.from_ms}ms and time <= {shown.to_ms}ms")
    return _variables(_interval(text, shown), value)


def metricsql(text: str, shown: Shown) -> str:
    """The question as VictoriaMetrics gets it."""

    def value(match: re.Match[str]) -> str:
        name = match["braced"] or match["bare"]
        chosen = shown.values[name]
        if chosen == ALL:
            return shown.all_values[name]
        if isinstance(chosen, str):
            return chosen.replace("\\", "\\\\").replace('"', '\\"')
        parts = [re.sub(r"([$^*{}\[\]+?.()|])", r"\\\\\1", v) for v in chosen]
        return parts[0] if len(parts) == 1 else f"({'|'.join(parts)})"

    text = text.replace("$__range", f"{(shown.to_ms - shown.from_ms) // 1000}s")
    return _variables(_interval(text, shown), value)


def _interval(text: str, shown: Shown) -> str:
    text = text.replace("$__interval_ms", str(shown.interval_s * 1000))
    return text.replace("$__interval", f"{shown.interval_s}s")


def _variables(text: str, value: Any) -> str:
    filled = re.sub(r"\$(?:\{(?P<braced>\w+)(?::(?P<form>\w+))?\}|(?P<bare>[a-z]\w*))", value, text)
    assert not re.search(r"\$[{a-z_]", filled), f"not filled: {filled}"
    return filled


def _listed(chosen: Value) -> list[str]:
    return [chosen] if isinstance(chosen, str) else chosen


# ---- answers ---------------------------------------------------------------------------------------------------------


@dataclasses.dataclass(frozen=True)
class Answer:
    """`series`: by tags, value by time in ms. `rows`: of a table, by column."""

    series: dict[Tags, dict[int, float]] = dataclasses.field(default_factory=dict)
    rows: list[dict[str, Any]] = dataclasses.field(default_factory=list)


def ask_influxd(server: Influxd, question: str) -> Answer:
    """Runs an InfluxQL statement; fails with the server's words when it refuses."""
    asked = urllib.parse.urlencode({"db": DATABASE, "q": question, "epoch": "ms"})
    with urllib.request.urlopen(f"{server.url}/query?{asked}", timeout=20) as answer:
        (result,) = json.load(answer)["results"]
    assert "error" not in result, f"{result['error']}: {question}"
    found = Answer()
    for series in result.get("series", ()):
        named = [dict(zip(series["columns"], row, strict=True)) for row in series["values"]]
        found.rows.extend(row | series.get("tags", {}) for row in named)
        if len(series["columns"]) == 2 and series["columns"][0] == "time":
            tags = frozenset(series.get("tags", {}).items())
            found.series[tags] = {int(t): v for t, v in series["values"] if v is not None}
    return found


def write_victoria(server: VictoriaMetrics, lines: list[str]) -> None:
    """Writes lines by the v2 API, as the follower does."""
    request = urllib.request.Request(f"{server.url}/api/v2/write?precision=ns", "\n".join(lines).encode())
    urllib.request.urlopen(request, timeout=20).close()
    # What was written lately is not found before some seconds else; for tests only, says its documentation.
    urllib.request.urlopen(f"{server.url}/internal/force_flush", timeout=20).close()


def ask_victoria(server: VictoriaMetrics, question: str, shown: Shown, moment: bool) -> Answer:
    """Runs a MetricsQL question over the time shown, or at its end; fails with the server's words when it refuses."""
    asked: dict[str, Any] = {"query": question, "nocache": 1}
    if moment:
        asked |= {"time": shown.to_ms / 1000}
    else:
        asked |= {"start": shown.from_ms / 1000, "end": shown.to_ms / 1000, "step": f"{shown.interval_s}s"}
    path = "query" if moment else "query_range"
    try:
        answer = urllib.request.urlopen(f"{server.url}/api/v1/{path}?{urllib.parse.urlencode(asked)}", timeout=20)
    except urllib.error.HTTPError as e:
        raise AssertionError(f"{e.read().decode()}: {question}") from None
    with answer:
        result = json.load(answer)["data"]["result"]
    found = Answer()
    for series in result:
        tags = {k: v for k, v in series["metric"].items() if k != "__name__"}
        points = [series["value"]] if moment else series["values"]
        found.series[frozenset(tags.items())] = {round(t * 1000): float(v) for t, v in points}
    return found
