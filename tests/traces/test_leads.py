"""Leads that are known: what the board sees of the voltage, and what a short has without them (Ohm's law)."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from msgspec.structs import replace

from benchd.traces.csv_write import csv_text
from benchd.traces.csvfile import parse_csv
from benchd.traces.features import extract
from benchd.traces.quantity_values import of
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Conditions, Trace
from tests.traces.boards import Board, Meter, boot, flat, read

TOLD = Conditions(4.0, 3.0, 0.001, accuracy_fraction_v=0.0005, accuracy_offset_v=0.005, resolution_v=0.001)


def known(trace: Trace, lead_ohm: float | None, u_ohm: float = 0.0) -> Trace:
    return dataclasses.replace(trace, conditions=replace(TOLD, lead_ohm=lead_ohm, lead_u_ohm=u_ohm))


def booting() -> Trace:
    """A start of up to some 1 A at a supply that holds 4.0 V at its own terminals."""
    demand = np.concatenate([flat(2, 0.001), boot(np.random.default_rng(2), 1.3)])
    return read(Board(demand, button_s=2.0), Meter(rate=100, limit_a=3.0))


def test_a_steady_current_takes_current_times_resistance_from_the_board() -> None:
    """2.0 A through 0.30 ± 0.01 Ω are 0.60 ± 0.02 V of 4.0 V: 15 %."""
    t_ns = (np.arange(1000) * 10**7).astype(np.int64)
    amps = np.where(t_ns < 2 * 10**9, 0.001, 2.0)
    flags = np.zeros(1000, np.uint8)
    samples = type(booting().samples)(t_ns, np.full(1000, 4.0), amps, flags, flags.copy())
    f = extract(known(Trace(samples, 0, TOLD), 0.30, 0.01))
    assert f.sag == 0.0
    assert f.board_sag == pytest.approx(0.15, abs=1e-3)
    assert f.board_sag_u == pytest.approx(np.hypot(0.005, 2 * (0.0005 * 3.4 + 0.005) / np.sqrt(3) / 4), rel=0.1)
    assert extract(known(Trace(samples, 0, TOLD), None)).board_sag is None


@pytest.mark.parametrize(("lead_ohm", "signature"), [(None, "clean-boot"), (0.03, "clean-boot"), (0.9, "limit-sag")])
def test_long_thin_leads_are_the_benchs_fault(lead_ohm: float | None, signature: str) -> None:
    finding = read_trace(known(booting(), lead_ohm, 0.01))
    assert finding.signature == signature
    told = [each.text for each in finding.evidence if each.quantity == "fall at the board"]
    assert len(told) == (lead_ohm == 0.9)
    if told:
        assert "the leads have 0.90 Ω ± 0.01 Ω (k = 2), and take 1.02 V ± " in told[0]


def test_a_short_is_told_without_the_leads() -> None:
    demand = flat(3, 0.0)
    trace = read(Board(demand, short_ohm=np.full(len(demand), 0.15)), Meter(rate=100, limit_a=3.0))
    texts = {}
    for lead_ohm in (None, 0.05):
        finding = read_trace(known(trace, lead_ohm, 0.002))
        assert finding.signature == "dead-short"
        (texts[lead_ohm],) = (each.text for each in finding.evidence if each.text.startswith("That is"))
    values = of(extract(known(trace, 0.05, 0.002)))
    assert values is not None
    assert values["short_board_ohm"] == pytest.approx((values["short_ohm"] or 0.0) - 0.05)
    assert ", leads included, and" in (texts[None] or "")
    assert ", 0.05 Ω ± 0.002 Ω (k = 2) of leads taken off, and" in (texts[0.05] or "")


def test_leads_go_with_a_trace_into_a_file_and_back() -> None:
    back = parse_csv(csv_text(known(booting(), 0.0499, 0.0003)))
    assert (back.conditions.lead_ohm, back.conditions.lead_u_ohm) == (0.0499, 0.0003)
