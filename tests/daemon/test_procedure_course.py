"""The course of a long run from what it has kept of itself."""

from __future__ import annotations

import pytest

from benchd.daemon.procedure_course import course
from benchd.procedures.record import Column, Curve, Happened, Run, Side
from benchd.store.log import Log

T0 = 1_790_000_000_000_000_000
S = 10**9


def test_a_run_with_a_course_needs_no_readings_and_keeps_extremes_and_gaps(tmp_path) -> None:
    times = tuple(float(n) for n in range(100))
    columns = (
        Column("t_s", "Time", "s", times),
        Column("mean_a", "Mean", "A", (0.002,) * 100),
        Column("low_a", "Least", "A", tuple(0.001 if n == 42 else 0.002 for n in range(100))),
        Column("high_a", "Largest", "A", tuple(0.5 if n == 77 else 0.002 for n in range(100))),
    )
    gap = Happened(
        T0, "gap", "nothing was recorded for 10 s", {"from_ns": float(T0 + 60 * S), "to_ns": float(T0 + 70 * S)}
    )
    run = Run(
        "P1", "soak", 1, "Soak", None, T0 - 5 * S, (Side("main", "psu", 1),), "phone-cell", {}, ended_ns=T0 + 100 * S,
        curves=(Curve("course", "Course", columns, T0),), happened=(gap,),
    )  # fmt: skip
    with Log.open(tmp_path / "log.sqlite") as log:
        found = course(log, run, "main", 10, T0)
    assert (found.t0_ns, len(found.t_s)) == (T0, 10)
    assert found.t_s[0] == 4.5
    assert (found.low_a[4], found.high_a[7]) == (0.001, 0.5)
    assert found.mean_a == pytest.approx([0.002] * 10)
    assert found.gaps == [pytest.approx((60.0, 70.0), abs=1e-3)]
