"""A battery with a resistance of its own, played by the supply; and the soak."""

from __future__ import annotations

import asyncio

import pytest

from benchd.procedures.record import Run
from benchd.procedures.shelf import shipped
from tests.procedures.hands import FakeHands
from tests.procedures.test_engine import played


def tried(cut_off_v: float, source_mohm: float) -> tuple[FakeHands, Run]:
    """A board that draws 0.2 A, from 3 s on 1 A, and gives up below a voltage."""
    alive = [True]

    def board(set_v: float, limit_a: float, _: float) -> tuple[float, float]:
        if set_v < cut_off_v:
            alive[0] = False
        amps = (1.0 if hands.at_s > 3 else 0.2) if alive[0] else 0.0
        return set_v, amps

    hands = FakeHands({"main": board}, exact=True)
    hands.answers = {"ready": True}
    done = asyncio.run(played(shipped()["source-sag"].card, hands, source_mohm=source_mohm, longest_s=8.0)).run
    assert hands.now == {}
    return hands, done


def test_the_voltage_follows_the_current_by_ohms_law() -> None:
    """4.0 V less 0.3 Ω times 0.2 A and 1 A: 3.94 and 3.70 V."""
    hands, done = tried(3.0, 300)
    assert done.outcome == "passed"
    assert [entry[2] for entry in hands.log if entry[0] == "change"] == pytest.approx([3.94, 3.70], abs=1e-6)
    assert "With 300 mΩ in line the voltage went down to 3.7 V, and it went on." in done.text
    rows = {row.name: row for row in done.results}
    assert rows["lowest_set"].value == pytest.approx(3.7)


def test_a_board_that_gives_up_ends_it() -> None:
    hands, done = tried(3.8, 300)
    assert done.outcome == "failed"
    assert "it gave up at 3.7 V" in done.text
    assert hands.at_s < 8


def test_it_says_how_often_it_could_follow() -> None:
    _, done = tried(3.0, 300)
    pace = next(row for row in done.results if row.name == "pace")
    assert "times a second at the most: sags shorter than some" in pace.text


def test_never_below_what_was_said() -> None:
    hands, _ = tried(1.0, 5000)
    assert min(entry[2] for entry in hands.log if entry[0] == "change") == pytest.approx(2.4)  # type: ignore[type-var]


def test_the_soak_watches_without_a_zero() -> None:
    hands = FakeHands({"main": lambda v, a, _: (v, 0.25)})
    hands.answers = {"ready": True}
    done = asyncio.run(played(shipped()["soak"].card, hands, hours=0.02, boot_s=1.0)).run
    rows = {row.name: row for row in done.results}
    assert done.outcome == "done"
    assert abs(rows["mean"].value - 0.25) <= rows["mean"].u  # type: ignore[operator]
    assert shipped()["soak"].card.resumes
