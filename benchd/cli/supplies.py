"""`benchd supplies`: what is connected, what it can do, and its block for the settings."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from benchd.cli import out, supplies_accept, supplies_try

if TYPE_CHECKING:
    from benchd.settings import Settings
    from benchd.supplies.discovery import Found


class ListsByItself(TyperGroup):
    """`benchd supplies` without one of its commands is `benchd supplies list`."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        if not args or (args[0] not in self.commands and args[0] != "--help"):
            args = ["list", *args]
        return super().parse_args(ctx, args)


app = typer.Typer(
    cls=ListsByItself,
    rich_markup_mode=None,
    help="List what may be connected; ask who it is; write it into the settings. Options: benchd supplies list --help",
)
app.command("try")(supplies_try.try_)
app.command("accept")(supplies_accept.accept)

IDENTIFY = typer.Option(
    "--identify",
    help="Ask each who it is: only *IDN? and the like, never a set command. Opening a serial port may restart "
    "what is no instrument (3D printers, microcontrollers), so it is only done on request.",
)
WRITE = typer.Option(
    "--write",
    help="Add a [[supply]] block to the settings file for each of the named resources, or, with none named, "
    "for each supply that has a profile made for it. Includes --identify.",
)
BAUD = typer.Option(
    "--baud", metavar="RATE,...", help="Rates to ask serial ports at. Bytes at a wrong rate may disturb a device."
)
LIBRARY = typer.Option("--visa-library", help="PyVISA backend: @py, or @ivi for the installed library.")


@app.command("list")
def list_(
    resource: Annotated[
        list[str] | None,
        typer.Argument(help="Supplies by VISA resource name too, as for a LAN supply that does not announce itself."),
    ] = None,
    identify: Annotated[bool, IDENTIFY] = False,
    only: Annotated[
        bool,
        typer.Option("--only", help="Nothing but the named resources. So it is with --write and named resources."),
    ] = False,
    baud: Annotated[str, BAUD] = "9600",
    all_bauds: Annotated[
        bool, typer.Option("--all-bauds", help="Every rate that a profile names; the same caution.")
    ] = False,
    visa_library: Annotated[str, LIBRARY] = "@py",
    write: Annotated[bool, WRITE] = False,
    name: Annotated[str, typer.Option("--name", help="With --write and one supply: its name.")] = "",
    profile: Annotated[str, typer.Option("--profile", help="With --write: this profile; it must fit.")] = "",
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """List VISA resources, serial ports, USB-TMC instruments and those that announce themselves on the network.

    Example: benchd supplies --identify TCPIP0::192.0.2.5::5025::SOCKET
    """
    from benchd.cli import supplies_text
    from benchd.supplies.discovery import find_supplies, known_bauds
    from benchd.supplies.profile import profile_names

    bauds = known_bauds() if all_bauds else _bauds(baud)
    if write:
        _check_file(out.config_path(config))
    settings = _settings(config, missing_is_fine=write)
    own_bauds = _own_bauds(settings)
    identify = identify or write
    only = bool(resource) and (only or write)
    found = find_supplies(
        identify,
        list(resource or ()) if only else [*(resource or ()), *own_bauds],
        library=visa_library,
        bauds=bauds,
        lock_dir=_lock_dir() if identify else None,
        own_bauds=own_bauds,
        only_given=only,
    )
    for item in found:
        warnings = supplies_text.warnings(item, settings)
        out.emit(supplies_text.record(item, warnings), supplies_text.lines(item, warnings), json_)
    if not found and not json_:
        typer.echo("nothing found; a supply on the network that does not announce itself is named by its address:")
        typer.echo("  benchd supplies --identify TCPIP0::ADDRESS::5025::SOCKET")
    if write:
        _write(found, tuple(resource or ()), out.config_path(config), name, profile, json_)
    else:
        out.emit({"profiles": profile_names()}, "profiles: " + ", ".join(profile_names()), json_)


def _write(found: list[Found], wanted: tuple[str, ...], path: Path, name: str, profile: str, as_json: bool) -> None:
    from benchd.cli.supplies_write import WriteError, write_supplies

    with out.errors(WriteError):
        added, passed_over = write_supplies(path, found, wanted, name, profile)
    for supply in added:
        out.emit({"wrote": supply, "file": str(path)}, f"{path}: supply {supply} added", as_json)
    for text in passed_over:
        out.emit({"not_written": text, "file": str(path)}, f"not written: {text}", as_json)


def _check_file(path: Path) -> None:
    from benchd.cli.supplies_write import WriteError, check_file

    with out.errors(WriteError):
        check_file(path)


def _own_bauds(settings: Settings | None) -> dict[str, int]:
    """The resources in the settings, and the rate of each."""
    from benchd.supplies.discovery import DEFAULT_BAUD
    from benchd.supplies.profile import ProfileError, load_profile

    rates = {}
    for supply in settings.supply if settings else ():
        rates[supply.resource] = supply.baud_rate or DEFAULT_BAUD
        with contextlib.suppress(ProfileError):
            rates[supply.resource] = supply.baud_rate or load_profile(supply.profile).link.serial.baud_rate
    return rates


def _bauds(text: str) -> tuple[int, ...]:
    try:
        rates = tuple(int(part) for part in text.split(","))
    except ValueError:
        rates = ()
    if not rates or not all(300 <= rate <= 4_000_000 for rate in rates):
        out.fail(f"--baud {text!r}: allowed are rates of 300 to 4000000 baud with commas, as 9600,115200", 2)
    return rates


def _settings(config: Path | None, missing_is_fine: bool) -> Settings | None:
    """The settings, to compare with what is found. A file that was not asked for and is not there is no fault."""
    from benchd.settings import SettingsError, load

    path = out.config_path(config)
    if (config is None or missing_is_fine) and not path.exists():
        return None
    try:
        return load(path)
    except SettingsError as error:
        typer.echo(f"benchd: the settings are not compared: {error}", err=True)
        return None


def _lock_dir() -> Path:
    from benchd.daemon.run import StartError, lock_dir

    with out.errors(StartError):
        return lock_dir()
