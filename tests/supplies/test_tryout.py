"""`benchd supplies try`: what a check finds, and what it leaves behind: the output off, settings as before."""

import functools
import time

import pytest

from benchd.reading import OutputState
from benchd.supplies import tryout as tryout_module
from benchd.supplies import tryout_output
from benchd.supplies.profile import load_profile
from benchd.supplies.recording_replay import Replay, without_rests
from benchd.supplies.recording_text import parse, write
from benchd.supplies.setting import read_setting, write_setting
from benchd.supplies.supply import Supply
from benchd.supplies.supply_output import Output
from benchd.supplies.tryout import Tryout, Unit, Verdict
from benchd.supplies.tryout_checks import output_off_checks
from benchd.supplies.tryout_output import CHECKS, output_on_checks
from tests.simulated import SimulatedSupply
from tests.supplies.lines import LineInstrument
from tests.supplies.plain import plain_scpi


@pytest.fixture(autouse=True)
def _short_proof(monkeypatch):
    """A deaf supply is asked for less long than on a bench."""
    monkeypatch.setattr(tryout_module, "OFF_S", 0.4)


def groups(output):
    return (
        [output_off_checks, functools.partial(output_on_checks, consent=lambda: "")] if output else [output_off_checks]
    )


def tried(unit, output=True, after=None, consent=None):
    """A finished run. `after`: what is done when the check of this name was reported."""
    after = after or {}
    run = Tryout(unit, lambda result: after.get(result.check, lambda: None)())
    checks = groups(output)
    if consent is not None:
        checks[1] = functools.partial(output_on_checks, consent=consent)
    run.run(checks)
    return run


def verdicts(run, verdict):
    return [result.check for result in run.results if result.verdict is verdict]


def text_of(run, check):
    return next(result.text for result in run.results if result.check == check)


def simulated_unit(sim, profile="benchd-sim", **more):
    return Unit(sim.resource, load_profile(profile), 1, timeout_s=0.5, **more)


def test_delay_and_watch_are_asked_for_and_left_as_they_are():
    with SimulatedSupply() as sim:
        sim.command("INST:NSEL 1;:CURR:PROT:DEL 0.25;:OUTP:PROT:WDOG:DEL 30;:OUTP:PROT:WDOG ON")
        run = tried(simulated_unit(sim), output=False)
        assert text_of(run, "over-current-delay") == "0.25 s (left as it is)"
        assert text_of(run, "link-watchdog") == "armed, 30 s (left as it is)"
        assert text_of(run, "remote-sense") == "set to remote, then to local again, as it was; both came back"
        assert sim.query("OUTP:PROT:WDOG?;:OUTP:PROT:WDOG:DEL?") == "1;30.0"
    with SimulatedSupply(family="rs-ngx", pace=0) as sim:
        run = tried(Unit(sim.resource, load_profile("rs-ngx"), 1, timeout_s=0.5), output=False)
        assert "over-current-delay" in verdicts(run, Verdict.PASSES)
        assert "link-watchdog" in verdicts(run, Verdict.SKIPPED)


@pytest.mark.parametrize("family", ["benchd-sim", "generic-scpi", "rs-hmp", "korad-ka3005p", "aim-tti-plp"])
def test_a_good_supply_passes_and_is_left_as_it_was(family):
    """One dialect of each kind: the compound message, a selection of its own, no terminators, echoes."""
    own = family in ("benchd-sim", "generic-scpi")
    with SimulatedSupply(**({} if own else {"family": family, "pace": 0})) as sim:
        unit = Unit(sim.resource, without_rests(load_profile(family)), 1, timeout_s=0.5)
        run = tried(unit)
        truth = sim.truth(1)
        assert verdicts(run, Verdict.FAILS) == []
        assert set(CHECKS) <= set(verdicts(run, Verdict.PASSES))
        assert run.state is OutputState.OFF
        assert truth.output is False
        assert "settings-as-before" in verdicts(run, Verdict.PASSES)
        # What is set now is what was set before, told by the last lines of the exchange.
        before = text_of(run, "settings-now").partition("; ")[0].removeprefix("set to ")
        voltage, limit = before.split(", ")
        assert text_of(run, "settings-as-before") == f"voltage {voltage}, limit {limit}"


def test_without_output_nothing_is_ever_switched_on(sim):
    run = tried(simulated_unit(sim), output=False)
    assert verdicts(run, Verdict.FAILS) == []
    assert not [entry for result in run.results for entry in result.exchange if b"OUTP ON" in entry.data]
    assert not set(CHECKS) & {result.check for result in run.results}


def test_an_output_that_was_on_is_off_and_settings_come_back(sim):
    sim.command("INST:NSEL 1;:VOLT 5;:CURR 2;:OUTP ON")
    run = tried(simulated_unit(sim), output=False)
    assert text_of(run, "settings-now") == "set to 5 V, 2 A; set again at the end"
    assert sim.query("INST:NSEL 1;:VOLT?;:CURR?;:OUTP?") == "5.000;2.000;0"
    assert run.state is OutputState.OFF


def test_no_consent_no_power(sim):
    run = tried(simulated_unit(sim), consent=lambda: "not agreed to")
    assert verdicts(run, Verdict.FAILS) == []
    assert {text_of(run, check) for check in CHECKS} == {"not agreed to"}
    assert not [entry for entry in run.recorder.present if b"OUTP ON" in entry.data]


def test_the_envelope_of_the_bench_bounds_what_is_set(sim):
    run = tried(simulated_unit(sim, most_v=0.5, most_a=0.05))
    assert verdicts(run, Verdict.FAILS) == []
    assert text_of(run, "prepare") == "0.5 V, 0.05 A, each read back"
    sent = [entry.data for result in run.results for entry in result.exchange if entry.kind == ">"]
    levels = [float(data.split()[-1]) for data in sent if b":VOLT " in data]
    assert levels
    assert max(levels) <= 0.5


def test_a_late_reply_is_not_taken_for_the_next_answer():
    with SimulatedSupply(latency_ms=5) as sim:
        run = tried(simulated_unit(sim), output=False)
    assert text_of(run, "late-reply") == "a late reply was thrown away, and the next question got its own answer"
    assert b"late" in [entry.data for result in run.results for entry in result.exchange if entry.kind == "!"]


# ---- what goes wrong -----------------------------------------------------------------------------------------


def test_a_supply_that_is_deaf_to_off_fails_at_once(sim):
    sim.command("INST:NSEL 1;:VOLT 1;:OUTP ON")
    sim.fault("DEAF")
    run = tried(simulated_unit(sim))
    assert verdicts(run, Verdict.FAILS) == ["output-off", "output-off-at-the-end"]
    assert run.state is OutputState.UNKNOWN
    assert "THE OUTPUT MAY BE ON" in text_of(run, "output-off-at-the-end")
    assert "still says on" in text_of(run, "output-off-at-the-end")
    assert [result.check for result in run.results] == ["identification", "output-off", "output-off-at-the-end"]


def test_a_supply_that_becomes_deaf_is_taken_to_its_minimum_and_not_set_back(sim):
    sim.command("INST:NSEL 1;:VOLT 5;:CURR 2")
    run = tried(simulated_unit(sim), after={"output-on": lambda: sim.fault("DEAF")})
    assert "output-off-again" in verdicts(run, Verdict.FAILS)
    assert run.state is OutputState.UNKNOWN
    assert "settings-as-before" not in [result.check for result in run.results]
    # While it is still deaf: an OFF that is under way on the other connection must not come after the fault is gone.
    assert sim.query("INST:NSEL 1;:VOLT?;:OUTP?") == "0.000;1"
    sim.fault("NONE")


def test_a_link_that_is_lost_with_the_output_on_is_said_loudly(sim):
    run = tried(simulated_unit(sim), after={"output-on": lambda: sim.fault("CLOSE")})
    sim.fault("NONE")
    assert run.state is OutputState.UNKNOWN
    assert "voltage-on" in verdicts(run, Verdict.FAILS)
    assert "THE OUTPUT MAY BE ON" in text_of(run, "output-off-at-the-end")


@pytest.mark.parametrize("when", ["identification", "limit-setting", "output-on", "voltage-on"])
def test_ctrl_c_ends_with_off_and_the_settings_as_before(sim, when):
    sim.command("INST:NSEL 1;:VOLT 5;:CURR 2")

    def interrupt():
        raise KeyboardInterrupt

    run = Tryout(simulated_unit(sim), lambda result: interrupt() if result.check == when else None)
    with pytest.raises(KeyboardInterrupt):
        run.run(groups(True))
    assert run.state is OutputState.OFF
    assert sim.truth(1).output is False
    assert sim.query("INST:NSEL 1;:VOLT?;:CURR?;:OUTP?") == "5.000;2.000;0"


def test_a_closed_terminal_ends_with_off_and_the_settings_as_before(sim):
    """From some word on nothing can be said any more; what has to be done is done all the same."""
    sim.command("INST:NSEL 1;:VOLT 5;:CURR 2")
    said = []

    def report(result):
        said.append(result.check)
        if "output-on" in said:
            raise BrokenPipeError

    run = Tryout(simulated_unit(sim), report)
    with pytest.raises(BrokenPipeError):
        run.run(groups(True))
    assert said[-3:] == ["output-on", "output-off-at-the-end", "settings-as-before"]
    assert run.state is OutputState.OFF
    assert sim.truth(1).output is False
    assert sim.query("INST:NSEL 1;:VOLT?;:CURR?;:OUTP?") == "5.000;2.000;0"


def test_where_one_switch_is_for_all_the_settings_of_the_others_come_back_too():
    """The engine takes the other outputs to their minimum before this one goes on."""
    profile = without_rests(load_profile("hp-e3631a"))
    with SimulatedSupply(family="hp-e3631a", pace=0) as sim:
        supply = Supply.open("x", sim.resource, profile, [1], 0.5)
        others = [Output(supply.profile, supply.link, number) for number in (2, 3)]
        for output, voltage_v in zip(others, (12.0, 7.0), strict=True):
            write_setting(supply, output, "voltage", voltage_v)
        supply.close()
        run = tried(Unit(sim.resource, profile, 1, timeout_s=0.5))
        assert verdicts(run, Verdict.FAILS) == []
        assert "all outputs are off" in text_of(run, "output-off")
        supply = Supply.open("x", sim.resource, profile, [1], 0.5)
        others = [Output(supply.profile, supply.link, number) for number in (2, 3)]
        assert [read_setting(supply, output, "voltage") for output in others] == [12.0, 7.0]
        supply.close()


def instrument_with(**changed):
    return LineInstrument(plain_scpi(**changed))


def generic_unit(instrument, **more):
    return Unit(instrument.resource, load_profile("generic-scpi"), 1, timeout_s=0.3, **more)


def test_the_instrument_of_these_tests_is_a_good_one():
    with instrument_with() as instrument:
        run = tried(generic_unit(instrument))
    assert verdicts(run, Verdict.FAILS) == []
    assert instrument.lines.count("OUTP ON") == 1


def test_a_read_back_beyond_the_resolution_never_gets_the_output_on():
    with instrument_with(**{"VOLT?": lambda state: f"{float(state['VOLT']) + 0.02:.3f}"}) as instrument:
        run = tried(generic_unit(instrument))
    assert "voltage-setting" in verdicts(run, Verdict.FAILS)
    assert "asked for a voltage of 1.1 V, came back 1.12 V (they may differ by 0.01 V)" in text_of(
        run, "voltage-setting"
    )
    assert "OUTP ON" not in instrument.lines
    assert instrument.lines.count("OUTP OFF") >= 2
    assert set(CHECKS) <= set(verdicts(run, Verdict.SKIPPED))


def test_a_wrong_profile_is_refused_before_anything_is_set():
    with instrument_with() as instrument:
        unit = Unit(instrument.resource, load_profile("rigol-dp800"), 1, timeout_s=0.3)
        run = tried(unit)
    assert verdicts(run, Verdict.FAILS) == ["identification"]
    assert "choose another profile" in text_of(run, "identification")
    assert instrument.lines == ["*IDN?"]


def test_another_unit_than_that_of_the_settings_is_refused_before_anything_is_set():
    with instrument_with() as instrument:
        run = tried(generic_unit(instrument, serial="0042"))
    assert verdicts(run, Verdict.FAILS) == ["identification"]
    assert "serial number 0042, this one has serial number 0041" in text_of(run, "identification")
    assert "OUTP OFF" not in instrument.lines
    with instrument_with() as instrument:
        assert verdicts(tried(generic_unit(instrument, serial="0041"), output=False), Verdict.FAILS) == []


def test_a_command_that_the_supply_does_not_know_keeps_the_output_off():
    with instrument_with(CURR=lambda state: state["errors"].append('-113,"Undefined header"')) as instrument:
        run = tried(generic_unit(instrument))
    assert '-113 "Undefined header"' in text_of(run, "errors-after")
    assert "OUTP ON" not in instrument.lines


def test_earlier_errors_are_told_and_not_held_against_it():
    first = ['-222,"Data out of range"']
    queue = {"SYST:ERR?": lambda state: first.pop() if first else '0,"No error"'}
    with instrument_with(**queue) as instrument:
        run = tried(generic_unit(instrument), output=False)
    assert text_of(run, "errors-before") == '1 from before: -222 "Data out of range"'
    assert verdicts(run, Verdict.FAILS) == []


def test_something_on_the_leads_is_noticed_and_off_comes_before_the_word(monkeypatch):
    """OFF goes out at the failed check itself, before it is reported."""
    reading = {"MEAS:VOLT?;:MEAS:CURR?": lambda state: "1.00;0.080" if state["OUTP"] == "1" else "0.00;0.000"}
    monkeypatch.setattr(tryout_output, "SETTLE_S", 0.1)
    seen = []
    with instrument_with(**reading) as instrument:

        def look(result):
            if result.check == "current-on":
                ends = time.monotonic() + 2
                while instrument.lines[-1] != "OUTP OFF" and time.monotonic() < ends:
                    time.sleep(0.001)  # OFF is not waited for: it may still be on its way
                seen.append(instrument.lines[-1])

        run = Tryout(generic_unit(instrument), look)
        run.run(groups(True))
    assert "80 mA read" in text_of(run, "current-on")
    assert seen == ["OUTP OFF"]
    assert run.state is OutputState.OFF


def test_no_answer_at_all():
    with LineInstrument(lambda line: []) as instrument:
        run = tried(generic_unit(instrument))
    assert verdicts(run, Verdict.FAILS) == ["identification"]
    assert instrument.lines == ["*IDN?"]


# ---- the recording -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("family", ["benchd-sim", "rs-hmp", "korad-ka3005p"])
def test_a_recorded_try_is_replayed_to_the_same_file(family):
    options = {"latency_ms": 3} if family == "benchd-sim" else {"family": family, "pace": 0}
    with SimulatedSupply(**options) as sim:
        unit = Unit(sim.resource, without_rests(load_profile(family)), 1, timeout_s=0.5)
        run = tried(unit)
    text = saved(run)
    assert "SIM00001" not in text
    replay = Replay(parse(text, "x.txt"))
    again = Tryout(unit, lambda result: None, replay.open)
    step = again.recorder.step
    again.recorder.step = lambda name: (replay.step(name), step(name))
    again.run(groups(True))
    replay.finish()
    assert [result[:2] for result in again.results] == [result[:2] for result in run.results]
    assert saved(again) == text


def saved(run):
    supply = run.supply
    return write(run.recorder.dialogue(supply.profile.name, "simulated", supply.link.identity, supply.named, 1))
