"""`benchd supplies`: what is connected."""

from __future__ import annotations

from typing import Annotated

import typer

from benchd.cli import out


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
        out.emit(record, "  ".join(str(v) for v in record.values() if v), json_)
    if not found and not json_:
        typer.echo("nothing found on USB, serial or GPIB; a supply on the network is named by its address:")
        typer.echo('  resource = "TCPIP0::ADDRESS::5025::SOCKET"')
    out.emit({"profiles": profile_names()}, "profiles: " + ", ".join(profile_names()), json_)
