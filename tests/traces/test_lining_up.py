"""Several traces on one time axis, and all that is measured on one."""

from __future__ import annotations

import dataclasses

import pytest

from benchd.traces.lining_up import line_up
from benchd.traces.measured import measure
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Mark, Trace
from tests.traces import power_ups


def test_rises_are_laid_on_each_other_and_what_has_no_button_stands_with_its_start() -> None:
    first, second = power_ups.trace(power_ups.good(1), 1), power_ups.trace(power_ups.good(2), 2)
    button_s = line_up([first])[0].s
    # Marked by hand half a second late: the rise tells it.
    late = dataclasses.replace(second, marks=(Mark("button", second.start_ns + round((button_s + 0.5) * 1e9), "hand"),))
    empty = Trace(Samples.empty(), 0, Conditions())
    found = line_up([empty, first, second, late])
    assert [zero.by for zero in found] == ["start", "button", found[2].by, "rise"]
    assert found[0].s == 0.0
    assert found[1].s == found[2].s == pytest.approx(button_s, abs=0.1)
    assert found[3].s == pytest.approx(button_s, abs=0.1)


def test_what_is_measured_has_names_units_and_uncertainties() -> None:
    trace = power_ups.trace(power_ups.good(1), 1)
    found = measure(trace)
    assert [p.name for p in found.phases] == ["leak", "boot", "settled"]
    assert found.phases[0].to_s == pytest.approx(found.phases[1].from_s)
    rows = {q.name: q for q in found.quantities}
    assert rows["charge_c"].unit == "C"
    assert rows["charge_c"].value == pytest.approx(sum(p.charge_c for p in found.phases), rel=1e-6)
    assert rows["button_s"].label == "button"
    assert any(q.uncertainty for q in found.quantities)
    assert "short_ohm" not in rows, "what it does not show is left out"
    assert measure(Trace(Samples.empty(), 0, Conditions())).quantities == []
