"""Whatever happens on the wire: nothing is called off that is on, nothing goes on with settings not proved."""

from __future__ import annotations

import contextlib
from unittest import mock

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.reading import OutputState
from benchd.supplies import off
from benchd.supplies.errors import LinkError, LinkLost, SupplyError
from benchd.supplies.link import Link
from benchd.supplies.off import confirm_off
from benchd.supplies.supply import Supply, identification
from tests.supplies.liar import IDENTITY, Fake
from tests.supplies.small import OUTPUT, profile

STEPS = {"numbers": [1, 2], "set_resolution_v": 0.001, "set_resolution_a": 0.001, "max_voltage_v": 20.0}
MULTI = [{**OUTPUT, **STEPS}]
MEAS = {"separators": ",", "fields": ["voltage", "current"]}
BY_NUMBER = {
    "set_voltage": "VOLT{channel} {value}", "get_voltage": "VOLT{channel}?", "set_limit": "CURR{channel} {value}",
    "get_limit": "CURR{channel}?", "output_on": "OUTP{channel} ON", "output_off": "OUTP{channel} OFF",
    "output_state": "OUTP{channel}?",
}  # fmt: skip


def echoed(key: str) -> dict[str, str]:
    return {"send": BY_NUMBER[key], "echo": BY_NUMBER[key].rstrip("?")}


SHAPES = {
    "by number": dict(commands=BY_NUMBER, read={"query": {"send": "MEAS{channel}?", **MEAS}}, outputs=MULTI),
    "echoed": dict(
        commands={**BY_NUMBER, **{key: echoed(key) for key in ("get_voltage", "get_limit", "output_state")}},
        read={"query": {"send": "MEAS{channel}?", "echo": "MEAS{channel}", **MEAS}},
        outputs=MULTI,
    ),
    "one register": dict(
        commands={**BY_NUMBER, "output_state": {"send": "STAT?", "on": {"mask": [1, 2]}}},
        read={"query": {"send": "MEAS{channel}?", **MEAS}},
        outputs=MULTI,
    ),
    "negative": dict(
        commands=BY_NUMBER, read={"query": {"send": "MEAS{channel}?", **MEAS}},
        outputs=[{**OUTPUT, **STEPS, "negative": True}],
    ),
    "selected in the message": dict(
        channels={"select": "same-message", "select_command": "INST {channel}"},
        read={"query": {"send": "MEAS?", **MEAS}}, outputs=MULTI,
    ),
    "selected before": dict(
        channels={"select": "separate-message", "select_command": "INST {channel}", "selected": "INST?"},
        read={"query": {"send": "MEAS?", **MEAS}}, outputs=MULTI,
    ),
}  # fmt: skip
PROFILES = {name: profile(**shape) for name, shape in SHAPES.items()}  # type: ignore[arg-type]

ODD = st.lists(st.tuples(st.integers(0, 12), st.integers(0, 30)), max_size=20)
"""After how many occasions at which nothing does something goes wrong, and which of the things that can."""
LATE, BROKEN, LOST, DEAF, PANEL = (
    ["late", "later", "much later", "twice"], ["half", "none", "late"], ["lost", "refused"], ["deaf"], ["other"]
)  # fmt: skip
KINDS = st.sampled_from(
    [LATE, LOST, DEAF, PANEL, LATE + DEAF, PANEL + DEAF, LATE + BROKEN, LATE + BROKEN + LOST + DEAF + PANEL]
)
WORK = st.lists(
    st.tuples(st.sampled_from(["on", "off", "read", "back", "state"]), st.sampled_from([1, 2])), max_size=12
)


class Odd:
    """Draws from a list made beforehand. `ends`: nothing goes wrong any more."""

    def __init__(self, chosen: list[tuple[int, int]], allowed: list[str], begun: bool = True) -> None:
        self._chosen = list(chosen)
        self._allowed = allowed
        self._quiet = 0
        self.ends = not begun

    def __call__(self, where: str, names: list[str]) -> str:
        names = [name for name in names if name in self._allowed]
        if self.ends or not names or not self._chosen:
            return ""
        after, which = self._chosen[0]
        if self._quiet < after:
            self._quiet += 1
            return ""
        self._quiet = 0
        del self._chosen[0]
        return names[which % len(names)]


def opened(fake: Fake, shape: str) -> Supply | None:
    used = PROFILES[shape]
    try:
        link = Link.open("fake", used.link, 0.01, None, "@py", identification(used), fake.open)
        supply = Supply("liar", used, link, (1, 2))
        supply.identify()
    except (LinkError, SupplyError):
        return None
    return supply


@pytest.fixture(autouse=True)
def _no_pauses():
    with (
        mock.patch.object(off, "PAUSE_S", 0),
        mock.patch.object(off, "DEAF_PAUSE_S", 0),
        mock.patch("benchd.supplies.link.QUIET_S", 0),
    ):
        yield


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("fresh_is_clean", [True, False], ids=["socket", "port"])
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(chosen=ODD, kinds=KINDS, begun=st.booleans(), work=WORK)
def test_nothing_is_called_off_that_is_on_and_nothing_goes_on_unproved(
    shape, fresh_is_clean, chosen, kinds, begun, work
):
    odd = Odd(chosen, kinds, begun)
    wanted: dict[int, tuple[float, float]] = {}
    unproved: list[tuple[int, float, float]] = []

    def switched(channel: int) -> None:
        output = fake.outputs[channel]
        if wanted.get(channel) != (output.volts, output.amps):
            unproved.append((channel, output.volts, output.amps))

    fake = Fake(odd, shape == "echoed", shape == "negative", fresh_is_clean, switched)
    supply = opened(fake, shape)
    if supply is None:
        return
    with contextlib.closing(supply):
        _work(supply, fake, wanted, "on", 2)
        odd.ends = False
        for what, channel in work:
            _work(supply, fake, wanted, what, channel)
        assert unproved == []
        odd.ends = True
        for channel in (1, 2):  # within one more look the truth is known again
            if _looked(supply, channel) is False:
                assert not fake.outputs[channel].on


def _work(supply: Supply, fake: Fake, wanted: dict[int, tuple[float, float]], what: str, channel: int) -> None:
    try:
        if what == "on":
            settings_now = (4.0 + channel, 0.5 + channel / 10)
            supply.prepare(channel, *settings_now)
            wanted[channel] = settings_now
            supply.output_on(channel)
        elif what == "read":
            supply.read(channel)
        elif what == "back":
            supply.reconnect()
        elif what == "state":
            assert supply.output_state(channel) or not fake.outputs[channel].on
        else:
            with contextlib.suppress(LinkLost):
                supply.send_off(channel)
            outcome = confirm_off(supply, channel, 0.005)
            assert outcome.state is not OutputState.OFF or not fake.outputs[channel].on
    except (LinkError, SupplyError):
        pass


def _looked(supply: Supply, channel: int) -> bool | None:
    for _ in range(4):
        with contextlib.suppress(LinkError, SupplyError):
            return supply.output_state(channel)
    return None


def test_without_anything_odd_the_walk_succeeds():
    """So that the test above is not passed by refusing everything."""
    for shape in SHAPES:
        fake = Fake(Odd([], []), shape == "echoed", shape == "negative")
        supply = opened(fake, shape)
        assert supply is not None
        assert supply.link.identity == IDENTITY
        supply.prepare(2, 5.0, 0.5)
        supply.output_on(2)
        assert fake.outputs[2].on
        assert supply.read(2).current_a == 0.5
        supply.send_off(2)
        assert confirm_off(supply, 2, 0.1).state is OutputState.OFF
        assert not fake.outputs[2].on
