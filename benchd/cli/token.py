"""`benchd token`: tokens for people who use the page or the API from elsewhere, and who is signed in now."""

from __future__ import annotations

from enum import Enum
from pathlib import Path
from typing import Annotated
from urllib.parse import quote

import typer

from benchd.cli import daemon_link, out
from benchd.cli.job import data_path

app = typer.Typer(
    help="Make a token for somebody; see who is signed in, and sign out.", no_args_is_help=True, rich_markup_mode=None
)


class RoleWord(Enum):
    """What somebody may do."""

    VIEWER = "viewer"
    OPERATOR = "operator"


ROLE = typer.Option("--role", help="viewer: look, and switch off; operator: everything.")
DATA_DIR = typer.Option(help="Folder of the log; without it the settings say.")


@app.command()
def new(
    name: Annotated[str, typer.Argument(help="Who it is for: the journal says this name.")],
    role: Annotated[RoleWord, ROLE],
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Make a token and print it, this once. Example: benchd token new anna --role operator

    benchd keeps no token: the lines that go into the settings file have its hash only. It is good from the daemon's
    next start on.
    """
    from benchd.settings_web import Token
    from benchd.tokens import hash_of, new_token

    try:
        Token.checked_name(name)
    except ValueError as e:
        out.fail(f"NAME = {name!r}: {e}", 2)
    token = new_token()
    lines = toml(name, role.value, hash_of(token))
    out.emit(
        {"name": name, "role": role.value, "token": token, "hash": hash_of(token), "settings": lines},
        f"The token, shown this once; give it to {name} and keep it nowhere else:\n\n  {token}\n\n"
        f"Into the settings file, then start benchd anew:\n\n{lines}",
        json_,
    )


def toml(name: str, role: str, hashed: str) -> str:
    """The table for the settings file."""
    import tomlkit

    table = tomlkit.table()
    for key, value in (("name", name), ("role", role), ("hash", hashed)):
        table.add(key, value)
    return "[[web.token]]\n" + table.as_string().rstrip("\n")


@app.command("signed-in")
def signed_in(
    data_dir: Annotated[Path | None, DATA_DIR] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Who is signed in at the running daemon. Example: benchd token signed-in"""
    url = running(data_dir, config)
    with out.errors(daemon_link.DaemonSaid):
        there = daemon_link.call(url, "GET", "sessions")["sessions"]
    for one in there:
        out.emit(one, f"{one['id']}  {one['name']}  {one['role']}{', paired' if one['paired'] else ''}", json_)
    if not there and not json_:
        typer.echo("nobody is signed in")


@app.command("sign-out")
def sign_out(
    id: Annotated[str, typer.Argument(help="As `benchd token signed-in` lists it.")],
    data_dir: Annotated[Path | None, DATA_DIR] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """End somebody's session: a phone that was lost. Example: benchd token sign-out 1f0a9c3e"""
    url = running(data_dir, config)
    with out.errors(daemon_link.DaemonSaid):
        ended = daemon_link.call(url, "DELETE", f"sessions/{quote(id, safe='')}")
    out.emit(ended, f"{ended['name']} is signed out, and the pages of that session are closed", json_)


def running(data_dir: Path | None, config: Path | None) -> daemon_link.DaemonUrl:
    """The daemon that is asked; ends the command when there is none."""
    folder = data_path(data_dir, config)
    url = daemon_link.daemon_url(folder)
    if url is None:
        out.fail(f"no daemon runs with its log in {folder}: `benchd run` starts it")
    return url
