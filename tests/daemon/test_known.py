"""The step and accuracy of readings that traces are judged by: the family's, then those of the unit that answers."""

from __future__ import annotations

import msgspec
import pytest

from benchd.daemon.core import Core
from benchd.daemon.known import Known
from benchd.guard.wire import LinkChanged
from benchd.settings import Settings
from benchd.supplies.profile import load_profile
from tests.daemon.making import ACCURACY, MS, on, past, readings, settings


def bench(profile: str) -> Settings:
    made = settings().model_copy(deep=True)
    made.supply[0] = made.supply[0].model_copy(update={"profile": profile})
    return made


@pytest.mark.parametrize(("model", "step_a"), [("DP832", 0.001), ("DP711", 0.01)])
def test_the_model_that_answers_decides(model: str, step_a: float) -> None:
    """DP832 reads 1 mA (its data sheet, from memory), as its row of the profile says; the family only 10 mA."""
    known = Known(bench("rigol-dp800").supply)
    assert known.families()["psu-a", 1].resolution_a == 0.01
    unit = known.unit("psu-a", f"RIGOL TECHNOLOGIES,{model},DP8C1,00.01.14")
    assert unit["psu-a", 1].resolution_a == step_a


def test_an_identification_of_no_such_model_leaves_the_family() -> None:
    known = Known(bench("rigol-dp800").supply)
    assert known.unit("psu-a", "EXAMPLE,TWO,0,1") == known.families()


def test_an_output_that_the_model_lacks_is_left_out() -> None:
    """DP711 has one output (its name says so, common practice); the settings name two."""
    assert list(Known(bench("rigol-dp800").supply).unit("psu-a", "RIGOL TECHNOLOGIES,DP711,1,1")) == [("psu-a", 1)]


def test_the_figures_are_those_of_the_profile() -> None:
    known = Known(bench("benchd-sim").supply).families()["psu-a", 2]
    output = load_profile("benchd-sim").output(2)
    assert (known.resolution_a, known.accuracy_fraction_v) == (output.read_resolution_a, output.accuracy_fraction_v)


def test_traces_are_filed_with_the_figures_of_the_unit_that_came_up(core: Core) -> None:
    finer = msgspec.structs.replace(ACCURACY, resolution_a=0.00002)
    core.of_unit = lambda supply, identity: {(supply, 1): finer} if identity == "EXAMPLE,TWO,0,1" else {}
    core.on_report(LinkChanged("psu-a", True, past(11), identity="EXAMPLE,TWO,0,1"))
    for number, step_a in ((1, 0.00002), (2, ACCURACY.resolution_a)):
        watch, t = core.watches["psu-a", number], past(10)
        watch.on_output(on(t_ns=t))
        watch.on_block(readings(t, [0.0, 0.0001] * 100 + [0.06] * 50))
        assert watch.open is not None
        assert watch.open.conditions.resolution_a == step_a


def test_a_trace_that_is_open_goes_on_when_the_figures_change(core: Core) -> None:
    watch, t = core.watches["psu-a", 1], past(10)
    watch.on_output(on(t_ns=t))
    watch.on_block(readings(t, [0.0, 0.0001] * 100 + [0.06] * 50))
    opened = watch.open
    watch.measures(msgspec.structs.replace(ACCURACY, resolution_a=0.01))
    assert watch.open is opened is not None
    watch.on_block(readings(t + 2500 * MS, [0.06] * 50))
    assert watch.view(past(0)).capture == "connected"
