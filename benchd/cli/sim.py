"""`benchd sim`: the simulated supply in a process of its own."""

from __future__ import annotations

import typer


def sim(context: typer.Context) -> None:
    """A simulated supply of the family asked for, with boards on its outputs. Options: benchd sim --help"""
    from benchd.sim import command

    raise typer.Exit(command.main(context.args))
