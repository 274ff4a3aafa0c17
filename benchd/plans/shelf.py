"""Where power plans lie, and which of one name is used.

A plan of one's own (`NAME.toml` in the folder of plans) stands before one in benchd.toml, which stands before a shipped
one. A file of one's own that cannot be used is named by `faults`, and the next in line is used.

A plan's file says `format = 1`, then the keys of `Plan`. Its name is that of the file; where it says `name` too, the
two must agree.
"""

from __future__ import annotations

import functools
import stat
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, NamedTuple

from pydantic import ValidationError

from benchd.checked import Fault, faults
from benchd.plans.plan import NAME, Plan
from benchd.toml_file import MOST_BYTES, FileFault, placed, tables_of, text_of, write
from benchd.whole_file import sync_folder

FORMAT = 1

Origin = Literal["own", "settings", "shipped"]


class PlanError(FileFault):
    """A plan cannot be used, written or deleted. One line a fault: file, key, what was given, what is allowed."""


class Found(NamedTuple):
    """A plan, and where it stands."""

    plan: Plan
    origin: Origin
    overrides: Origin | Literal[""] = ""
    """The origin of the plan of the same name that this one stands before; empty: none."""
    path: Path | None = None
    """Its file; None: it stands in benchd.toml."""


class _Kept(NamedTuple):
    """What a file said when it was read, and by what a change of it shows."""

    stamp: tuple[int, int, int]
    said: Plan | PlanError


class Shelf:
    """All plans of a bench. Any thread may ask; writing is one at a time. Files are read again when they changed."""

    def __init__(self, own_dir: Path, in_settings: Sequence[Plan] = ()) -> None:
        self.own_dir = own_dir
        self._in_settings = {plan.name: plan for plan in in_settings}
        self._kept: dict[Path, _Kept] = {}
        self._writing = threading.Lock()

    def all(self) -> list[Found]:
        """Of each name the plan that is used, by name."""
        own = {path.stem: path for path, said in self._own().items() if isinstance(said, Plan)}
        names = {*own, *self._in_settings, *shipped()}
        return [found for name in sorted(names) if (found := self.find(name)) is not None]

    def find(self, name: str) -> Found | None:
        """The plan of that name that is used; None where there is none."""
        if not NAME.fullmatch(name):
            return None
        line = self._line(name)
        return line[0]._replace(overrides=line[1].origin if len(line) > 1 else "") if line else None

    def names(self) -> list[str]:
        """Of all plans that can be used."""
        return [found.plan.name for found in self.all()]

    def faults(self) -> list[str]:
        """One sentence for each fault of a file that cannot be used, and what is used in its place."""
        told = []
        for path, said in self._own().items():
            if isinstance(said, PlanError):
                next_one = self.find(path.stem)
                instead = f"the {next_one.origin} plan {path.stem} is used" if next_one else "it is not used"
                told += [f"{line}; {instead}" for line in str(said).splitlines()]
        return told

    def save(self, name: str, values: Mapping[str, Any]) -> Found:
        """Make a plan of one's own, or change one: `values` are all its keys. None leaves a key out.

        Comments of a file that is there are kept. Raises PlanError, and then the file is as it was.
        """
        path = self._path(name)
        checked = _checked(str(path), name, _without_none(values))
        with self._writing:
            self._write(path, checked, _text_of(path))
        return self._must(name)

    def text(self, name: str) -> str:
        """What the file of the plan of that name says, usable or not; of one in benchd.toml what it would say.

        Raises PlanError.
        """
        path = self._path(name)
        found = self.find(name)
        if path.exists() or found is None:
            return text_of(path, PlanError)
        from benchd.plans.written import plan_text

        own = {key: value for key, value in values_of(found.plan).items() if key != "name"}
        return _text_of(found.path) if found.path else plan_text({"format": FORMAT, **own})

    def save_text(self, name: str, text: str) -> Found:
        """Make a plan of one's own, or change one, by the whole text of its file. Raises PlanError."""
        path = self._path(name)
        plan_of(str(path), name, text)
        with self._writing:
            write(path, text, PlanError)
        return self._must(name)

    def copy(self, name: str, new_name: str = "") -> Found:
        """Make a plan of one's own from another, with the comments of its file. Raises PlanError."""
        source = self.find(name)
        if source is None:
            raise PlanError(f"plan {name}", [Fault("name", f"it is not there; there are: {', '.join(self.names())}")])
        path = self._path(new_name or name)
        with self._writing:
            if path.exists():
                raise PlanError(str(path), [Fault("name", "it is there already; edit it, or choose another name")])
            said = {key: value for key, value in values_of(source.plan).items() if key != "name"}
            checked = _checked(str(path), path.stem, said)
            self._write(path, checked, _text_of(source.path) if source.path else "")
        return self._must(path.stem)

    def delete(self, name: str) -> None:
        """Delete a plan of one's own, usable or not. Raises PlanError."""
        path = self._path(name)
        with self._writing:
            try:
                path.unlink()
            except FileNotFoundError:
                raise PlanError(f"plan {name}", [Fault("name", self._why_not_deleted(name))]) from None
            except OSError as error:
                raise PlanError(str(path), [Fault("", f"cannot be deleted, so it is as it was: {error}")]) from error
            sync_folder(self.own_dir)

    # ---- within --------------------------------------------------------------------------------------------------

    def _line(self, name: str) -> list[Found]:
        """The plans of that name, the one that is used first."""
        line = []
        path = self._path(name)
        said = self._read(path)
        if isinstance(said, Plan):
            line.append(Found(said, "own", path=path))
        if name in self._in_settings:
            line.append(Found(self._in_settings[name], "settings"))
        if name in shipped():
            line.append(shipped()[name])
        return line

    def _must(self, name: str) -> Found:
        found = self.find(name)
        if found is None:
            raise PlanError(f"plan {name}", [Fault("", "it was written, but is gone again: somebody deleted its file")])
        return found

    def _path(self, name: str) -> Path:
        if not NAME.fullmatch(name):
            allowed = "allowed are 1 to 32 of a-z, 0-9 and '-', starting and ending with a letter or digit"
            raise PlanError(f"plan {name!r}", [Fault("name", f"name = {name!r}: {allowed}")])
        return self.own_dir / f"{name}.toml"

    def _own(self) -> dict[Path, Plan | PlanError]:
        try:
            paths = sorted(p for p in self.own_dir.iterdir() if p.suffix == ".toml" and not p.name.startswith("."))
        except FileNotFoundError:
            return {}
        except OSError as error:
            return {self.own_dir: PlanError(str(self.own_dir), [Fault("", f"cannot be read: {error}")])}
        return {path: said for path in paths if (said := self._read(path)) is not None}

    def _read(self, path: Path) -> Plan | PlanError | None:
        """What a file says; None where there is none."""
        try:
            now = path.stat()
        except (FileNotFoundError, NotADirectoryError):
            self._kept.pop(path, None)
            return None
        except OSError as error:
            return PlanError(str(path), [Fault("", f"cannot be read: {error}")])
        if not stat.S_ISREG(now.st_mode):  # a pipe would keep us waiting
            return PlanError(str(path), [Fault("", "is not a file; a plan's name stands for something else here")])
        stamp = (now.st_mtime_ns, now.st_size, now.st_ino)
        kept = self._kept.get(path)
        if kept is None or kept.stamp != stamp:
            try:
                kept = _Kept(stamp, read_plan(path))
            except PlanError as error:
                kept = _Kept(stamp, error)
            self._kept[path] = kept
        return kept.said

    def _write(self, path: Path, values: dict[str, Any], before: str) -> None:
        from benchd.plans.written import plan_text  # only writers need a library that keeps comments

        write(path, plan_text(values, before), PlanError)

    def _why_not_deleted(self, name: str) -> str:
        match self.find(name):
            case Found(origin="shipped"):
                return "it is shipped with benchd and stays; only plans of your own can be deleted"
            case Found(origin="settings"):
                return "it stands in benchd.toml: take it out there"
        return "there is none of your own of that name"


@functools.cache
def shipped() -> dict[str, Found]:
    """The plans that come with benchd, by name."""
    folder = Path(__file__).with_name("shipped")
    return {path.stem: Found(read_plan(path), "shipped", path=path) for path in sorted(folder.glob("*.toml"))}


def read_plan(path: Path) -> Plan:
    """The plan in a file. Raises PlanError."""
    return plan_of(str(path), path.stem, text_of(path, PlanError))


def plan_of(where: str, name: str, text: str) -> Plan:
    """The plan that the text of a file says; `where` stands for the file in errors. Raises PlanError."""
    return _plan(where, name, tables_of(text, where, FORMAT, PlanError))


def values_of(plan: Plan) -> dict[str, Any]:
    """The plan's keys as in its file: those that were given, None left out."""
    return plan.model_dump(mode="json", exclude_unset=True, exclude_none=True)


def _without_none(values: Mapping[str, Any]) -> dict[str, Any]:
    return {k: _without_none(v) if isinstance(v, Mapping) else v for k, v in values.items() if v is not None}


def _checked(where: str, name: str, values: Mapping[str, Any]) -> dict[str, Any]:
    """The keys for a file, name and format in front. Raises PlanError."""
    return {"format": FORMAT, **values_of(_plan(where, name, values))}


def _plan(where: str, name: str, values: Mapping[str, Any]) -> Plan:
    """Raises PlanError."""
    said = dict(values)
    form = said.pop("format", FORMAT)
    if form != FORMAT or isinstance(form, bool):
        text = f"format = {form!r}: this version of benchd reads format {FORMAT}"
        raise PlanError(where, [Fault("format", text)])
    if (own_name := said.setdefault("name", name)) != name:
        text = f"name = {own_name!r}: the plan is called {name}, by its file; change one of the two"
        raise PlanError(where, [Fault("name", text)])
    try:
        return Plan.model_validate({"name": said.pop("name"), **said})
    except ValidationError as error:
        raise PlanError(where, [placed(fault) for fault in faults(error, Plan)]) from None


def _text_of(path: Path) -> str:
    """What stands in a plan's file, for its comments; empty where that cannot be had."""
    try:
        # newline="": a file with CR LF keeps them.
        with path.open(encoding="utf-8", newline="") as file:
            return file.read(MOST_BYTES)
    except (OSError, UnicodeDecodeError):
        return ""
