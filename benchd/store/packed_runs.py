"""Runs of procedures in the archive of a job: out of a log, checked, and into another.

A run that still goes on stays out. What leads have stays out, too: they belong to the bench, not to the job.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator, Mapping

import msgspec

from benchd.procedures.record import Curve, Happened, Run, run_without_person
from benchd.store.log import Log
from benchd.store.packed import PackedRun
from benchd.store.procedure_rows import data_of, reference_of, run_of, runs


def packed_runs(
    log: Log, job: str, photos: Mapping[int, int], traces: Collection[str], without_person: bool
) -> list[PackedRun]:
    """The ended runs of a job, oldest first. `photos`: their numbers in the archive; `traces`: which are in it."""
    ended = [run for run in reversed(runs(log, job, limit=-1)) if run.outcome != "running"]
    ids = {run.id for run in ended}
    out = []
    for run in ended:
        clean = run_without_person(run) if without_person else run
        kept = msgspec.structs.replace(
            clean,
            job=None,
            happened=_with_photos(clean.happened, {str(there): str(n) for there, n in photos.items()}),
            traces=tuple(trace for trace in clean.traces if trace in traces),
            earlier=clean.earlier if clean.earlier in ids else "",
            against=tuple(id for id in clean.against if id in ids),
        )
        out.append(PackedRun(kept, reference_of(log, run.id)))
    return out


def _with_photos(happened: tuple[Happened, ...], numbers: Mapping[str, str]) -> tuple[Happened, ...]:
    return tuple(
        msgspec.structs.replace(each, photo=numbers.get(each.photo, "")) if each.photo else each for each in happened
    )


def fault_of(packed: PackedRun, earlier: Collection[str], photos: int) -> str:
    """What is wrong with a run beside its ids, names, numbers and texts; empty: nothing. `earlier`: ids of those before
    it; `photos`: how many are in the archive."""
    run = packed.run
    if run.job is not None:
        return f"names job {run.job!r}, which stands in job.json"
    if run.outcome == "running":
        return f"run {run.id} still goes on"
    if run.earlier and run.earlier not in earlier:
        return f"is compared with run {run.earlier!r}, which is none before it"
    numbered = {str(n) for n in range(1, photos + 1)}
    if strange := next((each.photo for each in run.happened if each.photo and each.photo not in numbered), ""):
        return f"photo {strange!r} is not in photos.jsonl"
    if uneven := next((curve.name for curve in run.curves if not _even(curve)), None):
        return f"curve {uneven!r} has columns of unequal length"
    return ""


def _even(curve: Curve) -> bool:
    if len(curve.columns) < 2:
        return False
    rows = len(curve.columns[0].values)
    lists = [*(column.values for column in curve.columns)]
    optional = [*(column.u for column in curve.columns), curve.fitted, curve.weights]
    return all(len(each) == rows for each in lists) and all(len(each) in (0, rows) for each in optional)


def numbers_in(run: Run) -> Iterator[int | None]:
    """All whole numbers of a run that a row or a program takes as they are."""
    yield from (run.began_ns, run.ended_ns, run.version)
    yield from (moment.t_ns for moment in run.happened)
    for curve in run.curves:
        yield curve.t0_ns
        yield from curve.weights


def texts_in(packed: PackedRun) -> Iterator[str]:
    """All texts of a run that somebody may be shown."""
    run = packed.run
    yield from (packed.reference, run.card, run.title, run.plan, run.by, run.text, run.compared, *run.cautions)
    yield from (value for value in run.parameters.values() if isinstance(value, str))
    for result in run.results:
        yield from (result.name, result.title, result.unit, result.text)
        if isinstance(result.value, str):
            yield result.value
    for moment in run.happened:
        yield moment.text
        yield from (value for value in moment.values.values() if isinstance(value, str))
    for curve in run.curves:
        yield from (curve.name, curve.title)
        yield from (text for column in curve.columns for text in (column.name, column.title, column.unit))


def ids_here(log: Log, packed: Collection[PackedRun]) -> dict[str, str]:
    """There → here: another id where the log has a run of that id."""
    out: dict[str, str] = {}
    used = {each.run.id for each in packed}
    for each in packed:
        id, n = each.run.id, 1
        while run_of(log, id) is not None or (n > 1 and id in used):
            n += 1
            id = f"{each.run.id}-{n}"
        used.add(id)
        out[each.run.id] = id
    return out


def insert(
    db: sqlite3.Connection,
    packed: PackedRun,
    job: str,
    ids: Mapping[str, str],
    supplies: Mapping[str, str],
    traces: Mapping[str, str],
    photos: Mapping[int, int],
    with_reference: bool,
) -> None:
    """A run as a row, under the names that hold here. It cannot go on where it was."""
    was = packed.run
    run = msgspec.structs.replace(
        was,
        id=ids[was.id],
        sides=tuple(msgspec.structs.replace(side, supply=supplies[side.supply]) for side in was.sides),
        happened=_with_photos(was.happened, {str(n): str(here) for n, here in photos.items()}),
        traces=tuple(traces[trace] for trace in was.traces),
        earlier=ids.get(was.earlier, ""),
        against=tuple(ids[id] for id in was.against if id in ids),
    )
    db.execute(
        "INSERT INTO runs (id, card, job, began_ns, ended_ns, outcome, reference, data)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (run.id, run.card, job, run.began_ns, run.ended_ns, run.outcome, packed.reference if with_reference else "",
         data_of(run)),
    )  # fmt: skip
