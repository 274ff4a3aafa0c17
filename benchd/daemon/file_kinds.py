"""The kinds of files that are edited on the page, each in the same shape: listed, read, checked, written, deleted."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from benchd.checked import Fault
from benchd.jobs.checklist import Checklist
from benchd.jobs.checklist_folder import shipped as checklists
from benchd.jobs.steps import StepsFile
from benchd.plans.shelf import PlanError, plan_of
from benchd.plans.shelf import Shelf as Plans
from benchd.procedures.card import Card
from benchd.procedures.shelf import shipped as procedures
from benchd.settings_edit import Placed, with_lines
from benchd.toml_file import FileFault
from benchd.toml_folder import TomlFolder
from benchd.traces import cards
from benchd.traces.cards import CardError, CardFolder
from benchd.web.files_port import FileKind, FileOrigin, FileRow

ERRORS = (PlanError, CardError, FileFault)
"""What the rooms raise, each with its `faults`."""

STEPS = """\
# Kinds of steps of this bench, beside those that come with benchd.
format = 1
# first = ["cleaned", "my-step"]   # offered first, in this order
# hide = ["reballed"]              # shipped ones that are not offered

# [[step]]
# id = "my-step"                   # its name in the journal: keep it when the words change
# label = "Baked"                  # on the button: a word or two, in the past
# ask = "How long, at how many °C?"
# details = ["2 h at 80 °C"]       # answers to choose from
# plain = "We dried the board."    # the same for the owner, in the report
"""
"""What a new file begins with."""


class Said(NamedTuple):
    """What a file says, and where it stands."""

    text: str
    origin: FileOrigin


class Kind(ABC):
    """One kind of files, for any thread. What its room refuses is raised as one of `ERRORS`."""

    @abstractmethod
    def rows(self) -> list[FileRow]:
        """All files of it."""

    @abstractmethod
    def said(self, name: str) -> Said | None:
        """The file of that name, usable or not; a shipped one where there is none of one's own; None: neither."""

    @abstractmethod
    def refuse(self, name: str, text: str) -> None:
        """Raise where a text cannot be a file of that name."""

    @abstractmethod
    def write(self, name: str, text: str) -> None:
        """Write it, whole or not at all."""

    @abstractmethod
    def delete(self, name: str) -> None:
        """Delete one's own."""

    def faults(self, name: str, text: str) -> list[Placed]:
        """What is wrong with a text, each with its line."""
        try:
            self.refuse(name, text)
        except ERRORS as error:
            return with_lines(error.faults, text)
        return []


class PlanKind(Kind):
    """Power plans of one's own, shipped ones, and those in benchd.toml."""

    def __init__(self, shelf: Plans) -> None:
        self._shelf = shelf

    def rows(self) -> list[FileRow]:
        """See `Kind`."""
        rows = {
            found.plan.name: FileRow("plan", found.plan.name, found.plan.title, found.origin, bool(found.overrides), [])
            for found in self._shelf.all()
        }
        return _with_faults("plan", rows, self._shelf.faults())

    def said(self, name: str) -> Said | None:
        """See `Kind`."""
        found = self._shelf.find(name)
        if (self._shelf.own_dir / f"{name}.toml").exists():
            return Said(self._shelf.text(name), "own")
        return None if found is None else Said(self._shelf.text(name), found.origin)

    def refuse(self, name: str, text: str) -> None:
        """See `Kind`."""
        plan_of(name, name, text)

    def write(self, name: str, text: str) -> None:
        """See `Kind`."""
        self._shelf.save_text(name, text)

    def delete(self, name: str) -> None:
        """See `Kind`."""
        self._shelf.delete(name)


class CardKind(Kind):
    """Signature cards."""

    def __init__(self, folder: CardFolder) -> None:
        self._folder = folder

    def rows(self) -> list[FileRow]:
        """See `Kind`."""
        shelf = self._folder.shelf()
        rows = {
            found.card.id: FileRow("card", found.card.id, found.card.title, found.origin, found.overrides, [])
            for found in shelf.all()
        }
        return _with_faults("card", rows, shelf.faults())

    def said(self, name: str) -> Said | None:
        """See `Kind`."""
        if self._folder.has_own(name):
            return Said(self._folder.text(name), "own")
        return Said(self._folder.text(name), "shipped") if name in cards.shipped() else None

    def refuse(self, name: str, text: str) -> None:
        """See `Kind`."""
        self._folder.check(name, text)

    def write(self, name: str, text: str) -> None:
        """See `Kind`."""
        self._folder.save(name, text)

    def delete(self, name: str) -> None:
        """See `Kind`."""
        self._folder.delete(name)


class ChecklistKind(Kind):
    """Checklists."""

    def __init__(self, folder: TomlFolder[Checklist]) -> None:
        self._folder = folder

    def rows(self) -> list[FileRow]:
        """See `Kind`."""
        lists = self._folder.read()
        rows = {}
        for each in lists.found:
            name, own = each.card.name, each.origin == "own"
            over = own and name in checklists()
            rows[name] = FileRow("checklist", name, each.card.title, each.origin, over, [])
        return _with_faults("checklist", rows, lists.faults)

    def said(self, name: str) -> Said | None:
        """See `Kind`."""
        if (self._folder.folder / f"{name}.toml").exists():
            return Said(self._folder.text(name), "own")
        return Said(self._folder.text(name), "shipped") if name in checklists() else None

    def refuse(self, name: str, text: str) -> None:
        """See `Kind`."""
        self._folder.check(name, text)

    def write(self, name: str, text: str) -> None:
        """See `Kind`."""
        self._folder.save(name, text)

    def delete(self, name: str) -> None:
        """See `Kind`."""
        self._folder.delete(name)


class ProcedureKind(Kind):
    """Cards of procedures."""

    def __init__(self, folder: TomlFolder[Card]) -> None:
        self._folder = folder

    def rows(self) -> list[FileRow]:
        """See `Kind`."""
        found = self._folder.read()
        rows = {
            each.card.name: FileRow("procedure", each.card.name, each.card.title, each.origin, each.overrides, [])
            for each in found.found
        }
        return _with_faults("procedure", rows, found.faults)

    def said(self, name: str) -> Said | None:
        """See `Kind`."""
        if (self._folder.folder / f"{name}.toml").exists():
            return Said(self._folder.text(name), "own")
        return Said(self._folder.text(name), "shipped") if name in procedures() else None

    def refuse(self, name: str, text: str) -> None:
        """See `Kind`."""
        self._folder.check(name, text)

    def write(self, name: str, text: str) -> None:
        """See `Kind`."""
        self._folder.save(name, text)

    def delete(self, name: str) -> None:
        """See `Kind`."""
        self._folder.delete(name)


class StepsKind(Kind):
    """The one file of kinds of steps, called `steps`."""

    def __init__(self, file: StepsFile) -> None:
        self._file = file

    def rows(self) -> list[FileRow]:
        """See `Kind`."""
        own = self._file.path.exists()
        rows = {"steps": FileRow("steps", "steps", "Kinds of steps", "own" if own else "shipped", own, [])}
        return _with_faults("steps", rows, self._file.read().faults)

    def said(self, name: str) -> Said | None:
        """See `Kind`. Of a file that is not there: what one begins with."""
        if name != "steps":
            return None
        text = self._file.text()
        return Said(text, "own") if text else Said(STEPS, "shipped")

    def refuse(self, name: str, text: str) -> None:
        """See `Kind`."""
        if name != "steps":
            raise FileFault(name, [Fault("", f"{name}: kinds of steps stand in one file, which is called steps")])
        self._file.check(text)

    def write(self, name: str, text: str) -> None:
        """See `Kind`."""
        self.refuse(name, text)
        self._file.save(text)

    def delete(self, name: str) -> None:
        """See `Kind`."""
        self._file.delete()


def _with_faults(kind: FileKind, rows: Mapping[str, FileRow], faults: Sequence[str]) -> list[FileRow]:
    """The rows by name, with what is wrong with files; those that cannot be used have rows too. No folder is told."""
    out = dict(rows)
    for told in faults:
        where, _, words = told.partition(".toml: ")
        name = Path(where).name
        if words:
            out.setdefault(name, FileRow(kind, name, "", "own", False, [])).faults.append(words)
    return [out[name] for name in sorted(out)]
