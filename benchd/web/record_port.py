"""What taking in, changing and finding jobs, their photos and labels ask of the daemon, and the shapes they show."""

from __future__ import annotations

from typing import Any, Protocol

import msgspec

from benchd.jobs.job import Job, State
from benchd.jobs.photo import Photo


class Choice(msgspec.Struct, frozen=True):
    """One of several to choose from."""

    id: str
    label: str


class JobChoices(msgspec.Struct):
    """What the intake form offers."""

    states: list[Choice]
    batteries: list[Choice]
    risks: list[Choice]
    boards: list[str]
    """The kinds of boards that were taken in before."""
    next_id: str
    """What the next job is called when nobody gives it an id."""


class LabelRead(msgspec.Struct):
    """What a scanner has read."""

    id: str
    known: bool
    job: Job | None


class RecordPort(Protocol):
    """The desk of the job record. Raises Refused, also with `stale` where a job was changed meanwhile."""

    async def job(self, id: str) -> Job:
        """The job of that id."""
        ...

    async def choices(self) -> JobChoices:
        """What the intake form offers."""
        ...

    async def by_label(self, text: str) -> LabelRead:
        """The job of a label; its id alone where it was not taken in here."""
        ...

    async def label(self, id: str) -> str:
        """The label of a job as SVG."""
        ...

    async def change(self, id: str, changes: dict[str, Any], by: str, seen: int | None) -> Job:
        """Give fields other values; `seen`: the version that was read, None: any."""
        ...

    async def set_state(self, id: str, state: State, by: str, seen: int | None) -> Job:
        """Say where the repair stands."""
        ...

    async def photos(self, id: str) -> list[Photo]:
        """Photos of a job, oldest first."""
        ...

    async def picture(self, id: str, photo: int, small: bool) -> bytes:
        """A photo as JPEG; `small`: its thumbnail."""
        ...

    async def add_photo(self, id: str, data: bytes, caption: str, by: str) -> Photo:
        """Keep a photo, made of a camera's file."""
        ...

    async def remove_photo(self, id: str, photo: int, by: str) -> Photo:
        """Remove a photo for good; what it was."""
        ...
