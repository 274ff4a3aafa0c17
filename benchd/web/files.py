"""The page's files: served from the installed package, or from the checkout it is developed in."""

from __future__ import annotations

from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse, Response
from starlette.staticfiles import StaticFiles
from starlette.types import Scope

import benchd

SUFFIXES = {".html", ".css", ".js", ".svg", ".png", ".webmanifest"}
"""What the page is made of. Lock files, licences and whatever an editor leaves behind are not served."""
PAGES = {"/": "index.html", "/benches": "benches.html", "/sign-in": "access/sign-in.html"}
"""Addresses without a suffix, and their files. Files are shown to anybody: nothing of the bench stands in them."""


def web_root() -> Path:
    """The folder with the page."""
    package = Path(benchd.__file__).parent
    installed = package / "share" / "web"
    return installed if installed.is_dir() else package.parent / "dashboards" / "web"


class Files(StaticFiles):
    """The page, read-only. Anything that is not one of its files is not found, by any method. `first`: which file is
    meant where none is named."""

    def __init__(self, root: Path, first: str = "index.html") -> None:
        super().__init__(directory=root, check_dir=False)
        self._there = (root / first).is_file()
        named = {address.lstrip("/") or ".": file for address, file in PAGES.items()}
        self._named = {**named, ".": first}

    async def get_response(self, path: str, scope: Scope) -> Response:
        """A file, or not found."""
        if not self._there:
            return PlainTextResponse("The page's files were not installed; the API under /api/v1 works.", 503)
        path = self._named.get(path, path)
        if scope["method"] not in ("GET", "HEAD") or Path(path).suffix not in SUFFIXES:
            raise HTTPException(404)
        return await super().get_response(path, scope)
