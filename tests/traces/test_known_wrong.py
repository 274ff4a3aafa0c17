"""Traces that were once read wrongly, or with words that misled."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from benchd.reading import Mode
from benchd.traces.band import Band
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Conditions, Finding, Mark
from tests.traces import power_ups
from tests.traces.boards import Board, Curve, Meter, boot, flat, read
from tests.traces.test_told_apart import trace_of

TOLD = Conditions(4.0, 1.0, 0.001)


def texts(finding: Finding) -> str:
    return "\n".join(e.text for e in finding.evidence)


# ---- the wrong way round --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [5, 20, 200])
@pytest.mark.parametrize("told", [True, False])
def test_a_reversed_board_is_unclear_and_says_how_to_check(rate: int, told: bool) -> None:
    """A board the wrong way round conducts through its protection diode: -0.6 V, the limit pinned."""
    t = np.arange(0, 3, 1 / rate)
    trace = trace_of(t, np.full(len(t), -0.6), np.full(len(t), 1.0), TOLD if told else None)
    finding = read_trace(trace)
    assert finding.signature == "unclear"
    assert "below zero" in finding.evidence[0].text
    assert "wrong way round" in finding.evidence[0].text
    assert "polarity" in finding.next_checks[0]
    assert finding.alternatives[0].signature == "dead-short"
    assert "-0.6 V" not in texts(finding) or "Ω" not in texts(finding)


def test_a_cut_as_reversed_without_any_voltage_says_so() -> None:
    """A bare short and a board the wrong way round look the same there; the guard's rule is told."""
    t = np.arange(0, 0.5, 0.02)
    on = t < 0.2
    trace = trace_of(
        t, np.where(on, 0.01, 0), np.where(on, 1.0, 0), TOLD, Mark("tripped", 2 * 10**8, "guard", "reverse")
    )
    finding = read_trace(trace)
    assert finding.signature == "dead-short"
    assert "wrong way round, or a bare short" in texts(finding)
    assert "polarity" in finding.next_checks[0]


# ---- switched off from outside --------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [10.0, 50.0, 200.0])
@pytest.mark.parametrize("idle_s", [1.0, 8.0])
@pytest.mark.parametrize("told", [True, False])
def test_a_voltage_that_decays_after_a_switch_off_is_no_short(rate: float, idle_s: float, told: bool) -> None:
    """The board goes on drawing from the capacitors: voltage and current fall together, V = V0·e^(-t/RC)."""
    demand = np.concatenate([flat(2, 0.001), boot(np.random.default_rng(1), 1.0, idle_s)])
    off_s = len(demand) * 0.001
    t = np.arange(0, off_s + 2, 1 / rate)
    left = np.where(t > off_s, np.exp(-np.maximum(t - off_s, 0) / 0.3), 1.0)
    last = demand[-1]
    amps = np.where(t > off_s, last * left, np.interp(t, np.arange(len(demand)) * 0.001, demand))
    finding = read_trace(trace_of(t, 4.0 * left, amps, TOLD if told else None, Mark("button", 2 * 10**9, "hand")))
    assert finding.signature in ("clean-boot", "unclear")
    assert not any(a.signature.endswith("short") and a.confidence > 0.1 for a in finding.alternatives)


# ---- trips ----------------------------------------------------------------------------------------------------------


def cut(rate: float, why: str, before_a: float, button: bool, ms: float = 30.0) -> Finding:
    """2 s of `before_a` (the button at 1 s), then a short of 0.2 Ω that the guard cuts after `ms`."""
    t = np.arange(0, 3, 1 / rate)
    shorted, off = t >= 2.0, t >= 2.0 + ms / 1000
    amps: Curve = np.where(off, 0.0, np.where(shorted, 1.0, np.where(t < 1, 0.0005, before_a)))
    volts = np.where(off, 0.0, np.where(shorted, 0.2, 4.0))
    marks = [Mark("tripped", round((2.0 + ms / 1000) * 1e9), "guard", why)]
    if button:
        marks.append(Mark("button", 10**9, "hand"))
    return read_trace(trace_of(t, volts, amps, TOLD, *marks))


@pytest.mark.parametrize("rate", [20, 50, 200, 1000])
@pytest.mark.parametrize("why", ["short", ""])
def test_a_late_short_that_was_cut_is_called_so(rate: int, why: str) -> None:
    finding = cut(rate, why, 0.3, True)
    assert finding.signature == "late-short"
    assert finding.confidence >= 0.6
    assert texts(finding).count("to protect the board") + texts(finding).count("as a short") == 1
    assert ("The guard cut the output at 2.03 s as a short." in texts(finding)) == (why == "short")


@pytest.mark.parametrize("rate", [20, 50])
def test_a_short_that_was_cut_between_two_readings_is_told_by_the_rule(rate: int) -> None:
    """It lasts 10 ms, and no reading falls into it: the guard's own readings were faster."""
    t = np.arange(0, 3, 1 / rate)
    amps, volts = np.where(t < 1, 0.0005, 0.3), np.full(len(t), 4.0)
    off = t > 2.005
    marks = (Mark("button", 10**9, "hand"), Mark("tripped", 2_004_000_000, "guard", "short"))
    finding = read_trace(trace_of(t, np.where(off, 0.0, volts), np.where(off, 0.0, amps), TOLD, *marks))
    assert finding.signature == "late-short"
    assert "as a short" in texts(finding)
    assert "clean-boot" not in [a.signature for a in finding.alternatives]


def test_what_was_cut_because_of_too_much_current_is_no_short() -> None:
    trace = read(Board(np.concatenate([flat(2, 0.001), boot(np.random.default_rng(2))]), button_s=2.0), Meter())
    tripped = dataclasses.replace(trace, marks=(*trace.marks, Mark("tripped", 5 * 10**9, "guard", "over-current")))
    assert read_trace(tripped).signature in ("unclear", "over-draw")


# ---- the hold -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [20.0, 100.0])
@pytest.mark.parametrize("ahead_s", [0.2, 1.0])
def test_a_button_pressed_just_before_the_hold_ends_is_no_leak(rate: float, ahead_s: float) -> None:
    """Held at 0.1 A the board would start, and the voltage gives way; with the limit raised it does start."""
    demand = np.concatenate([flat(3, 0.001), boot(np.random.default_rng(5))])
    t = np.arange(0, len(demand) * 0.001, 1 / rate)
    wanted = np.interp(t, np.arange(len(demand)) * 0.001, demand)
    held = t < 3 + ahead_s
    starved = held & (wanted > 0.05)
    amps = np.where(starved, 0.1, wanted)
    volts = np.where(starved, 2.6, 4.0)
    assert read_trace(trace_of(t, volts, amps, Conditions(4.0, 2.0, 0.001))).signature != "early-leak"


# ---- falls to nothing -----------------------------------------------------------------------------------------------


def restarted(spells_s: list[float], pause_s: float, seed: int = 3) -> Board:
    """The same boot again and again, each from its first stair, cut after so long, with nothing between."""
    parts = [flat(2, 0.001)]
    for spell_s in spells_s:
        parts += [boot(np.random.default_rng(seed))[: round(spell_s * 1000)], flat(pause_s, 0.0)]
    return Board(np.concatenate([*parts[:-1], flat(0.1, 0.3)]), button_s=2.0)


@pytest.mark.parametrize("rate", [8, 20, 50, 500])
@pytest.mark.parametrize("pause_s", [0.5, 1.2])
def test_falls_to_nothing_amid_work_are_no_clean_boot(rate: int, pause_s: float) -> None:
    """A board at work never draws nothing by itself and comes back to its first stair: it lost its supply."""
    finding = read_trace(read(restarted([6.0, 2.7, 9.0, 3.4, 8.0], pause_s), Meter(rate=rate)))
    near = [finding.signature, *(a.signature for a in finding.alternatives)]
    assert finding.signature in ("loose-contact", "boot-loop", "unclear")
    assert "loose-contact" in near or "boot-loop" in near
    if finding.signature != "unclear":
        assert "it falls from work to nothing" in texts(finding)


def test_a_board_that_sleeps_and_wakes_for_a_moment_has_not_lost_its_contact() -> None:
    wakes = [x for _ in range(8) for x in (flat(1.4, 0.0015), flat(0.2, 0.2))]
    demand = np.concatenate([flat(2, 0.001), boot(np.random.default_rng(4), 1.0, 2.0), *wakes])
    assert read_trace(read(Board(demand, button_s=2.0), Meter(rate=20))).signature not in ("loose-contact",)


# ---- against references ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [20.0, 200.0])
@pytest.mark.parametrize("count", [1, 5])
def test_what_stops_amid_the_work_of_its_references_is_no_clean_boot(rate: float, count: int) -> None:
    """By itself it may be a boot that settles early; good boards still work there, and for long."""
    band = Band.of([power_ups.trace(power_ups.good(k), k, rate) for k in range(count)])
    finding = read_trace(power_ups.trace(power_ups.stopped(50, 3.0, 0.2), 9, rate), band=band)
    assert finding.signature != "clean-boot" or finding.confidence < 0.6
    assert finding.divergence is not None
    if finding.signature == "mid-stall":
        assert "leaves its references" in finding.next_checks[0]
    good = read_trace(power_ups.trace(power_ups.good(60), 60, rate), band=band)
    assert good.signature == "clean-boot"
    assert not any("Compare the trace with one of a good board" in c for c in good.next_checks)


# ---- short captures of shorts ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("readings", [1, 2])
def test_a_voltage_that_is_down_with_the_current_it_held_before_is_a_late_short(readings: int) -> None:
    """A meter that averages, and the limit not told: 1.58 A at 1.58 V, which at 3.9 V were 1.6 A a moment ago. Then the
    guard's cut. No lead explains that."""
    t = np.arange(0, 4.7, 0.05)
    amps = np.where(t < 3.4, 0.0003, np.where(t < 4.2, 0.2, 1.6))
    volts = np.full(len(t), 3.9)
    cut_s = 4.5 + 0.05 * readings
    amps[t >= 4.4], volts[t >= 4.4] = 0.2, 3.9
    amps[t >= 4.495], volts[t >= 4.495] = 1.585, 1.58
    amps[t >= cut_s - 0.005], volts[t >= cut_s - 0.005] = 0.27, 0.6
    amps[t >= cut_s + 0.045], volts[t >= cut_s + 0.045] = 0.0, 0.02
    marks = Mark("tripped", round(cut_s * 1e9) - 20_000_000, "guard")
    trace = trace_of(t, volts, amps, Conditions(3.9), marks)
    modes = np.where(t < 4.495, Mode.CV, np.where(t < cut_s - 0.005, Mode.CC, Mode.OFF)).astype(np.uint8)
    trace = dataclasses.replace(trace, samples=dataclasses.replace(trace.samples, mode=modes))
    assert read_trace(trace).signature == "late-short"


@pytest.mark.parametrize("rate", [5, 20])
def test_a_short_capture_that_shows_work_before_a_short_is_a_late_one(rate: int) -> None:
    """It began mid-way; the voltage was up with 0.2 to 0.6 A, and what held it cannot have been shorted."""
    t = np.arange(0, 0.4 + 3 / rate, 1 / rate)
    shorted, off = t > 0.39, t > 0.39 + 1 / rate
    amps = np.where(off, 0.0, np.where(shorted, 1.0, np.where(t < 0.19, 0.23, 0.6)))
    volts = np.where(off, 0.0, np.where(shorted, 0.15, 4.0))
    finding = read_trace(trace_of(t, volts, amps, TOLD, Mark("tripped", 430_000_000 + 10**9 // rate, "guard")))
    assert finding.signature == "late-short"
    assert "with the first current" not in texts(finding)


# ---- too little after the button, and a leak that comes back --------------------------------------------------------


def test_a_trace_that_ends_right_after_the_button_does_not_say_that_nothing_is_drawn() -> None:
    t = np.arange(0, 4.7, 0.2)
    trace = trace_of(t, np.full(len(t), 4.0), np.full(len(t), 0.001), TOLD, Mark("button", 4_500_000_000, "hand"))
    assert read_trace(trace).signature == "unclear"


@pytest.mark.parametrize("rate", [5, 20, 200])
@pytest.mark.parametrize("quiet_s", [0.0, 2.0])
def test_the_same_flat_current_before_and_after_a_kick_is_a_leak(rate: int, quiet_s: float) -> None:
    """143 mA for 1.9 s, half an ampere for 0.6 s, and the same 143 mA to the end, no button told: no boot."""
    kick = np.array([0.49, 0.55, 0.47]).repeat(200)
    quiet = [flat(quiet_s, 0.0)] if quiet_s else []
    demand = np.concatenate([*quiet, flat(1.9, 0.143), kick, flat(7, 0.143)])
    finding = read_trace(read(Board(demand), Meter(rate=rate, tell_button=False)))
    assert finding.signature in ("early-leak", "unclear")
    assert "early-leak" in [finding.signature, *(a.signature for a in finding.alternatives)]


def test_the_voltage_that_is_read_tells_what_leak_is_normal() -> None:
    """26 mA feed the stand-by rails of an adapter input; the file does not tell that 19.5 V were set."""
    demand = np.concatenate([flat(3, 0.026), flat(0.6, 0.1), flat(0.6, 0.16), flat(12, 0.223)])
    meter = Meter(rate=20, set_voltage_v=19.5, tell_conditions=False)
    finding = read_trace(read(Board(demand, button_s=3.0), meter))
    assert finding.signature == "mid-stall"
    assert "up to 30 mA is normal here" in texts(finding)


def test_currents_far_above_their_own_limit_are_not_read() -> None:
    """A file in mA whose columns say A."""
    trace = read(Board(np.concatenate([flat(2, 0.001), boot(np.random.default_rng(2))]), button_s=2.0), Meter())
    trace = dataclasses.replace(
        trace, samples=dataclasses.replace(trace.samples, current_a=1000 * trace.samples.current_a)
    )
    finding = read_trace(trace)
    assert finding.signature == "unclear"
    assert "times the limit" in finding.evidence[0].text


def test_the_setting_is_not_guessed_from_a_voltage_that_decays() -> None:
    """The only readings without current come after the switch-off."""
    t = np.arange(0, 12, 0.05)
    amps = np.where(t < 3, 0.026, np.where(t < 3.6, 0.1, np.where(t < 11, 0.223, 0.0)))
    volts = np.where(t < 11, 19.5, 19.5 * np.exp(-(t - 11) / 0.1))
    finding = read_trace(trace_of(t, volts, amps, None, Mark("button", 3 * 10**9, "hand")))
    assert finding.signature == "mid-stall"


@pytest.mark.parametrize("rate", [10.0, 50.0])
def test_what_the_meter_reads_with_the_output_off_is_no_leak(rate: float) -> None:
    """20 mA with nothing on, and the same 20 mA before the button."""
    demand = np.concatenate([flat(4, 0.0), boot(np.random.default_rng(6))]) + 0.02
    t = np.arange(0, len(demand) * 0.001, 1 / rate)
    amps = np.interp(t, np.arange(len(demand)) * 0.001, demand)
    volts = np.where(t < 1.2, 0.0, 4.2)
    finding = read_trace(trace_of(t, volts, amps, Conditions(4.2, 2.6), Mark("button", 4 * 10**9, "hand")))
    assert finding.signature == "clean-boot"


def test_readings_that_are_no_numbers_do_not_say_that_the_output_was_off() -> None:
    t = np.arange(0, 5, 0.05)
    finding = read_trace(trace_of(t, np.full(len(t), 4.0), np.full(len(t), np.nan), TOLD))
    assert finding.signature == "unclear"
    assert "output was off" not in texts(finding)
