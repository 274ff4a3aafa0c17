"""The questions in InfluxQL, for InfluxDB (1.x, and later ones with its 1.x compatible API)."""

# ruff: noqa: S608 (questions are what is made here, of our own names)

from __future__ import annotations

from collections.abc import Sequence

from dashboards.grafana.tongue import FINDING, READING, TRIP, WITHIN, Ask, Column, How, Sum, Where

MOST_ROWS = 500


class Influxql:
    """See `Tongue`."""

    name = "influxql"
    plugin = "influxdb"

    def values(self, tag: str, where: Where) -> str | dict[str, object]:
        """See `Tongue.values`."""
        query = f'SHOW TAG VALUES FROM "{READING}" WITH KEY = "{tag}"'
        return query + (f" WHERE {_chosen(where)}" if any(where) else "")

    def reading(self, field: str, how: How, by: Sequence[str], where: Where, present: Sequence[str] = ()) -> Ask:
        """See `Tongue.reading`."""
        chosen = _in_range(where) + _there(present)
        text = f'SELECT {how}("{field}") FROM "{READING}" WHERE {chosen} GROUP BY time({WITHIN}){_by(by)}'
        return Ask(how, text + " fill(none)", _legend(by, how))

    def pace(self, by: Sequence[str], where: Where) -> Ask:
        """See `Tongue.pace`."""
        # The readings of each stretch, as if they had come in a second, divided by how many seconds it has.
        counted = f'SELECT count("current") FROM "{READING}" WHERE {_in_range(where)} GROUP BY time({WITHIN}){_by(by)}'
        text = f'SELECT "count" * 1000 / $__interval_ms FROM ({counted} fill(none)) WHERE $timeFilter{_group(by)}'
        return Ask("pace", text, _legend(by, ""))

    def newest(self, field: str, by: Sequence[str], where: Where) -> Ask:
        """See `Tongue.newest`."""
        text = f'SELECT last("{field}") FROM "{READING}" WHERE {_in_range(where)}{_group(by)}'
        return Ask("newest", text, _legend(by, ""), moment=True)

    def trip_marks(self, by: Sequence[str], where: Where) -> Ask:
        """See `Tongue.trip_marks`."""
        text = f'SELECT "limit" FROM "{TRIP}" WHERE {_in_range(where)}{_group(by)}'
        return Ask("trips", text, _legend(by, "trip"))

    def trips(self, by: Sequence[str], where: Where) -> Ask:
        """See `Tongue.trips`."""
        text = f'SELECT count("rule_code") AS "trips" FROM "{TRIP}" WHERE {_in_range(where)}{_group(by)}'
        return Ask("trips", text, _legend(by, ""), moment=True)

    def findings(self, how: Sum, field: str, by: Sequence[str], where: Where, present: Sequence[str] = ()) -> Ask:
        """See `Tongue.findings`."""
        chosen = _in_range(where) + _there(present)
        text = f'SELECT {how}("{field}") AS "{field}" FROM "{FINDING}" WHERE {chosen}{_group(by)}'
        return Ask(field, text, _legend(by, ""), moment=True)

    def rows(self, measurement: str, columns: Sequence[Column], where: Where) -> list[Ask]:
        """See `Tongue.rows`."""
        names = ", ".join(f'"{name}"' for name in ("bench", "supply", "channel", "job", *(c.field for c in columns)))
        text = f'SELECT {names} FROM "{measurement}" WHERE {_in_range(where)} ORDER BY time DESC LIMIT {MOST_ROWS}'
        return [Ask("rows", text, table=True, moment=True)]

    def shown_as(self, measurement: str, column: Column) -> str:
        """See `Tongue.shown_as`."""
        return column.field


def _chosen(where: Where) -> str:
    one = [f"\"{tag}\" = '${tag}'" for tag in where.one]
    # In this format several values come joined as (a|b), each escaped for a regular expression.
    return " AND ".join([*one, *(f'"{tag}" =~ /^${{{tag}:regex}}$/' for tag in where.several)])


def _in_range(where: Where) -> str:
    return " AND ".join([*([_chosen(where)] if any(where) else []), "$timeFilter"])


def _there(present: Sequence[str]) -> str:
    return "".join(f" AND \"{tag}\" != ''" for tag in present)


def _by(by: Sequence[str]) -> str:
    return "".join(f', "{tag}"' for tag in by)


def _group(by: Sequence[str]) -> str:
    return " GROUP BY" + _by(by)[1:] if by else ""


def _legend(by: Sequence[str], word: str) -> str:
    return " ".join(filter(None, ("/".join(f"$tag_{tag}" for tag in by), word)))
