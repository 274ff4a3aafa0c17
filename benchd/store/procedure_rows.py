"""Runs of procedures in the log: kept while they go on, ended with an entry of the journal, listed, and those on good
boards."""

from __future__ import annotations

import msgspec

from benchd.jobs.job import JournalEntry
from benchd.procedures.record import Curve, Run, comparable, results_with_typed, run_without_person
from benchd.store.errors import LogError
from benchd.store.log import Log

ENDED = "procedure"
"""Kind of the journal's entry."""
REFERENCE = "reference"
"""Of one that says that a run is a reference, as of traces."""
MOST_BESIDE = 8
"""Our choice: more lines in one picture are not told apart."""
_RUN = msgspec.json.Decoder(Run)
_STATE = msgspec.json.Decoder(dict[str, object])


def keep_run(log: Log, run: Run, state: dict[str, object] | None = None) -> None:
    """Keep how a run stands; with the state of its live measurement, where there is one to go on from."""
    with log.transaction() as db:
        run, forgotten = _as_known(log, run)
        state = None if forgotten else state
        db.execute(
            "INSERT INTO runs (id, card, job, began_ns, ended_ns, outcome, data, state) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
            " ON CONFLICT (id) DO UPDATE SET ended_ns = excluded.ended_ns, outcome = excluded.outcome,"
            " data = excluded.data, state = coalesce(excluded.state, state)",
            (run.id, run.card, run.job, run.began_ns, run.ended_ns, run.outcome, data_of(run), _state_text(state)),
        )


def end_run(log: Log, run: Run) -> JournalEntry:
    """Keep an ended run, drop the state that it went on by, and write it into the journal; one transaction."""
    with log.transaction() as db:
        run, _ = _as_known(log, run)
        keep_run(log, run)
        if run.outcome != "interrupted":  # that may be resumed
            db.execute("UPDATE runs SET state = NULL WHERE id = ?", (run.id,))
        side = run.sides[0] if run.sides else None
        return log.add_entry(
            ENDED,
            job=run.job,
            supply=side.supply if side else None,
            channel=side.channel if side else None,
            payload=told_of(run),
        )


def told_of(run: Run) -> dict[str, object]:
    """What the journal says of a run: its results in short; the rest is in the run.

    `typed`: names of results that hold what somebody typed, which followers leave out.
    """
    results = [
        {
            key: value
            for key in ("name", "title", "value", "unit", "u", "low", "high", "verdict")
            if (value := getattr(each, key)) not in (None, "")
        }
        for each in run.results
    ]
    told: dict[str, object] = {
        "run": run.id, "card": run.card, "title": run.title, "outcome": run.outcome, "text": run.text,
        "results": results, "typed": results_with_typed(run), "began_ns": run.began_ns, "ended_ns": run.ended_ns,
        "sides": msgspec.to_builtins(run.sides), "by": run.by,
    }  # fmt: skip
    return told | ({"compared": run.compared} if run.compared else {})


def run_of(log: Log, id_: str) -> Run | None:
    """A run; None where there is none of that id."""
    found = log.rows("SELECT data, job FROM runs WHERE id = ?", (id_,))
    return decoded(*found[0]) if found else None


def runs(log: Log, job: str | None = None, card: str | None = None, limit: int = 100) -> list[Run]:
    """Runs to which all that is given applies, newest first; limit below 0: all."""
    wanted = {"job": job, "card": card}
    where = " AND ".join(f"{column} = ?" for column, value in wanted.items() if value is not None) or "1"
    values = [value for value in wanted.values() if value is not None]
    sql = f"SELECT data, job FROM runs WHERE {where} ORDER BY began_ns DESC LIMIT ?"  # noqa: S608
    return [decoded(*row) for row in log.rows(sql, (*values, limit))]


def left_running(log: Log) -> list[Run]:
    """Runs that an earlier daemon did not end."""
    return [
        decoded(*row) for row in log.rows("SELECT data, job FROM runs WHERE outcome = 'running' ORDER BY began_ns", ())
    ]


def earlier_run(log: Log, run: Run) -> Run | None:
    """The run of the same card in the same job before this one, that was carried out to its end."""
    if run.job is None:
        return None
    found = log.rows(
        "SELECT data, job FROM runs WHERE job = ? AND card = ? AND began_ns < ? AND id != ?"
        " AND outcome IN ('passed', 'failed', 'done', 'unclear') ORDER BY began_ns DESC LIMIT 1",
        (run.job, run.card, run.began_ns, run.id),
    )
    return decoded(*found[0]) if found else None


def state_of(log: Log, id_: str) -> dict[str, object] | None:
    """What a live measurement left for going on; None: nothing."""
    found = log.rows("SELECT state FROM runs WHERE id = ? AND state IS NOT NULL", (id_,))
    return _STATE.decode(found[0][0]) if found else None


def set_reference(log: Log, id_: str, board: str, note: str = "", by: str = "") -> Run:
    """Make a run a reference for a kind of board; empty: it is none any more. Raises LogError where there is none."""
    run = run_of(log, id_)
    if run is None:
        raise LogError(f"run {id_!r} is not in this log")
    with log.transaction() as db:
        db.execute("UPDATE runs SET reference = ? WHERE id = ?", (board, id_))
        text = f"run {id_} ({run.title}) is a reference for {board}" if board else f"run {id_} is no reference any more"
        text += f": {note}" if note else ""
        log.add_entry(
            REFERENCE, job=run.job, payload={"run": id_, "board": board, "note": note, "by": by, "text": text}
        )
    return run


def reference_of(log: Log, id_: str) -> str:
    """The kind of board that a run is a reference for; empty: none."""
    found = log.rows("SELECT reference FROM runs WHERE id = ?", (id_,))
    return str(found[0][0]) if found else ""


def reference_curves(log: Log, card: str, board: str) -> dict[str, tuple[Curve, ...]]:
    """Curves of a card's runs on good boards of a kind, by run id."""
    if not board:
        return {}
    found = log.rows("SELECT data, job FROM runs WHERE reference = ? AND card = ? ORDER BY began_ns", (board, card))
    return {run.id: run.curves for run in (decoded(*row) for row in found)}


def beside(log: Log, run: Run) -> list[Run]:
    """The runs on good boards that a run was laid beside, the newest first, `MOST_BESIDE` at most. They have only those
    of their curves that are comparable and that it has, too; a run without such a curve is left out."""
    names = {curve.name for curve in run.curves if comparable(curve)}
    found: list[Run] = []
    for id_ in reversed(run.against):
        good = run_of(log, id_) if names and len(found) < MOST_BESIDE else None
        if good is not None and (curves := tuple(curve for curve in good.curves if curve.name in names)):
            found.append(msgspec.structs.replace(good, curves=curves))
    return found


def data_of(run: Run) -> str:
    """A run as its row has it: the job stands in a column of its own, so that it can be renamed."""
    return msgspec.json.encode(msgspec.structs.replace(run, job=None)).decode()


def decoded(data: str, job: str | None) -> Run:
    """A run from its row. Raises msgspec.DecodeError."""
    return msgspec.structs.replace(_RUN.decode(data), job=job)


def _as_known(log: Log, run: Run) -> tuple[Run, bool]:
    """The run as the log may have it, and whether its job was forgotten: whoever carries it out knows the job's id and
    what was typed as they were when it began, and must not bring them back."""
    found = log.rows(
        "SELECT job, EXISTS (SELECT 1 FROM forgotten WHERE job = runs.job) FROM runs WHERE id = ?", (run.id,)
    )
    if not found:
        return run, False
    job, forgotten = found[0]
    run = msgspec.structs.replace(run, job=job)
    return (run_without_person(run), True) if forgotten else (run, False)


def _state_text(state: dict[str, object] | None) -> str | None:
    return None if state is None else msgspec.json.encode(state).decode()
