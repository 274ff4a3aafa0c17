"""Whether the sense leads reach their clips: by four-wire arithmetic, with both, one or none of them on."""

from __future__ import annotations

import dataclasses

import pytest

from benchd.procedures.check import Output, check
from benchd.procedures.engine import Finished, run
from benchd.procedures.hands import Bounds
from benchd.procedures.resistance import Resistance
from benchd.procedures.sense_leads import judged
from benchd.procedures.shelf import shipped
from tests.procedures.hands import FakeHands, resistor
from tests.procedures.test_engine import PHONE, asked

CARD = shipped()["sense-check"].card
SENSES = {"main": Output(PHONE, 5.0, 3.0, senses=True)}


class Sensing(FakeHands):
    """Leads of 50 mΩ on each other; with so many sense leads on, each takes half of them away but for its clip."""

    def __init__(self, sense_leads: int, lead_ohm: float = 0.05) -> None:
        super().__init__({"main": resistor(lead_ohm)})
        self.without = resistor(lead_ohm)
        self.with_them = resistor((sense_leads * 2e-4 + (2 - sense_leads) * lead_ohm) / 2)
        self.answers = {"ready": True}

    async def on(self, side: str, voltage_v: float, limit_a: float, bounds: Bounds) -> None:
        self.boards[side] = self.with_them if bounds.sense == "remote" else self.without
        self.log.append(("sense", bounds.sense))
        await super().on(side, voltage_v, limit_a, bounds)


async def played(hands: Sensing, senses: bool = True) -> Finished:
    outputs = {"main": SENSES["main"]._replace(senses=senses)}
    return await run(CARD, dataclasses.replace(asked(CARD), outputs=outputs), hands)


@pytest.mark.parametrize(
    ("on", "outcome", "words", "left_ohm"),
    [
        (2, "passed", "both sense leads reach their clips", 2e-4),
        (1, "failed", "one of the two sense leads is open", 0.0251),
        (0, "failed", "neither sense lead reaches its clip", 0.05),
    ],
)
async def test_what_is_left_of_the_leads_tells_how_many_sense_leads_are_on(
    on: int, outcome: str, words: str, left_ohm: float
) -> None:
    """By four wires the leads drop out of V/I (any textbook on measurement); of two leads each has half."""
    hands = Sensing(on)
    finished = await played(hands)
    assert (finished.run.outcome, hands.now) == (outcome, {})
    assert words in finished.run.text
    without, left = finished.run.results
    assert without.value == pytest.approx(0.05, rel=0.05)
    assert isinstance(left.value, float)
    assert isinstance(left.u, float)
    assert abs(left.value - left_ohm) <= 2 * left.u
    assert [entry[1] for entry in hands.log if entry[0] == "sense"] == ["local", "remote"]
    assert [leads.sense for leads in finished.leads] == (["two-wire", "remote"] if on == 2 else ["two-wire"])


async def test_it_is_refused_where_the_supply_cannot_switch_its_sense_leads() -> None:
    hands = Sensing(2)
    finished = await played(hands, senses=False)
    assert finished.run.outcome == "refused"
    assert "that takes `sense` in the settings of its output" in finished.run.text
    assert hands.log == []
    assert check(CARD, {}, SENSES).faults == []


async def test_leads_that_the_supply_cannot_tell_from_nothing_tell_nothing() -> None:
    finished = await played(Sensing(2, lead_ohm=2e-4))
    assert finished.run.outcome == "unclear"
    assert "take a higher current" in finished.run.text


@pytest.mark.parametrize(
    ("left", "verdict"),
    [((0.002, 0.001), "good"), ((0.012, 0.002), "unclear"), ((0.025, 0.002), "bad"), ((0.037, 0.002), "unclear"),
     ((0.048, 0.002), "bad"), ((0.025, 0.02), "unclear")],
)  # fmt: skip
def test_only_what_is_sure_is_said(left: tuple[float, float], verdict: str) -> None:
    assert judged(Resistance(0.05, 0.001), Resistance(*left))[0] == verdict
