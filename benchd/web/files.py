"""The page's files: served from the installed package, or from the checkout it is developed in.

They are kept in memory, as they are and squeezed: a page asks for some sixty of them at once, and each that is opened
and squeezed anew keeps the first numbers waiting.
"""

from __future__ import annotations

import asyncio
import gzip
import hashlib
import mimetypes
import os
from collections.abc import Mapping
from dataclasses import dataclass
from email.utils import formatdate
from pathlib import Path

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse, Response
from starlette.staticfiles import NotModifiedResponse, StaticFiles
from starlette.types import Scope

import benchd

SUFFIXES = {".html", ".css", ".js", ".svg", ".png", ".webmanifest"}
"""What the page is made of. Lock files, licences and whatever an editor leaves behind are not served."""
PAGES = {"/": "index.html", "/benches": "benches.html", "/sign-in": "access/sign-in.html"}
"""Addresses without a suffix, and their files. Files are shown to anybody: nothing of the bench stands in them."""

SMALL = 1024
"""Bytes: what is smaller is not worth the time to squeeze it."""
DENSE = {".png"}
"""Is squeezed already."""


def web_root() -> Path:
    """The folder with the page."""
    package = Path(benchd.__file__).parent
    installed = package / "share" / "web"
    return installed if installed.is_dir() else package.parent / "dashboards" / "web"


@dataclass(frozen=True)
class _Form:
    """A file as it is sent: plain or squeezed."""

    data: bytes
    headers: Mapping[str, str]


@dataclass(frozen=True)
class _Kept:
    """A file in memory."""

    file: str
    stamp: tuple[int, int]
    plain: _Form
    squeezed: _Form | None

    def is_current(self) -> bool:
        """Whether the file is still as it was read; in a checkout it changes while the page is worked on."""
        try:
            return _stamp(os.stat(self.file)) == self.stamp
        except OSError:
            return False


def _stamp(found: os.stat_result) -> tuple[int, int]:
    return found.st_mtime_ns, found.st_size


class Files(StaticFiles):
    """The page, read-only. Anything that is not one of its files is not found, by any method. `first`: which file is
    meant where none is named.

    Squeezed for whoever can read that. The API is not: what was sent and what is secret may stand side by side there,
    and sizes would tell (the BREACH attack); and live messages are small.
    """

    def __init__(self, root: Path, first: str = "index.html") -> None:
        super().__init__(directory=root, check_dir=False)
        self._there = (root / first).is_file()
        named = {address.lstrip("/") or ".": file for address, file in PAGES.items()}
        self._named = {**named, ".": first}
        self._kept: dict[str, _Kept] = {}

    async def get_response(self, path: str, scope: Scope) -> Response:
        """A file, or not found."""
        if not self._there:
            return PlainTextResponse("The page's files were not installed; the API under /api/v1 works.", 503)
        path = self._named.get(path, path)
        if scope["method"] not in ("GET", "HEAD") or Path(path).suffix not in SUFFIXES:
            raise HTTPException(404)
        kept = self._kept.get(path)
        if kept is None or not kept.is_current():
            kept = await asyncio.to_thread(self._read, path)
            self._kept[path] = kept
        asked = Headers(scope=scope)
        form = kept.squeezed if kept.squeezed and "gzip" in asked.get("accept-encoding", "") else kept.plain
        answer = Response(b"" if scope["method"] == "HEAD" else form.data, headers=form.headers)
        return NotModifiedResponse(answer.headers) if self.is_not_modified(answer.headers, asked) else answer

    def _read(self, path: str) -> _Kept:
        """Raises HTTPException where there is no such file."""
        try:
            file, found = self.lookup_path(path)
        except (OSError, ValueError):  # a name that no file can have
            raise HTTPException(404) from None
        if found is None or not os.path.isfile(file):
            raise HTTPException(404)
        data = Path(file).read_bytes()
        if len(data) < SMALL or Path(path).suffix in DENSE:
            return _Kept(file, _stamp(found), _form(path, data, found.st_mtime), None)
        plain = _form(path, data, found.st_mtime, {"Vary": "Accept-Encoding"})
        squeezed = _form(
            path, gzip.compress(data, mtime=0), found.st_mtime, {"Vary": "Accept-Encoding", "Content-Encoding": "gzip"}
        )
        return _Kept(file, _stamp(found), plain, squeezed)


def _form(path: str, data: bytes, changed_s: float, more: Mapping[str, str] | None = None) -> _Form:
    kind = mimetypes.guess_type(path)[0] or "application/octet-stream"
    headers = {
        "Content-Type": f"{kind}; charset=utf-8" if kind.startswith("text/") else kind,
        "Content-Length": str(len(data)),
        "Last-Modified": formatdate(changed_s, usegmt=True),
        # Of what is sent: two forms of one file have two tags (RFC 9110, section 8.8.3.3).
        "ETag": f'"{hashlib.sha256(data).hexdigest()[:32]}"',
    }
    return _Form(data, headers | dict(more or {}))
