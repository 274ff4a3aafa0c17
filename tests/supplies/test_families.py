"""Every shipped profile against the simulated supply of its family, model by model, over a real link.

The walk at the family's own pace runs for all families at once, since it is mostly waiting; everything else without
rests and without slowness.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor

import pytest

from benchd.reading import Mode, OutputState, Reading
from benchd.sim.bench import Channel
from benchd.sim.dialects.base import Dialect
from benchd.supplies.errors import LinkError, LinkLost, ReplyGarbled, ReplyLate, SupplyError
from benchd.supplies.off import confirm_off
from benchd.supplies.pace import Pace
from benchd.supplies.profile_outputs import OutputRange
from benchd.supplies.supply import Supply
from tests.families import ALL, PATIENCE_S, USUAL, Model, Served, is_known, profile_of, serving

VOLTS, AMPS, TOO_MANY_VOLTS = 4.0, 0.5, 5.0
LEAK_A = 0.045
"""The board `leak-only`: this much at any voltage of a phone's battery, and nothing else."""
LEADS_AND_SHORT_OHM = 0.20
"""0.05 ohms of leads and 0.15 ohms of the board `dead-short`."""

KNOWN = [model for model in ALL if is_known(model)]
STRANGERS = [model for model in ALL if not is_known(model)]

COUPLED = {
    "agilent-e364xa-dual": ["SYST:REM", "OUTP:TRAC ON"],
    "gwinstek-gpd": ["TRACK1"],
    "hp-e3631a": ["SYST:REM", "OUTP:TRAC ON"],
    "keysight-e36300": ["OUTP:PAIR SER"],
    "rigol-dp800": [":OUTP:TRAC CH1,ON"],
    "rigol-dp900": [":OUTP:PAIR PAR"],
    "siglent-spd3303x": ["OUTP:TRACK 2"],
    "unit-udp3305s": ["SOUR:MODE PARA"],
}
"""What couples outputs, in the words of the simulated supplies, which have them from the published programs."""
NEVER_COUPLED = {"gwinstek-gpp"}
"""The simulated supply knows the question, but no order to couple outputs has been published."""


def has_separate_outputs(model: Model) -> bool:
    profile = profile_of(model)
    return len(profile.channel_numbers) > 1 and profile.channels.switch == "each"


def tells_of_its_trips(model: Model) -> bool:
    protection = profile_of(model).over_voltage
    return protection is not None and protection.set_level is not None and protection.tripped is not None


def is_on_a_network(model: Model) -> bool:
    return "tcp" in profile_of(model).link.interfaces


KINDS = {
    "usual": USUAL,
    "model": KNOWN,
    "stranger": STRANGERS,
    "separate": [model for model in KNOWN if has_separate_outputs(model)],
    "protecting": [model for model in KNOWN if tells_of_its_trips(model)],
    "networked": [model for model in USUAL if is_on_a_network(model)],
}
"""The models that a test is tried with, by the name of its argument."""


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    for name in set(KINDS) & set(metafunc.fixturenames):
        metafunc.parametrize(name, KINDS[name], ids=str)


# ---- the whole path ------------------------------------------------------------------------------------------------


def test_every_shipped_profile_has_its_family_and_is_for_its_usual_model():
    from benchd.supplies.profile import profile_names

    assert {model.family for model in USUAL} == set(profile_names()) - {"benchd-sim"}
    assert {model.family for model in USUAL} == {model.family for model in KNOWN}


@pytest.fixture(scope="module")
def at_full_pace() -> Iterator[dict[Model, Future[None]]]:
    """The walk of every family's usual model at its own pace, on the first output."""
    with ThreadPoolExecutor(len(USUAL)) as threads:
        yield {model: threads.submit(walk_at_full_pace, model) for model in USUAL}


def walk_at_full_pace(model: Model) -> None:
    with serving(model, pace=1.0) as served, served.driven() as supply:
        pace = Pace.of(supply.profile, 1, served.serial)
        drive(served, supply, 1, pace.off_deadline_s)


def test_a_family_is_driven_at_its_own_pace(usual, at_full_pace):
    at_full_pace[usual].result(60)


def test_every_output_of_every_model_is_driven(model):
    numbers = profile_of(model).channel_numbers
    with serving(model) as served:
        for number in numbers[: len(served.dialect.outputs)]:  # the generic profile names more than a unit may have
            with served.driven((number,)) as supply:
                assert supply.profile.channel_numbers == numbers
                drive(served, supply, number, 1.0)


def test_several_outputs_are_driven_side_by_side(separate):
    first, second = profile_of(separate).channel_numbers[:2]
    with serving(separate) as served, served.driven((first, second)) as supply:
        low = {number: setting(supply.profile.output(number), VOLTS / number)[0] for number in (first, second)}
        for number in (first, second):
            served.tell(f"SIM{number}:BOARD leak-only")
            supply.prepare(number, low[number], setting(supply.profile.output(number))[1])
            supply.output_on(number)
        for number in (first, second):
            settled(supply, number, low[number], None, Mode.CV)
        off(served, supply, first)
        assert served.truth(second).output
        settled(supply, second, low[second], None, Mode.CV)
        off(served, supply, second)


def test_a_model_that_the_profile_is_not_for_is_refused(stranger):
    with serving(stranger) as served:
        with pytest.raises((SupplyError, ReplyGarbled), match="choose another profile"), served.driven():
            pass
        assert served.offs() == 0


def setting(span: OutputRange, voltage_v: float = VOLTS) -> tuple[float, float]:
    """Voltage and limit for this output: within its range."""
    voltage_v = min(max(voltage_v, span.min_voltage_v), span.max_voltage_v)
    return voltage_v, min(max(AMPS, span.min_limit_a), span.max_limit_a)


def protected(supply: Supply) -> float | None:
    """A level for the supply's own over-voltage protection, where it has one that can be set and read."""
    protection = supply.profile.over_voltage
    has_level = protection is not None and protection.set_level is not None and protection.get_level is not None
    return TOO_MANY_VOLTS if has_level else None


def drive(served: Served, supply: Supply, number: int, off_deadline_s: float) -> None:
    """Prepare, on, a board that draws a little, a board that is shorted, off: truth and readings agree."""
    span = supply.profile.output(number)
    voltage_v, limit_a = setting(span)
    served.tell(f"SIM{number}:BOARD leak-only")
    supply.prepare(number, voltage_v, limit_a, protected(supply))
    assert not served.truth(number).output
    supply.output_on(number)
    assert served.truth(number).output
    source = served.dialect.channels[number - 1].source
    assert source.voltage_v == pytest.approx(voltage_v, abs=span.set_resolution_v)
    assert source.limit_a == pytest.approx(limit_a, abs=span.set_resolution_a)
    settled(supply, number, voltage_v, LEAK_A, Mode.CV)
    served.tell(f"SIM{number}:BOARD dead-short")
    settled(supply, number, limit_a * LEADS_AND_SHORT_OHM, limit_a, Mode.CC)
    assert served.truth(number).current_a == pytest.approx(limit_a, abs=1e-6 + span.set_resolution_a)
    off(served, supply, number, off_deadline_s)
    assert supply.errors() == []


def off(served: Served, supply: Supply, number: int, deadline_s: float = 1.0) -> None:
    """Off, confirmed, and so it is."""
    supply.send_off(number)
    outcome = confirm_off(supply, number, deadline_s)
    assert outcome.state is OutputState.OFF, outcome.text
    assert not served.truth(number).output
    assert outcome.readings[-1].mode is Mode.OFF


def settled(supply: Supply, number: int, voltage_v: float, current_a: float | None, mode: Mode) -> Reading:
    """The reading that comes to this: within the accuracy that the profile states, and three steps of noise."""
    span = supply.profile.output(number)
    within_v = span.voltage_tolerance_v(voltage_v) + 3 * span.read_resolution_v
    within_a = span.current_tolerance_a(current_a or 0.0) + 3 * span.read_resolution_a
    ends = time.monotonic() + PATIENCE_S
    while True:
        reading = supply.read(number)
        close = abs(reading.voltage_v - voltage_v) <= within_v
        if close and (current_a is None or abs(reading.current_a - current_a) <= within_a) and reading.mode is mode:
            return reading
        wanted = f"{voltage_v} V ± {within_v:.3f}, {current_a} A ± {within_a:.3f}, {mode.name}"
        assert time.monotonic() < ends, f"{reading} is not {wanted}"


# ---- what must be refused ------------------------------------------------------------------------------------------


def test_a_setting_that_reads_back_differently_is_refused(usual):
    """The voltage comes out a tenth below, and the supply says so honestly."""

    def off_the_mark(dialect: Dialect) -> None:
        for channel in dialect.channels:
            channel.set = a_tenth_less(channel)  # type: ignore[method-assign]

    with serving(usual, before=off_the_mark) as served, served.driven() as supply:
        voltage_v, limit_a = setting(supply.profile.output(1))
        with pytest.raises(SupplyError, match=r"asked for a voltage of .* V, came back .* V"):
            supply.prepare(1, voltage_v, limit_a)
        assert not served.truth(1).output


def a_tenth_less(channel: Channel) -> Callable[..., None]:
    was = channel.set

    def less(now_s: float, *, voltage_v: float | None = None, limit_a: float | None = None) -> None:
        was(now_s, voltage_v=None if voltage_v is None else 0.9 * voltage_v, limit_a=limit_a)

    return less


def test_every_profile_that_asks_for_tracking_is_tried():
    asks = {model.family for model in USUAL if profile_of(model).tracking is not None}
    assert asks == set(COUPLED) | NEVER_COUPLED


@pytest.mark.parametrize("family", sorted(COUPLED))
def test_coupled_outputs_are_refused(family):
    with serving(Model(family)) as served, served.driven() as supply:
        for text in COUPLED[family]:
            served.tell(f'SIM:TELL "{text}"')
        before = served.truth(1)
        with pytest.raises(SupplyError, match="the outputs are coupled"):
            supply.prepare(1, *setting(supply.profile.output(1)))
        assert not served.truth(1).output
        assert not before.output


# ---- what a supply does by itself ----------------------------------------------------------------------------------


def test_its_own_over_voltage_trip_is_seen_and_cleared_with_the_output_off(protecting):
    number = profile_of(protecting).channel_numbers[0]
    with serving(protecting) as served, served.driven((number,)) as supply:
        voltage_v, limit_a = setting(supply.profile.output(number))
        supply.prepare(number, voltage_v, limit_a, TOO_MANY_VOLTS)
        supply.output_on(number)
        assert supply.tripped(number) == []
        served.tell(f"SIM{number}:SURGE {TOO_MANY_VOLTS + 1}")
        until(lambda: not served.truth(number).output)
        assert supply.output_state(number) is False
        assert len(supply.tripped(number)) == 1
        supply.prepare(number, voltage_v, limit_a, TOO_MANY_VOLTS)
        assert not served.truth(number).output
        assert supply.tripped(number) == []
        supply.output_on(number)
        settled(supply, number, voltage_v, 0.0, Mode.CV)
        off(served, supply, number)


def test_an_output_that_takes_no_notice_of_off_is_unknown(usual):
    with serving(usual) as served, served.driven() as supply:
        supply.prepare(1, *setting(supply.profile.output(1)))
        supply.output_on(1)
        served.tell("SIM:FAULT DEAF")
        supply.send_off(1)
        outcome = confirm_off(supply, 1, 0.3)
        assert outcome.state is OutputState.UNKNOWN
        assert served.truth(1).output
        served.tell("SIM:FAULT NONE")
        off(served, supply, 1)


# ---- the link ------------------------------------------------------------------------------------------------------


def test_a_late_reply_is_not_taken_for_the_next_answer(usual):
    with serving(usual) as served, served.driven() as supply:
        voltage_v, limit_a = setting(supply.profile.output(1))
        supply.prepare(1, voltage_v, limit_a)
        supply.output_on(1)
        settled(supply, 1, voltage_v, 0.0, Mode.CV)
        supply.link.timeout_s = 0.05
        served.tell("SIM:FAULT LATE,0.1,HOLD")  # what is asked meanwhile is answered in its turn
        with pytest.raises(ReplyLate):
            supply.read(1)
        supply.link.timeout_s = 1.0
        reading = supply.read(1)
        span = supply.profile.output(1)
        assert abs(reading.voltage_v - voltage_v) <= span.voltage_tolerance_v(voltage_v) + 3 * span.read_resolution_v
        assert abs(reading.current_a) <= span.current_tolerance_a(0.0) + 3 * span.read_resolution_a
        assert supply.output_state(1) is True
        off(served, supply, 1)


def test_after_a_lost_link_off_comes_first(networked):
    """On a network; a serial port that goes away is tried in test_link.py."""
    with serving(networked) as served, served.driven() as supply:
        supply.prepare(1, *setting(supply.profile.output(1)))
        supply.output_on(1)
        served.tell("SIM:FAULT CLOSE")
        with pytest.raises(LinkLost):
            read_on(supply)
        with pytest.raises(LinkLost):
            supply.send_off(1)
        assert served.truth(1).output
        served.tell("SIM:FAULT NONE")
        before = served.offs()
        until(lambda: reached(supply))
        until(lambda: served.offs() > before)
        supply.reconnect()
        outcome = confirm_off(supply, 1, 1.0)
        assert outcome.state is OutputState.OFF, outcome.text
        assert not served.truth(1).output


def read_on(supply: Supply) -> None:
    """Read until something is wrong."""
    while True:
        supply.read(1)


def reached(supply: Supply) -> bool:
    """Whether OFF could be written."""
    try:
        supply.send_off(1)
    except LinkError:
        return False
    return True


def until(good: Callable[[], bool]) -> None:
    """Look again until it is so."""
    ends = time.monotonic() + PATIENCE_S
    while not good():
        assert time.monotonic() < ends
        time.sleep(0.005)
