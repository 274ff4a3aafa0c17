"""Plans, cards, checklists and supplies, edited on the page and written back to their files."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any, NoReturn

import msgspec

from benchd.daemon.bench import Bench
from benchd.daemon.bench_file import BenchFile, said
from benchd.daemon.core import Core
from benchd.daemon.file_changes import KINDS, What, change_of, payload, version_of
from benchd.daemon.file_kinds import ERRORS, CardKind, ChecklistKind, Kind, PlanKind, ProcedureKind, Said, StepsKind
from benchd.daemon.step_desk import StepDesk
from benchd.hidden import HiddenError
from benchd.jobs.checklist import NAME, NAME_WORDS
from benchd.jobs.job import JournalEntry
from benchd.procedures.card import Card
from benchd.procedures.shelf import FOLDER, procedure_folder
from benchd.settings_edit import Placed, Read, defaults
from benchd.store.log import Log
from benchd.supplies.profile import profile_names
from benchd.toml_edit import EditError
from benchd.toml_folder import TomlFolder
from benchd.web.files_port import BenchForm, FileChange, FileChecked, FileFault, FileKind, FileRow, FileView
from benchd.web.port import Refused

BENCH = "benchd"
"""The name of the one file of the kind `supplies`."""
LOOKED_AT = 200
"""Changes among which that of a file is looked for, to tell whether it was changed by hand since."""


class FilesDesk:
    """Implements `benchd.web.files_port.FilesPort`. Lives in the event loop; `config`: the settings file, if any."""

    def __init__(
        self,
        core: Core,
        bench: Bench,
        steps: StepDesk,
        config: Path | None = None,
        procedures: TomlFolder[Card] | None = None,
    ) -> None:
        self._core = core
        self._bench = bench
        self._file = BenchFile(config, core.settings)
        self._kinds: dict[str, Kind] = {
            "plan": PlanKind(core.plans.shelf),
            "card": CardKind(core.cards),
            "checklist": ChecklistKind(steps.lists),
            "steps": StepsKind(steps.steps),
            "procedure": ProcedureKind(procedures or procedure_folder(core.settings.data_path / FOLDER)),
        }
        self._one_at_a_time = asyncio.Lock()
        self._has_file = config is not None

    # ---- reading -------------------------------------------------------------------------------------------------

    async def files(self) -> list[FileRow]:
        """See `FilesPort.files`."""
        rows = await asyncio.to_thread(lambda: [row for kind in self._kinds.values() for row in kind.rows()])
        return [*(await asyncio.to_thread(self._bench_row)), *rows]

    def _bench_row(self) -> list[FileRow]:
        if not self._has_file:
            return []
        faults = [each.text for each in self._file.read(self._file.text()).faults]
        return [FileRow("supplies", BENCH, self._file.path.name, "own", False, faults)]

    async def file(self, kind: FileKind, name: str) -> FileView:
        """See `FilesPort.file`."""
        if kind == "supplies":
            self._named_bench(name)
            return await self._bench_view()
        there = await asyncio.to_thread(self._said, kind, name)
        if there is None:
            raise Refused("not-found", f"{kind} {name!r} is not there")
        faults = await asyncio.to_thread(self._kinds[kind].faults, name, there.text) if there.origin == "own" else []
        by_hand = there.origin == "own" and await self._by_hand(kind, name, there.text)
        version = version_of(there.text)
        return FileView(kind, name, there.origin, there.text, version, True, False, by_hand, _shown(faults), [])

    async def _bench_view(self) -> FileView:
        def look() -> tuple[str, str, Read]:
            text = self._file.text()
            return text, self._hidden(text), self._file.read(text)

        text, hidden, read = await asyncio.to_thread(look)
        by_hand = await self._by_hand("supplies", BENCH, text)
        return FileView(
            "supplies", BENCH, "own", hidden, version_of(text), False, self._file.pending(read), by_hand,
            _shown(read.faults), read.warnings,
        )  # fmt: skip

    async def bench_form(self) -> BenchForm:
        """See `FilesPort.bench_form`."""
        view = await self._bench_view()
        broken = any("not valid TOML" in each.text for each in view.faults)
        values = None if broken else await asyncio.to_thread(said, view.text)
        plans = await asyncio.to_thread(self._core.plans.shelf.names)
        return BenchForm(
            values, defaults(), profile_names(), plans, view.version, view.pending, view.by_hand, view.faults,
            view.warnings,
        )  # fmt: skip

    async def changes(self, limit: int, kind: FileKind | None, name: str | None) -> list[FileChange]:
        """See `FilesPort.changes`."""
        asked = limit if kind is None and name is None else max(limit, LOOKED_AT)

        def look(db: Log) -> list[FileChange]:
            found = [change_of(entry) for entry in reversed(db.journal(limit=asked, kinds=KINDS))]
            return [c for c in found if kind in (None, c.file) and name in (None, c.name)][:limit]

        return await self._bench.read(look)

    async def _by_hand(self, kind: FileKind, name: str, text: str) -> bool:
        try:
            entries = await self._bench.read(lambda db: db.journal(limit=LOOKED_AT, kinds=KINDS))
        except Refused:  # a log that is down does not keep a file from being read
            return False
        mine = (e.payload for e in reversed(entries) if (_kind(e), e.payload.get("name")) == (kind, name))
        return next(mine, {}).get("version") not in (None, version_of(text))

    # ---- checking ------------------------------------------------------------------------------------------------

    async def check_file(self, kind: FileKind, name: str, text: str, by: str) -> FileChecked:
        """See `FilesPort.check_file`."""
        if kind == "supplies":
            self._named_bench(name)
            return await self._checked(lambda present: self._file.whole(text, present), by)
        self._right_name(kind, name)
        return FileChecked(_shown(await asyncio.to_thread(self._kinds[kind].faults, name, text)), [])

    async def check_form(self, values: dict[str, Any], by: str) -> FileChecked:
        """See `FilesPort.check_form`."""
        return await self._checked(lambda present: self._file.with_values(values, present), by)

    async def _checked(self, made: Callable[[str], str], by: str) -> FileChecked:
        def check() -> Read:
            present = self._file.text()
            return self._looked_at(made(present), present, by)

        try:
            read = await asyncio.to_thread(check)
        except (HiddenError, EditError) as error:
            return FileChecked([FileFault("", str(error), None)], [])
        return FileChecked(_shown(read.faults), read.warnings)

    def _looked_at(self, text: str, present: str, by: str) -> Read:
        """What is wrong with a text, and with who changes it so."""
        read = self._file.read(text)
        return read._replace(faults=self._file.allowed(text, present, by) + read.faults)

    # ---- writing -------------------------------------------------------------------------------------------------

    async def save_file(self, kind: FileKind, name: str, text: str, seen: str | None, by: str) -> FileView:
        """See `FilesPort.save_file`."""
        if kind == "supplies":
            self._named_bench(name)
            return await self._save_bench(lambda present: self._file.whole(text, present), seen, by)
        self._right_name(kind, name)
        async with self._one_at_a_time:
            before = await asyncio.to_thread(self._said, kind, name)
            await self._not_stale(kind, name, seen, version_of(before.text) if before else "")
            if before and "\r\n" in before.text and "\r\n" not in text:  # a field of a page knows only one kind
                text = text.replace("\n", "\r\n")
            await self._write(kind, name, text, before, by)
        return await self.file(kind, name)

    async def _write(self, kind: FileKind, name: str, text: str, before: Said | None, by: str) -> None:
        if faults := await asyncio.to_thread(self._kinds[kind].faults, name, text):
            _refuse(faults)
        plan = await asyncio.to_thread(self._core.plans.shelf.find, name) if kind == "plan" else None
        try:
            await asyncio.to_thread(self._kinds[kind].write, name, text)
        except ERRORS as error:
            raise Refused("wrong-state", _told(error)) from None
        if kind == "plan":
            await self._bench.plan_changed(name, plan, by)
        else:
            what: What = "changed" if before and before.origin == "own" else "made"
            await self._enter(kind, name, what, before.text if before else "", text, by)

    async def save_form(self, values: dict[str, Any], seen: str | None, by: str) -> FileView:
        """See `FilesPort.save_form`."""
        return await self._save_bench(lambda present: self._file.with_values(values, present), seen, by)

    async def _save_bench(self, made: Callable[[str], str], seen: str | None, by: str) -> FileView:
        async with self._one_at_a_time:
            present = await asyncio.to_thread(self._file.text)
            await self._not_stale("supplies", BENCH, seen, version_of(present))
            try:
                text = await asyncio.to_thread(made, present)
            except (HiddenError, EditError) as error:
                raise Refused("out-of-range", str(error)) from None
            if faults := (await asyncio.to_thread(self._looked_at, text, present, by)).faults:
                _refuse(faults)
            if text != present:
                await asyncio.to_thread(self._file.write, text)
                await self._enter("supplies", BENCH, "changed", present, text, by)
        return await self._bench_view()

    async def delete_file(self, kind: FileKind, name: str, seen: str | None, by: str) -> None:
        """See `FilesPort.delete_file`."""
        if kind == "supplies":
            raise Refused("wrong-state", "benchd.toml stays: a bench does not start without it")
        async with self._one_at_a_time:
            before = await asyncio.to_thread(self._said, kind, name)
            if before is None:
                raise Refused("not-found", f"{kind} {name!r} is not there")
            await self._not_stale(kind, name, seen, version_of(before.text))
            plan = await asyncio.to_thread(self._core.plans.shelf.find, name) if kind == "plan" else None
            try:
                await asyncio.to_thread(self._kinds[kind].delete, name)
            except ERRORS as error:
                raise Refused("wrong-state", f"{kind} {name}: {_told(error)}") from None
            if kind == "plan":
                await self._bench.plan_changed(name, plan, by)
            else:
                await self._enter(kind, name, "deleted", before.text, "", by)

    # ---- within --------------------------------------------------------------------------------------------------

    def _said(self, kind: str, name: str) -> Said | None:
        if not NAME.fullmatch(name):
            return None
        try:
            return self._kinds[kind].said(name)
        except ERRORS as error:
            raise Refused("wrong-state", f"{kind} {name}: {_told(error)}") from None

    def _hidden(self, text: str) -> str:
        try:
            return self._file.hidden(text)
        except HiddenError as error:
            raise Refused("wrong-state", str(error)) from None

    async def _not_stale(self, kind: FileKind, name: str, seen: str | None, version: str) -> None:
        if seen is not None and seen != version:
            now = msgspec.to_builtins(await self.file(kind, name)) if version else {"text": "", "version": ""}
            raise Refused("stale", f"{kind} {name} was changed meanwhile: look at what stands there now", now)

    async def _enter(self, kind: FileKind, name: str, what: What, before: str, after: str, by: str) -> None:
        """What is done is done: where the journal cannot take it, that is told and the file stays changed."""

        def told() -> dict[str, Any]:
            hide = self._hidden if kind == "supplies" else str
            said = payload(kind, name, what, hide(before), hide(after), by)
            return said | {"version": version_of(after)}

        try:
            # In a thread: of long texts that differ much, what differs takes seconds to find.
            entry = await asyncio.to_thread(told)
            await self._bench.write(lambda db: db.add_entry("files", payload=entry))
        except Refused as refused:
            self._core.alarm(f"{kind} {name} was changed by {by}, and the journal did not take it: {refused.message}")
        self._core.event("files", {"file": kind, "name": name})

    def _named_bench(self, name: str) -> None:
        if name != BENCH:
            raise Refused("not-found", f"the settings of this bench are called {BENCH}, not {name!r}")

    def _right_name(self, kind: str, name: str) -> None:
        if not NAME.fullmatch(name):
            raise Refused("out-of-range", f"{kind} name {name!r}: {NAME_WORDS}")


def _kind(entry: JournalEntry) -> str:
    return "plan" if entry.kind == "plan" else str(entry.payload.get("file", ""))


def _shown(faults: list[Placed]) -> list[FileFault]:
    return [FileFault(each.key, each.text, each.line) for each in faults]


def _refuse(faults: list[Placed]) -> NoReturn:
    told = (f"line {each.line}: {each.text}" if each.line else each.text for each in faults)
    raise Refused("out-of-range", "\n".join(told))


def _told(error: Exception) -> str:
    """One sentence a fault; where the file lies is nothing that a page needs."""
    return "\n".join(each.text for each in error.faults) if isinstance(error, ERRORS) else str(error)
