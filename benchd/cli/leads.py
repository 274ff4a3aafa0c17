"""`benchd leads`: what the leads of each output have, typing in what was measured elsewhere, and which are on now."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated, Any

import typer

from benchd.cli import daemon_link, out
from benchd.cli import job as job_cli
from benchd.cli.procedure import place
from benchd.cli.procedure_run import daemon

app = typer.Typer(
    help="What the leads of each output have; `benchd procedure run lead-resistance` measures it.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

SENSE = {"two-wire": "without sense leads", "remote": "with sense leads"}
MOST_MOHM = 5000.0
WITHIN_SHARE, LEAST_WITHIN_MOHM = 0.1, 5.0
"""How well a typed resistance is known where nobody says: a tenth, and 5 mΩ at least, as contacts differ by that from
one clip to the next. Our choice."""


@app.command("list")
def list_(
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """The leads of every output, as they are used now. Example: benchd leads list"""
    with out.errors(daemon_link.DaemonSaid):
        shown = daemon_link.call(daemon(data_dir, config), "GET", "leads")
    for view in shown["now"]:
        others = _others(view, shown["kept"])
        line = told(view) + "".join(f"\n  also known: {_named(each)}" for each in others)
        out.emit({**view, "others": others}, line, json_)


@app.command("set")
def set_(
    output: Annotated[str, typer.Argument(metavar="SUPPLY/CHANNEL", help="Such as psu-a/1.")],
    mohm: Annotated[float, typer.Option(min=0, max=MOST_MOHM, help="There and back, with contacts, mΩ.")],
    within: Annotated[
        float | None,
        typer.Option(min=0, max=MOST_MOHM, help="Known within (k = 2), mΩ; without it a tenth, and 5 mΩ at least."),
    ] = None,
    celsius: Annotated[float | None, typer.Option(min=-40, max=100, help="The room then, °C.")] = None,
    name: Annotated[str, typer.Option(help="Of the lead set, where an output has several.")] = "",
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Type in what leads were measured to have elsewhere. Example: benchd leads set psu-a/1 --mohm 62 --within 3"""
    supply, channel = place(output)
    within_mohm = max(WITHIN_SHARE * mohm, LEAST_WITHIN_MOHM) if within is None else within
    body = {
        "supply": supply, "channel": channel, "name": name, "ohm": mohm / 1e3, "u_ohm": within_mohm / 1e3,
        "celsius": celsius,
    }  # fmt: skip
    _told_of(supply, channel, "leads", body, data_dir, config, json_)


@app.command()
def use(
    output: Annotated[str, typer.Argument(metavar="SUPPLY/CHANNEL", help="Such as psu-a/1.")],
    name: Annotated[str, typer.Option(help="Of the lead set; without it the usual ones.")] = "",
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Say which of several sets of leads is on an output now. Example: benchd leads use psu-a/1 --name thick

    It was measured there, or typed in, before: `benchd leads list` shows what is known.
    """
    supply, channel = place(output)
    body = {"supply": supply, "channel": channel, "name": name}
    _told_of(supply, channel, "leads/in-use", body, data_dir, config, json_)


def _told_of(
    supply: str, channel: int, path: str, body: dict[str, Any], data_dir: Path | None, config: Path | None, json_: bool
) -> None:
    """Ask the daemon for a change, and tell what that output's leads are now."""
    with out.errors(daemon_link.DaemonSaid):
        shown = daemon_link.call(daemon(data_dir, config), "POST", path, body)["now"]
    for view in shown:
        if (view["supply"], view["channel"]) == (supply, channel):
            out.emit(view, told(view), json_)


def _others(view: dict[str, Any], kept: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The newest of each other set that is known of this output, with sense leads and without."""
    used, newest = view["leads"], dict[tuple[str, str], dict[str, Any]]()
    for each in kept:
        if (each["supply"], each["channel"]) == (view["supply"], view["channel"]):
            newest.setdefault((each["name"], each["sense"]), each)
    if used is not None and view["origin"] != "settings":
        newest.pop((used["name"], used["sense"]), None)
    return list(newest.values())


def _named(leads: dict[str, Any]) -> str:
    from benchd.traces.trip_words import quantity

    called = f"set {leads['name']!r}" if leads["name"] else "the usual ones"
    return f"{called}, {quantity(leads['ohm'], 'Ω', leads['u_ohm'])}, {SENSE[leads['sense']]}"


def told(view: dict[str, Any]) -> str:
    """One output's leads in a line: the sentence of the page, and when and at what they were measured."""
    line, leads = f"{view['supply']}/{view['channel']}  {view['text']}", view["leads"]
    if leads is None or view["origin"] == "settings":
        return line
    told = [f"set {leads['name']!r}"] if leads["name"] else []
    told += [SENSE[leads["sense"]]] if leads["sense"] == "two-wire" else []  # the sentence says the other
    told.append(time.strftime("%Y-%m-%d %H:%M", time.localtime(leads["t_ns"] / 1e9)))
    told += [f"at {leads['current_a']:.3g} A"] if leads["current_a"] else []
    told += [f"{leads['celsius']:g} °C"] if leads["celsius"] is not None else []
    return f"{line} ({', '.join(told)})"
