"""Settings that change while the output is on, and settings that somebody else changes."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.reading import Mode
from benchd.supplies.errors import LinkError, SupplyError
from tests.supplies.small import Instrument, profile
from tests.supplies.test_second_layer import FUSE, protecting
from tests.supplies.test_supply import read_until


def written(lines):
    return [line for line in lines if line.startswith(("VOLT ", "CURR ", "FUSE:LEV ", "OUTP O"))]


@pytest.mark.parametrize(
    ("voltage_v", "limit_a", "order"),
    [
        (2.0, 0.2, ["CURR 0.200", "VOLT 2.000"]),  # both rise: the limit first
        (0.5, 0.05, ["CURR 0.050", "VOLT 0.500"]),  # both fall
        (2.0, 0.05, ["CURR 0.050", "VOLT 2.000"]),  # what falls goes first
        (0.5, 0.2, ["VOLT 0.500", "CURR 0.200"]),
    ],
)
def test_what_gets_lower_is_written_first_and_nothing_is_switched(open_on, voltage_v, limit_a, order):
    supply, lines = open_on(Instrument(), profile())
    supply.prepare(1, 1.0, 0.1)
    supply.output_on(1)
    lines.clear()
    supply.adjust(1, voltage_v, limit_a)
    assert written(lines) == order
    assert lines == [line for each in order for line in (each, f"{each[:4]}?")]


def test_what_stays_is_asked_for_and_written_only_where_somebody_has_changed_it(open_on):
    instrument = Instrument()
    supply, lines = open_on(instrument, profile())
    supply.prepare(1, 1.0, 0.1)
    lines.clear()
    supply.adjust(1, 2.0, 0.1)
    assert lines == ["CURR?", "VOLT 2.000", "VOLT?"]
    instrument.answers["CURR?"] = "0.3"  # at the panel
    lines.clear()
    with pytest.raises(SupplyError, match=r"limit of 0.1 A, came back 0.3 A"):
        supply.adjust(1, 2.5, 0.1)
    assert lines == ["CURR?", "CURR 0.100", "CURR?"]


def test_the_other_outputs_are_looked_after_between_the_exchanges(open_on):
    supply, lines = open_on(Instrument(), profile())
    supply.prepare(1, 1.0, 0.1)
    looked = []
    supply.between = lambda: looked.append(len(lines))
    lines.clear()
    supply.adjust(1, 2.0, 0.2)
    assert looked == [2, 4]
    assert supply.drift(1) is None
    assert looked == [2, 4, 5, 6]


def test_a_level_of_its_own_moves_with_the_limit(open_on):
    own = {**FUSE, "level": "own", "set_level": "FUSE:LEV {value}", "get_level": "FUSE:LEV?", "level_resolution": 0.01}
    supply, lines = open_on(protecting(), profile(over_current=own))
    supply.prepare(1, 1.0, 0.1, None, 0.5)
    lines.clear()
    supply.adjust(1, 1.0, 0.5)
    assert written(lines) == ["FUSE:LEV 0.490", "CURR 0.500"]
    lines.clear()
    supply.adjust(1, 1.0, 0.2)
    assert written(lines) == ["CURR 0.200", "FUSE:LEV 0.190"]


@pytest.mark.parametrize(
    ("voltage_v", "limit_a", "told"),
    [
        (33.0, 1.0, r"voltage of 33.0 V; allowed 0.0 to 5.0 V"),
        (5.5, 1.0, r"voltage of 5.5 V; allowed 0.0 to 5.0 V"),  # above the level that is set
        (float("nan"), 1.0, r"voltage of nan V"),
        (4.0, 7.0, r"current limit of 7.0 A; allowed 0.0 to 6.0 A. Nothing was sent"),
        (4.0, float("inf"), r"current limit of inf A"),
    ],
)
def test_what_is_out_of_range_is_never_sent(sim, open_supply, voltage_v, limit_a, told):
    supply = open_supply()
    supply.prepare(1, 4.0, 1.0, 5.0)
    supply.output_on(1)
    with pytest.raises(SupplyError, match=told):
        supply.adjust(1, voltage_v, limit_a)
    assert sim.query("INST:NSEL 1;:VOLT?;:CURR?") == "4.000;1.000"
    assert supply.drift(1) is None


@pytest.mark.parametrize("profile_name", ["benchd-sim", "generic-scpi-multi"])
def test_a_live_output_follows_and_its_mode_is_still_told(sim, open_supply, profile_name):
    supply = open_supply(profile_name)
    sim.board(1, "leak")
    supply.prepare(1, 1.0, 0.5)
    supply.output_on(1)
    read_until(supply, 1, lambda reading: reading.mode is Mode.CV and abs(reading.voltage_v - 1.0) < 0.02)
    supply.adjust(1, 4.0, 1.0)
    read_until(supply, 1, lambda reading: reading.mode is Mode.CV and abs(reading.voltage_v - 4.0) < 0.02)
    sim.board(1, "dead-short")
    read_until(supply, 1, lambda reading: reading.mode is Mode.CC and abs(reading.current_a - 1.0) < 0.02)
    assert sim.truth(1).output is True


def test_a_setting_that_comes_back_different_is_told_and_nothing_is_known_then(open_on):
    instrument = Instrument()
    supply, lines = open_on(instrument, profile())
    supply.prepare(1, 1.0, 0.1)
    supply.output_on(1)
    instrument.answers["VOLT?"] = "1.5"
    with pytest.raises(SupplyError, match=r"voltage of 2 V, came back 1.5 V .* The output was not switched; check"):
        supply.adjust(1, 2.0, 0.2)
    assert supply.drift(1) is None
    assert "OUTP OFF" not in lines[lines.index("OUTP ON") :]


def test_a_lost_reply_leaves_the_settings_unknown(sim, open_supply):
    supply = open_supply(timeout_s=0.1)
    supply.prepare(1, 4.0, 1.0)
    supply.output_on(1)
    sim.fault("SILENT")
    with pytest.raises(LinkError):
        supply.adjust(1, 3.0, 0.5)
    assert supply.drift(1) is None
    supply.adjust(1, 3.0, 0.5)  # what is set is asked for first
    assert sim.query("INST:NSEL 1;:VOLT?;:CURR?") == "3.000;0.500"


def test_settings_that_somebody_else_changes(sim, open_supply):
    supply = open_supply()
    assert supply.drift(1) is None  # nothing was written
    supply.prepare(1, 4.0, 1.0)
    assert supply.drift(1) is None
    sim.surge(1, 6.0)
    drift = supply.drift(1)
    assert drift is not None
    assert drift.raised
    assert drift.text == (
        "left channel 1: asked INST:NSEL 1;:VOLT?, came back 6 V, written were 4 V: somebody at its panel or another "
        "program changes its settings; end that"
    )
    sim.command("INST:NSEL 1;:VOLT 4;:CURR 0.5")
    drift = supply.drift(1)
    assert drift is not None
    assert not drift.raised
    assert "came back 0.5 A, written were 1 A" in drift.text
    supply.adjust(1, 4.0, 1.0)
    assert supply.drift(1) is None
    supply.minimise(1)
    assert supply.drift(1) is None  # written without reading back


@pytest.mark.parametrize(("came_back", "raised"), [("1.010", None), ("1.021", True), ("0.979", False)])
def test_within_a_step_nothing_has_changed(open_on, came_back, raised):
    instrument = Instrument()
    supply, _ = open_on(instrument, profile())  # steps of 0.01 V
    supply.prepare(1, 1.0, 0.1)
    instrument.answers["VOLT?"] = came_back
    drift = supply.drift(1)
    assert (None if drift is None else drift.raised) is raised


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 30), st.integers(1, 30)), min_size=1, max_size=5))
def test_between_two_settings_nothing_is_ever_above_both(steps):
    """Whatever is set one after the other, no moment has a voltage or limit that was not asked for then or before."""
    from benchd.supplies.adjusting import adjust
    from benchd.supplies.supply_output import Output

    seen = _Recording()
    output = Output(profile(), seen.link, 1)
    output.remember_settings(1.0, 0.1)
    before = (1.0, 0.1)
    for tenths_v, tenths_a in steps:
        wanted = (tenths_v / 10, tenths_a / 10)
        seen.values = {"VOLT": before[0], "CURR": before[1]}
        seen.moments = []
        adjust(seen, output, *wanted)
        for voltage_v, limit_a in seen.moments:
            # The power that it could give is never more than that of one of the two.
            assert voltage_v * limit_a <= max(before[0] * before[1], wanted[0] * wanted[1]) + 1e-9
        assert (seen.values["VOLT"], seen.values["CURR"]) == wanted
        before = wanted


class _Recording:
    """Stands for a supply: keeps what is set, and every state in between."""

    def __init__(self):
        self.values = {}
        self.moments = []

        class Link:
            def encode(self, text):
                return text.encode()

        self.link = Link()

    def order(self, output, orders):
        name, _, value = orders.messages[0].decode().partition(" ")
        self.values[name] = float(value)
        self.moments.append((self.values["VOLT"], self.values["CURR"]))

    def number(self, output, question):
        return self.values[question.asked.rstrip("?")]

    def between(self):
        pass

    def place(self, channel):
        return f"channel {channel}"
