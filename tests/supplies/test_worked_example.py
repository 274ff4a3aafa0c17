"""The worked example of drivers/README.md is a profile that drives a supply which keeps to the manual quoted in it."""

import re
import tomllib

import pytest

from benchd.reading import Mode, OutputState
from benchd.share import share_path
from benchd.supplies.off import confirm_off
from benchd.supplies.profile import parse_profile
from benchd.supplies.supply import Supply
from tests.supplies.lines import PortInstrument


def example():
    text = (share_path("drivers") / "README.md").read_text("utf-8")
    (block,) = [
        found for found in re.findall(r"```toml\n(.*?)```", text, re.DOTALL) if 'name = "example-ex30"' in found
    ]
    return parse_profile(tomllib.loads(block), "drivers/README.md")


class Ex30:
    """The EX-30 of the quoted pages: units glued to settings, none in readings; 100 ohms on its output."""

    def __init__(self):
        self.volts, self.amps, self.on = 5.0, 1.0, False

    def __call__(self, line):
        word, _, value = line.partition(" ")
        measured = self.volts * self.on
        replies = {
            "*IDN?": "Example Works,EX-30,0041,1.07",
            "VSET?": f"{self.volts:.3f}V",
            "ISET?": f"{self.amps:.3f}A",
            "OUT?": str(int(self.on)),
            "MEAS?": f"{measured:.3f},{measured / 100:.3f}",
        }
        if word == "VSET":
            self.volts = float(value)
        elif word == "ISET":
            self.amps = float(value)
        elif word == "OUT":
            self.on = value == "1"
        return [replies[word].encode() + b"\n"] if word in replies else []


def test_the_worked_example_drives_the_supply_that_it_is_about():
    unit = Ex30()
    with PortInstrument(unit) as port:
        supply = Supply.open("example", port.resource, example(), (1,), 1.0)
        try:
            assert supply.named == ("Example Works", "EX-30", "0041", "1.07")
            supply.prepare(1, 4.0, 0.5)
            assert (unit.volts, unit.amps, unit.on) == (4.0, 0.5, False)
            supply.output_on(1)
            reading = supply.read(1)
            # Ohm's law: 4 V on 100 ohms.
            assert (reading.voltage_v, reading.current_a) == pytest.approx((4.0, 0.04))
            assert reading.mode is Mode.CV
            supply.send_off(1)
            assert confirm_off(supply, 1, 2.0).state is OutputState.OFF
            assert not unit.on
        finally:
            supply.close()
