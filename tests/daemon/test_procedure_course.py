"""The course of a long run from what it has kept of itself."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from benchd.daemon.procedure_course import course
from benchd.daemon.procedure_restart import wrapped
from benchd.plans.shelf import shipped
from benchd.procedures.record import Column, Curve, Run, Side
from benchd.procedures.sleep_live import SleepLive
from benchd.procedures.taken import Taken
from benchd.store.log import Log
from benchd.store.procedure_rows import keep_run
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions

T0 = 1_790_000_000_000_000_000
S = 10**9


def test_a_run_with_a_course_needs_no_readings_and_keeps_extremes_and_breaks_at_gaps(tmp_path) -> None:
    times = tuple(float(n) for n in (*range(54), *range(63, 100)))
    columns = (
        Column("t_s", "Time", "s", times),
        Column("mean_a", "Mean", "A", (0.002,) * len(times)),
        Column("low_a", "Least", "A", tuple(0.001 if at_s == 42 else 0.002 for at_s in times)),
        Column("high_a", "Largest", "A", tuple(0.5 if at_s == 77 else 0.002 for at_s in times)),
    )
    run = Run(
        "P1", "soak", 1, "Soak", None, T0 - 5 * S, (Side("main", "psu", 1),), "phone-cell", {}, ended_ns=T0 + 100 * S,
        curves=(Curve("course", "Course", columns, T0, gaps=((53.0, 63.0),)),),
    )  # fmt: skip
    with Log.open(tmp_path / "log.sqlite") as log:
        found = course(log, run, "main", 10, T0)
    assert found.t0_ns == T0
    assert found.t_s == [4.5, 14.5, 24.5, 34.5, 44.5, 51.5, 58.0, 67.5, 77.5, 87.5, 96.0]
    assert (found.low_a[4], found.high_a[8]) == (0.001, 0.5)
    assert found.mean_a == [*[pytest.approx(0.002)] * 6, None, *[pytest.approx(0.002)] * 4]
    assert found.gaps == [(53.0, 63.0)]


@pytest.mark.parametrize("goes_on", [False, True])
def test_means_are_those_of_the_readings_however_long_the_bins_are(tmp_path, goes_on: bool) -> None:
    """A board at 2 mA that wakes for a second each half minute: bins of a second beside bins of half a minute."""
    live = SleepLive(Taken(shipped()["phone-cell"].plan, {"wake_a": 0.02}, {"main": Conditions()}, {"main": None}))
    at_s = np.arange(0, 10_000, 0.2)
    amps = np.where(at_s % 30 < 1, 0.1, 0.002)
    n = len(at_s)
    t_ns = T0 + (at_s * S).astype(np.int64)
    live.feed("main", Samples(t_ns, np.full(n, 4.0), amps, np.zeros(n, np.uint8), np.zeros(n, np.uint8)))
    run = Run("P1", "soak", 1, "Soak", None, T0, (Side("main", "psu", 1),), "phone-cell", {})
    with Log.open(tmp_path / "log.sqlite") as log:
        if goes_on:  # the log has none of the readings: what is shown is from what it kept
            keep_run(log, run, wrapped(live.state(), {}))
        else:
            run = msgspec.structs.replace(run, outcome="done", ended_ns=T0 + 10_000 * S, curves=live.analysed().curves)
        found = course(log, run, "main", 20, T0 + 10_000 * S)
    assert found.mean_a == pytest.approx([amps.mean()] * len(found.mean_a), rel=0.15)
    assert {max(found.high_a), min(found.low_a)} == {0.1, 0.002}  # type: ignore[type-var]
