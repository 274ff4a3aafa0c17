"""One job: what is known of it, its state, its label, its photos."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import Response

from benchd.jobs.job import Job
from benchd.jobs.photo import KINDS, Photo
from benchd.web.bodies import JobId
from benchd.web.caller import caller_of
from benchd.web.description import shape
from benchd.web.record_bodies import JobChangeBody, LabelQuery, PhotoQuery, StateBody
from benchd.web.record_port import JobChoices, LabelRead, RecordPort
from benchd.web.shapes import answer

Id = Annotated[JobId, Path()]
Number = Annotated[int, Path(ge=1, le=2**63 - 1, description="`id` of the photo.")]
_FILE = {"schema": {"type": "string", "format": "binary"}}
PHOTO_FILE = {"requestBody": {"required": True, "content": {f"image/{kind.lower()}": _FILE for kind in KINDS}}}
"""The body is a camera's file as it is, not JSON."""
Answers = dict[int | str, dict[str, Any]]
JPEG_ANSWER: Answers = {200: {"description": "The picture.", "content": {"image/jpeg": _FILE}}}
SVG_ANSWER: Answers = {200: {"description": "The label.", "content": {"image/svg+xml": {"schema": {"type": "string"}}}}}


def router(desk: RecordPort) -> APIRouter:
    """Routes over the desk."""
    r = APIRouter(tags=["record"])
    _jobs(r, desk)
    _photos(r, desk)
    return r


def _jobs(r: APIRouter, desk: RecordPort) -> None:
    # These two before the one with an id in its path, which they would be taken for; no job can have such an id.
    @r.get("/jobs/choices", responses=shape(JobChoices))
    async def choices() -> Response:
        """What the intake form offers, and the id that the next job gets."""
        return answer(await desk.choices())

    @r.get("/jobs/by-label", responses=shape(LabelRead))
    async def by_label(query: Annotated[LabelQuery, Query()]) -> Response:
        """The job of what a scanner has typed."""
        return answer(await desk.by_label(query.text))

    @r.get("/jobs/{id}", responses=shape(Job))
    async def job(id: Id) -> Response:
        """What is known of a job."""
        return answer(await desk.job(id))

    @r.patch("/jobs/{id}", responses=shape(Job))
    async def change(id: Id, body: JobChangeBody, request: Request) -> Response:
        """Give fields of a job other values; those that are left out stay."""
        return answer(await desk.change(id, body.changes(), caller_of(request).name, body.seen))

    @r.put("/jobs/{id}/state", responses=shape(Job))
    async def state(id: Id, body: StateBody, request: Request) -> Response:
        """Say where the repair stands."""
        return answer(await desk.set_state(id, body.state, caller_of(request).name, body.seen))

    @r.get("/jobs/{id}/label.svg", responses=SVG_ANSWER)
    async def label(id: Id) -> Response:
        """The label to print, sized in mm: the id as QR code and in letters, the device, the day of intake."""
        return Response(await desk.label(id), media_type="image/svg+xml", headers={"Cache-Control": "no-cache"})


def _photos(r: APIRouter, desk: RecordPort) -> None:
    @r.get("/jobs/{id}/photos", responses=shape(Photo, many="photos"))
    async def photos(id: Id) -> Response:
        """The photos of a job, oldest first."""
        return answer({"photos": await desk.photos(id)})

    @r.post("/jobs/{id}/photos", status_code=201, responses=shape(Photo, status=201), openapi_extra=PHOTO_FILE)
    async def add(id: Id, query: Annotated[PhotoQuery, Query()], request: Request) -> Response:
        """Keep a photo, made of a camera's file: turned upright, made smaller, freed of position, time and camera."""
        photo = await desk.add_photo(id, await request.body(), query.caption, caller_of(request).name)
        return answer(photo, 201)

    @r.get("/jobs/{id}/photos/{number}", responses=JPEG_ANSWER)
    async def picture(id: Id, number: Number) -> Response:
        """A photo, at most 2560 pixels wide and high."""
        return _jpeg(await desk.picture(id, number, small=False))

    @r.get("/jobs/{id}/photos/{number}/thumbnail", responses=JPEG_ANSWER)
    async def thumbnail(id: Id, number: Number) -> Response:
        """A photo, at most 320 pixels wide and high."""
        return _jpeg(await desk.picture(id, number, small=True))

    @r.delete("/jobs/{id}/photos/{number}", responses=shape(Photo))
    async def remove(id: Id, number: Number, request: Request) -> Response:
        """Remove a photo for good. What it was stays in the journal."""
        return answer(await desk.remove_photo(id, number, caller_of(request).name))


def _jpeg(data: bytes) -> Response:
    # Not to be kept by a browser: a photo that was removed, or whose job was forgotten, is gone.
    return Response(data, media_type="image/jpeg", headers={"Cache-Control": "no-store"})
