"""`benchd plans`: what boards are powered with, and one's own plans."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import out
from benchd.cli.files_checked import AS, check_files

if TYPE_CHECKING:
    from benchd.plans.plan import Plan
    from benchd.plans.shelf import Found, Shelf

app = typer.Typer(
    help="Power plans: voltage, stages, limits and protections for kinds of boards.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


@app.command("list")
def list_(config: Annotated[Path | None, out.CONFIG] = None, json_: Annotated[bool, out.JSON] = False) -> None:
    """All plans, and where each stands. Example: benchd plans list"""
    shelf = _shelf(config)
    for found in shelf.all():
        plan = found.plan
        before = f", before the {found.overrides} one" if found.overrides else ""
        words = f"{plan.name}: {plan.voltage_v:g} V, {plan.limit_a:g} A ({found.origin}{before})"
        out.emit(_record(found), f"{words}  {plan.title}".rstrip(), json_)
    for fault in shelf.faults():
        typer.echo(f"benchd: {fault}", err=True)


@app.command()
def show(
    name: Annotated[str, typer.Argument(help="The plan's name.")],
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """A plan with all its keys and cautions. Example: benchd plans show phone-cell"""
    from benchd.plans.cautions import cautions

    shelf = _shelf(config)
    found = shelf.find(name)
    if found is None:
        out.fail(f"plan {name!r} is not there; there are: {', '.join(shelf.names())}")
    told = cautions(found.plan)
    out.emit({**_record(found), "cautions": told}, _text(found, told), json_)


@app.command()
def check(
    files: Annotated[list[Path], typer.Argument(help="Files of plans.")], json_: Annotated[bool, out.JSON] = False
) -> None:
    """Check files of plans, wherever they lie. Example: benchd plans check my-board.toml"""
    from benchd.plans.shelf import PlanError, read_plan

    check_files(files, read_plan, PlanError, json_)


@app.command()
def copy(
    name: Annotated[str, typer.Argument(help="The plan to begin with.")],
    as_: Annotated[str, AS] = "",
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Make a plan of your own from another, to edit. Example: benchd plans copy phone-cell --as my-phone"""
    from benchd.plans.shelf import PlanError

    with out.errors(PlanError):
        found = _shelf(config).copy(name, as_)
    out.emit(_record(found), f"{found.path}: edit it, with its source, then `benchd plans check {found.path}`", json_)


def find(name: str, config: Path | None) -> Plan | None:
    """The plan of that name, where there is one."""
    found = _shelf(config).find(name)
    return found.plan if found else None


def _shelf(config: Path | None) -> Shelf:
    """The plans of the settings named; where none are named and none there, those of the user and the shipped ones."""
    from benchd.plans.shelf import Shelf

    if config is None and not out.config_path(None).exists():
        import platformdirs

        return Shelf(platformdirs.user_data_path("benchd") / "plans")
    return out.settings(config).shelf


def _record(found: Found) -> dict[str, Any]:
    from benchd.plans.shelf import values_of

    return {
        "name": found.plan.name,
        "origin": found.origin,
        "overrides": found.overrides,
        "file": str(found.path) if found.path else None,
        "values": values_of(found.plan),
    }


def _text(found: Found, cautions: list[str]) -> str:
    from benchd.plans.shelf import FORMAT, values_of
    from benchd.plans.written import plan_text

    lines = [
        f"# {found.origin}: {found.path or 'benchd.toml'}",
        plan_text({"format": FORMAT, **values_of(found.plan)}).rstrip(),
        "",
    ]
    return "\n".join([*lines, *(f"# caution: {each}" for each in cautions)])
