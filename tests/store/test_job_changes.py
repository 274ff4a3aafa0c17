"""A job is changed by one person at a time, found by its words, and has an id that no other ever had."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from benchd.jobs.job import Job
from benchd.store.forgetting import forget
from benchd.store.job_changes import StaleJob, add_made_job, change_job, next_job_id, set_state
from benchd.store.log import Log, LogError


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    with Log.open(tmp_path / "l.sqlite") as db:
        db.add_job(
            Job("R-1042", "phone, blue", "blue-phone", "no start", 7, history="fell into WATER", consent=("seal",))
        )
        yield db


def test_all_that_was_said_at_intake_is_kept(log: Log) -> None:
    full = Job("R-2", "tablet", "t-main", "dark", 9, "dropped", "the pictures in it", "swollen", "case, card",
               ("data-loss", "screen"), "looking")  # fmt: skip
    made = log.add_job(full)
    assert (made.version, made.changed_ns) == (1, 9)
    assert log.job("R-2") == made
    assert log.jobs()[0] == made


def test_a_change_counts_up_and_the_journal_names_the_fields(log: Log) -> None:
    after = change_job(
        log, "R-1042", {"device": "phone, green", "battery": "out", "board": "blue-phone"}, "ann", seen=1
    )
    assert (after.device, after.battery, after.version) == ("phone, green", "out", 2)
    assert after.changed_ns > after.created_ns
    assert log.job("R-1042") == after
    (entry,) = log.journal("R-1042", kinds=["job-changed"])
    assert entry.payload == {"changed": ["battery", "device"], "by": "ann"}


def test_what_changes_nothing_is_not_written(log: Log) -> None:
    before = log.job("R-1042")
    assert change_job(log, "R-1042", {"device": "phone, blue", "consent": ("seal",)}, "ann") == before
    assert set_state(log, "R-1042", "taken-in", "ann") == before
    assert [e.kind for e in log.journal("R-1042")] == ["job-created"]


def test_who_has_read_an_older_state_is_told_of_the_present_one(log: Log) -> None:
    set_state(log, "R-1042", "repairing", "ben", seen=1)
    for change in (
        lambda: change_job(log, "R-1042", {"symptom": "dead"}, "ann", seen=1),
        lambda: set_state(log, "R-1042", "ready", "ann", seen=1),
    ):
        with pytest.raises(StaleJob, match="job R-1042 was changed meanwhile") as told:
            change()
        assert told.value.present == log.job("R-1042")
        assert (told.value.present.state, told.value.present.symptom) == ("repairing", "no start")
    (entry,) = log.journal("R-1042", kinds=["job-state"])
    assert entry.payload == {"before": "taken-in", "after": "repairing", "by": "ben"}
    assert change_job(log, "R-1042", {"symptom": "dead"}, "a script").version == 3  # one that says nothing of a version


def test_a_job_that_is_not_there(log: Log) -> None:
    with pytest.raises(LogError, match="job 'R-9' is not in this log"):
        change_job(log, "R-9", {}, "ann")


@pytest.mark.parametrize(("text", "ids"), [
    ("", ["R-7", "R-1042"]),
    ("water", ["R-1042"]), ("BLUE phone", ["R-1042"]), ("1042", ["R-1042"]), ("phone tablet", []),
    ("größe", ["R-7"]), ("GRÖSSE", ["R-7"]), ("100% _", ["R-7"]), ("50%", []), ("ｔａｂｌｅｔ", ["R-7"]),
])  # fmt: skip
def test_it_is_found_by_its_words_in_any_case(log: Log, text: str, ids: list[str]) -> None:
    log.add_job(Job("R-7", "Tablet, andere Größe", "t", "100% _ dark", 8))
    assert [job.id for job in log.find_jobs(text)] == ids


def test_it_is_found_by_state_and_board(log: Log) -> None:
    log.add_job(Job("R-7", "tablet", "t", created_ns=8, state="ready"))
    assert [job.id for job in log.find_jobs(state="ready")] == ["R-7"]
    assert [job.id for job in log.find_jobs(board="blue-phone", state="taken-in")] == ["R-1042"]
    assert log.find_jobs("tablet", board="blue-phone") == []
    assert [job.id for job in log.find_jobs(limit=1)] == ["R-7"]


def test_the_next_id_is_above_all_and_none_comes_twice(log: Log) -> None:
    assert next_job_id(log, "R-{number}") == "R-1043"
    assert next_job_id(log, "{number}.b") == "1.b"
    log.add_job(Job("R-9999x"))
    log.add_job(Job("XR-5000"))
    log.add_job(Job("R-0044"))
    made = add_made_job(log, Job("", "tablet"), "R-{number}")
    assert (made.id, made.device) == ("R-1043", "tablet")
    forget(log, "R-1043", 5)
    assert add_made_job(log, Job(""), "R-{number}").id == "R-1044"
