"""Where checklists lie: those of one's own in the folder `checklists` beside the log, and the shipped ones."""

from __future__ import annotations

import functools
from pathlib import Path

from benchd.checked import Fault
from benchd.jobs.checklist import MOMENTS, NAME, NAME_WORDS, Checklist, checklist_of
from benchd.toml_file import FileFault, text_of
from benchd.toml_folder import All, Kept, TomlFolder

Lists = All[Checklist]
"""The checklists of a bench, in the order of their moments, then by name; those that are off among them."""


def checklist_folder(folder: Path) -> TomlFolder[Checklist]:
    """The checklists of a bench. `folder`: where those of one's own lie."""
    return TomlFolder(
        folder, "checklist", checklist_of, _check_name, shipped,
        order=lambda each: MOMENTS.index(each.moment),
        instead="; one of your own of its name with off = true hides it",
    )  # fmt: skip


def applying(lists: Lists, board: str, device: str = "") -> list[Checklist]:
    """Those that a job has, by the kind of its board or by its device."""
    return [each.card for each in lists.found if each.card.applies_to(board, device)]


def _check_name(name: str) -> None:
    if not NAME.fullmatch(name):
        raise FileFault(f"checklist {name!r}", [Fault("name", f"name = {name!r}: {NAME_WORDS}")])


@functools.cache
def shipped() -> dict[str, Kept[Checklist]]:
    """The checklists that come with benchd, by name."""
    folder = Path(__file__).with_name("checklists")
    return {
        path.stem: Kept(checklist_of(text_of(path), path.stem, str(path)), "shipped", path)
        for path in sorted(folder.glob("*.toml"))
    }
