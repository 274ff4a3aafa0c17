"""A log with a job in it that has all kinds of things, and its archive."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec

from benchd.jobs.job import Job
from benchd.jobs.photo import develop
from benchd.procedures.record import Column, Curve, Happened, Result, Run, Side
from benchd.store import packed, photo_rows
from benchd.store.log import Log
from benchd.store.packing import pack_job
from benchd.store.procedure_rows import end_run, keep_run, set_reference
from benchd.store.reference_rows import check_reference, keep_reference
from tests.jobs.pictures import camera_file
from tests.store.making import MS, T0, block, trace_row, tripped

SECRET = "Ms Invented; a blue phone"
JOB = "R-1042"
PHOTO = develop(camera_file())
TRACE = "20260102-030405-678-psu-a-1"
RUN = Run(
    "P260102-030405-ab12", "leak-curve", 1, "Leak curve", JOB, T0, (Side("main", "psu-a", 1),), "phone-cell",
    {"limit_a": 0.1, "rail": SECRET}, "ann", T0 + 9_000 * MS, "done", f"{SECRET} draws 0.1 A",
    (Result("leak", "Leak", 0.1, "A", 0.01), Result("where", "Where", SECRET)),
    (Curve("leak", "Leak", (Column("v", "Voltage", "V", (0.1, None)), Column("a", "Current", "A", (0.0, 0.1)))),),
    (Happened(T0 + MS, "point", SECRET, {"ohm": 0.1}, "2"),), (TRACE,), ("hot",),
)  # fmt: skip
"""Its photo is that of job R-1042, which is the log's second."""


def log_with_job(path: Path) -> Log:
    """Job R-1042: a trace of 5000 readings whose first 500 were stored while another job was on the bench, a trip,
    notes, a reference, a photo, a step that was taken back, a check, a run that has ended, on a good board, and one
    that goes on. And job R-1041, whose ids and readings must not come along."""
    log = Log.open(path)
    log.add_job(Job("R-1041", "another", "demo-a", "another's", T0 - 10_000 * MS))
    log.set_current_job("R-1041")
    log.add_block(block(1500, T0 - 1000 * MS), "R-1041")
    full = {"history": SECRET, "wanted_back": SECRET, "battery": "out", "accessories": SECRET, "consent": ("screen",)}
    log.add_job(Job(JOB, SECRET, "demo-a", SECRET, T0 - 5_000 * MS, state="testing", **full))
    log.set_current_job(JOB)
    log.add_block(block(4501, T0 + 500 * MS), JOB, TRACE)
    log.add_block(block(100, T0 + 9_000 * MS, channel=2), JOB)
    log.add_trace(trace_row(TRACE, JOB))
    log.add_trip(tripped(T0 + 4_000 * MS), JOB, TRACE)
    log.add_entry("note", job=JOB, payload={"text": f"{SECRET} says: it fell"})
    photo_rows.add_photo(log, "R-1041", develop(camera_file((64, 48))), "another's", "ann")
    photo_rows.add_photo(log, JOB, PHOTO, f"of {SECRET}", "ann", T0)
    step = log.add_entry(
        "step", job=JOB, payload={"step": "cleaned", "label": "Cleaned", "detail": SECRET, "by": "ann"}
    )
    log.add_entry("step-taken-back", job=JOB, payload={"seq": step.seq, "step_ns": step.t_ns, "by": "ann"})
    log.add_entry("check", job=JOB, payload={"list": "l", "item": "i", "label": "Fan", "state": "done", "note": SECRET})
    keep_reference(log, check_reference(log, TRACE, "demo-a", SECRET), "page")
    end_run(log, RUN)
    set_reference(log, RUN.id, "demo-a", SECRET, "ann")
    keep_run(log, msgspec.structs.replace(RUN, id="P-on", outcome="running", ended_ns=None), {"n": 1})
    return log


def packed_job(log: Log, to: Path, **wanted: Any) -> packed.Manifest:
    """The archive of R-1042, or of `job`."""
    job = wanted.pop("job", JOB)
    with Log.open(log.path, read_only=True) as reading, to.open("wb") as file:
        return pack_job(reading, job, file, **{"bench": "bench-b", **wanted})


def files_of(archive: Path) -> dict[str, bytes]:
    """What stands in an archive."""
    with zipfile.ZipFile(archive) as file:
        return {name: file.read(name) for name in file.namelist()}


def written(files: dict[str, bytes], to: Path) -> Path:
    """An archive of these files, its manifest as it is."""
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in files.items():
            file.writestr(name, data)
    return to


def spoilt(archive: Path, to: Path, name: str, change: Callable[[Any], Any]) -> Path:
    """An archive in which one file was changed by somebody who knows how to make all its checksums right again.

    `change` gets the lines of a text as JSON, the manifest as JSON, or the bytes of readings.bin or of a photo.
    """
    files = files_of(archive)
    manifest = json.loads(files.pop(packed.MANIFEST))
    if name == packed.MANIFEST:
        return written(files | {name: json.dumps(change(manifest)).encode()}, to)
    if name == packed.ROWS or name.endswith(".jpg"):
        files[name] = change(files.get(name, b""))
    else:
        lines = change([json.loads(line) for line in files[name].splitlines()])
        files[name] = b"".join(json.dumps(line).encode() + b"\n" for line in lines)
    listed = [packed.PackedFile(n, len(d), hashlib.sha256(d).hexdigest()) for n, d in files.items()]
    manifest["files"] = msgspec.to_builtins(listed)
    manifest["checksum"] = packed.checksum(listed)
    return written(files | {packed.MANIFEST: json.dumps(manifest).encode()}, to)
