"""`benchd output`: outputs of the running daemon: on within the plan, off, re-arm, next stage."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any
from urllib.parse import quote

import typer

from benchd.cli import daemon_link, out, words
from benchd.cli import job as job_cli

app = typer.Typer(help="Outputs of the running daemon: on within the plan, off, re-arm, next stage.",
                  no_args_is_help=True, rich_markup_mode=None)  # fmt: skip

WITHIN_S = 30.0
"""A supply of a slow family takes up to 20 s until it is prepared, on, and confirmed."""

SUPPLY = Annotated[str, typer.Argument(help="Name of the supply in the settings.")]
CHANNEL = Annotated[int | None, typer.Argument(min=1, max=31, help="Needed where it has more than one.")]
DATA_DIR = Annotated[Path | None, job_cli.DATA]
CONFIG = Annotated[Path | None, out.CONFIG]
AS_JSON = Annotated[bool, out.JSON]


@app.command("list")
def list_(data_dir: DATA_DIR = None, config: CONFIG = None, json_: AS_JSON = False) -> None:
    """Every output and what is known of it. Example: benchd output list"""
    for view in _call(_daemon(data_dir, config), "GET", "bench")["channels"]:
        out.emit(view, words.channel_line(view), json_)


@app.command()
def on(
    supply: SUPPLY,
    channel: CHANNEL = None,
    plan: Annotated[str | None, typer.Option(help="Power plan; without it the channel's own.")] = None,
    voltage_v: Annotated[float | None, typer.Option(help="V; less than the plan says, never more.")] = None,
    limit_a: Annotated[float | None, typer.Option(help="A; less than the plan says, never more.")] = None,
    data_dir: DATA_DIR = None,
    config: CONFIG = None,
    json_: AS_JSON = False,
) -> None:
    """Switch an output on with a power plan, stage by stage. Example: benchd output on left --plan phone-cell"""
    asked = {"plan": plan, "voltage_v": voltage_v, "limit_a": limit_a}
    body = {key: value for key, value in asked.items() if value is not None}
    url = _daemon(data_dir, config)
    _caution(_call(url, "GET", "bench").get("checks_open", []))
    _ask("on", supply, channel, body | {"by": "command-line"}, url, json_)


@app.command()
def off(
    supply: Annotated[str | None, typer.Argument(help="Name of the supply in the settings.")] = None,
    channel: CHANNEL = None,
    all_: Annotated[bool, typer.Option("--all", help="Every output of every supply.")] = False,
    data_dir: DATA_DIR = None,
    config: CONFIG = None,
    json_: AS_JSON = False,
) -> None:
    """Switch an output off, or --all; exit status 0 only when that is confirmed. Example: benchd output off left"""
    if (supply is None) != all_:
        out.fail("say which: the name of a supply, or --all for every output", 2)
    url = _daemon(data_dir, config)
    if supply is not None:
        _ask("off", supply, channel, None, url, json_)
        return
    for view in _call(url, "POST", "off")["channels"]:
        out.emit(view, words.channel_line(view), json_)


@app.command()
def rearm(
    supply: SUPPLY,
    channel: CHANNEL = None,
    data_dir: DATA_DIR = None,
    config: CONFIG = None,
    json_: AS_JSON = False,
) -> None:
    """Release the latch after a trip: you have looked at the board. It stays off. Example: benchd output rearm left"""
    _ask("rearm", supply, channel, {"by": "command-line"}, _daemon(data_dir, config), json_)


@app.command("next")
def next_(
    supply: SUPPLY,
    channel: CHANNEL = None,
    data_dir: DATA_DIR = None,
    config: CONFIG = None,
    json_: AS_JSON = False,
) -> None:
    """End the stage `hold`: raise the limit to that of the boot. Example: benchd output next left"""
    _ask("next", supply, channel, {"by": "command-line"}, _daemon(data_dir, config), json_)


def _caution(opened: list[str]) -> None:
    """What the checklist says of the job on the bench; it holds nothing up."""
    if opened:
        shown = "; ".join(opened[:3]) + ("; ..." if len(opened) > 3 else "")
        checks = words.counted(len(opened), "check")
        typer.echo(f"benchd: {checks} before power open ({shown}); `benchd checks of` shows them", err=True)


def _daemon(data_dir: Path | None, config: Path | None) -> str:
    """The address of the daemon that holds the outputs; ends the command when there is none."""
    folder = job_cli.data_path(data_dir, config)
    url = daemon_link.daemon_url(folder)
    if url is None:
        out.fail(
            f"no daemon runs with its log in {folder}, and outputs are only held by one: `benchd run` starts it; "
            "without one `benchd make-safe` switches everything off"
        )
    return url


def _ask(word: str, supply: str, channel: int | None, body: dict[str, Any] | None, url: str, as_json: bool) -> None:
    number = _number(url, supply, channel)
    view = _call(url, "POST", f"supplies/{quote(supply, safe='')}/channels/{number}/{word}", body)
    out.emit(view, words.channel_line(view), as_json)


def _number(url: str, supply: str, channel: int | None) -> int:
    """The channel's number, which may be left out where the supply has one only."""
    if channel is not None:
        return channel
    there = [(c["supply"], int(c["channel"])) for c in _call(url, "GET", "bench")["channels"]]
    numbers = [number for name, number in there if name == supply]
    if not numbers:
        names = ", ".join(dict.fromkeys(name for name, _ in there))
        out.fail(f"supply {supply!r} is not on this bench; there are: {names}")
    if len(numbers) > 1:
        out.fail(f"supply {supply!r} has channels {', '.join(map(str, numbers))}: say which", 2)
    return numbers[0]


def _call(url: str, method: str, path: str, body: dict[str, Any] | None = None) -> Any:
    with out.errors(daemon_link.DaemonSaid):
        return daemon_link.call(url, method, path, body, within_s=WITHIN_S)
