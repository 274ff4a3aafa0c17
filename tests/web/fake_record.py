"""A job record in memory, over the jobs of a fake bench; behaves as the port promises."""

from __future__ import annotations

from typing import Any

import msgspec

from benchd.jobs.choices import BATTERIES, RISKS, STATES
from benchd.jobs.job import Job, State
from benchd.jobs.label import id_on_label, label_svg
from benchd.jobs.photo import Photo, PhotoError, develop
from benchd.web.port import Refused
from benchd.web.record_port import Choice, JobChoices, LabelRead
from tests.web.fake import FakeBench


class FakeRecords:
    """`RecordPort`. `taken`: the photos and their pictures, by number."""

    def __init__(self, bench: FakeBench) -> None:
        self.bench = bench
        self.taken: dict[int, tuple[Photo, bytes, bytes]] = {}

    def _at(self, id: str) -> int:
        found = next((n for n, job in enumerate(self.bench.job_list) if job.id == id), None)
        if found is None:
            raise Refused("not-found", f"job {id!r} is not in the log; take it in first")
        return found

    async def job(self, id: str) -> Job:
        """See `RecordPort`."""
        return self.bench.job_list[self._at(id)]

    async def choices(self) -> JobChoices:
        """See `RecordPort`."""
        lists = ([Choice(id, label) for id, label in of.items()] for of in (STATES, BATTERIES, RISKS))
        boards = sorted({job.board for job in self.bench.job_list if job.board})
        return JobChoices(*lists, boards, f"R-{len(self.bench.job_list) + 1}")

    async def by_label(self, text: str) -> LabelRead:
        """See `RecordPort`."""
        id = id_on_label(text)
        if id is None:
            raise Refused("out-of-range", f"text = {text!r}: no id of a job; scan the label of a job")
        found = next((job for job in self.bench.job_list if job.id == id), None)
        return LabelRead(id, found is not None, found)

    async def label(self, id: str) -> str:
        """See `RecordPort`."""
        return label_svg(await self.job(id), "2026-01-02")

    async def change(self, id: str, changes: dict[str, Any], by: str, seen: int | None) -> Job:
        """See `RecordPort`."""
        before = await self.job(id)
        if seen is not None and seen != before.version:
            raise Refused("stale", f"job {id} was changed meanwhile", msgspec.to_builtins(before))
        after = msgspec.structs.replace(before, **changes, version=before.version + 1)
        self.bench.job_list[self._at(id)] = after
        self.bench.event("job", changed=id)
        return after

    async def set_state(self, id: str, state: State, by: str, seen: int | None) -> Job:
        """See `RecordPort`."""
        return await self.change(id, {"state": state}, by, seen)

    async def photos(self, id: str) -> list[Photo]:
        """See `RecordPort`."""
        self._at(id)
        return [photo for photo, _, _ in self.taken.values() if photo.job == id]

    async def picture(self, id: str, photo: int, small: bool) -> bytes:
        """See `RecordPort`."""
        if photo not in self.taken or self.taken[photo][0].job != id:
            raise Refused("not-found", f"job {id} has no photo {photo}")
        return self.taken[photo][2 if small else 1]

    async def add_photo(self, id: str, data: bytes, caption: str, by: str) -> Photo:
        """See `RecordPort`."""
        self._at(id)
        try:
            made = develop(data)
        except PhotoError as e:
            raise Refused("out-of-range", str(e)) from None
        number = len(self.taken) + 1
        photo = Photo(number, id, self.bench.t_ns, caption, made.width, made.height, len(made.jpeg), by)
        self.taken[number] = (photo, made.jpeg, made.thumbnail)
        self.bench.event("journal", job=id)
        return photo

    async def remove_photo(self, id: str, photo: int, by: str) -> Photo:
        """See `RecordPort`."""
        await self.picture(id, photo, small=True)
        return self.taken.pop(photo)[0]
