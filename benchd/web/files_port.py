"""What editing the files of the bench asks of the daemon, and the shapes it shows."""

from __future__ import annotations

from typing import Any, Literal, Protocol

import msgspec

FileKind = Literal["supplies", "plan", "card", "checklist", "steps", "procedure"]
"""supplies: benchd.toml itself. steps: the one file of kinds of steps. procedure: a card of a procedure."""
FileOrigin = Literal["own", "settings", "shipped", ""]
"""own: a file of this bench. settings: stands in benchd.toml. shipped: comes with benchd. Empty: there is none."""


class FileRow(msgspec.Struct):
    """A file that can be edited, or a shipped one that can be read and copied."""

    file: FileKind
    name: str
    title: str
    origin: FileOrigin
    overrides: bool
    """It stands before a shipped one, or one in benchd.toml, of its name."""
    faults: list[str]
    """Why it is not used; empty where it is."""


class FileFault(msgspec.Struct):
    """One thing that is wrong with a text."""

    key: str
    """As `supply[0].channel[1].plan`; empty: the file as a whole."""
    text: str
    line: int | None
    """Where it stands in the text, from 1; null: not known."""


class FileView(msgspec.Struct):
    """A file as it is now. Secrets in it are hidden: what stands for one is put back when the text is saved."""

    file: FileKind
    name: str
    origin: FileOrigin
    text: str
    version: str
    """Changes with the text, also when that is changed by hand; say it as `seen` with a change."""
    at_once: bool
    """true: what is saved holds from then on; false: from the next start of benchd."""
    pending: bool
    """The file says something else than what benchd runs with."""
    by_hand: bool
    """It was changed outside of this page since somebody changed it here."""
    faults: list[FileFault]
    warnings: list[str]


class FileChecked(msgspec.Struct):
    """What became of a text, or would become of it."""

    faults: list[FileFault]
    """Empty: it can be saved."""
    warnings: list[str]
    saved: FileView | None = None
    """The file as it is now; null: it was only looked at."""


class BenchForm(msgspec.Struct):
    """The values of benchd.toml, for a form."""

    values: dict[str, Any] | None
    """As in the file, secrets hidden; null: it is no TOML now, and can only be changed as text."""
    defaults: dict[str, dict[str, Any]]
    """What holds where a key is left out, by table; a key that is missing here has to be given."""
    profiles: list[str]
    plans: list[str]
    version: str
    pending: bool
    by_hand: bool
    faults: list[FileFault]
    warnings: list[str]


class FileChange(msgspec.Struct):
    """One change of a file, as it stands in the journal."""

    seq: int
    t_ns: int
    file: FileKind
    name: str
    what: Literal["made", "changed", "deleted"]
    changed: list[str]
    """Keys; empty where only comments or layout changed, or where that cannot be told."""
    diff: str
    """Lines that went (-) and came (+), secrets hidden."""
    by: str
    """Who; empty: not known."""


class FilesPort(Protocol):
    """Every method may raise `Refused`.

    `seen`: the version that was read; where it is not the present one the change is refused as `stale`, with the
    present `FileView`. `by`: who asks.
    """

    async def files(self) -> list[FileRow]:
        """All files, by kind and name."""

    async def file(self, kind: FileKind, name: str) -> FileView:
        """One file."""

    async def check_file(self, kind: FileKind, name: str, text: str, by: str) -> FileChecked:
        """What is wrong with a text."""

    async def save_file(self, kind: FileKind, name: str, text: str, seen: str | None, by: str) -> FileView:
        """Write it, whole or not at all; refused where there are faults."""

    async def delete_file(self, kind: FileKind, name: str, seen: str | None, by: str) -> None:
        """Delete one's own; a shipped one of its name is used again."""

    async def bench_form(self) -> BenchForm:
        """The values of benchd.toml."""

    async def check_form(self, values: dict[str, Any], by: str) -> FileChecked:
        """What is wrong with values."""

    async def save_form(self, values: dict[str, Any], seen: str | None, by: str) -> FileView:
        """Change benchd.toml so that it says these values; comments and layout stay."""

    async def changes(self, limit: int, kind: FileKind | None, name: str | None) -> list[FileChange]:
        """What was changed, newest first."""
