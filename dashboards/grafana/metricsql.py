"""The questions in MetricsQL, for VictoriaMetrics, through a data source of the Prometheus kind.

The server keeps numbers only and makes one metric of each field: `supply_reading_current`. Words have a code beside
them (`rule_code`), which the panels turn into the word again. Each trace is a series of its own, so a trace counts once
however often it was sent. Of one that was read again (a mark by hand) the server keeps one of both findings, and not
surely the newer: two values of one time are one to it.
"""

from __future__ import annotations

from collections.abc import Sequence

from benchd.store.lines import FIELDS
from dashboards.grafana.tongue import FINDING, READING, TRIP, WITHIN, Ask, Column, How, Sum, Where

RANGE = "$__range"
STEP = "1s"
"""Shortest stretch of a plot. By itself the data source takes how often a metrics server asks, which is 15 s."""
ROW_TAGS = ("bench", "supply", "channel", "job", "trace")


class Metricsql:
    """See `Tongue`."""

    name = "metricsql"
    plugin = "prometheus"

    def values(self, tag: str, where: Where) -> str | dict[str, object]:
        """See `Tongue.values`."""
        query = f"label_values({READING}_current{_chosen(where)}, {tag})"
        return {"query": query, "refId": f"values-{tag}"}

    def reading(self, field: str, how: How, by: Sequence[str], where: Where, present: Sequence[str] = ()) -> Ask:
        """See `Tongue.reading`."""
        series = f"{READING}_{field}{_chosen(where, present)}[{WITHIN}]"
        if how == "mean":
            # Of the readings, not of the means of traces: one trace may have two readings in the stretch.
            text = f"{_of('sum', by, f'sum_over_time({series})')} / {_of('sum', by, f'count_over_time({series})')}"
        else:
            text = _of(how, by, f"{how}_over_time({series})")
        return Ask(how, text, _legend(by, how), step=STEP)

    def pace(self, by: Sequence[str], where: Where) -> Ask:
        """See `Tongue.pace`."""
        counted = _of("sum", by, f"count_over_time({READING}_current{_chosen(where)}[{WITHIN}])")
        return Ask("pace", f"{counted} * 1000 / $__interval_ms", _legend(by, ""), step=STEP)

    def newest(self, field: str, by: Sequence[str], where: Where) -> Ask:
        """See `Tongue.newest`."""
        series = f"{READING}_{field}{_chosen(where)}[{RANGE}]"
        # Of the series that an output has had (one a trace), the one whose last reading is the newest.
        times = f"tlast_over_time({series})"
        latest = f"{times} == on ({', '.join(by)}) group_left () {_of('max', by, times)}"
        text = f"{_of('max', by, f'last_over_time({series}) and ({latest})')}"
        return Ask("newest", text, _legend(by, ""), moment=True)

    def trip_marks(self, by: Sequence[str], where: Where) -> Ask:
        """See `Tongue.trip_marks`."""
        text = _of("max", by, f"last_over_time({TRIP}_limit{_chosen(where)}[{WITHIN}])")
        return Ask("trips", text, _legend(by, "trip"), step=STEP)

    def trips(self, by: Sequence[str], where: Where) -> Ask:
        """See `Tongue.trips`."""
        text = _of("sum", by, f"count_over_time({TRIP}_rule_code{_chosen(where)}[{RANGE}])")
        return Ask("trips", text, _legend(by, ""), moment=True)

    def findings(self, how: Sum, field: str, by: Sequence[str], where: Where, present: Sequence[str] = ()) -> Ask:
        """See `Tongue.findings`."""
        series = f"{FINDING}_{field}{_chosen(where, present)}[{RANGE}]"
        return Ask(field, _of(how, by, f"last_over_time({series})"), _legend(by, ""), moment=True)

    def rows(self, measurement: str, columns: Sequence[Column], where: Where) -> list[Ask]:
        """See `Tongue.rows`."""
        kept = [(c.field, _metric(measurement, c)) for c in columns]
        first = f"{measurement}_{_kept_code(columns)}"
        times = f"tlast_over_time({first}{_chosen(where)}[{RANGE}]) * 1000"
        asks = [Ask("time", _of("max", ROW_TAGS, times), table=True, moment=True)]
        for field, metric in kept:
            if metric:
                text = _of("max", ROW_TAGS, f"last_over_time({metric}{_chosen(where)}[{RANGE}])")
                asks.append(Ask(field, text, table=True, moment=True))
        return asks

    def shown_as(self, measurement: str, column: Column) -> str:
        """See `Tongue.shown_as`."""
        return f"Value #{column.field}" if _metric(measurement, column) else ""


def _metric(measurement: str, column: Column) -> str:
    """Its name; empty: words without a code, which the server does not keep."""
    fields = FIELDS[measurement]
    if fields[column.field].kind != "string":
        return f"{measurement}_{column.field}"
    return f"{measurement}_{column.field}_code" if f"{column.field}_code" in fields else ""


def _kept_code(columns: Sequence[Column]) -> str:
    """A field that every point has."""
    return f"{columns[0].field}_code"


def _chosen(where: Where, present: Sequence[str] = ()) -> str:
    parts = [f'{tag}="${tag}"' for tag in where.one]
    # By itself the data source joins several values as (a|b), each escaped for a regular expression in quotes.
    parts += [f'{tag}=~"${tag}"' for tag in where.several]
    parts += [f'{tag}!=""' for tag in present]
    return "{" + ", ".join(parts) + "}" if parts else ""


def _of(how: str, by: Sequence[str], text: str) -> str:
    return f"{how} by ({', '.join(by)}) ({text})" if by else f"{how}({text})"


def _legend(by: Sequence[str], word: str) -> str:
    return " ".join(filter(None, ("/".join(f"{{{{{tag}}}}}" for tag in by), word)))
