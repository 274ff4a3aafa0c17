"""`benchd pair`: a phone or tablet is let in by a picture on the screen."""

from __future__ import annotations

import io
import sys
from pathlib import Path
from typing import Annotated
from urllib.parse import quote

import typer

from benchd.cli import daemon_link, out
from benchd.cli.token import DATA_DIR, ROLE, RoleWord, running

WHITE_ON_BLACK, AS_BEFORE = "\033[97;40m", "\033[0m"
"""ECMA-48, 8.3.117 (SGR); the bright white is common practice."""


def pair(
    role: Annotated[RoleWord, ROLE] = RoleWord.VIEWER,
    name: Annotated[str, typer.Option(help="What the journal calls it.")] = "phone",
    data_dir: Annotated[Path | None, DATA_DIR] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """A code, also as a QR code, that lets one phone in, once. Example: benchd pair --role operator --name tablet

    Point the phone's camera at it. The code is good for some minutes, and stands behind the # of the address: no
    server or proxy writes that down.
    """
    url = running(data_dir, config)
    with out.errors(daemon_link.DaemonSaid):
        made = daemon_link.call(url, "POST", "pairings", {"name": name, "role": role.value})
    links = [f"{address}sign-in#code={quote(made['code'])}" for address in made["addresses"]]
    if not links:
        out.fail(
            "this machine knows no address of its own in a network: give one by which phones reach it as `names` in "
            "the settings' [web]"
        )
    how = f"lets one {role.value} in, once, within {made['seconds'] / 60:.0f} minutes"
    others = "".join(f"\nor: {link}" for link in links[1:])
    out.emit(
        {**made, "links": links},
        f"{picture(links[0])}\n{links[0]}{others}\n\nor type the code {made['code']} on the page's sign-in. It {how}.",
        json_,
    )


def picture(text: str) -> str:
    """A QR code of half blocks, for a terminal; dark on light whatever the terminal's colours are."""
    import segno

    drawn = io.StringIO()
    segno.make(text, error="m", micro=False).terminal(out=drawn, compact=True)
    lines = drawn.getvalue().rstrip("\n").splitlines()
    return (
        "\n".join(f"{WHITE_ON_BLACK}{line}{AS_BEFORE}" for line in lines) if sys.stdout.isatty() else "\n".join(lines)
    )
