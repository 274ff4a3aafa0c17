"""`benchd procedure`: bench procedures, their cards, and what came of their runs. Running one: `procedure_run`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import job as job_cli
from benchd.cli import out
from benchd.cli.files_checked import AS, check_files

if TYPE_CHECKING:
    from benchd.procedures.card import Card
    from benchd.procedures.parameter import Parameter
    from benchd.toml_folder import Kept, TomlFolder

app = typer.Typer(
    help="Bench procedures: leads, shorts, leaks, sleep, low battery, USB, cycles.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command("list")
def list_(
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """All procedures. Example: benchd procedure list"""
    found = folder(data_dir, config).read()
    for kept in found.found:
        own = " (own)" if kept.origin == "own" else ""
        out.emit(_record(kept), f"{kept.card.name:16} {kept.card.title}{own}", json_)
    for fault in found.faults:
        typer.echo(f"benchd: {fault}", err=True)


@app.command()
def show(
    name: Annotated[str, typer.Argument(help="The procedure's name.")],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """What a procedure is for, what it wants to know, and what to mind. Example: benchd procedure show find-short"""
    kept = card_named(name, data_dir, config)
    out.emit(_record(kept), "\n".join(_told(kept)), json_)


@app.command()
def check(
    files: Annotated[list[Path], typer.Argument(help="Files of cards.")],
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Check cards, wherever they lie. Example: benchd procedure check my-leak.toml"""
    from benchd.procedures.card import card_of
    from benchd.toml_file import FileFault, text_of

    check_files(files, lambda path: card_of(text_of(path), path.stem, str(path)), FileFault, json_)


@app.command()
def copy(
    name: Annotated[str, typer.Argument(help="The card to begin with.")],
    as_: Annotated[str, AS] = "",
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Make a card of your own from another, to edit. Example: benchd procedure copy leak-curve --as my-leak"""
    from benchd.toml_file import FileFault

    with out.errors(FileFault):
        kept = folder(data_dir, config).copy(name, as_)
    out.emit(_record(kept), f"{kept.path}: edit it, then `benchd procedure check {kept.path}`", json_)


@app.command()
def results(
    run: Annotated[str | None, typer.Argument(help="A run's id; without it all runs are listed.")] = None,
    job: Annotated[str | None, typer.Option(help="Only of this job.")] = None,
    card: Annotated[str | None, typer.Option(help="Only of this procedure.")] = None,
    limit: Annotated[int, typer.Option(min=1, max=1000)] = 20,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """What came of runs, newest first. Example: benchd procedure results --job R-1042"""
    import msgspec

    from benchd.store.procedure_rows import run_of, runs

    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        found = [run_of(log, run)] if run is not None else list(runs(log, job, card, limit))
    if found == [None]:
        out.fail(f"run {run!r} is not in this log; `benchd procedure results` lists them")
    for each in found:
        assert each is not None
        record = msgspec.to_builtins(each)
        text = (
            "\n".join(run_told(record)) if run is not None else f"{each.id}  {each.title}: {each.outcome}. {each.text}"
        )
        out.emit(record, text, json_)


def run_told(run: dict[str, Any]) -> list[str]:
    """A run with its results, line by line."""
    told = [f"{run['title']} ({run['id']}): {run['outcome']}. {run['text']}"]
    told += [f"  {result['title']}: {_figure(result)}" for result in run["results"]]
    return told + ([run["compared"]] if run.get("compared") else [])


def _figure(result: dict[str, Any]) -> str:
    from benchd.traces.trip_words import quantity

    value, verdict = result["value"], f" ({result['verdict']})" if result.get("verdict") else ""
    if value is None:
        return f"not known{verdict}"
    if isinstance(value, str):
        return f"{value}{verdict}"
    if result.get("low") is not None:
        ends = f"95 %: {result['low']:.3g} to {result['high']:.3g}"
        return f"{value:.3g} {result['unit']} ({ends}){verdict}".replace("  ", " ")
    return f"{quantity(value, result['unit'], result.get('u'))}{verdict}"


def folder(data_dir: Path | None, config: Path | None) -> TomlFolder[Card]:
    """The cards of the bench."""
    from benchd.procedures.shelf import FOLDER, procedure_folder

    return procedure_folder(job_cli.data_path(data_dir, config) / FOLDER)


def card_named(name: str, data_dir: Path | None, config: Path | None) -> Kept[Card]:
    """The card of that name; ends the command where there is none."""
    found = folder(data_dir, config).read()
    kept = found.find(name)
    if kept is None:
        out.fail(f"procedure {name!r} is not there, or cannot be used; there are: {', '.join(found.names)}")
    return kept


def _record(kept: Kept[Card]) -> dict[str, Any]:
    return {
        "name": kept.card.name,
        "title": kept.card.title,
        "version": kept.card.version,
        "origin": kept.origin,
        "path": str(kept.path),
        "what": kept.card.what,
        "cautions": list(kept.card.cautions),
        "sides": {role: side.title for role, side in kept.card.sides.items()},
        "parameters": {name: each.model_dump(exclude_none=True) for name, each in kept.card.parameter.items()},
    }


def _told(kept: Kept[Card]) -> list[str]:
    card = kept.card
    told = [f"{card.title} ({card.name}, version {card.version}, {kept.origin})", card.what, "", "Sides:"]
    told += [
        f"  {role}: {side.title}, {side.text}{f' (plan {side.plan})' if side.plan else ''}"
        for role, side in card.sides.items()
    ]
    told.append("Parameters (--set NAME=VALUE):")
    for name, parameter in card.parameter.items():
        unit = f" in {parameter.unit}" if parameter.unit else ""
        told.append(f"  {name}: {parameter.title}{unit}; {'; '.join(_may_be(parameter))}")
    return [*told, "Mind:", *(f"  {caution}" for caution in card.cautions)]


def _may_be(parameter: Parameter) -> Iterator[str]:
    yield _default(parameter)
    ends = [f"{word} {end:g}" for word, end in (("from", parameter.low), ("to", parameter.high)) if end is not None]
    if ends:
        yield " ".join(ends)
    if parameter.choices:
        yield f"one of: {', '.join(parameter.choices)}"
    if parameter.kind == "bool":
        yield "yes or no"


def _default(parameter: Parameter) -> str:
    from benchd.procedures.parameter import Chosen, Worked

    default = parameter.default
    if default is None:
        return "may be left out" if parameter.optional else "has to be given"
    if isinstance(default, Worked | Chosen):
        return f"default {default.told(unit=parameter.unit)}"
    if isinstance(default, bool):
        return f"default {'yes' if default else 'no'}"
    return f"default {default if isinstance(default, str) else format(default, 'g')}"


PLACE = re.compile(r"(?P<supply>[^/]+)/(?P<channel>[0-9]{1,2})")


def place(text: str) -> tuple[str, int]:
    """SUPPLY/CHANNEL; ends the command for anything else."""
    found = PLACE.fullmatch(text)
    if found is None:
        out.fail(f"{text!r}: an output is named as SUPPLY/CHANNEL, such as psu-a/1", 2)
    return found["supply"], int(found["channel"])
