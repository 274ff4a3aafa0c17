"""`benchd supplies accept`: the operator's consent to a supply that is driven by an unverified profile."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Annotated, Any

import typer

from benchd.cli import daemon_link, out


def accept(
    name: Annotated[str, typer.Argument(help="The supply's name in the settings.")],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask; the text is printed all the same.")] = False,
    who: Annotated[str, typer.Option("--who", help="For the log; without it the user's name here.")] = "",
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Consent, once, to the unverified profile of a supply, so that the running daemon may switch it on.

    Switches nothing. Another model or a changed profile is asked about again. Example: benchd supplies accept left
    """
    folder = out.settings(config).data_path
    url = daemon_link.daemon_url(folder)
    if url is None:
        out.fail(f"no daemon runs for the log in {folder}: start `benchd run`, which asks the supply who it is")
    with out.errors(daemon_link.DaemonSaid):
        supply = _supply(daemon_link.call(url, "GET", "bench"), name)
        record = {"supply": name, "profile": supply["profile"], "model": supply["model"], "trust": supply["trust"]}
        if not supply["consent_key"]:
            text = f"supply {name}: profile {supply['profile']} needs no consent, or it was given before"
            out.emit({**record, "accepted": False, "needed": False}, text, json_)
            return
        typer.echo(f"supply {name}: {supply['consent_text']}", err=json_)
        if not yes and not typer.confirm("Consent to that?", err=True):
            out.fail("nothing was consented to; the output stays off")
        body = {"key": supply["consent_key"], "who": (who or _user())[:64]}
        daemon_link.call(url, "POST", f"supplies/{name}/consent", body)
    told = f"supply {name}: consent is kept in the log; at the first power-on have no board connected"
    out.emit({**record, "accepted": True, "needed": True}, told, json_)


def _supply(bench: dict[str, Any], name: str) -> dict[str, Any]:
    channels = [c for c in bench["channels"] if c["supply"] == name]
    if not channels:
        names = ", ".join(dict.fromkeys(c["supply"] for c in bench["channels"]))
        out.fail(f"no supply {name!r} on this bench; there are: {names}")
    found: dict[str, Any] = channels[0]
    if not found["trust"]:
        out.fail(f"supply {name} has not been reached yet, so nobody knows what it is: {found['link_text']}")
    return found


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no such user in this container
        return ""
