"""`benchd procedure run`: a procedure from the terminal, through the daemon; and what is said to a run."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import quote

import typer

from benchd.cli import daemon_link, out, procedure_set
from benchd.cli import job as job_cli
from benchd.cli.procedure import place, run_told

LOOK_S = 0.25
BY = "command-line"
GOOD = ("passed", "done")


def run(
    name: Annotated[str, typer.Argument(help="The procedure's name.")],
    on: Annotated[list[str], typer.Option("--on", help="SUPPLY/CHANNEL, or ROLE=SUPPLY/CHANNEL for each side.")],
    set_: Annotated[list[str] | None, typer.Option("--set", help="NAME=VALUE; see `benchd procedure show`.")] = None,
    plan: Annotated[
        str | None, typer.Option(help="Power plan; without it what the procedure wants, else the output's.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="The cautions were read.")] = False,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Run a procedure on the bench. Ctrl-C stops it, outputs off.

    Asks what it needs to know here. Points of a live measurement and its end are said from a second terminal:
    `benchd procedure point` and `done`. With --json it asks nothing: `answer`. Ends with status 0
    when it passed or was carried out, 1 otherwise. Example: benchd procedure run leak-curve --on psu-a/1 --set
    stop_v=4.0
    """
    body: dict[str, Any] = {
        "card": name, "sides": [_side(each, plan) for each in on], "by": BY, "accept_cautions": yes,
    }  # fmt: skip
    texts = procedure_set.split(set_ or ())
    url = daemon(data_dir, config)
    with out.errors(daemon_link.DaemonSaid):
        card = daemon_link.call(url, "GET", f"procedures/{quote(name, safe='')}")
        body["parameters"] = procedure_set.values(name, texts, procedure_set.parameters_told(card))
        if not yes:
            _cautions(card)
            body["accept_cautions"] = True
        began = daemon_link.call(url, "POST", "runs", body)
        id_ = began["run"]
        if not json_:
            typer.echo(f"run {id_}")
        try:
            ended = _followed(url, id_, json_)
        except daemon_link.DaemonSaid as error:
            out.fail(
                f"{error}; run {id_} may go on, its outputs on: `benchd procedure stop {id_}`, or look at the supply"
            )
        except (KeyboardInterrupt, typer.Abort):  # a prompt makes the second of the first
            typer.echo("stopping ...", err=True)
            ended = daemon_link.call(url, "POST", f"runs/{id_}/stop", {"by": BY}, within_s=60)["run"]
    out.emit(ended, "\n".join(run_told(ended)), json_)
    if ended["outcome"] not in GOOD:
        raise typer.Exit(1)


def answer(
    run: Annotated[str, typer.Argument(help="The run's id.")],
    name: Annotated[str, typer.Argument(help="Name of the question.")],
    value: Annotated[str, typer.Argument(help="The answer; a number in the unit that is asked for.")] = "yes",
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
) -> None:
    """Answer the question of a run. Example: benchd procedure answer P261127-132312-b2c8 ready"""
    url = daemon(data_dir, config)
    with out.errors(daemon_link.DaemonSaid):
        now = daemon_link.call(url, "GET", f"runs/{quote(run, safe='')}").get("now") or {}
        asked = now.get("question")
        given: Any = value  # where something else is asked, the daemon says what
        if asked and asked["name"] == name:
            with out.errors(ValueError):
                given = procedure_set.answer(asked, value)
        _answer(url, run, name, given)


def _answer(url: str, run: str, name: str, value: Any) -> None:
    body = {"name": name, "value": value, "by": BY}
    daemon_link.call(url, "POST", f"runs/{quote(run, safe='')}/answer", body)


def point(
    run: Annotated[str, typer.Argument(help="The run's id.")],
    text: Annotated[str, typer.Argument(help="Where the probe is.")],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
) -> None:
    """Say where the probe is. Example: benchd procedure point P261127-132312-b2c8 C12"""
    _say(run, "point", {"text": text, "by": BY}, data_dir, config)


def done(
    run: Annotated[str, typer.Argument(help="The run's id.")],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
) -> None:
    """End a live measurement; what it has shown is kept. Example: benchd procedure done P261127-132312-b2c8"""
    _say(run, "done", {"by": BY}, data_dir, config)


def stop(
    run: Annotated[str, typer.Argument(help="The run's id.")],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
) -> None:
    """Stop a run, its outputs off. Example: benchd procedure stop P261127-132312-b2c8"""
    url = daemon(data_dir, config)
    with out.errors(daemon_link.DaemonSaid):
        ended = daemon_link.call(url, "POST", f"runs/{run}/stop", {"by": BY}, within_s=60)["run"]
    typer.echo("\n".join(run_told(ended)))


def reference(
    run: Annotated[str, typer.Argument(help="The run's id.")],
    board: Annotated[str, typer.Option(help="Kind of board; without it that of the run's job.")] = "",
    note: Annotated[str, typer.Option(help="Such as where the board came from.")] = "",
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Keep a run on a good board as reference: later runs on its kind of board are compared with it.

    Example: benchd procedure reference P261127-132312-b2c8 --board a2337
    """
    url = daemon(data_dir, config)
    with out.errors(daemon_link.DaemonSaid):
        body = {"board": board, "note": note}
        view = daemon_link.call(url, "POST", f"runs/{quote(run, safe='')}/reference", body)
    kept = view["run"]
    out.emit(view, f"{kept['title']} ({kept['id']}): reference for {view['reference']}", json_)


def _followed(url: str, id_: str, json_: bool) -> dict[str, Any]:
    """Tells what it does, and asks what it asks, until it has ended."""
    told = ""
    while True:
        seen: dict[str, Any] = daemon_link.call(url, "GET", f"runs/{id_}")
        now = seen.get("now")
        if now is None:
            run: dict[str, Any] = seen["run"]
            return run
        line = f"{now['doing']}: {now['told']['text']}" if now.get("told") else now["doing"]
        if line != told and not json_:
            typer.echo(line)
        told = line
        if now.get("question") and not json_:
            _asked(url, id_, now["question"])
        time.sleep(LOOK_S)


def _asked(url: str, id_: str, question: dict[str, Any]) -> None:
    """Where there is a terminal the question is put there; else it waits for `benchd procedure answer`."""
    if not sys.stdin.isatty():
        return
    hint = f" ({', '.join(question['choices'])})" if question.get("choices") else ""
    typed = typer.prompt(f"{question['text']}{hint}", default="yes" if question["kind"] == "ready" else None)
    if question["kind"] == "ready" and typed.strip().lower() not in ("yes", "y"):
        return  # it is asked again; Ctrl-C ends it
    try:
        value = True if question["kind"] == "ready" else procedure_set.answer(question, typed)
        _answer(url, id_, question["name"], value)
    except (ValueError, daemon_link.DaemonSaid) as error:
        typer.echo(f"benchd: {error}", err=True)  # it is asked again


def _cautions(card: dict[str, Any]) -> None:
    for caution in card["cautions"]:
        typer.echo(f"Mind: {caution}", err=True)
    if card["cautions"] and not (sys.stdin.isatty() and typer.confirm("Have you read this, and is it so?")):
        out.fail(f"procedure {card['name']}: not begun; say --yes when its cautions were read")


def _say(run: str, word: str, body: dict[str, Any], data_dir: Path | None, config: Path | None) -> None:
    url = daemon(data_dir, config)
    with out.errors(daemon_link.DaemonSaid):
        daemon_link.call(url, "POST", f"runs/{run}/{word}", body)


def daemon(data_dir: Path | None, config: Path | None) -> str:
    """The address of the daemon; ends the command where none runs."""
    url = daemon_link.daemon_url(job_cli.data_path(data_dir, config))
    if url is None:
        out.fail("no daemon runs here: start it with `benchd run`; only it drives supplies")
    return url


def _side(text: str, plan: str | None) -> dict[str, Any]:
    role, _, where = text.rpartition("=")
    supply, channel = place(where)
    return {"role": role or "main", "supply": supply, "channel": channel, **({"plan": plan} if plan else {})}
