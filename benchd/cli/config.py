"""`benchd config`: check a settings file, or print a commented one to begin with."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from benchd.cli import out

app = typer.Typer(help="Check the settings, or print a commented example.", no_args_is_help=True, rich_markup_mode=None)


@app.command()
def example(json_: Annotated[bool, out.JSON] = False) -> None:
    """Print a commented settings file. Example: benchd config example > benchd.toml"""
    text = example_text()
    out.emit({"example": text}, text.rstrip("\n"), json_)


@app.command()
def check(config: Annotated[Path | None, out.CONFIG] = None, json_: Annotated[bool, out.JSON] = False) -> None:
    """Check a settings file and the driver profiles it names. Example: benchd config check -c benchd.toml"""
    from benchd.settings import SettingsError, load
    from benchd.settings_fit import missing_folders, plan_warnings, unfit, unread_secrets
    from benchd.web import admitted

    path = out.config_path(config)
    faults: list[str] = []
    warnings: list[str] = []
    try:
        settings = load(path)
        faults += [
            f"{path}: {fault}" for fault in unfit(settings) + unread_secrets(settings) + admitted.faults(settings.web)
        ]
        warnings += plan_warnings(settings, settings.shelf) + missing_folders(settings)
        warnings += filter(None, [admitted.in_the_clear(settings.web)])
    except SettingsError as e:
        faults += str(e).splitlines()
    record: dict[str, Any] = {"file": str(path), "ok": not faults, "faults": faults, "warnings": warnings}
    if json_:
        out.emit(record, "", True)
    elif faults:
        out.fail("\n".join(faults), 2)
    else:
        typer.echo("\n".join([f"{path}: in order", *(f"warning: {each}" for each in warnings)]))
    if faults:
        raise typer.Exit(2)


def example_text() -> str:
    """The commented example, as shipped."""
    return (Path(__file__).parent / "example.toml").read_text("utf-8")
