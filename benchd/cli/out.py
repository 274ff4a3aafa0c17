"""What the commands share: printing, ending with an error, and finding the settings."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NoReturn

import typer

if TYPE_CHECKING:
    from benchd.settings import Settings

CONFIG = typer.Option(
    "--config", "-c", help="Settings file; without it $BENCHD_CONFIG, then ./benchd.toml, then the user's own."
)
JSON = typer.Option("--json", help="One JSON object a line.")


def emit(record: dict[str, Any], text: str, as_json: bool) -> None:
    """One result: the record as a JSON line, or the text."""
    typer.echo(json.dumps(record, separators=(",", ":"), allow_nan=False) if as_json else text)
    sys.stdout.flush()


def fail(message: str, status: int = 1) -> NoReturn:
    """End with the message on standard error."""
    typer.echo(f"benchd: {message}", err=True)
    raise typer.Exit(status)


def config_path(given: Path | None) -> Path:
    """The settings file to use."""
    if given is not None:
        return given
    if named := os.environ.get("BENCHD_CONFIG"):
        return Path(named)
    here = Path("benchd.toml")
    if here.exists():
        return here
    import platformdirs

    return platformdirs.user_config_path("benchd") / "benchd.toml"


def settings(given: Path | None) -> Settings:
    """The checked settings; ends the command with all faults when they are wrong."""
    from benchd.settings import SettingsError, load

    path = config_path(given)
    if given is None and "BENCHD_CONFIG" not in os.environ and not path.exists():
        fail(f"no benchd.toml in this folder, and no {path}: `benchd config example > benchd.toml` writes one to begin "
             "with, --config names one elsewhere", 2)  # fmt: skip
    try:
        return load(path)
    except SettingsError as e:
        fail(str(e), 2)


@contextmanager
def errors(*kinds: type[Exception]) -> Iterator[None]:
    """Turn the named errors into one line and exit status 1."""
    try:
        yield
    except kinds as e:
        fail(str(e))


def picture_kind(file: Path) -> Literal["svg", "png"]:
    """What kind of picture a file of this name is; ends the command for others."""
    match file.suffix.lower():
        case ".svg":
            return "svg"
        case ".png":
            return "png"
    fail(f"{file}: pictures are written as .svg or .png", 2)


def write(file: Path, content: bytes) -> None:
    """Write a file; ends the command when that cannot be."""
    try:
        file.write_bytes(content)
    except OSError as e:
        fail(f"{file}: cannot be written: {e}")
