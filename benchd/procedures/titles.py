"""What the parameters of a shipped card are called, for those who only tell of its runs.

Read by itself: to read and check all cards takes as long as all else of a report.
"""

from __future__ import annotations

import functools
import tomllib
from pathlib import Path
from typing import NamedTuple

from benchd.procedures.record import Run

FOLDER = Path(__file__).with_name("shipped")


class Titled(NamedTuple):
    """One parameter. `choice`: its value is one of the card's words, and nothing that a person typed."""

    title: str
    unit: str
    choice: bool


def titles_of(run: Run) -> dict[str, Titled]:
    """Of the card that it was run by, by name of the parameter; empty where that is none of the shipped ones as they
    are now: somebody's own card may mean something else by the same name."""
    return _read(run.card).get((run.title, run.version), {})


@functools.cache
def _read(card: str) -> dict[tuple[str, int], dict[str, Titled]]:
    file = next((each for each in FOLDER.glob("*.toml") if each.stem == card), None)
    if file is None:
        return {}
    read = tomllib.loads(file.read_text("utf-8"))
    titles = {
        name: Titled(each["title"], each.get("unit", ""), each.get("kind") == "choice")
        for name, each in read.get("parameter", {}).items()
    }
    return {(read["title"], read["version"]): titles}
