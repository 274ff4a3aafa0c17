"""Steps and ticks in a log: they stay together when a job goes to another one."""

from __future__ import annotations

from pathlib import Path

from benchd.jobs.around import around, taken_back
from benchd.jobs.checklist_folder import Lists, checklist_folder
from benchd.jobs.steps import StepsFile
from benchd.store.log import Log
from benchd.store.packed_file import Archive
from benchd.store.packing import pack_job
from benchd.store.step_entries import Done, add_step, job_of, states_of, take_back, tick
from benchd.store.unpacking import unpack_job
from tests.store.packed_jobs import JOB, TRACE, log_with_job


def moved(there: Log, to: Path) -> Log:
    """The log of another bench that the job went to."""
    archive, here = to / "job.zip", Log.open(to / "here.sqlite")
    with archive.open("wb") as file:
        pack_job(there, JOB, file, bench="bench-b")
    with Archive(archive) as packed:
        unpack_job(here, packed)
    return here


def test_steps_and_ticks_go_with_their_job(tmp_path: Path) -> None:
    """Though its entries get other numbers there."""
    kinds, lists = StepsFile(tmp_path / "steps.toml").read(), checklist_folder(tmp_path / "none").read()
    with log_with_job(tmp_path / "there.sqlite") as there:
        wrong = add_step(there, JOB, Done("cleaned"), kinds, lists)
        add_step(there, JOB, Done("reflowed", effect=TRACE), kinds, lists)
        take_back(there, JOB, wrong.seq, "north")
        tick(there, JOB, lists, "before-power", "esd", "done", by="north")
        before = _told(there, lists)
        here = moved(there, tmp_path)
    with here:
        assert _told(here, lists) == before
        entries = here.journal(job=JOB)
        (step,) = [entry for entry in entries if entry.kind == "step" and entry.t_ns == wrong.t_ns]
        assert taken_back(entries)[wrong.t_ns].payload["seq"] == step.seq != wrong.seq


def _told(log: Log, lists: Lists) -> tuple[list[tuple[str, str | None, str | None]], list[tuple[str, str]]]:
    """Steps that count with the traces beside them, and items that are not open."""
    entries = log.journal(job=JOB, limit=-1)
    kinds = {entry.seq: entry.payload["step"] for entry in entries if entry.kind == "step"}
    steps = [(kinds[seq], pair.before, pair.after) for seq, pair in around(entries).items()]
    items = [
        (item.id, item.state)
        for each in states_of(log, job_of(log, JOB), lists)
        for item in each.items
        if item.state != "open"
    ]
    assert steps == [("reflowed", None, TRACE)]
    return steps, items
