"""Where cards lie: those of one's own in the folder `procedures` beside the log, and the shipped ones."""

from __future__ import annotations

import functools
from pathlib import Path

from benchd.checked import Fault
from benchd.jobs.checklist import NAME, NAME_WORDS
from benchd.procedures.card import Card, card_of
from benchd.toml_file import FileFault, text_of
from benchd.toml_folder import Kept, TomlFolder

FOLDER = "procedures"


def procedure_folder(folder: Path) -> TomlFolder[Card]:
    """The cards of a bench. `folder`: where those of one's own lie."""
    return TomlFolder(folder, "procedure", card_of, _check_name, shipped)


def _check_name(name: str) -> None:
    if not NAME.fullmatch(name):
        raise FileFault(f"procedure {name!r}", [Fault("name", f"name = {name!r}: {NAME_WORDS}")])


@functools.cache
def shipped() -> dict[str, Kept[Card]]:
    """The cards that come with benchd, by name."""
    folder = Path(__file__).with_name("shipped")
    return {
        path.stem: Kept(card_of(text_of(path), path.stem, str(path)), "shipped", path)
        for path in sorted(folder.glob("*.toml"))
    }
