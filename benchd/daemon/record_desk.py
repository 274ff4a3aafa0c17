"""Taking devices in, searching jobs, states of a repair, photos, labels."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

import msgspec

from benchd.daemon.apart import Apart
from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.jobs import developing
from benchd.jobs.choices import BATTERIES, RISKS, STATES
from benchd.jobs.job import Job, State
from benchd.jobs.photo import Photo, PhotoError
from benchd.store import job_rows, photo_rows
from benchd.store.job_changes import StaleJob, change_job, next_job_id, set_state
from benchd.store.log import Log
from benchd.web.port import Refused
from benchd.web.record_port import Choice, JobChoices, LabelRead

DEVELOP_S = 60.0
"""A photo that takes longer is given up; one of 12 megapixels takes a second on a small computer."""
MOST_WAITING = 8
"""Each has up to 12 MB."""


class RecordDesk:
    """Implements `benchd.web.record_port.RecordPort`. Lives in the event loop."""

    def __init__(self, core: Core, bench: Bench) -> None:
        self._core = core
        self._bench = bench
        self.apart = Apart(
            "benchd.jobs.developing", "photo", "photo-failed", within_s=DEVELOP_S, most_waiting=MOST_WAITING
        )

    async def job(self, id: str) -> Job:
        """See `RecordPort.job`."""
        return _there(await self._bench.read(lambda db: db.job(id)), id)

    async def choices(self) -> JobChoices:
        """See `RecordPort.choices`."""
        pattern = self._core.settings.jobs.id_pattern
        boards, following = await self._bench.read(lambda db: (job_rows.boards(db.rows), next_job_id(db, pattern)))
        return JobChoices(_choices(STATES), _choices(BATTERIES), _choices(RISKS), boards, following)

    async def by_label(self, text: str) -> LabelRead:
        """See `RecordPort.by_label`."""
        from benchd.jobs.label import id_on_label

        id = id_on_label(text)
        if id is None:
            raise Refused("out-of-range", f"text = {text[:60]!r}: no id of a job; scan the label of a job")
        found = await self._bench.read(lambda db: job_rows.by_id(db.rows, id))
        return LabelRead(found.id if found else id, found is not None, found)

    async def label(self, id: str) -> str:
        """See `RecordPort.label`."""
        from benchd.jobs.label import label_svg

        job = await self.job(id)
        return label_svg(job, f"{datetime.fromtimestamp(job.created_ns / 1e9):%Y-%m-%d}")

    # ---- changes -------------------------------------------------------------------------------------------------

    async def change(self, id: str, changes: dict[str, Any], by: str, seen: int | None) -> Job:
        """See `RecordPort.change`."""
        return await self._changed(id, lambda db: change_job(db, id, changes, by, seen))

    async def set_state(self, id: str, state: State, by: str, seen: int | None) -> Job:
        """See `RecordPort.set_state`."""
        return await self._changed(id, lambda db: set_state(db, id, state, by, seen))

    async def _changed(self, id: str, change: Callable[[Log], Job]) -> Job:
        def checked(db: Log) -> Job:
            _there(db.job(id), id)
            try:
                return change(db)
            except StaleJob as e:
                raise Refused("stale", str(e), msgspec.to_builtins(e.present)) from None

        job = await self._bench.write(checked)
        self._told(id)
        return job

    # ---- photos --------------------------------------------------------------------------------------------------

    async def photos(self, id: str) -> list[Photo]:
        """See `RecordPort.photos`."""

        def get(db: Log) -> list[Photo]:
            _there(db.job(id), id)
            return photo_rows.photos(db, id)

        return await self._bench.read(get)

    async def picture(self, id: str, photo: int, small: bool) -> bytes:
        """See `RecordPort.picture`."""
        get = photo_rows.thumbnail if small else photo_rows.picture
        return _photo_there(await self._bench.read(lambda db: get(db, id, photo)), id, photo)

    async def add_photo(self, id: str, data: bytes, caption: str, by: str) -> Photo:
        """See `RecordPort.add_photo`."""
        await self.job(id)
        try:
            made = developing.read(*await self.apart.done(data))
        except PhotoError as e:
            raise Refused("out-of-range", str(e)) from None
        photo = await self._bench.write(lambda db: photo_rows.add_photo(db, id, made, caption, by))
        self._told(id)
        return photo

    async def remove_photo(self, id: str, photo: int, by: str) -> Photo:
        """See `RecordPort.remove_photo`."""
        _photo_there(await self._bench.read(lambda db: photo_rows.thumbnail(db, id, photo)), id, photo)
        gone = await self._bench.write(lambda db: photo_rows.remove_photo(db, id, photo, by))
        self._told(id)
        return gone

    def _told(self, id: str) -> None:
        self._core.event("job", {"changed": id})
        self._core.event("journal", {"job": id})


def _choices(of: dict[Any, str]) -> list[Choice]:
    return [Choice(id, label) for id, label in of.items()]


def _there(job: Job | None, id: str) -> Job:
    if job is None:
        raise Refused("not-found", f"job {id!r} is not in the log; take it in first")
    return job


def _photo_there(found: bytes | None, id: str, photo: int) -> bytes:
    if found is None:
        raise Refused("not-found", f"job {id} has no photo {photo}; it may have been removed meanwhile")
    return found
