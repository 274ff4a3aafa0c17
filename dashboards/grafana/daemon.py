"""The daemons' own figures, from /metrics through a metrics server: a row that stays empty where there is none."""

from __future__ import annotations

from grafana_foundation_sdk.builders import dashboard

from dashboards.grafana.panels import AMP, BAD, GOOD, SOFT, UNKNOWN, Source, figure, mapped, plot, setting
from dashboards.grafana.tables import COLOURED, table_of
from dashboards.grafana.tongue import Ask

METRICS = Source("prometheus", "metrics")
OUTPUTS = {
    "on": ("on", AMP), "off": ("off, read back", SOFT), "unknown": ("UNKNOWN: take it as on", UNKNOWN),
}  # fmt: skip
CHOSEN = '{bench=~"$bench"}'


def metrics_source() -> dashboard.DatasourceVariable:
    """The variable that names the metrics server."""
    return dashboard.DatasourceVariable("metrics").label("Metrics of the daemons").type(METRICS.plugin)


def daemon_row(board: dashboard.Dashboard) -> dashboard.Dashboard:
    """Adds the row."""
    board = board.with_row(dashboard.Row("The daemons themselves (from /metrics)"))
    ask = Ask("outputs", 'benchd_output_state{bench=~"$bench"} == 1', table=True, moment=True)
    names = {"bench": "Bench", "supply": "Supply", "channel": "Channel", "state": "Output"}
    left_out = dict.fromkeys(("Time", "Value", "Value #outputs", "__name__", "instance", "job"), True)
    told = "What was read back of each output. A bench that is not here does not answer: nobody knows its outputs."
    outputs = table_of("Outputs", told, METRICS, [ask], names, left_out, (10, 8))
    board = board.with_panel(outputs.override_by_name("Output", [setting("mappings", mapped(OUTPUTS)), COLOURED]))
    ask = Ask("guard", 'min by (bench) (benchd_guard_state{state="alive", bench=~"$bench"})', "{{bench}}", moment=True)
    words = mapped({"1": ("alive", GOOD), "0": ("NOT ALIVE", BAD)})
    told = "The process that cuts shorts."
    board = board.with_panel(figure("Guard", told, METRICS, ask, "none", size=(7, 8), mappings=words))
    ask = Ask("free", f"min by (bench) (benchd_log_free_bytes{CHOSEN})", "{{bench}}", moment=True)
    room = ((None, BAD), (500e6, AMP), (2e9, SOFT))
    told = "Room on the disk of each bench's log."
    board = board.with_panel(figure("Room for the log", told, METRICS, ask, "decbytes", room, (7, 8)))
    ask = Ask("lag", f"max by (bench, follower) (benchd_follower_lag_seconds{CHOSEN})", "{{bench}} {{follower}}")
    told = "Age of the oldest row that a server has not taken yet. Nothing is lost while it grows: it waits in the log."
    behind = ((None, SOFT), (600, BAD))
    board = board.with_panel(plot("How far servers are behind", told, METRICS, [ask], "s", (12, 8), steps=behind))
    ask = Ask("gap", f"max by (bench, supply, channel) (benchd_reading_longest_gap_minute_seconds{CHOSEN})",
              "{{bench}} {{supply}}/{{channel}}")  # fmt: skip
    told = "Longest time between two readings in the minute before: as long a short may go unseen."
    return board.with_panel(plot("Longest gap between readings", told, METRICS, [ask], "s", (12, 8)))
