"""Tables of trips and findings: a row a point, the newest first, the same columns from either language."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from grafana_foundation_sdk.builders import table
from grafana_foundation_sdk.models import common as shapes
from grafana_foundation_sdk.models import dashboard as models

from dashboards.grafana.panels import AMP, BAD, GOOD, Ready, Source, begun, mapped, setting
from dashboards.grafana.tongue import Ask, Column, Tongue, Where, unit

SURE = ((None, BAD), (0.5, AMP), (0.8, GOOD))
"""Colours of how sure a finding is."""
CONFIRMED = {
    "1": ("yes", GOOD), "true": ("yes", GOOD), "0": ("NOT CONFIRMED", BAD), "false": ("NOT CONFIRMED", BAD),
}  # fmt: skip
COLOURED = setting("custom.cellOptions", {"type": "color-text"})


def rows(
    title: str,
    told: str,
    tongue: Tongue,
    measurement: str,
    columns: Sequence[Column],
    where: Where,
    links: Mapping[str, str],
    size: tuple[int, int] = (24, 9),
) -> table.Panel:
    """`columns` beside time, bench, supply, channel and job. `links`: by tag, where its value leads."""
    asks = tongue.rows(measurement, columns, where)
    whens = ("Time", "time") if tongue.plugin == "influxdb" else ("Value #time",)
    names = dict.fromkeys(whens, "When") | {"bench": "Bench", "supply": "Supply", "channel": "Channel", "job": "Job"}
    kept = [(column, name) for column in columns if (name := tongue.shown_as(measurement, column))]
    names |= {name: column.title for column, name in kept}
    # Asked at one moment, each row has that moment beside its own time.
    left_out = {"trace": True} | ({} if "Time" in whens else {"Time": True})
    panel = table_of(title, told, Source(tongue.plugin), asks, names, left_out, size)
    panel = panel.override_by_name("When", [setting("unit", "dateTimeAsIso"), setting("custom.width", 180)])
    for column, _ in kept:
        panel = panel.override_by_name(column.title, _look(measurement, column))
    for tag, address in links.items():
        link = {"title": f"Open this {tag}", "url": address}
        panel = panel.override_by_name(tag.capitalize(), [setting("links", [link])])
    return panel.sort_by([Ready(shapes.TableSortByFieldState(display_name="When", desc=True))])


def table_of(
    title: str,
    told: str,
    source: Source,
    asks: Sequence[Ask],
    names: Mapping[str, str],
    left_out: Mapping[str, bool],
    size: tuple[int, int],
) -> table.Panel:
    """Answers of several questions side by side, where their tags agree. `names`: columns in their order, by what the
    answers call them, with what is written above."""
    panel: table.Panel = begun(table.Panel(), title, told, source, asks, size)
    if len(asks) > 1:
        panel = panel.with_transformation(models.DataTransformerConfig("merge", options={}))
    order = {name: index for index, name in enumerate(names)}
    options = {"renameByName": dict(names), "indexByName": order, "excludeByName": dict(left_out)}
    return panel.with_transformation(models.DataTransformerConfig("organize", options=options)).no_value("none")


def _look(measurement: str, column: Column) -> list[models.DynamicConfigValue]:
    if column.field == "off_confirmed":
        return [setting("mappings", mapped(CONFIRMED)), COLOURED]
    if column.codes:
        words = {str(code): (word, "") for word, code in column.codes.items()}
        return [setting("mappings", mapped(words | {"0": ("another", "")}))]
    look = [setting("unit", unit(measurement, column.field))]
    if column.field == "confidence":
        steps = [{"value": value, "color": colour} for value, colour in SURE]
        look += [setting("thresholds", {"mode": "absolute", "steps": steps}), setting("color", {"mode": "thresholds"})]
        look += [COLOURED, setting("decimals", 0)]
    return look
