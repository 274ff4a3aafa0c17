"""Runs that an earlier daemon left: what became of them, and which may go on when a person says so."""

from __future__ import annotations

from datetime import datetime
from typing import NamedTuple

import msgspec

from benchd.procedures.card import Card
from benchd.procedures.record import Run
from benchd.store import procedure_rows
from benchd.store.log import Log
from benchd.web.port import Refused

LONGEST_ROW_NS = 3600 * 10**9
"""A row of readings that were joined may have begun so long before its last one, at most."""
NOBODY_LEFT = "benchd ended in the middle of it; when its outputs went off is not in this record"


class Left(NamedTuple):
    """What an interrupted run goes on with."""

    run: Run
    state: dict[str, object]
    """Of its live measurement."""
    plans: dict[str, str]
    """By role of the side, as it was begun with."""


def wrapped(state: dict[str, object], plans: dict[str, str]) -> dict[str, object]:
    """What is kept while a run goes on, so that it can be resumed."""
    return {"live": state, "plans": plans}


def end_left(log: Log, now_ns: int, going_on: frozenset[str] = frozenset()) -> list[Run]:
    """End the runs that an earlier daemon left, at their last reading; `going_on`: those of this one."""
    ended = []
    for run in procedure_rows.left_running(log):
        if run.id in going_on:
            continue
        last_ns = last_reading_ns(log, run, now_ns)
        until = datetime.fromtimestamp(last_ns / 1e9).astimezone()
        text = f"{NOBODY_LEFT}. Its last reading is of {until:%Y-%m-%d %H:%M:%S}."
        ended.append(msgspec.structs.replace(run, outcome="interrupted", text=text, ended_ns=last_ns))
        procedure_rows.end_run(log, ended[-1])
    return ended


def last_reading_ns(log: Log, run: Run, now_ns: int) -> int:
    """Of its outputs, between its beginning and now; its beginning where there is none."""
    newest = run.began_ns
    for side in run.sides:
        ((found,),) = log.rows(
            "SELECT max(t1_ns) FROM blocks WHERE supply = ? AND channel = ? AND t0_ns >= ? AND t0_ns < ?",
            (side.supply, side.channel, run.began_ns - LONGEST_ROW_NS, now_ns),
        )
        newest = max(newest, found or 0)
    return newest


def may_resume(log: Log, run: Run) -> bool:
    """Whether there is something to go on from; the card has its say when somebody asks for it."""
    return run.outcome == "interrupted" and procedure_rows.state_of(log, run.id) is not None


def left_of(log: Log, run: Run, card: Card, job: str | None) -> Left:
    """What a run goes on with. `job`: the one on the bench. Raises Refused."""
    told = f"run {run.id} ({run.title})"
    if run.outcome != "interrupted":
        raise Refused("wrong-state", f"{told} was not interrupted: it is {run.outcome}")
    kept = procedure_rows.state_of(log, run.id)
    if not card.resumes or kept is None:
        raise Refused("wrong-state", f"{told} cannot go on where it was: begin another one")
    if card.version != run.version:
        raise Refused(
            "wrong-state", f"{told} was begun with version {run.version} of its card, which is {card.version} now"
        )
    if run.job != job:
        raise Refused(
            "wrong-state",
            f"{told} is of job {run.job or 'none'}, and {job or 'none'} is on the bench: put that back first",
        )
    state, plans = kept.get("live"), kept.get("plans")
    if not isinstance(state, dict) or not isinstance(plans, dict):
        raise Refused("wrong-state", f"{told}: what it would go on from cannot be read: begin another one")
    return Left(run, state, {str(role): str(plan) for role, plan in plans.items()})
