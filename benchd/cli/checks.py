"""`benchd checks`: checklists, one's own checklists, and how those of a job stand."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import job as job_cli
from benchd.cli import job_step, out
from benchd.cli.files_checked import AS, check_files

if TYPE_CHECKING:
    from benchd.jobs.checklist import Checklist
    from benchd.jobs.ticks import TickState
    from benchd.store.log import Log
    from benchd.toml_folder import Kept, TomlFolder

app = typer.Typer(
    help="Checklists: before power, before a storage chip comes off, after the repair.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
SIGNS = {"open": "[ ]", "done": "[x]", "not-needed": "[-]"}


@app.command("list")
def list_(
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """All checklists, and where each stands. Example: benchd checks list"""
    lists = _folder(data_dir, config).read()
    for found in lists.found:
        out.emit(_record(found), _line(found), json_)
    for fault in lists.faults:
        typer.echo(f"benchd: {fault}", err=True)


@app.command()
def show(
    name: Annotated[str, typer.Argument(help="The list's name.")],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """A checklist as its file has it. Example: benchd checks show before-power"""
    from benchd.toml_file import FileFault

    folder = _folder(data_dir, config)
    found = folder.read().find(name)
    if found is None:
        there = ", ".join(folder.read().names)
        out.fail(f"checklist {name!r} is not there, or cannot be used; there are: {there}")
    with out.errors(FileFault):
        out.emit(_record(found), f"# {found.origin}: {found.path}\n{folder.text(name).rstrip()}", json_)


@app.command()
def check(
    files: Annotated[list[Path], typer.Argument(help="Files of checklists; steps.toml is taken as kinds of steps.")],
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Check files, wherever they lie. Example: benchd checks check my-closing.toml"""
    from benchd.jobs.checklist import checklist_of
    from benchd.jobs.steps import step_file_of
    from benchd.toml_file import FileFault, text_of

    def read(path: Path) -> object:
        if path.name == "steps.toml":
            return step_file_of(text_of(path), str(path))
        return checklist_of(text_of(path), path.stem, str(path))

    check_files(files, read, FileFault, json_)


@app.command()
def copy(
    name: Annotated[str, typer.Argument(help="The list to begin with.")],
    as_: Annotated[str, AS] = "",
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Make a list of your own from another, to edit. Example: benchd checks copy after-repair --as closing-audio"""
    from benchd.toml_file import FileFault

    with out.errors(FileFault):
        found = _folder(data_dir, config).copy(name, as_)
    out.emit(_record(found), f"{found.path}: edit it, then `benchd checks check {found.path}`", json_)


@app.command("of")
def of(
    id: Annotated[str | None, typer.Argument(help="The job; without it the one on the bench.")] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """How the checklists of a job stand. Example: benchd checks of R-1042"""
    import msgspec

    from benchd.store.step_entries import StepError, job_of, states_of

    lists = _folder(data_dir, config).read()
    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log, out.errors(StepError):
        found = states_of(log, job_of(log, job_step.job_of(log, id)), lists)
    for each in found:
        out.emit(msgspec.to_builtins(each), _standing(msgspec.to_builtins(each)), json_)


@app.command()
def tick(
    list_name: Annotated[str, typer.Argument(metavar="LIST", help="The list's name, as `benchd checks of` shows it.")],
    item: Annotated[str, typer.Argument(help="The item's name.")],
    not_needed: Annotated[bool, typer.Option("--not-needed", help="This device needs it not.")] = False,
    open_: Annotated[bool, typer.Option("--open", help="It is open again.")] = False,
    note: Annotated[str, typer.Option(help="What there is to say.")] = "",
    id: Annotated[str | None, job_step.JOB] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Tick an item of a job's list. Example: benchd checks tick before-power esd"""
    from benchd.web.step_bodies import TickBody

    if not_needed and open_:
        out.fail("--not-needed and --open: give one of them", 2)
    state: TickState = "open" if open_ else "not-needed" if not_needed else "done"
    body = job_cli.checked(TickBody, {"state": state, "note": note})

    def write(log: Log) -> Any:
        from benchd.store.step_entries import tick

        lists = _folder(data_dir, config).read()
        return tick(log, job_step.job_of(log, id), lists, list_name, item, state, note=note, by=job_step.BY)

    folder = job_cli.data_path(data_dir, config)
    ticked = job_step.changed(folder, id, "PUT", f"checklists/{list_name}/{item}", body, write)
    out.emit(ticked, _standing(ticked), json_)


def _folder(data_dir: Path | None, config: Path | None) -> TomlFolder[Checklist]:
    from benchd.jobs.checklist_folder import checklist_folder

    return checklist_folder(job_cli.data_path(data_dir, config) / "checklists")


def _record(found: Kept[Checklist]) -> dict[str, Any]:
    made = found.card.model_dump(mode="json")
    return {**made, "origin": found.origin, "overrides": found.overrides, "file": str(found.path)}


def _line(found: Kept[Checklist]) -> str:
    each = found.card
    boards = f", for {' '.join(each.for_boards)}" if each.for_boards else ""
    before = ", before the shipped one" if found.overrides else ""
    said = f"{each.moment}, {len(each.item)} items{boards} ({found.origin}{before}{', off' if each.off else ''})"
    return f"{each.name}: {each.title}: {said}"


def _standing(told: dict[str, Any]) -> str:
    """A list of a job as lines."""
    lines = [f"{told['id']}: {told['label']}: {told['open']} open"]
    for item in told["items"]:
        note = f": {item['note']}" if item["note"] else ""
        retired = " (stands in no list any more)" if item["retired"] else ""
        lines.append(f"  {SIGNS[item['state']]} {item['id']}: {item['label']}{note}{retired}")
    return "\n".join(lines)
