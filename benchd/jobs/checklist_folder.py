"""Where checklists lie, and which of one name is used.

A list of one's own (`NAME.toml` in the folder `checklists` beside the log) stands before the shipped one of that name.
A file of one's own that cannot be used is named among the faults, and the shipped list of its name is used.
"""

from __future__ import annotations

import functools
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Literal, NamedTuple

from benchd.checked import Fault
from benchd.jobs.checklist import MOMENTS, NAME, NAME_WORDS, Checklist, checklist_of
from benchd.toml_file import FileFault, text_of, write
from benchd.whole_file import sync_folder

MOST_FILES = 100
"""So many lists in a folder are read at most. Our choice."""

Origin = Literal["own", "shipped"]


class Found(NamedTuple):
    """A checklist, and where it stands."""

    checklist: Checklist
    origin: Origin
    path: Path
    overrides: bool = False
    """It stands before a shipped one."""


class Lists(NamedTuple):
    """The checklists of a bench at one moment."""

    found: Sequence[Found]
    """In the order of their moments, then by name; those that are off among them."""
    faults: Sequence[str]
    """One sentence for each fault of a file that cannot be used, and what is used in its place."""

    def find(self, name: str) -> Found | None:
        """The list of that name that is used; None where there is none."""
        return next((each for each in self.found if each.checklist.name == name), None)

    def applying(self, board: str, device: str = "") -> list[Checklist]:
        """Those that a job has, by the kind of its board or by its device."""
        return [each.checklist for each in self.found if each.checklist.applies_to(board, device)]


class ChecklistFolder:
    """The checklists of a bench. Any thread may ask; writing is one at a time. Files are read anew each time."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._writing = threading.Lock()

    def read(self) -> Lists:
        """All lists as the files are now."""
        own: dict[str, Found] = {}
        told: list[str] = []
        for path in self._paths(told):
            try:
                read = checklist_of(text_of(path), path.stem, str(path))
                own[path.stem] = Found(read, "own", path, path.stem in shipped())
            except FileFault as error:
                instead = f"the shipped list {path.stem} is used" if path.stem in shipped() else "it is not used"
                told += [f"{line}; {instead}" for line in str(error).splitlines()]
        used = {**shipped(), **own}.values()
        return Lists(sorted(used, key=lambda f: (MOMENTS.index(f.checklist.moment), f.checklist.name)), told)

    def text(self, name: str) -> str:
        """The text of the list that is used, or of one's own file, usable or not. Raises FileFault."""
        path = self._path(name)
        if not path.exists() and name in shipped():
            path = shipped()[name].path
        return text_of(path)

    def check(self, name: str, text: str) -> Checklist:
        """The list that a text would make. Raises FileFault, one sentence a fault; nothing is written."""
        return checklist_of(text, name, str(self._path(name)))

    def save(self, name: str, text: str) -> Found:
        """Make or change a list of one's own. Raises FileFault, and then the file is as it was."""
        path = self._path(name)
        checked = self.check(name, text)
        with self._writing:
            write(path, text)
        return Found(checked, "own", path, name in shipped())

    def copy(self, name: str, new_name: str = "") -> Found:
        """Make a list of one's own from another, with the comments of its file. Raises FileFault."""
        import tomlkit  # only writers need a library that keeps comments

        new_name = new_name or name
        path, text = self._path(new_name), self.text(name)
        if path.exists():
            raise FileFault(str(path), [Fault("name", "it is there already; edit it, or choose another name")])
        self.check(name, text)
        document = tomlkit.parse(text)
        if "name" in document:
            document["name"] = new_name
        return self.save(new_name, tomlkit.dumps(document))

    def delete(self, name: str) -> None:
        """Delete a list of one's own, usable or not; the shipped one of its name is used again. Raises FileFault."""
        path = self._path(name)
        with self._writing:
            try:
                path.unlink()
            except FileNotFoundError:
                why = "there is none of your own of that name"
                if name in shipped():
                    why = "it is shipped with benchd and stays; one of your own of its name with off = true hides it"
                raise FileFault(f"checklist {name}", [Fault("name", why)]) from None
            except OSError as error:
                raise FileFault(str(path), [Fault("", f"cannot be deleted, so it is as it was: {error}")]) from error
            sync_folder(self.folder)

    def _path(self, name: str) -> Path:
        if not NAME.fullmatch(name):
            raise FileFault(f"checklist {name!r}", [Fault("name", f"name = {name!r}: {NAME_WORDS}")])
        return self.folder / f"{name}.toml"

    def _paths(self, told: list[str]) -> list[Path]:
        try:
            found = sorted(p for p in self.folder.iterdir() if p.suffix == ".toml" and not p.name.startswith("."))
        except FileNotFoundError:
            return []
        except OSError as error:
            told.append(f"{self.folder}: cannot be read: {error}; the shipped checklists are used")
            return []
        if len(found) > MOST_FILES:
            told.append(f"{self.folder}: {len(found)} checklists: only the first {MOST_FILES} by name are read")
        return found[:MOST_FILES]


@functools.cache
def shipped() -> dict[str, Found]:
    """The checklists that come with benchd, by name."""
    folder = Path(__file__).with_name("checklists")
    return {
        path.stem: Found(checklist_of(text_of(path), path.stem, str(path)), "shipped", path)
        for path in sorted(folder.glob("*.toml"))
    }
