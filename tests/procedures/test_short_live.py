"""Finding a short: resistance and tone as the probe moves, pulses, points, and what ends it."""

from __future__ import annotations

import asyncio

import numpy as np
import pytest

from benchd.procedures.record import LeadSet, Run
from benchd.procedures.shelf import shipped
from benchd.procedures.short_live import ShortLive
from benchd.procedures.taken import Taken
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions
from tests.procedures.hands import T0, FakeHands, resistor
from tests.procedures.test_engine import PHONE, played

CARD = shipped()["find-short"].card
LEADS = LeadSet("psu", 1, "", 0.06, 0.001, 1.0, None, T0)


def found(hands: FakeHands, **parameters: float) -> Run:
    hands.answers = {"ready": True}
    return asyncio.run(played(CARD, hands, **{"rail_v": 1.1, **parameters})).run


def probed(
    places: list[tuple[float, str, float]], until_s: float, after_s: float = 1.0, **parameters: float
) -> tuple[FakeHands, Run]:
    """A probe that is moved: (from s, name of the point, resistance of the rail from there)."""
    hands = FakeHands({"main": resistor(1.0)})
    hands.lead = LEADS
    said: set[str] = set()

    def script(now: FakeHands) -> None:
        for from_s, name, ohm in places:
            if now.at_s >= from_s:
                now.boards["main"] = resistor(0.06 + ohm)
            if now.at_s >= from_s + after_s and name not in said:
                said.add(name)
                now.said.append(("point", name))
        if now.at_s >= until_s:
            now.said.append(("done", ""))

    hands.script = script
    return hands, found(hands, **parameters)


PLACES = [(0.0, "coil", 0.140), (2.0, "C12", 0.060), (4.0, "C14", 0.020)]


def test_the_point_with_the_lowest_resistance_is_nearest_and_sings_highest() -> None:
    hands, run = probed([*PLACES, (6.0, "coil again", 0.141)], 9.0)
    assert run.outcome == "done"
    assert run.text.startswith("The lowest resistance is at C14: ")
    assert "less than at C12: the short is nearest there." in run.text
    assert [(row.title, row.name) for row in run.results[:3]] == [
        ("C14", "point_1"),
        ("C12", "point_2"),
        ("coil", "point_3"),
    ]
    for row, ohm in zip(run.results[:3], (0.020, 0.060, 0.140), strict=True):
        assert abs(row.value - ohm) <= 1.2 * row.u  # type: ignore[operator]
    ears = [p.told.ear for p in hands.told if p.told is not None and p.told.ear is not None]
    assert max(ears[: len(ears) // 2]) == 1.0
    assert ears[-1] == pytest.approx(0.0, abs=0.02)
    assert [m.text for m in run.happened if m.kind == "point"] == ["coil", "C12", "C14", "coil again"]
    assert hands.now == {}


def test_points_that_noise_cannot_tell_apart_are_named_together() -> None:
    _, run = probed([(0.0, "C12", 0.0200), (2.0, "C13", 0.02001)], 4.0)
    assert "it cannot be told apart from" in run.text


@pytest.mark.parametrize(("other_ohm", "apart"), [(0.0576, False), (0.0676, True)])
def test_points_that_read_one_step_apart_are_not_told_apart(other_ohm: float, apart: bool) -> None:
    """At 2 A a step of 10 mV is 5 mΩ: 0.2 mΩ can make that, 10 mΩ make two steps."""
    coarse = Conditions(resolution_v=0.01, resolution_a=0.001)
    live = ShortLive(Taken(PHONE, {"limit_a": 2.0}, {"main": coarse}, {"main": None}))
    for place, (name, ohm) in enumerate([("C12", 0.0574), ("C13", other_ohm)]):
        t_ns = T0 + place * 10**9 + np.arange(20) * 50_000_000
        volts, same = np.full(20, round(ohm * 2.0 / 0.01) * 0.01), np.zeros(20, np.uint8)
        live.feed("main", Samples(t_ns, volts, np.full(20, 2.0), same, same))
        live.point(name, int(t_ns[-1]))
    told = live.analysed().text
    assert ("the short is nearest there" in told) is apart
    assert ("it cannot be told apart from C13" in told) is not apart


def test_without_leads_it_says_so() -> None:
    hands = FakeHands({"main": resistor(0.1)})
    hands.script = lambda now: now.said.append(("done", "")) if now.at_s > 2 else None
    run = found(hands)
    assert run.text == "No point was kept."
    assert any("measure those first" in p.told.text for p in hands.told if p.told is not None)


def test_a_probe_that_does_not_touch_is_silent() -> None:
    hands = FakeHands({"main": resistor(1e6)})
    hands.script = lambda now: now.said.append(("done", "")) if now.at_s > 2 else None
    found(hands)
    told = [p.told for p in hands.told if p.told is not None]
    assert all(each.ear is None and "does not touch" in each.text for each in told)


def test_it_ends_by_itself_after_its_energy_and_after_its_time() -> None:
    hands = FakeHands({"main": resistor(0.1)})
    run = found(hands, energy_j=0.5, limit_a=1.0)
    assert 0.5 <= next(row.value for row in run.results if row.name == "energy") < 0.55  # 0.1 W for 5 s
    assert hands.at_s == pytest.approx(5, abs=0.6)
    hands = FakeHands({"main": resistor(0.1)})
    found(hands, longest_s=7.0, limit_a=0.1)
    assert hands.at_s == pytest.approx(7, abs=0.3)


def test_pulses_keep_the_heat_down_and_only_their_readings_count() -> None:
    places = [(2 * from_s, name, ohm) for from_s, name, ohm in PLACES]
    hands, run = probed(places, 12.0, 3.5, pulse_on_s=0.5, pulse_off_s=1.0, limit_a=2.0, power_w=1.0)
    _, steady = probed(places, 12.0, limit_a=2.0, power_w=1.0)
    energy, steady_j = (next(r.value for r in each.results if r.name == "energy") for each in (run, steady))
    assert energy < 0.45 * steady_j  # type: ignore[operator]
    changes = [entry[3] for entry in hands.log if entry[0] == "change"]
    assert changes[:4] == [0.1, 2.0, 0.1, 2.0]
    for row, ohm in zip(run.results[:3], (0.020, 0.060, 0.140), strict=True):
        assert abs(row.value - ohm) <= 1.5 * row.u  # type: ignore[operator]


def test_more_power_than_was_said_and_a_voltage_above_the_rails_are_refused_or_held() -> None:
    hands = FakeHands({"main": resistor(0.1)})
    run = found(hands, power_w=0.5, limit_a=2.0)
    assert run.outcome == "refused"
    assert "0.5 V with 2 A may give 1 W; allowed is power_w = 0.5 W" in run.text
    hands = FakeHands({"main": resistor(0.1)})
    hands.script = lambda now: now.said.append(("done", "")) if now.at_s > 1 else None
    found(hands, rail_v=0.4, voltage_v=1.0, limit_a=1.0)
    assert hands.log[1] == ("on", "main", 0.4, 1.0)
