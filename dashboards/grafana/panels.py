"""How our panels look: one function a kind. Colours are those of the bench's own page (dark)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from grafana_foundation_sdk.builders import bargauge, common, dashboard, prometheus, stat, timeseries
from grafana_foundation_sdk.cog.builder import Builder
from grafana_foundation_sdk.cog.variants import Dataquery
from grafana_foundation_sdk.models import common as shapes
from grafana_foundation_sdk.models import dashboard as models
from grafana_foundation_sdk.models.prometheus import PromQueryFormat, QueryEditorMode

from dashboards.grafana.tongue import Ask

AMP, VOLT, WATT, BAD, UNKNOWN, SOFT, GOOD = (
    "#ffb454", "#73caff", "#9bd77f", "#ff8078", "#ff86dd", "#7f919d", "#9bd77f",
)  # fmt: skip
FIGURES = {"current": "amp", "voltage": "volt", "power": "watt"}
"""Fields of a reading, and their units."""
Steps = Sequence[tuple[float | None, str]]
"""From a value on (None: from the lowest) a colour."""
PLAIN: Steps = ((None, SOFT),)
FROM_ONE: Steps = ((None, SOFT), (1, BAD))


class Source(NamedTuple):
    """Where a panel asks: the kind of data source, and the variable that names it."""

    plugin: str
    variable: str = "source"

    @property
    def ref(self) -> models.DataSourceRef:
        """As panels and questions name it."""
        return models.DataSourceRef(type_val=self.plugin, uid=f"${{{self.variable}}}")


class InfluxQuery(Dataquery):
    """A raw question of the InfluxDB data source, for which the library has no words."""

    def __init__(self, source: Source, ask: Ask) -> None:
        self._source, self._ask = source, ask

    def to_json(self) -> dict[str, object]:
        """As the data source takes it."""
        said: dict[str, object] = {
            "refId": self._ask.ref,
            "datasource": self._source.ref,
            "rawQuery": True,
            "query": self._ask.text,
            "resultFormat": "table" if self._ask.table else "time_series",
        }
        return said | ({"alias": self._ask.legend} if self._ask.legend else {})


class Ready(Builder[Any]):
    """What is made already, where the library wants somebody who makes it."""

    def __init__(self, made: Any) -> None:
        self._made = made

    def build(self) -> Any:
        """It."""
        return self._made


def target(source: Source, ask: Ask) -> Builder[Any]:
    """A question as a panel's target."""
    if source.plugin == "influxdb":
        return Ready(InfluxQuery(source, ask))
    query = prometheus.Dataquery().expr(ask.text).ref_id(ask.ref).datasource(source.ref)
    query = query.editor_mode(QueryEditorMode.CODE)
    query = query.instant() if ask.moment else query.range()
    if ask.step:
        query = query.interval(ask.step)
    if ask.table:
        query = query.format(PromQueryFormat.TABLE)
    return query.legend_format(ask.legend) if ask.legend else query


def begun(panel: Any, title: str, told: str, source: Source, asks: Sequence[Ask], size: tuple[int, int]) -> Any:
    """What all panels have. `size`: width (of 24) and height in the grid's units."""
    panel = panel.title(title).description(told).span(size[0]).height(size[1])
    panel = panel.datasource(source.ref)
    for ask in asks:
        panel = panel.with_target(target(source, ask))
    return panel


def plot(
    title: str,
    told: str,
    source: Source,
    asks: Sequence[Ask],
    unit: str,
    size: tuple[int, int] = (24, 9),
    *,
    steps: Steps = (),
    from_zero: bool = True,
) -> timeseries.Panel:
    """Figures over time. Means are thick lines, extremes thin ones, trips points. `steps`: drawn across as lines."""
    panel: timeseries.Panel = begun(timeseries.Panel(), title, told, source, asks, size)
    panel = panel.unit(unit).line_width(2).fill_opacity(6).show_points(shapes.VisibilityMode.NEVER)
    panel = panel.min(0) if from_zero else panel
    panel = panel.color_scheme(dashboard.FieldColor().mode(models.FieldColorModeId.PALETTE_CLASSIC_BY_NAME))
    panel = panel.tooltip(common.VizTooltipOptions().mode(shapes.TooltipDisplayMode.MULTI))
    panel = panel.legend(common.VizLegendOptions().display_mode(shapes.LegendDisplayMode.LIST).show_legend(True))
    if steps:
        lines = common.GraphThresholdsStyleConfig().mode(shapes.GraphTresholdsStyleMode.DASHED)
        panel = panel.thresholds(thresholds(steps)).thresholds_style(lines)
    for ask in asks:
        if ask.ref in _LOOKS:
            panel = panel.override_by_query(ask.ref, [setting(name, value) for name, value in _LOOKS[ask.ref]])
    return panel


def figure(
    title: str,
    told: str,
    source: Source,
    ask: Ask,
    unit: str,
    steps: Steps = PLAIN,
    size: tuple[int, int] = (4, 4),
    *,
    only_last: str = "",
    mappings: Sequence[models.ValueMapping] = (),
) -> stat.Panel:
    """One number large. `only_last`: not of the time shown but of the last while, such as 1m."""
    panel: stat.Panel = begun(stat.Panel(), title, told, source, [ask], size)
    panel = panel.unit(unit).thresholds(thresholds(steps)).no_value("none").mappings(list(mappings))
    panel = panel.color_scheme(dashboard.FieldColor().mode(models.FieldColorModeId.THRESHOLDS))
    panel = panel.graph_mode(shapes.BigValueGraphMode.NONE).color_mode(shapes.BigValueColorMode.VALUE)
    panel = panel.reduce_options(common.ReduceDataOptions().calcs(["lastNotNull"]))
    return panel.time_from(only_last) if only_last else panel


def bars(
    title: str, told: str, source: Source, ask: Ask, unit: str, colour: str, size: tuple[int, int] = (12, 9)
) -> bargauge.Panel:
    """A bar for each value of a tag."""
    panel: bargauge.Panel = begun(bargauge.Panel(), title, told, source, [ask], size)
    fixed = dashboard.FieldColor().mode(models.FieldColorModeId.FIXED).fixed_color(colour)
    panel = panel.unit(unit).min(0).no_value("none").color_scheme(fixed).thresholds(thresholds(((None, colour),)))
    panel = panel.orientation(shapes.VizOrientation.HORIZONTAL).display_mode(shapes.BarGaugeDisplayMode.BASIC)
    return panel.reduce_options(common.ReduceDataOptions().calcs(["lastNotNull"]))


def thresholds(steps: Steps) -> dashboard.ThresholdsConfig:
    """Colours by value."""
    found = [models.Threshold(value=value, color=colour) for value, colour in steps]
    return dashboard.ThresholdsConfig().mode(models.ThresholdsMode.ABSOLUTE).steps(found)


def setting(name: str, value: object) -> models.DynamicConfigValue:
    """A setting of some of a panel's figures."""
    return models.DynamicConfigValue(id_val=name, value=value)


def mapped(words: dict[str, tuple[str, str]]) -> list[models.ValueMapping]:
    """By value, what is written for it, and in which colour (empty: as it comes)."""
    options = {
        value: models.ValueMappingResult(text=text, color=colour or None, index=index)
        for index, (value, (text, colour)) in enumerate(words.items())
    }
    return [models.ValueMap(options)]


_THIN = (("custom.lineWidth", 1), ("custom.fillOpacity", 0))
_LOOKS: dict[str, tuple[tuple[str, object], ...]] = {
    "max": _THIN,
    "min": _THIN,
    "trips": (
        ("custom.drawStyle", "points"),
        ("custom.pointSize", 11),
        ("custom.showPoints", "always"),
        ("color", {"mode": "fixed", "fixedColor": BAD}),
    ),
}
"""By what a question is called: how its figures are drawn."""
