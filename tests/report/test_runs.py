"""Bench procedures in the report: results with their uncertainty, curves, what they are compared with, cautions."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from benchd.jobs.checklist_folder import checklist_folder
from benchd.jobs.job import Job
from benchd.procedures.bins import Bin, course_of
from benchd.procedures.record import Column, Curve, Result, Run, Side
from benchd.procedures.shelf import shipped
from benchd.procedures.titles import titles_of
from benchd.report.chart import SHADE, chart, course_chart
from benchd.report.document import Document, Drawings, Facts, Table
from benchd.report.gather import gathered
from benchd.report.page import page
from benchd.report.part_runs import _parameters
from benchd.report.pdf import pdf
from benchd.report.texts import Texts
from benchd.store.log import Log
from benchd.store.procedure_rows import end_run, keep_run
from benchd.traces.picture_look import GREEN
from tests.report.making import EVIL, JOB, T0, texts_of, told

S = 10**9
CURVE = Curve(
    "leak", "Leak over voltage",
    (Column("voltage_v", "Voltage at the board", "V", (0.1, 0.2, 0.3, 0.4)),
     Column("current_a", "Current", "A", (0.001, 0.002, None, 0.004), (0.0005, 0.0005, 0.0005, 0.0005))),
    fitted=(0.001, 0.002, 0.003, 0.004),
)  # fmt: skip
GOOD = msgspec.structs.replace(
    CURVE, columns=(CURVE.columns[0], Column("current_a", "Current", "A", (0.0, 0.0, 0.0, 0.01))), fitted=()
)
COURSE = course_of(
    [Bin(T0 + n * S, T0 + n * S + S // 2, 5, 0.002 + n * 1e-4, 0.001, 0.003 + n) for n in (*range(9), *range(30, 35))],
    [(T0 + 8 * S + S // 2, T0 + 30 * S)],
)
RUN = Run(
    "P1", "leak-curve", 1, "Leak curve", JOB, T0, (Side("main", "psu", 1),), "phone-cell",
    {"limit_a": 0.1, "set": EVIL}, "anna", T0 + 5, "failed", "Ohmic: 88.9 Ω.",
    (Result("resistance", "Resistance to ground", 88.9, "Ω", 0.4, verdict="bad"),
     Result("kind", "Kind of leak", "ohmic"), Result("share", "Starts that passed", 0.95, "", None, 0.76, 0.99),
     Result("none", "Nothing", None, text="it did not start")),
    (CURVE, COURSE), cautions=("Hands off the board's button.",), compared="Against the run before: lower.",
    against=("P0", "P-gone"),
)  # fmt: skip


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Document:
    folder: Path = tmp_path_factory.mktemp("runs")
    with Log.open(folder / "log.sqlite") as log:
        log.add_job(Job(JOB, "tablet", "blue"))
        log.add_job(Job("R-0", "tablet", "blue"))
        end_run(log, msgspec.structs.replace(RUN, id="P0", job="R-0", curves=(GOOD, COURSE), began_ns=T0 - 9))
        end_run(log, RUN)
        keep_run(log, msgspec.structs.replace(RUN, id="P2", outcome="running", began_ns=T0 + 9))
        return told(gathered(log, JOB, checklist_folder(folder / "checklists").read()))


def test_a_run_has_its_sentence_its_results_and_its_cautions(measured: Document) -> None:
    words = texts_of(measured.blocks)
    assert "Measurements" in words
    assert words.count("Measurement 1: Leak curve") == 1
    assert not any("Measurement 2" in text for text in words)  # it goes on
    assert "Not passed. Ohmic: 88.9 Ω." in words
    assert "Against the run before: lower." in words
    assert any("Hands off the board's button." in text for text in words)
    table = next(block for block in measured.blocks if isinstance(block, Table) and block.head[0] == "What")
    assert table.rows == [
        ["Resistance to ground", "88.90 ± 0.40 Ω (95 %)", "bad"],
        ["Kind of leak", "ohmic", "–"],
        ["Starts that passed", "0.95  (95 %: 0.76 to 0.99)", "–"],
        ["Nothing", "it did not start", "–"],
    ]


def test_what_it_was_measured_with_is_called_as_on_its_card(measured: Document) -> None:
    facts = next(block for block in measured.blocks if isinstance(block, Facts) and block.rows[0][0] == "Limit")
    assert facts.rows == [("Limit", "0.1 A"), ("set", EVIL)]
    older = msgspec.structs.replace(RUN, version=99)
    assert (titles_of(RUN).keys() >= {"limit_a"}, titles_of(older)) == (True, {})
    starts = msgspec.structs.replace(
        RUN, card="cycle-test", title="Cycle test",
        parameters={"pass_signature": "clean-boot", "by_itself": True, "starts": 20.0},
    )  # fmt: skip
    assert _parameters(starts, Texts("de")) == [
        ("Ein Start besteht, wenn er so aussieht", "startet und kommt zur Ruhe"),
        ("Die Platine startet von selbst", "ja"),
        ("Wie viele Starts", "20"),
    ]


@pytest.mark.parametrize("name", sorted(shipped()))
def test_titles_are_those_of_the_cards(name: str) -> None:
    card = shipped()[name].card
    run = msgspec.structs.replace(RUN, card=name, title=card.title, version=card.version)
    assert titles_of(run) == {
        key: (each.title, each.unit, each.kind == "choice") for key, each in card.parameter.items()
    }


def test_its_curve_is_drawn_with_points_bars_and_the_model(measured: Document) -> None:
    drawing, _ = (each for block in measured.blocks if isinstance(block, Drawings) for each in block.items)
    assert drawing.svg.count("<circle") == 3  # one is no number
    assert drawing.svg.count("<polyline") == 3
    assert drawing.svg.count(f'stroke="{GREEN}"') == 1, "the good board"
    assert drawing.caption == "Leak over voltage; dashed: the model; thin green: a good board of this kind"
    assert drawing.alt == f"Curve: {drawing.caption}"
    assert "Current, mA" in drawing.svg
    assert chart(Curve("x", "x", (Column("a", "a", "", (1.0,)), Column("b", "b", "", (1.0,)))), Texts("en"), "") == ""


def test_a_course_is_a_band_that_is_broken_and_grey_where_nothing_was_read(measured: Document) -> None:
    _, drawing = (each for block in measured.blocks if isinstance(block, Drawings) for each in block.items)
    assert drawing.caption == "Course of the current; line: mean; shade: least to largest; grey: a gap in the record"
    assert (drawing.svg.count("<polyline"), drawing.svg.count("<polygon"), drawing.svg.count(SHADE)) == (2, 2, 1)
    assert f'stroke="{GREEN}"' not in drawing.svg, "another board's course has no time in common with it"
    assert "Time, s" in drawing.svg
    long = msgspec.structs.replace(COURSE, columns=(Column("t_s", "Time", "s", tuple(range(0, 14000, 1000))),
                                                    *COURSE.columns[1:]), gaps=())  # fmt: skip
    assert "Time, h" in (svg := course_chart(long, Texts("en"), ""))
    assert svg.count("<polyline") == 1


def test_it_is_a_page_and_a_pdf_whatever_was_typed(measured: Document) -> None:
    assert "<script>alert" not in page(measured)
    assert pdf(measured, T0).startswith(b"%PDF")
