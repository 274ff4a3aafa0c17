"""What a report tells of a job: for the technician everything, for the customer one page in plain words."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.jobs.job import Job
from benchd.report.document import Document, Drawings, Facts, Heading, Para, Table, Ticks
from benchd.report.gather import Gathered, NoJob
from benchd.report.make import document
from benchd.report.order import Order
from benchd.report.texts import Texts
from benchd.store.log import Log
from tests.report.making import JOB, T0, file, read_job, stalled, step, texts_of, told


@pytest.fixture(scope="module")
def full(job: Gathered) -> Document:
    return told(job)


def headings(document: Document) -> list[str]:
    return [block.text for block in document.blocks if isinstance(block, Heading) and block.level == 1]


def facts(document: Document) -> dict[str, str]:
    return dict(row for block in document.blocks if isinstance(block, Facts) for row in block.rows)


def test_its_parts_stand_in_the_order_in_which_they_are_asked_for(full: Document) -> None:
    assert headings(full) == [
        "The device", "What was found", "What was done", "Power-ups and their findings", "Trips", "Checklists",
        "Photos", "Cautions", "How it was measured",
    ]  # fmt: skip


@pytest.mark.parametrize("audience", ["technician", "customer"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_a_bench_without_a_name_is_not_named(job: Gathered, audience: str, language: str) -> None:
    made = document(job, Texts(language), Order(job.job.id, "", audience=audience, bench="bench"), T0)
    assert "bench bench" not in f"{made.foot} {texts_of(made.blocks)}"
    assert "Platz bench" not in f"{made.foot} {texts_of(made.blocks)}"
    assert job.job.id in made.foot


def test_what_was_found_first_and_last(full: Document) -> None:
    words = texts_of(full.blocks)
    assert "low-stall (stalls at a few tens of mA), " in words[words.index("What was found") + 2]
    assert any(w.startswith("Last power-up (trace 3, ") and "clean-boot" in w for w in words)


def test_each_step_has_the_traces_before_and_after_it(full: Document) -> None:
    pairs = [[d.caption for d in block.items] for block in full.blocks if isinstance(block, Drawings)][:2]
    assert [[c.split(",")[0] for c in pair] for pair in pairs] == [
        ["Before: trace 1", "After: trace 2"],
        ["Before: trace 2", "After: trace 3"],
    ]
    words = texts_of(full.blocks)
    assert any(w.endswith(" Reflowed (12 min, by tablet 1)") for w in words)
    gone = next(w for w in words if "Swapped part" in w)
    assert gone.endswith("(by tablet 1, taken back by tablet 1)")


def test_findings_have_evidence_with_uncertainty_and_the_same_checks_once(full: Document) -> None:
    words = texts_of(full.blocks)
    assert any("it stays at 60.0 mA ± " in w and "(k = 2)" in w for w in words)
    assert words.count("Measure the storage's supply rails, then its clock.") == 1
    assert "Next checks: those of trace 1." in words
    (table,) = (block for block in full.blocks if isinstance(block, Table))
    assert [row[0] for row in table.rows] == ["1", "2", "3"]


def test_trips_have_what_was_let_through_and_an_output_that_may_be_on_is_loud(full: Document) -> None:
    words, told_ = texts_of(full.blocks), facts(full)
    assert Para("In trip 2 the output could not be confirmed off.", "loud") in full.blocks
    assert "confirmed by reading it back, 1.96 ms after it was sent" in words
    assert told_["Off"] == "NOT CONFIRMED: the output may have stayed on"
    # 0.002 C, 0.2 mJ and 0.002 A²s, as the trip's record has them.
    assert [told_[f"{what} let through"].split(";")[0] for what in ("Charge", "Energy", "I²t")] == [
        "2 mC", "200 µJ", "0.002 A²s"
    ]  # fmt: skip


def test_what_was_not_ticked_is_told_as_not_done(full: Document) -> None:
    rows = {row.label: row for block in full.blocks if isinstance(block, Ticks) for row in block.rows}
    assert (rows["Dry, also under shields"].tick, rows["Dry, also under shields"].state) == ("open", "not done")
    assert rows["Flux and residues washed off, board dry"].state == "done"
    assert rows["Screen: picture, brightness, touch over the whole area"].state == "not needed"
    loud = [block.text for block in full.blocks if isinstance(block, Para) and block.look == "loud"]
    assert "16 items not done." in loud
    assert "No step on a storage chip was written down, and nothing of this list was ticked." in texts_of(full.blocks)


def test_how_it_was_measured(full: Document) -> None:
    told_ = facts(full)
    assert told_["Accuracy of current"] == "± (0.1 % of the reading + 2.00 mA), steps of 1.00 mA"
    assert told_["Accuracy of voltage"] == "± (0.05 % of the reading)"
    assert told_["Readings"] == "50.0 a second"
    assert "psu-40: EXAMPLE,X-1,S1,1.0 (profile generic-scpi, tried on a simulation)" in texts_of(full.blocks)
    assert told_["Versions"].startswith("benchd 0.")
    assert "low-stall@1" in told_["Versions"]


def test_the_customer_reads_plain_words_and_no_figure(job: Gathered) -> None:
    page = told(job, "customer")
    words = texts_of(page.blocks)
    assert page.one_page
    assert "The device began to start and stopped at a very early point." in words
    done = [w for w in words if w.startswith(("The board was c", "The solder"))]
    assert done == ["The board was cleaned.", "The solder joints of a part were melted anew."]
    assert "Being tested. The device starts and comes to rest, as a good one does." in words
    assert any("2 times" in w and "Once it could not be confirmed" in w for w in words)
    assert "2 of 18 checks of our list were done." in words
    assert not [w for w in words if " mA" in w or "±" in w or "low-stall" in w]


def test_the_same_in_german(job: Gathered) -> None:
    words = texts_of(told(job, language="de").blocks)
    assert any("bleibt er bei 60,0 mA ± " in w for w in words)
    assert "Abschirmungen und Wärmeleitpads wieder darauf" in words
    assert any(w.endswith(" Nachgelötet (12 min, von tablet 1)") for w in words)
    assert "Das Gerät begann zu starten und blieb ganz am Anfang stehen." in texts_of(
        told(job, "customer", "de").blocks
    )


def test_a_job_without_anything_is_a_report_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "benchd.sqlite"
    with Log.open(path) as log:
        log.add_job(Job(JOB, created_ns=T0))
    g = read_job(path)
    words = texts_of(told(g).blocks)
    assert "No power-up was recorded for this job: there is no measured finding." in words
    assert "No steps or notes were written down." in words
    assert "We have not measured a start of the device yet." in texts_of(told(g, "customer").blocks)
    with pytest.raises(NoJob, match="job 'R-9' is not in the log"):
        read_job(path, "R-9")


def test_a_trace_that_cannot_be_read_is_told_and_the_others_are_drawn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "benchd.sqlite"
    with Log.open(path) as log:
        log.add_job(Job(JOB, created_ns=T0))
        bad = file(log, stalled(1), 40)
        file(log, stalled(2), 90)
        step(
            log,
            "storage-lifted",
            100,
            label="Storage chip lifted",
            anyway=["Marking, orientation and pin 1 photographed"],
        )
    whole_trace = Log.whole_trace

    def damaged(log: Log, trace: str) -> object:
        if trace == bad:
            raise ValueError("row 3: wrong checksum")
        return whole_trace(log, trace)

    monkeypatch.setattr(Log, "whole_trace", damaged)
    g = read_job(path)
    assert [traced.scene is not None for traced in g.traces] == [False, True]
    words = texts_of(told(g).blocks)
    assert "Its readings could not be drawn: row 3: wrong checksum." in words
    assert "Done though these were not ticked: Marking, orientation and pin 1 photographed." in words
    assert "The board was not powered after this step." in words
    assert "A step on a storage chip was taken: its identity data may have been the only copy." in words


def test_what_was_done_stands_in_order_of_time_though_a_trace_is_filed_later(full: Document) -> None:
    words = texts_of(full.blocks)
    order = [next(n for n, w in enumerate(words) if f" {what}" in w) for what in ("Cleaned", "Trace 2:", "Reflowed")]
    assert order == sorted(order)
