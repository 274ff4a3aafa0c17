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
    said = dict.fromkeys(("symptom", "history", "wanted_back", "accessories"), SECRET)
    stays: dict[str, Any] = {"battery": "out", "consent": ("screen",), "state": "ready", "changed_ns": 9, "version": 3}
    job = Job("R-1", f"phone of {SECRET}", "blue-phone", created_ns=7, **said, **stays)
    assert job_without_person(job) == Job("R-1", board="blue-phone", created_ns=7, **stays)


def test_steps_checks_and_photos_keep_what_is_the_shops_own() -> None:
    step = {"step": "swapped", "label": "Swapped", "plain": "A part was replaced.", "by": "ann", "minutes": 5.0}
    check = {"list": "l", "item": "i", "label": "Antenna", "state": "done", "by": "ann"}
    photo = {"photo": 3, "width": 9, "height": 8, "bytes": 7, "by": "ann"}
    for kind, ours, typed in (
        ("step", step, ("detail", "text")), ("check", check, ("note",)), ("photo", photo, ("caption",)),
    ):  # fmt: skip
        said = entry_without_person(kind, ours | dict.fromkeys(typed, SECRET))
        assert said == ours | dict.fromkeys(typed, "")
    for kind, ours in (
        ("job-state", {"before": "testing", "after": "ready", "by": "ann"}),
        ("step-taken-back", {"seq": 4, "by": "ann"}),
        ("job-changed", {"changed": ["device"], "by": "ann"}), ("photo-removed", {"photo": 3, "by": "ann"}),
    ):  # fmt: skip
        assert entry_without_person(kind, ours) == ours


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
    st.sampled_from(
        ["note", "job-created", "consent", "reference", "step", "check", "photo", "files", "a-kind-of-tomorrow"]
    ),
    st.dictionaries(st.sampled_from(["more", "x", "n"]), st.just(SECRET) | st.integers() | st.just([SECRET])),
)
def test_free_text_stays_in_no_entry_that_people_write(kind: str, more: dict[str, Any]) -> None:
    typed = {
        "note": {"text": SECRET},
        "job-created": {"device": SECRET, "symptom": SECRET, "board": "b"},
        "consent": {"who": SECRET},
        "reference": {"note": SECRET, "text": f"is one: {SECRET}"},
        "step": {"detail": SECRET, "text": SECRET},
        "check": {"note": SECRET},
        "photo": {"caption": SECRET},
    }.get(kind, more)
    assert SECRET not in msgspec.json.encode(entry_without_person(kind, typed)).decode()
