"""The three dashboards: one bench, one job, all benches. What is on them and where; each in any of the languages."""

from __future__ import annotations

from grafana_foundation_sdk.builders import dashboard, stat, table
from grafana_foundation_sdk.models import dashboard as models

from dashboards.grafana.daemon import daemon_row, metrics_source
from dashboards.grafana.panels import AMP, BAD, FIGURES, FROM_ONE, PLAIN, Source, bars, figure, plot
from dashboards.grafana.tables import rows
from dashboards.grafana.tongue import FINDING, FINDING_COLUMNS, TRIP, TRIP_COLUMNS, Tongue, Where, unit

ALL = ".*"
"""What `All` stands for: also what has no such tag, as readings without a job."""
NOW = "1m"
"""What is older does not count as now."""
OF_READINGS = "mean, and the thin line its highest: a spike shorter than a point of the plot is seen all the same."


def one_bench(tongue: Tongue) -> dashboard.Dashboard:
    """What its outputs draw now, and what they did in the last while."""
    source, by = Source(tongue.plugin), ("supply", "channel")
    where = Where(one=("bench",), several=by)
    board = _board(tongue, "bench", "Bench", "What a bench's outputs draw, and their trips and findings.", "now-15m")
    board = board.refresh("5s").with_variable(_variable(tongue, "bench", Where()))
    board = board.with_variable(_variable(tongue, "supply", Where(one=("bench",)), several=True))
    board = board.with_variable(_variable(tongue, "channel", Where(one=("bench",), several=("supply",)), several=True))
    for field in FIGURES:
        ask = tongue.newest(field, by, where)
        told = f"The newest reading of the last {NOW}; none: nothing came. It says nothing of whether an output is off."
        board = board.with_panel(figure(f"{field.capitalize()} now", told, source, ask, FIGURES[field], only_last=NOW))
    board = board.with_panel(_trips(tongue, where)).with_panel(_power_ups(tongue, where))
    board = board.with_panel(_energy(tongue, where))
    asks = [tongue.reading("current", "mean", by, where), tongue.reading("current", "max", by, where)]
    asks.append(tongue.trip_marks(by, where))
    told = f"Of each output: {OF_READINGS} Points: trips, at the limit that was set."
    board = board.with_panel(plot("Current", told, source, asks, "amp"))
    asks = [tongue.reading("voltage", "mean", by, where), tongue.reading("voltage", "min", by, where)]
    told = "Of each output: mean, and the thin line its lowest: how far it was pulled down."
    board = board.with_panel(plot("Voltage", told, source, asks, "volt", (12, 8)))
    asks = [tongue.reading("power", "mean", by, where)]
    board = board.with_panel(plot("Power", "Of each output, mean.", source, asks, "watt", (12, 8)))
    links = {"job": _link(tongue, "job")}
    board = board.with_panel(_trip_rows(tongue, where, links)).with_panel(_finding_rows(tongue, where, links))
    told = "As they arrived here. Where it falls below what is asked of the supply, readings are missing."
    return board.with_panel(plot("Readings per second", told, source, [tongue.pace(by, where)], "none", (24, 6)))


def one_job(tongue: Tongue) -> dashboard.Dashboard:
    """All that was measured for one device, on whichever bench."""
    source, where = Source(tongue.plugin), Where(one=("job",))
    board = _board(tongue, "job", "Job", "All that was measured for one job, on whichever bench.", "now-7d")
    board = board.with_variable(_variable(tongue, "job", Where()))
    board = board.with_panel(_power_ups(tongue, where)).with_panel(_trips(tongue, where))
    board = board.with_panel(_energy(tongue, where))
    told = "Highest current of any power-up in the time shown."
    ask = tongue.findings("max", "peak", (), where)
    board = board.with_panel(figure("Highest current", told, source, ask, "amp"))
    told = "Charge of all power-ups in the time shown."
    ask = tongue.findings("sum", "charge", (), where)
    board = board.with_panel(figure("Charge", told, source, ask, unit(FINDING, "charge")))
    told = "The longest of its power-ups in the time shown."
    board = board.with_panel(
        figure("Longest power-up", told, source, tongue.findings("max", "duration_s", (), where), "s")
    )
    links = {"bench": _link(tongue, "bench")}
    board = board.with_panel(_finding_rows(tongue, where, links, 10)).with_panel(_trip_rows(tongue, where, links))
    by = ("trace",)
    asks = [tongue.reading("current", "mean", by, where, by), tongue.reading("current", "max", by, where, by)]
    told = f"Of each power-up: {OF_READINGS}"
    board = board.with_panel(plot("Current", told, source, asks, "amp"))
    told = "Of each power-up, as filed."
    ask = tongue.findings("max", "energy", ("trace",), where, ("trace",))
    board = board.with_panel(bars("Energy by power-up", told, source, ask, "joule", AMP))
    ask = tongue.findings("max", "peak", ("trace",), where, ("trace",))
    return board.with_panel(bars("Highest current by power-up", told, source, ask, "amp", AMP))


def all_benches(tongue: Tongue) -> dashboard.Dashboard:
    """The room: which bench does what, and how the daemons are."""
    source, where, by = Source(tongue.plugin), Where(several=("bench",)), ("bench",)
    board = _board(tongue, "benches", "All benches", "Every bench that sends here, and how its daemon is.", "now-24h")
    board = board.refresh("30s").with_variable(metrics_source())
    board = board.with_variable(_variable(tongue, "bench", Where(), several=True))
    board = board.with_panel(_power_ups(tongue, where)).with_panel(_trips(tongue, where))
    board = board.with_panel(_energy(tongue, where))
    told = "The newest reading of each output in the last minute."
    ask = tongue.newest("current", ("bench", "supply", "channel"), where)
    board = board.with_panel(figure("Current now", told, source, ask, "amp", size=(12, 4), only_last=NOW))
    asks = [tongue.reading("current", "max", ("bench", "supply", "channel"), where)]
    told = "The highest of each output: which bench works, and what it draws."
    board = board.with_panel(plot("Current", told, source, asks, "amp", (24, 8)))
    told = "Traces that were filed, each a power-up."
    ask = tongue.findings("count", "signature_code", by, where)
    board = board.with_panel(bars("Power-ups by bench", told, source, ask, "none", AMP, (8, 8)))
    board = board.with_panel(bars("Trips by bench", "", source, tongue.trips(by, where), "none", BAD, (8, 8)))
    told = "Of all its power-ups in the time shown. What belongs to no job is left out."
    ask = tongue.findings("sum", "energy", ("job",), where, ("job",))
    board = board.with_panel(bars("Energy by job", told, source, ask, "joule", AMP, (8, 8)))
    links = {"job": _link(tongue, "job"), "bench": _link(tongue, "bench")}
    board = board.with_panel(_trip_rows(tongue, where, links)).with_panel(_finding_rows(tongue, where, links))
    return daemon_row(board)


# ---- parts that several have ---------------------------------------------------------------------------------------


def _board(tongue: Tongue, kind: str, title: str, told: str, since: str) -> dashboard.Dashboard:
    """Empty, with the variable that names the data source, and the time shown at first."""
    board = dashboard.Dashboard(f"benchd: {title} ({tongue.name})").uid(uid(tongue, kind)).description(told)
    board = board.tags(["benchd", tongue.name]).time(since, "now").timezone("browser").editable()
    board = board.tooltip(models.DashboardCursorSync.CROSSHAIR)
    source = dashboard.DatasourceVariable("source").label("Server").type(tongue.plugin)
    link = dashboard.DashboardLink("benchd").type(models.DashboardLinkType.DASHBOARDS)
    link = link.tags(["benchd", tongue.name]).as_dropdown(True).keep_time(True)
    return board.with_variable(source).link(link)


def uid(tongue: Tongue, kind: str) -> str:
    """By which the dashboards find each other."""
    return f"benchd-{kind}-{tongue.name}"


def _variable(tongue: Tongue, tag: str, where: Where, *, several: bool = False) -> dashboard.QueryVariable:
    """A tag to choose by; `where`: variables that narrow it."""
    variable = dashboard.QueryVariable(tag).label(tag.capitalize()).query(tongue.values(tag, where))
    variable = variable.datasource(Source(tongue.plugin).ref)
    variable = variable.refresh(models.VariableRefresh.ON_TIME_RANGE_CHANGED)
    variable = variable.sort(models.VariableSort.ALPHABETICAL_ASC)
    if several:
        everything = models.VariableOption(selected=True, text="All", value="$__all")
        variable = variable.multi(True).include_all(True).all_value(ALL).current(everything)
    return variable


def _link(tongue: Tongue, kind: str) -> str:
    return f"/d/{uid(tongue, kind)}?var-source=${{source}}&var-{kind}=${{__value.raw}}&from=${{__from}}&to=${{__to}}"


def _trips(tongue: Tongue, where: Where) -> stat.Panel:
    told = "In the time shown."
    return figure("Trips", told, Source(tongue.plugin), tongue.trips((), where), "none", FROM_ONE)


def _power_ups(tongue: Tongue, where: Where) -> stat.Panel:
    told = "Traces that were filed, in the time shown."
    ask = tongue.findings("count", "signature_code", (), where)
    return figure("Power-ups", told, Source(tongue.plugin), ask, "none", PLAIN)


def _energy(tongue: Tongue, where: Where) -> stat.Panel:
    told = "Of all power-ups in the time shown, as filed."
    return figure("Energy", told, Source(tongue.plugin), tongue.findings("sum", "energy", (), where), "joule", PLAIN)


def _trip_rows(tongue: Tongue, where: Where, links: dict[str, str]) -> table.Panel:
    told = (
        "Energy and I²t are what went into the fault from its onset until the output was read back off. "
        "NOT CONFIRMED: nobody could read back that it was off."
    )
    return rows("Trips", told, tongue, TRIP, TRIP_COLUMNS, where, links)


def _finding_rows(tongue: Tongue, where: Where, links: dict[str, str], height: int = 9) -> table.Panel:
    told = "What each power-up looks like, and how sure that is; when: its start."
    return rows("Findings", told, tongue, FINDING, FINDING_COLUMNS, where, links, (24, height))
