"""Units that cannot be: true tables are never doubted, those in thousandths are where anything can be seen."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from benchd.traces.plausible import doubts, time_unit
from benchd.traces.table_columns import Column
from benchd.traces.table_units import unit_of
from benchd.traces.trace import Conditions, Trace
from tests.traces import boards

METERS = [
    boards.Meter(),
    boards.Meter(rate=5, resolution_a=0.01),
    boards.Meter(rate=400, resolution_a=0.0001, noise_a=0.003, jitter=0.3),
]
KINDS = [boards.no_draw, boards.dead_short, boards.early_leak, boards.low_stall, boards.boot_loop, boards.clean_boot,
         boards.late_short, boards.limit_sag]  # fmt: skip


def columns(said: str) -> dict[str, Column]:
    return {
        "time": Column("time", 0, "t", unit_of("s" if said else "")),
        "voltage": Column("voltage", 1, "U", unit_of("V" if said else "")),
        "current": Column("current", 2, "I", unit_of("A" if said else "")),
    }


@pytest.fixture(scope="module")
def traces() -> list[Trace]:
    return [
        boards.read(kind(np.random.default_rng(seed)), meter, seed)
        for kind in KINDS
        for seed, meter in enumerate(METERS)
    ]


def asked(trace: Trace, header: str, conditions: Conditions, **scaled: float) -> bool:
    s = trace.samples
    other = dataclasses.replace(
        s,
        t_ns=((s.t_ns - s.t_ns[0]) * scaled.get("time", 1)).astype(np.int64),
        current_a=s.current_a * scaled.get("current", 1),
        voltage_v=s.voltage_v * scaled.get("voltage", 1),
    )
    t = ((other.t_ns[:400] - other.t_ns[0]) / 1e9).tolist()
    first = time_unit(columns(header)["time"], t)[1]
    return bool(first) or doubts(other, columns(header), conditions) is not None


@pytest.mark.parametrize("header", ["with units", ""])
@pytest.mark.parametrize("known", [True, False])
def test_what_a_supply_read_is_not_doubted(traces: list[Trace], header: str, known: bool) -> None:
    for trace in traces:
        assert not asked(trace, header, trace.conditions if known else Conditions())


@pytest.mark.parametrize("header", ["with units", ""])
def test_thousandths_are_asked_about(traces: list[Trace], header: str) -> None:
    """Where there is a current, or a voltage, that is more than a board's rest."""
    for trace in traces:
        s = trace.samples
        if np.nanpercentile(s.current_a, 90) > 0.02:
            assert asked(trace, header, Conditions(), current=1000)
        if np.nanpercentile(s.voltage_v, 90) > 0.5:
            assert asked(trace, header, Conditions(), voltage=1000)
        if s.t_ns[-1] - s.t_ns[0] > 5e9:
            assert asked(trace, header, Conditions(), time=1000)


def test_what_a_person_said_is_not_doubted(traces: list[Trace]) -> None:
    for trace in traces:
        s = dataclasses.replace(trace.samples, current_a=trace.samples.current_a * 1000)
        said = {q: dataclasses.replace(c, said=True) for q, c in columns("with units").items()}
        assert doubts(s, said, trace.conditions) is None
