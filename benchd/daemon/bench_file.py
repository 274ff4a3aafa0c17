"""benchd.toml as the desk of files sees it: read, checked, written, and compared with what the daemon runs with."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchd.hidden import Hider
from benchd.settings import Settings
from benchd.settings_edit import Placed, Read, new_places, read_settings
from benchd.settings_web import NOBODYS_NAMES
from benchd.toml_edit import with_values
from benchd.web.port import Refused
from benchd.whole_file import replace_file

MOST_BYTES = 256 * 1024
"""Of the file: a hundred times what a long one has. Our choice, so that a wrong file is not read at length."""


class BenchFile:
    """The settings file `path`, None where the daemon was started without one; `running`: what is in force."""

    def __init__(self, path: Path | None, running: Settings) -> None:
        self._path = path
        self._running = running
        self._hider = Hider()

    @property
    def path(self) -> Path:
        """Where it is. Raises Refused."""
        if self._path is None:
            raise Refused("not-found", "this bench runs without a settings file (as the demo does): nothing to edit")
        return self._path

    def text(self) -> str:
        """What it says, secrets and all. Raises Refused."""
        try:
            with self.path.open("rb") as file:
                raw = file.read(MOST_BYTES + 1)
            if len(raw) > MOST_BYTES:
                raise Refused("wrong-state", f"{self.path.name}: longer than {MOST_BYTES} bytes: edit it by hand")
            return raw.decode("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise Refused("wrong-state", f"{self.path.name}: cannot be read: {error}") from None

    def hidden(self, text: str) -> str:
        """The text without its secrets. Raises HiddenError."""
        return self._hider.hidden(text)

    def whole(self, text: str, present: str) -> str:
        """A text as it is to be written: secrets put back, line ends as they were. Raises HiddenError."""
        text = self._hider.restored(text, present)
        if "\r\n" in present and "\r\n" not in text:  # a field of a page knows only one kind
            text = text.replace("\n", "\r\n")
        return text

    def with_values(self, values: Mapping[str, Any], present: str) -> str:
        """The present text, changed so that it says these values. Raises EditError, HiddenError."""
        return self.whole(with_values(self.hidden(present), values), present)

    def read(self, text: str) -> Read:
        """A text, checked as `benchd config check` does."""
        return read_settings(text, self.path)

    def allowed(self, text: str, present: str, by: str) -> list[Placed]:
        """What somebody may not change from afar: which files of this machine are loaded as code or as a secret."""
        if by in NOBODYS_NAMES:
            return []
        keys = new_places(said(present), said(text))
        words = "names a file of the bench's computer: change it in the file there, not from another machine"
        return [Placed("", f"{key}: {words}") for key in keys]

    def pending(self, read: Read) -> bool:
        """Whether the next start would bring something else than what is in force."""
        return read.settings != self._running

    def write(self, text: str) -> None:
        """Replace it, whole or not at all. Raises Refused."""
        try:
            replace_file(self.path, text)
        except (OSError, UnicodeEncodeError) as error:
            raise Refused("wrong-state", f"{self.path.name}: cannot be written, so it is as it was: {error}") from None


def said(text: str) -> dict[str, Any]:
    """What a text says; nothing where it is no TOML."""
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError):
        return {}
