"""Runs of procedures and what leads have, in the log."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest

from benchd.jobs.job import Job
from benchd.procedures.bins import Bin, course_of
from benchd.procedures.record import Column, Curve, Happened, LeadSet, Result, Run, Side
from benchd.store.checking import check
from benchd.store.errors import LogError
from benchd.store.forgetting import forget, personal
from benchd.store.lead_rows import add_leads, lead_of, leads, newest
from benchd.store.log import Log
from benchd.store.procedure_rows import (
    MOST_BESIDE,
    beside,
    earlier_run,
    end_run,
    keep_run,
    left_running,
    reference_curves,
    reference_of,
    run_of,
    runs,
    set_reference,
    state_of,
)
from benchd.store.repairing import repair
from tests.store.making import T0

CURVE = Curve(
    "leak", "Leak", (Column("voltage_v", "Voltage", "V", (0.1, 0.2)), Column("current_a", "Current", "A", (0.0, 0.1)))
)
RUN = Run(
    "P1", "find-short", 1, "Find the short", "R-1", T0, (Side("main", "psu", 1),), "phone-cell",
    {"rail_v": 1.1, "rail": "Ms Example's rail"}, "anna",
    happened=(Happened(T0 + 1, "point", "C12 near Ms Example", {"ohm": 0.1}), Happened(T0 + 2, "off", "off")),
    results=(Result("best", "Nearest point", "C12 near Ms Example"), Result("ohm", "Resistance", 0.1, "Ω", 0.01)),
    curves=(CURVE,), text="C12 near Ms Example is nearest",
)  # fmt: skip


@pytest.fixture
def log(tmp_path: Path):
    with Log.open(tmp_path / "log.sqlite") as log:
        log.add_job(Job("R-1", board="blue"))
        log.add_job(Job("R-2", board="blue"))
        yield log


def ended(run: Run, outcome: str = "done") -> Run:
    return msgspec.structs.replace(run, outcome=outcome, ended_ns=run.began_ns + 5)  # type: ignore[arg-type]


def test_a_run_is_kept_as_it_grows_and_ended_with_an_entry(log: Log) -> None:
    keep_run(log, RUN)
    assert left_running(log) == [RUN]
    keep_run(log, RUN, {"energy_j": 1.5})
    grown = msgspec.structs.replace(RUN, text="more")
    keep_run(log, grown)
    assert (run_of(log, "P1"), state_of(log, "P1")) == (grown, {"energy_j": 1.5})
    entry = end_run(log, ended(RUN))
    assert (run_of(log, "P1"), state_of(log, "P1"), left_running(log)) == (ended(RUN), None, [])
    assert (entry.kind, entry.job, entry.supply, entry.channel) == ("procedure", "R-1", "psu", 1)
    assert entry.payload["results"][1] == {"name": "ohm", "title": "Resistance", "value": 0.1, "unit": "Ω", "u": 0.01}
    assert entry.payload["typed"] == ["best"]
    assert entry.payload["sides"] == [{"role": "main", "supply": "psu", "channel": 1}]
    assert entry.payload["ended_ns"] == T0 + 5
    assert run_of(log, "P2") is None


def test_an_interrupted_run_keeps_what_it_can_go_on_from(log: Log) -> None:
    keep_run(log, RUN, {"n": 3})
    end_run(log, ended(RUN, "interrupted"))
    assert state_of(log, "P1") == {"n": 3}


def test_runs_are_found_by_job_and_card_newest_first(log: Log) -> None:
    for n, (job, card) in enumerate([("R-1", "a"), ("R-1", "b"), ("R-2", "a"), (None, "a")]):
        keep_run(log, msgspec.structs.replace(RUN, id=f"P{n}", job=job, card=card, began_ns=T0 + n))
    assert [run.id for run in runs(log)] == ["P3", "P2", "P1", "P0"]
    assert [run.id for run in runs(log, card="a")] == ["P3", "P2", "P0"]
    assert [run.id for run in runs(log, job="R-1", card="a")] == ["P0"]
    assert [run.id for run in runs(log, limit=1)] == ["P3"]


def test_the_earlier_run_is_the_last_that_came_to_its_end(log: Log) -> None:
    for n, outcome in enumerate(["done", "stopped", "tripped"]):
        end_run(log, ended(msgspec.structs.replace(RUN, id=f"P{n}", began_ns=T0 + n), outcome))
    now = msgspec.structs.replace(RUN, id="P9", began_ns=T0 + 9)
    found = earlier_run(log, now)
    assert found is not None
    assert found.id == "P0"
    assert earlier_run(log, msgspec.structs.replace(now, job="R-2")) is None
    assert earlier_run(log, msgspec.structs.replace(now, job=None)) is None


def test_curves_of_good_boards(log: Log) -> None:
    end_run(log, ended(RUN))
    set_reference(log, "P1", "blue", "known good", "anna")
    assert reference_curves(log, "find-short", "blue") == {"P1": (CURVE,)}
    assert (reference_of(log, "P1"), reference_curves(log, "find-short", "red")) == ("blue", {})
    set_reference(log, "P1", "")
    assert reference_curves(log, "find-short", "blue") == {}
    with pytest.raises(LogError, match="P7"):
        set_reference(log, "P7", "blue")


def test_what_a_run_was_laid_beside_comes_with_it_but_for_courses(log: Log) -> None:
    course = course_of([Bin(T0, T0 + 5, 2, 0.1, 0.1, 0.1)])
    ids = [f"P{n}" for n in range(MOST_BESIDE + 2)]
    for n, id_ in enumerate(ids):
        end_run(log, ended(msgspec.structs.replace(RUN, id=id_, began_ns=T0 + n, curves=(CURVE, course))))
    now = msgspec.structs.replace(RUN, id="PX", curves=(CURVE, course), against=("P-gone", *ids))
    found = beside(log, now)
    assert [run.id for run in found] == ids[:1:-1], "the newest first"
    assert {run.curves for run in found} == {(CURVE,)}
    assert beside(log, msgspec.structs.replace(now, curves=(course,))) == []


def test_the_newest_leads_of_an_output_count(log: Log) -> None:
    first = LeadSet("psu", 1, "", 0.06, 0.002, 1.0, 21.0, T0)
    second = msgspec.structs.replace(first, ohm=0.08, t_ns=T0 + 5)
    other = msgspec.structs.replace(first, channel=2, name="long")
    for each in (first, second, other):
        entry = add_leads(log, each)
    assert (entry.kind, entry.channel, entry.payload["ohm"]) == ("lead", 2, 0.06)
    assert lead_of(log, "psu", 1) == second
    assert lead_of(log, "psu", 2) is None
    assert lead_of(log, "psu", 2, "long") == other
    assert sorted(each.t_ns for each in newest(log)) == [T0, T0 + 5]
    assert len(leads(log)) == 3


def test_forgetting_takes_what_was_typed_out_of_runs_and_leaves_their_figures(log: Log, tmp_path: Path) -> None:
    end_run(log, ended(RUN))
    assert {"C12 near Ms Example", "Ms Example's rail"} <= set(personal(log, "R-1").notes)
    new = forget(log, "R-1", T0 + 100).job
    run = run_of(log, "P1")
    assert run is not None
    assert (run.job, run.results[1].value, run.curves) == (new, 0.1, (CURVE,))
    assert run.happened[0].values == {"ohm": 0.1}
    text = msgspec.json.encode(
        [msgspec.to_builtins(run), [msgspec.to_builtins(e) for e in log.journal(None, 100)]]
    ).decode()
    assert "Example" not in text
    assert "R-1" not in text


@pytest.mark.parametrize("outcome", ["done", "interrupted"])
def test_a_run_that_goes_on_does_not_bring_back_what_was_forgotten(log: Log, outcome: str) -> None:
    """Who carries it out still has the job's id and what was typed."""
    keep_run(log, RUN, {"points": ["C12 near Ms Example"]})
    new = forget(log, "R-1", T0 + 100).job
    keep_run(log, RUN, {"points": ["C12 near Ms Example"]})
    entry = end_run(log, ended(RUN, outcome))
    run = run_of(log, "P1")
    assert run is not None
    assert (run.job, entry.job, run.outcome, run.results[1].value) == (new, new, outcome, 0.1)
    held = repr([log.rows(f"SELECT * FROM {table}") for table in ("runs", "journal", "jobs")])
    assert "Example" not in held
    assert "R-1'" not in held


def test_a_repair_makes_a_job_that_only_a_run_tells_of(log: Log) -> None:
    keep_run(log, ended(RUN))
    with log.transaction() as db:
        db.execute("DELETE FROM jobs WHERE id = 'R-1'")
        db.execute("DELETE FROM journal")
    log.close()
    assert not check(log.path).sound
    repair(log.path, datetime(2026, 3, 1, tzinfo=UTC))
    assert check(log.path).sound
    with Log.open(log.path) as repaired:
        assert (repaired.job("R-1") is not None, runs(repaired)) == (True, [ended(RUN)])


def test_a_run_that_holds_another_than_it_says_is_found(log: Log, tmp_path: Path) -> None:
    end_run(log, ended(RUN))
    add_leads(log, LeadSet("psu", 1, "", 0.06, 0.002, 1.0, 21.0, T0))
    with log.transaction() as db:
        db.execute("UPDATE runs SET outcome = 'passed'")
        db.execute("UPDATE leads SET data = 'x'")
    log.close()
    told = check(tmp_path / "log.sqlite")
    assert {"runs", "leads"} <= {fault.where for fault in told.faults}
