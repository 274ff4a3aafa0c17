"""A job with all that a report tells of, in a log of its own; and words that would break a page or a sheet."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path

import numpy as np
from PIL import Image

from benchd.jobs.checklist_folder import checklist_folder
from benchd.jobs.job import Job
from benchd.jobs.photo import Developed
from benchd.report.document import Block, Document
from benchd.report.gather import Gathered, gathered
from benchd.report.make import document
from benchd.report.order import Audience, Order
from benchd.report.texts import Texts
from benchd.store.filing import file_imported
from benchd.store.log import Log
from benchd.store.photo_rows import add_photo
from benchd.traces.trace import Conditions, Trace
from tests.store.making import T0, tripped
from tests.traces.boards import Board, Meter, boot, flat, read

S = 10**9
JOB = "R-1042"
EVIL = '<script>alert(1)</script> #set page(fill: red) *bold* _x_ $x^2$ `r` \\ "q" & [a] @b #evil'
"""HTML, typst markup, and what ends a string in either."""
ACCURACY = {"accuracy_fraction_a": 0.001, "accuracy_offset_a": 0.002, "accuracy_fraction_v": 0.0005}


def stalled(seed: int) -> Trace:
    """A board that stays at 60 mA after its button at 3 s."""
    return read(Board(np.concatenate([flat(3.0, 0.001), flat(20.0, 0.06)]), button_s=3.0), Meter(), seed)


def booted(seed: int) -> Trace:
    """A board that boots and settles."""
    rng = np.random.default_rng(seed)
    return read(Board(np.concatenate([flat(3.0, 0.001), boot(rng, 1.0, 20.0)]), button_s=3.0), Meter(), seed)


def file(log: Log, trace: Trace, at_s: float, job: str = JOB) -> str:
    """File a trace so that it ends at so many s after T0; its id."""
    stated = Conditions(**{**_told(trace.conditions), **ACCURACY})
    known = dataclasses.replace(trace, conditions=stated)
    return file_imported(log, known, job, f"psu-{at_s:g}", T0 + round(at_s * S)).id


def _told(conditions: Conditions) -> dict[str, object]:
    return {name: getattr(conditions, name) for name in Conditions.__struct_fields__}


def step(log: Log, kind: str, at_s: float, **more: object) -> int:
    """Write a step down; its number."""
    said = {"step": kind, "label": kind.capitalize(), "detail": "", "text": "", "by": "tablet 1", **more}
    return log.add_entry("step", job=JOB, payload=said, t_ns=T0 + round(at_s * S)).seq


def jpeg(width: int = 1200, height: int = 900) -> bytes:
    """A photo."""
    content = io.BytesIO()
    Image.linear_gradient("L").resize((width, height)).convert("RGB").save(content, "JPEG")
    return content.getvalue()


def whole_job(path: Path, words: str = "no start") -> None:
    """Stalled, cleaned, stalled, reflowed, booted; two trips, a photo, ticks. `words`: wherever people type."""
    with Log.open(path) as log:
        met = {"up": True, "identity": "EXAMPLE,X-1,S1,1.0", "profile": "generic-scpi", "trust": "simulated"}
        log.add_entry("link", supply="psu-40", payload=met, t_ns=T0)
        log.add_job(
            Job(JOB, words, words, words, T0, words, words, "swollen", words, ("data-loss", "hot-work"), "testing")
        )
        file(log, stalled(1), 40)
        step(log, "cleaned", 50, label="Cleaned", detail=words, plain="The board was cleaned.", text=words)
        file(log, stalled(2), 90)
        step(log, "reflowed", 100, label="Reflowed", plain="The solder joints of a part were melted anew.", minutes=12)
        wrong = step(log, "swapped", 101, label="Swapped part")
        log.add_entry("step-taken-back", job=JOB, payload={"seq": wrong, "step_ns": T0 + 101 * S, "by": "tablet 1"})
        file(log, booted(3), 150)
        log.add_entry("note", job=JOB, payload={"text": words}, t_ns=T0 + 160 * S)
        log.add_trip(tripped(T0 + 170 * S), JOB, None)
        log.add_trip(tripped(T0 + 180 * S, confirmed=False), JOB, None)
        add_photo(log, JOB, Developed(jpeg(), b"small", 1200, 900), words, "tablet 1", T0 + 190 * S)
        for item, state in (("clean", "done"), ("screws", "done"), ("screen", "not-needed")):
            log.add_entry("check", job=JOB, payload={
                "list": "after-repair", "title": "After the repair", "moment": "after-repair", "item": item,
                "label": item, "state": state, "note": words, "by": "tablet 1"}, t_ns=T0 + 200 * S)  # fmt: skip


def read_job(path: Path, job: str = JOB) -> Gathered:
    """All of it."""
    with Log.open(path, read_only=True) as log:
        return gathered(log, job, checklist_folder(path.parent / "checklists").read())


def told(g: Gathered, audience: Audience = "technician", language: str = "en") -> Document:
    """The report as data."""
    return document(g, Texts(language), Order(g.job.id, "", audience=audience, bench="left"), T0 + 300 * S)


def texts_of(blocks: list[Block]) -> list[str]:
    """Every text in the blocks, in order."""
    import msgspec

    found: list[str] = []

    def walk(value: object) -> None:
        if isinstance(value, str):
            found.append(value)
        elif isinstance(value, dict):
            for key, each in value.items():
                if key not in ("type", "svg", "jpeg", "look", "tick"):
                    walk(each)
        elif isinstance(value, list | tuple):
            for each in value:
                walk(each)

    walk(msgspec.to_builtins(blocks))
    return found
