"""What people typed does not stay where a job is to be without it."""

from __future__ import annotations

from typing import Any

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from benchd.jobs.job import Job
from benchd.jobs.personal import entry_without_person, job_without_person

SECRET = "Ms Invented, 0123"


def test_a_job_keeps_its_id_its_board_and_its_time() -> None:
    job = Job("R-1", f"phone of {SECRET}", "blue-phone", SECRET, 7)
    assert job_without_person(job) == Job("R-1", "", "blue-phone", "", 7)


def test_a_note_goes_whole_and_what_benchd_wrote_stays() -> None:
    assert entry_without_person("note", {"text": SECRET}) is None
    trip = {"rule": "short", "text": "0.10 V at the 1.0 A limit"}
    assert entry_without_person("trip", trip) == trip


def test_a_references_text_loses_the_note_behind_its_colon() -> None:
    said = {"board": "b", "note": SECRET, "by": "page", "text": f"trace T is a reference for b: {SECRET}"}
    assert entry_without_person("reference", said) == {
        "board": "b", "note": "", "by": "page", "text": "trace T is a reference for b",
    }  # fmt: skip


def test_the_id_that_a_job_had_elsewhere_goes_too() -> None:
    said = {"text": "taken in from an archive of bench b, where it was job R-1", "from_bench": "b", "packed_as": "R-1"}
    assert entry_without_person("unpacked", said) == {"text": "taken in from an archive of bench b", "from_bench": "b"}


@given(
    st.sampled_from(["note", "job-created", "consent", "reference", "a-kind-of-tomorrow"]),
    st.dictionaries(st.sampled_from(["more", "x", "n"]), st.just(SECRET) | st.integers() | st.just([SECRET])),
)
def test_free_text_stays_in_no_entry_that_people_write(kind: str, more: dict[str, Any]) -> None:
    typed = {
        "note": {"text": SECRET},
        "job-created": {"device": SECRET, "symptom": SECRET, "board": "b"},
        "consent": {"who": SECRET},
        "reference": {"note": SECRET, "text": f"is one: {SECRET}"},
    }.get(kind, more)
    assert SECRET not in msgspec.json.encode(entry_without_person(kind, typed)).decode()
