"""A folder of small TOML files that people write, beside shipped ones: which of one name is used.

One of a person's own (`NAME.toml` in the folder) stands before the shipped one of that name. A file of one's own that
cannot be used is named among the faults, and the shipped one of its name is used.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Generic, Literal, NamedTuple, TypeVar

from benchd.checked import Fault
from benchd.toml_file import FileFault, text_of, write
from benchd.whole_file import sync_folder

T = TypeVar("T")
MOST_FILES = 100
"""So many files in a folder are read at most. Our choice."""

Origin = Literal["own", "shipped"]


class Kept(NamedTuple, Generic[T]):
    """One that is used, and where it stands."""

    card: T
    origin: Origin
    path: Path
    overrides: bool = False
    """It stands before a shipped one."""


class All(NamedTuple, Generic[T]):
    """All of a folder at one moment."""

    found: Sequence[Kept[T]]
    """In their order, then by name."""
    faults: Sequence[str]
    """One sentence for each fault of a file that cannot be used, and what is used in its place."""
    names: Mapping[str, Kept[T]]

    def find(self, name: str) -> Kept[T] | None:
        """The one of that name that is used; None where there is none."""
        return self.names.get(name)


class TomlFolder(Generic[T]):
    """Any thread may ask; writing is one at a time. Files are read anew each time.

    `what`: the word for one of them. `read_one`: text, name and place to what it describes; raises FileFault.
    `check_name`: raises FileFault for what can be no name. `shipped`: those that come with benchd, by name.
    `order`: what they are sorted by before their names. `instead`: said where a shipped one is to be deleted.
    """

    def __init__(
        self,
        folder: Path,
        what: str,
        read_one: Callable[[str, str, str], T],
        check_name: Callable[[str], None],
        shipped: Callable[[], Mapping[str, Kept[T]]],
        order: Callable[[T], int] = lambda _: 0,
        instead: str = "",
    ) -> None:
        self.folder = folder
        self._what = what
        self._read_one = read_one
        self._check_name = check_name
        self._shipped = shipped
        self._order = order
        self._instead = instead
        self._writing = threading.Lock()

    def read(self) -> All[T]:
        """All as the files are now."""
        shipped = self._shipped()
        used: dict[str, Kept[T]] = dict(shipped)
        told: list[str] = []
        for path in self._paths(told):
            try:
                used[path.stem] = Kept(
                    self._read_one(text_of(path), path.stem, str(path)), "own", path, path.stem in shipped
                )
            except FileFault as error:
                instead = f"the shipped {self._what} {path.stem} is used" if path.stem in shipped else "it is not used"
                told += [f"{line}; {instead}" for line in str(error).splitlines()]
        names = dict(sorted(used.items(), key=lambda each: (self._order(each[1].card), each[0])))
        return All(list(names.values()), told, names)

    def text(self, name: str) -> str:
        """The text of the one that is used, or of one's own file, usable or not. Raises FileFault."""
        path = self._path(name)
        if not path.exists() and name in self._shipped():
            path = self._shipped()[name].path
        return text_of(path)

    def check(self, name: str, text: str) -> T:
        """What a text would make. Raises FileFault, one sentence a fault; nothing is written."""
        return self._read_one(text, name, str(self._path(name)))

    def save(self, name: str, text: str) -> Kept[T]:
        """Make or change one of one's own. Raises FileFault, and then the file is as it was."""
        path = self._path(name)
        checked = self.check(name, text)
        with self._writing:
            write(path, text)
        return Kept(checked, "own", path, name in self._shipped())

    def copy(self, name: str, new_name: str = "") -> Kept[T]:
        """Make one of one's own from another, with the comments of its file. Raises FileFault."""
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
        """Delete one of one's own, usable or not; the shipped one of its name is used again. Raises FileFault."""
        path = self._path(name)
        with self._writing:
            try:
                path.unlink()
            except FileNotFoundError:
                why = "there is none of your own of that name"
                if name in self._shipped():
                    why = f"it is shipped with benchd and stays{self._instead}"
                raise FileFault(f"{self._what} {name}", [Fault("name", why)]) from None
            except OSError as error:
                raise FileFault(str(path), [Fault("", f"cannot be deleted, so it is as it was: {error}")]) from error
            sync_folder(self.folder)

    def _path(self, name: str) -> Path:
        self._check_name(name)
        return self.folder / f"{name}.toml"

    def _paths(self, told: list[str]) -> list[Path]:
        try:
            found = sorted(p for p in self.folder.iterdir() if p.suffix == ".toml" and not p.name.startswith("."))
        except FileNotFoundError:
            return []
        except OSError as error:
            told.append(f"{self.folder}: cannot be read: {error}; those that come with benchd are used")
            return []
        if len(found) > MOST_FILES:
            told.append(f"{self.folder}: {len(found)} files: only the first {MOST_FILES} by name are read")
        return found[:MOST_FILES]
