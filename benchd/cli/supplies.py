"""`benchd supplies`: what is connected."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli import out

if TYPE_CHECKING:
    from benchd.supplies.discovery import Found


def supplies(
    resource: Annotated[
        list[str] | None,
        typer.Argument(help="Network supplies too, by resource name: they do not announce themselves."),
    ] = None,
    identify: Annotated[
        bool, typer.Option("--identify", help="Ask each for *IDN? (never sends a set command).")
    ] = False,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """List VISA resources and serial ports, and the driver profiles.

    Example: benchd supplies --identify TCPIP0::192.0.2.5::5025::SOCKET
    """
    import dataclasses

    from benchd.supplies.discovery import find_supplies
    from benchd.supplies.profile import profile_names

    found = find_supplies(identify, tuple(resource or ()))
    for item in found:
        record = dataclasses.asdict(item)
        out.emit(record, _line(item), json_)
    if not found and not json_:
        typer.echo("nothing found on USB, serial or GPIB; a supply on the network is named by its address:")
        typer.echo('  resource = "TCPIP0::ADDRESS::5025::SOCKET"')
    out.emit({"profiles": profile_names()}, "profiles: " + ", ".join(profile_names()), json_)


def _line(found: Found) -> str:
    fitting = f"profiles that fit: {', '.join(found.profiles)}" if found.profiles else ""
    # A fault begins with the place it is about, which stands in front already.
    said = [found.description, found.usb, found.identity, fitting, found.text.removeprefix(f"{found.resource} ")]
    return "  ".join([found.resource, *filter(None, said)])
