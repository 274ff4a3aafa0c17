"""The OpenAPI description: our shapes are msgspec structs, which FastAPI does not know by itself."""

from __future__ import annotations

from typing import Any

import msgspec
from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from benchd.jobs.job import Job, JournalEntry
from benchd.jobs.photo import Photo
from benchd.store.follower_rows import RejectedRow
from benchd.store.log import TraceRow
from benchd.store.reference_rows import Reference
from benchd.traces.between import Between
from benchd.traces.comparison import Comparison
from benchd.traces.measured import Measured
from benchd.web.access_view import Me, PairingView, SessionView, SignedOut
from benchd.web.benches_view import BenchesView
from benchd.web.files_port import BenchForm, FileChange, FileChecked, FileRow
from benchd.web.port import (
    BandView,
    BenchView,
    ChannelView,
    JobForgotten,
    Nearest,
    PlanView,
    ReferenceAdded,
    TripReadings,
    TripRow,
)
from benchd.web.procedure_port import (
    Leads,
    ProcedureCard,
    ProcedureChecked,
    Procedures,
    ProcedureView,
    RunBins,
    RunRow,
    RunView,
)
from benchd.web.record_port import JobChoices, LabelRead
from benchd.web.step_port import Checklists, StepKinds, Timeline
from benchd.web.window_port import LinedUp, Window


class Fault(msgspec.Struct):
    """What went wrong: a code for programs, a sentence for people, and the part of the request at fault."""

    code: str
    message: str
    where: str


class Failure(msgspec.Struct):
    """The body of every answer with a status of 400 or above."""

    error: Fault


class Columns(msgspec.Struct):
    """Readings as columns: `t_s` s after `t0_ns`, `v` V, `i` A. `readings`: how many there were before thinning."""

    t0_ns: int
    t_s: list[float]
    v: list[float | None]
    i: list[float | None]
    readings: int
    thinned: bool


class FollowerView(msgspec.Struct):
    """How one follower stands. `lag_s`: age of the oldest row still to be sent, s; null: none waits, or not known."""

    name: str
    state: str
    """ok, waiting, stopped"""
    text: str
    backlog: int
    """Rows of the log still to be sent, at most."""
    lag_s: float | None
    rejected: int
    """Refused for good so far."""
    last_ok_ns: int | None
    streams: dict[str, dict[str, Any]] = {}
    """Where it has several to one server: the same of each."""


class TripDetail(msgspec.Struct):
    """One trip, and the readings around it."""

    trip: TripRow
    readings: TripReadings


SHAPES = (
    BandView, BenchesView, BenchView, ChannelView, Comparison, FollowerView, Job, JobForgotten, JournalEntry, Me,
    Nearest, PairingView, PlanView, Reference, ReferenceAdded, RejectedRow, SessionView, SignedOut, TraceRow, TripRow,
    TripDetail, Columns, Failure,
    JobChoices, LabelRead, Photo, Checklists, StepKinds, Timeline, Between, LinedUp, Measured, Window,
    BenchForm, FileChange, FileChecked, FileRow,
    Leads, ProcedureCard, ProcedureChecked, Procedures, ProcedureView, RunBins, RunRow, RunView,
)  # fmt: skip
COMPONENT = "#/components/schemas/{name}"


def shape(of: type | str, *, many: str = "", status: int = 200) -> dict[int | str, dict[str, Any]]:
    """What a route answers: one shape, or `many`: an object with a list of it under this key."""
    name = of if isinstance(of, str) else of.__name__
    schema: dict[str, Any] = {"$ref": COMPONENT.format(name=name)}
    if many:
        schema = {"type": "object", "required": [many], "properties": {many: {"type": "array", "items": schema}}}
    failure = {"$ref": COMPONENT.format(name="Failure")}
    return {
        status: {"description": "Done.", "content": {"application/json": {"schema": schema}}},
        "default": {"description": "Refused.", "content": {"application/json": {"schema": failure}}},
    }


def describe(api: FastAPI) -> None:
    """Give the app a description with our shapes in it."""

    def openapi() -> dict[str, Any]:
        if api.openapi_schema is None:
            schema = get_openapi(title=api.title, version=api.version, description=api.description, routes=api.routes)
            schema["servers"] = [{"url": "/api/v1"}]
            _, components = msgspec.json.schema_components(SHAPES, ref_template=COMPONENT)
            schema.setdefault("components", {}).setdefault("schemas", {}).update(components)
            schema["components"]["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
            # The empty one: where the settings name no token, none is asked for.
            schema["security"] = [{"token": []}, {}]
            for methods in schema["paths"].values():
                for operation in methods.values():
                    # FastAPI promises its own 422 body, which is never sent.
                    operation["responses"].pop("422", None)
            for unused in ("HTTPValidationError", "ValidationError"):
                schema["components"]["schemas"].pop(unused, None)
            api.openapi_schema = schema
        return api.openapi_schema

    api.openapi = openapi  # type: ignore[method-assign]
