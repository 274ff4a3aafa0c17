"""Plans, cards, checklists and supplies, edited on the page and written back to their files."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Query, Request
from starlette.responses import Response

from benchd.web.caller import caller_of
from benchd.web.description import shape
from benchd.web.files_port import BenchForm, FileChange, FileChecked, FileKind, FileRow, FilesPort, FileView
from benchd.web.settings_bodies import ChangesQuery, CheckQuery, FormBody, SeenQuery, TextBody
from benchd.web.shapes import answer

Name = Annotated[str, Path(min_length=1, max_length=64)]
Check = Annotated[CheckQuery, Query()]


def router(desk: FilesPort) -> APIRouter:
    """Routes over the desk. Who may ask is decided before: they are an operator's alone."""
    r = APIRouter(tags=["files"], prefix="/settings")

    @r.get("/files", responses=shape(FileRow, many="files"))
    async def files() -> Response:
        """All files that can be edited here, and the shipped ones, by kind and name."""
        return answer({"files": await desk.files()})

    @r.get("/files/{file}/{name}", responses=shape(FileView))
    async def one(file: FileKind, name: Name) -> Response:
        """A file: its text with secrets hidden, and what is wrong with it."""
        return answer(await desk.file(file, name))

    @r.put("/files/{file}/{name}", responses=shape(FileChecked))
    async def save(
        request: Request, file: FileKind, name: Name, text: Annotated[TextBody, Body()], q: Check
    ) -> Response:
        """Write a file as a whole, or say what is wrong with it; with `check` it is only looked at."""
        by = caller_of(request).name
        if q.check:
            return answer(await desk.check_file(file, name, text.text, by))
        return answer(_saved(await desk.save_file(file, name, text.text, text.seen, by)))

    @r.delete("/files/{file}/{name}", responses=shape(FileRow, many="files"))
    async def delete(request: Request, file: FileKind, name: Name, q: Annotated[SeenQuery, Query()]) -> Response:
        """Delete a file of one's own; a shipped one of its name is used again. Answers what there is."""
        await desk.delete_file(file, name, q.seen, caller_of(request).name)
        return answer({"files": await desk.files()})

    @r.get("/bench", responses=shape(BenchForm))
    async def form() -> Response:
        """The values of benchd.toml, secrets hidden, and what may be chosen."""
        return answer(await desk.bench_form())

    @r.put("/bench", responses=shape(FileChecked))
    async def save_form(request: Request, values: Annotated[FormBody, Body()], q: Check) -> Response:
        """Change benchd.toml, comments and layout kept; with `check` it is only looked at."""
        by = caller_of(request).name
        if q.check:
            return answer(await desk.check_form(values.values, by))
        return answer(_saved(await desk.save_form(values.values, values.seen, by)))

    @r.get("/changes", responses=shape(FileChange, many="changes"))
    async def changes(q: Annotated[ChangesQuery, Query()]) -> Response:
        """Who changed what and when, newest first."""
        found: list[Any] = await desk.changes(q.limit, q.file, q.name)
        return answer({"changes": found})

    return r


def _saved(view: FileView) -> FileChecked:
    return FileChecked([], view.warnings, view)
