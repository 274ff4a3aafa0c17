"""The simulated supply's watch over the link: in the model's own time, no waiting."""

import pytest

from benchd.sim.instrument import Instrument
from benchd.sim.simulate import control


class Bench:
    """The supply with a clock that the test turns."""

    def __init__(self):
        self.supply = Instrument()
        self.now_s = 0.0

    def say(self, text):
        """The line that comes back; empty where none does."""
        return b"".join(self.supply.hear(text.encode("latin-1"), self.now_s).replies).decode("latin-1").strip()

    def truth(self, channel=1):
        return control(self.supply, f"SIM{channel}:TRUTH?", self.now_s).split(",")[0]


@pytest.fixture
def bench():
    made = Bench()
    for number in (1, 2):
        made.say(f"INST:NSEL {number};:VOLT 4;:CURR 1;:OUTP ON")
    made.say("OUTP:PROT:WDOG:DEL 2;:OUTP:PROT:WDOG ON")
    return made


def test_no_message_for_the_set_time_switches_all_outputs_off(bench):
    bench.now_s = 1.999
    assert (bench.truth(1), bench.truth(2)) == ("1", "1")
    bench.now_s = 2.0
    assert (bench.truth(1), bench.truth(2)) == ("0", "0")
    assert bench.say("OUTP:PROT:WDOG:TRIP?;:OUTP?") == "1;0"


def test_any_message_counts_and_the_hands_on_the_bench_do_not(bench):
    for _ in range(5):
        bench.now_s += 1.9
        assert bench.say("*OPC?") == "1"
    assert bench.truth() == "1"
    bench.now_s += 1.0
    assert bench.say("SIM:ERROR?").startswith("0,")
    bench.now_s += 1.0
    assert bench.truth() == "0"


def test_it_is_off_at_that_very_moment_though_nobody_looked(bench):
    bench.now_s = 60.0
    bench.supply.tick(bench.now_s)
    # 470 ohms of bleeder on 100 µF: without a board the terminals are down 58 s later, and not 47 ms after being asked.
    assert bench.supply.channels[0].truth(60.0).terminal_v < 1e-6


def test_a_trip_stays_until_it_is_cleared(bench):
    bench.now_s = 10.0
    bench.say("INST:NSEL 1;:OUTP ON")
    assert bench.truth() == "0"
    assert "-221" in bench.say("SYST:ERR?")
    bench.say("OUTP:PROT:WDOG:CLE;:OUTP ON")
    assert bench.truth() == "1"
    bench.now_s = 12.1
    assert bench.truth() == "0"


def test_disarmed_or_reset_it_does_nothing(bench):
    bench.say("OUTP:PROT:WDOG OFF")
    bench.now_s = 100.0
    assert bench.truth() == "1"
    bench.say("OUTP:PROT:WDOG ON;*RST")
    assert bench.say("OUTP:PROT:WDOG?;:OUTP:PROT:WDOG:DEL?") == "0;60.0"


@pytest.mark.parametrize(("given", "told"), [("0.04", "-222"), ("3601", "-222"), ("nan", "-222"), ("", "-109")])
def test_what_it_does_not_take(bench, given, told):
    bench.say(f"OUTP:PROT:WDOG:DEL {given}".strip())
    assert told in bench.say("SYST:ERR?")
    assert bench.say("OUTP:PROT:WDOG:DEL?") == "2.0"


def test_a_deaf_supply_still_watches(bench):
    control(bench.supply, "SIM:FAULT DEAF", bench.now_s)
    bench.say("OUTP OFF")
    assert bench.truth(2) == "1"
    bench.now_s = 2.0
    assert bench.truth(2) == "0"


def test_orders_to_switch_off_are_ignored_so_often(bench):
    control(bench.supply, "SIM:FAULT IGNORE,2", bench.now_s)
    for expected in ("1", "1", "0"):
        bench.say("OUTP OFF")
        assert bench.truth(2) == expected
    assert control(bench.supply, "SIM:LOG?", bench.now_s).split(",")[0] == "3"


def test_power_comes_back_as_new_with_the_boards_still_there(bench):
    bench.supply.attach(0, "leak-only", bench.now_s)
    bench.say("NONSENSE;*ESE 255;*SRE 255")
    bench.supply.power_up(1.0)
    bench.now_s = 1.0
    assert bench.say("VOLT?;:CURR?;:OUTP?;:OUTP:PROT:WDOG?;*ESE?;*SRE?;:SYST:ERR?") == (
        '0.000;0.100;0;0;0;0;0,"No error"'
    )
    assert control(bench.supply, "SIM1:BOARD?", 1.0) == "leak-only"
