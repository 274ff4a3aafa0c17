"""Signatures over a grid of meters, boards and what is known; the seeds are fixed and the shares stated."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.traces.card_score import ramp
from benchd.traces.cards import shipped
from benchd.traces.cautions import CAUTIONS
from benchd.traces.csv_write import csv_text
from benchd.traces.csvfile import parse_csv
from benchd.traces.features import extract
from benchd.traces.samples import Samples
from benchd.traces.signatures import read_trace, tell_apart
from benchd.traces.trace import Conditions, Evidence, Finding, Mark, Trace
from tests.traces import boards
from tests.traces.boards import Board, Meter, boot, busy, flat, inrush, read

RATES = (5.0, 8.0, 20.0, 50.0, 100.0, 250.0, 1000.0)
PER_BOARD = 21
"""Traces per kind of board: each rate three times, all else drawn at random."""


def meter(rng: np.random.Generator, rate: float, **fixed: object) -> Meter:
    m = Meter(
        rate=rate,
        resolution_a=float(rng.choice([1e-4, 1e-3, 1e-2, 0.0])),
        noise_a=float(rng.choice([1e-4, 1e-3, 3e-3])),
        jitter=float(rng.choice([0.0, 0.1, 0.5, 0.9])),
        update_rate=rate / 4 if rate >= 50 and rng.random() < 0.25 else None,
        set_voltage_v=float(rng.choice([3.8, 4.0, 4.2, 12.0, 19.0])),
        limit_a=float(rng.choice([2.0, 3.0])),
        offset_a=float(rng.choice([0.0, 0.001, -0.001])),
        tell_conditions=bool(rng.random() < 0.6),
        tell_button=bool(rng.random() < 0.5),
        tell_mode=bool(rng.random() < 0.3),
    )
    return dataclasses.replace(m, **fixed)  # type: ignore[arg-type]


def grid(make: Callable[[np.random.Generator], Board], seed: int, **fixed: object) -> list[tuple[Meter, Finding]]:
    out = []
    for k in range(PER_BOARD):
        rng = np.random.default_rng([seed, k])
        m = meter(rng, RATES[k % len(RATES)], **fixed)
        out.append((m, read_trace(read(make(rng), m, k))))
    return out


def share(found: list[tuple[Meter, Finding]], signature: str) -> float:
    wrong = [(m, f.signature, f.confidence) for m, f in found if f.signature != signature]
    for line in wrong:
        print(line)
    return 1 - len(wrong) / len(found)


@pytest.mark.parametrize("seed", [11, 12])
@pytest.mark.parametrize(
    ("make", "signature", "fixed"),
    [
        (boards.no_draw, "no-draw", {}),
        (boards.dead_short, "dead-short", {"tell_button": False}),
        (boards.early_leak, "early-leak", {"tell_button": True, "set_voltage_v": 4.0}),
        (boards.low_stall, "low-stall", {}),
        (boards.boot_loop, "boot-loop", {}),
        (boards.clean_boot, "clean-boot", {}),
    ],
)
def test_at_least_95_of_100_are_called_by_their_name(make: Callable, signature: str, fixed: dict, seed: int) -> None:
    assert share(grid(make, seed, **fixed), signature) >= 0.95


@pytest.mark.parametrize(
    ("make", "signature", "fixed"),
    [
        (boards.brief_kick, "brief-kick", {}),
        (boards.mid_stall, "mid-stall", {}),
        (boards.late_short, "late-short", {"tell_button": True}),
        (boards.limit_sag, "limit-sag", {"limit_a": 0.8, "tell_conditions": True}),
        (boards.loose_contact, "loose-contact", {}),
    ],
)
def test_the_rarer_ones_are_called_by_their_name_too(make: Callable, signature: str, fixed: dict) -> None:
    found = grid(make, 21, **fixed)
    assert share(found, signature) >= 0.9
    assert all(len({a.signature for a in f.alternatives}) == 2 for _, f in found if f.signature == "unclear")


def test_a_flat_line_after_an_open_lead_names_the_leak_too() -> None:
    """No button is marked, and no charging is seen: it may be the clip as well as the button."""
    f = read_trace(read(Board(np.concatenate([flat(4, 0.0), flat(15, 0.06)])), Meter(rate=50)))
    assert f.signature == "low-stall"
    assert f.confidence < 0.9
    assert f.alternatives[0].signature == "early-leak"


def test_a_leak_without_a_marked_button_is_mostly_found() -> None:
    """Where it stays flat after an open lead and nothing else tells, a leak of some tens of mA looks like a stall."""
    assert share(grid(boards.early_leak, 31, tell_button=False, set_voltage_v=4.0), "early-leak") >= 0.8


@pytest.mark.parametrize("rate", RATES)
def test_the_same_flat_line_before_and_after_the_button(rate: float) -> None:
    """0.06 A flat: a stall when the button came first, a leak when it flows before it."""
    m = Meter(rate=rate)
    stall = read_trace(read(Board(np.concatenate([flat(4, 0.001), flat(20, 0.06)]), button_s=4.0), m))
    leak = read_trace(read(Board(np.concatenate([inrush(flat(4, 0.06)), flat(20, 0.061)]), button_s=4.0), m))
    assert (stall.signature, leak.signature) == ("low-stall", "early-leak")
    assert stall.button_s == 4.0


def test_flat_from_the_first_reading_without_a_button_is_a_leak_with_the_stall_named() -> None:
    f = read_trace(read(Board(inrush(flat(15, 0.06))), Meter(rate=50)))
    assert f.signature == "early-leak"
    assert f.confidence < 0.8
    assert f.alternatives[0].signature == "low-stall"
    assert "button" in f.alternatives[0].tell_apart
    assert f.button_s is None


@pytest.mark.parametrize("rate", RATES)
def test_the_button_is_recognised(rate: float) -> None:
    board = boards.clean_boot(np.random.default_rng(5))
    f = read_trace(read(board, Meter(rate=rate, tell_button=False)))
    assert f.button_s == pytest.approx(board.button_s, abs=0.1 + 2 / rate)
    leaky = Board(np.concatenate([flat(2, 0), inrush(flat(5, 0.08)), 0.08 + boot(np.random.default_rng(6))]))
    f = read_trace(read(leaky, Meter(rate=rate, tell_button=False)))
    assert f.signature == "early-leak"
    assert f.button_s == pytest.approx(7.0, abs=0.1 + 2 / rate)


def test_a_mark_by_hand_wins_over_one_of_the_recogniser() -> None:
    trace = read(boards.low_stall(np.random.default_rng(1)), Meter(tell_button=False))
    hand = dataclasses.replace(trace, marks=(Mark("button", 10**9), Mark("button", 15 * 10**8, "hand")))
    assert read_trace(hand).button_s == 1.5


@pytest.mark.parametrize(("level", "volts", "signature"), [
    (0.003, 4.0, "no-draw"), (0.06, 4.0, "early-leak"), (0.020, 19.0, "no-draw"), (0.100, 19.0, "early-leak"),
])  # fmt: skip
def test_what_is_normal_before_the_button_depends_on_the_voltage(level: float, volts: float, signature: str) -> None:
    f = read_trace(read(Board(flat(12, level), button_s=6.0), Meter(set_voltage_v=volts)))
    assert f.signature == signature


def test_a_leak_comes_with_its_uncertainty() -> None:
    """0.2 % + 10 mA at 60 mA: ± 11.7 mA (JCGM 100 §4.3.7, k = 2); step and noise add little."""
    trace = read(
        Board(np.concatenate([flat(5, 0.06), 0.06 + boot(np.random.default_rng(2))]), button_s=5.0),
        Meter(noise_a=0.0001),
    )
    known = dataclasses.replace(trace, conditions=Conditions(4.0, 2.0, 0.001, 0.002, 0.010))
    evidence = next(e for e in read_trace(known).evidence if e.quantity == "current before the button")
    assert evidence.value == pytest.approx(0.06, abs=0.001)
    assert evidence.uncertainty == pytest.approx(0.0117, abs=0.0001)
    unstated = next(e for e in read_trace(trace).evidence if e.quantity == "current before the button")
    assert "(k = 2, accuracy of the supply not stated)" in unstated.text


@pytest.mark.parametrize("accuracy", [(0.0, 0.0), (0.001, 0.005)])
def test_peak_level_and_settled_current_come_with_their_uncertainty(accuracy: tuple[float, float]) -> None:
    """Hand-worked after JCGM 100 §4.3.7, §5.1.2 and §F.2.2.1: 2·√(a²/3 + step²/12) with a = 0.1 % + 5 mA; of the noise
    of 0.1 mA little is left over seconds."""
    meter = Meter(noise_a=0.0001)
    for board, quantity in (
        (boards.low_stall(np.random.default_rng(3)), "level"),
        (Board(np.concatenate([flat(2, 0), boot(np.random.default_rng(2)), flat(8, 0.12)])), "settled current"),
    ):
        trace = read(board, meter)
        c = Conditions(4.0, 2.0, 0.001, *accuracy)
        found = {e.quantity: e for e in read_trace(dataclasses.replace(trace, conditions=c)).evidence}
        for name in (quantity, "highest lasting current"):
            e = found[name]
            assert e.value is not None
            hand = 2 * ((accuracy[0] * e.value + accuracy[1]) ** 2 / 3 + 0.001**2 / 12) ** 0.5
            assert e.uncertainty == pytest.approx(hand, abs=0.0001)
            assert ("not stated" in e.text) == (accuracy == (0.0, 0.0))
            assert " ± " in e.text


@pytest.mark.parametrize(("offset_v", "within"), [(0.0, 0.4), (0.010, 0.1)])
def test_a_falling_voltage_comes_with_its_uncertainty(offset_v: float, within: float) -> None:
    """From 4 V to 2.6 V at the limit. Hand-worked: 2·√(a²/3 + noise² + step²/12)/4 V, a = 0.05 % of 2.6 V + 10 mV or
    nothing, noise and step 1 mV."""
    fraction = 0.0005 if offset_v else 0.0
    wanted = np.concatenate([flat(1, 0), boot(np.random.default_rng(2)), flat(2, 2.6), flat(3, 0.12)])
    trace = read(Board(wanted, button_s=1.0), Meter(limit_a=2.0))
    c = msgspec.structs.replace(trace.conditions, accuracy_fraction_v=fraction, accuracy_offset_v=offset_v)
    f = extract(dataclasses.replace(trace, conditions=c))
    assert f.sag == pytest.approx(0.35, abs=0.01)
    accuracy = fraction * 2.6 + offset_v
    hand = 2 * (accuracy**2 / 3 + 0.001**2 + 0.001**2 / 12) ** 0.5 / 4
    assert f.sag_u == pytest.approx(hand, rel=within)  # the noise is itself estimated from the readings
    assert f.known.voltage_stated == (offset_v > 0)


@pytest.mark.parametrize("period", [1.5, 2.5, 7.0, 30.0])
@pytest.mark.parametrize("rate", [8.0, 50.0, 1000.0])
def test_the_period_of_a_loop_is_given(period: float, rate: float) -> None:
    f = read_trace(read(boards.boot_loop(np.random.default_rng(7), period_s=period, tries=5), Meter(rate=rate)))
    assert f.signature == "boot-loop"
    evidence = next(e for e in f.evidence if e.quantity == "period")
    assert evidence.value == pytest.approx(period, rel=0.06)
    assert evidence.uncertainty is not None
    assert evidence.uncertainty < 0.2 * period


def test_a_short_is_measured_by_ohms_law() -> None:
    """0.1 Ω behind 0.08 Ω of lead at 2 A: 0.36 V, 0.18 Ω, 0.72 W."""
    board = Board(flat(1, 0.0), short_ohm=np.full(1000, 0.1))
    f = read_trace(read(board, Meter(rate=200, limit_a=2.0)))
    ohm = next(e for e in f.evidence if e.quantity == "resistance")
    assert ohm.value == pytest.approx(0.18, abs=0.002)
    assert "0.72 W" in ohm.text
    assert any("limited supply still heats" in c for c in f.cautions)


@pytest.mark.parametrize("ms", [20, 60, 300])
def test_a_short_that_was_cut_after_some_milliseconds(ms: int) -> None:
    short = np.where(np.arange(2000) >= 1000, 0.1, 0.0)
    board = Board(flat(2.0, 0.0), short_ohm=short, off_s=1 + ms / 1000)
    for rate in (100.0, 1000.0):
        assert read_trace(read(board, Meter(rate=rate))).signature == "dead-short"


def test_a_capacitor_charged_at_the_limit_is_no_short() -> None:
    """t = C·V/I: 50 mF to 4 V at 1 A takes 0.2 s, rising evenly all the while; then the board boots."""
    t = np.arange(0, 12, 0.002)
    demand = np.concatenate([flat(2, 0.001), boot(np.random.default_rng(3))])
    i = np.interp(t, np.arange(len(demand)) * 0.001, demand)
    charging = t < 0.2
    i, v = np.where(charging, 1.0, i), np.where(charging, 4.0 * t / 0.2, 4.0)
    zero = np.zeros(len(t), np.uint8)
    trace = Trace(Samples(np.rint(t * 1e9).astype(np.int64), v, i, zero, zero), 0, Conditions(4.0, 1.0, 0.001))
    assert read_trace(trace).signature != "dead-short"


def test_poor_traces_are_less_sure_and_say_why() -> None:
    demand = np.concatenate([flat(2, 0.001), flat(12, 0.06)])
    good = read_trace(read(Board(demand, button_s=2.0), Meter(rate=100)))
    slow = read_trace(read(Board(demand, button_s=2.0), Meter(rate=5)))
    short = read_trace(read(Board(demand[:4800], button_s=2.0), Meter(rate=100)))
    assert good.signature == slow.signature == "low-stall"
    assert slow.confidence < good.confidence
    assert short.signature == "unclear" or short.confidence < good.confidence
    assert any("readings/s" in e.text for e in slow.evidence)


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_hardly_any_readings(n: int) -> None:
    t = np.arange(n, dtype=np.int64) * 10**8
    zero = np.zeros(n, np.uint8)
    f = read_trace(Trace(Samples(t, np.full(n, 4.0), np.full(n, 0.0), zero, zero), 0, Conditions()))
    assert f.confidence <= 0.7
    assert f.evidence


def test_output_never_on() -> None:
    trace = read(Board(flat(5, 0.0), off_s=0.0), Meter())
    f = read_trace(trace)
    assert f.signature == "unclear"
    assert "voltage never came" in f.evidence[0].text


def test_findings_are_whole() -> None:
    for make in (
        boards.no_draw,
        boards.dead_short,
        boards.early_leak,
        boards.low_stall,
        boards.boot_loop,
        boards.clean_boot,
    ):
        f = read_trace(read(make(np.random.default_rng(8)), Meter()))
        assert f.signature in shipped()
        assert 0.5 < f.confidence <= 0.95
        assert len(f.evidence) >= 2
        assert all(isinstance(e, Evidence) and e.text.endswith(".") for e in f.evidence)
        card = shipped()[f.signature].card
        assert set(f.next_checks) >= {c.text for c in card.check if not c.when}
        # In the card's order, which is a technician's: the cheapest and least invasive first.
        assert list(f.next_checks) == [c.text for c in card.check if c.text in f.next_checks]
        assert f.cautions == tuple(CAUTIONS[c] for c in card.cautions)
        assert f.cards == f"{f.signature}@{card.version}"
        assert all(a.tell_apart and a.signature != f.signature for a in f.alternatives)
        assert msgspec.json.decode(msgspec.json.encode(f), type=Finding) == f


def test_every_pair_of_signatures_can_be_told_apart_in_words() -> None:
    cards = [found.card for name, found in shipped().items() if name != "unclear"]
    for one in cards:
        for other in cards:
            assert one == other or len(tell_apart(one, other)) > 20


def test_a_trace_reads_the_same_from_its_file() -> None:
    trace = read(boards.early_leak(np.random.default_rng(9)), Meter(tell_mode=True))
    assert read_trace(parse_csv(csv_text(trace))) == read_trace(trace)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([4.0, 19.0]), st.sampled_from([0.5, 2.0]))
def test_a_finding_does_not_depend_on_when_it_was_recorded(seed: int, volts: float, hours: float) -> None:
    rng = np.random.default_rng(seed)
    make = (boards.clean_boot, boards.boot_loop, boards.low_stall)[seed % 3]
    trace = read(make(rng), Meter(rate=20, set_voltage_v=volts), seed)
    shift = round(hours * 3600e9) + 1_700_000_000 * 10**9
    s = trace.samples
    moved = Trace(
        Samples(s.t_ns + shift, s.voltage_v, s.current_a, s.mode, s.flags),
        shift,
        trace.conditions,
        tuple(Mark(m.kind, m.t_ns + shift, m.by) for m in trace.marks),
    )
    assert read_trace(moved) == read_trace(trace)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 3 * 10**9), st.sampled_from([0.0, 0.1, 4.0, 20.0]), st.floats(-0.1, 3.0)),
        max_size=60,
    ),
    st.booleans(),
    st.integers(-1, 100),
)
def test_nothing_raises_and_all_numbers_are_numbers(rows: list, told: bool, button: int) -> None:
    t = np.cumsum(np.array([r[0] for r in rows], np.int64))
    v, i = np.array([r[1] for r in rows], float), np.array([r[2] for r in rows], float)
    zero = np.zeros(len(rows), np.uint8)
    marks = (Mark("button", button * 10**9, "hand"),) if button >= 0 else ()
    trace = Trace(Samples(t, v, i, zero, zero), 0, Conditions(4.0, 1.0, 0.001) if told else Conditions(), marks)
    f = read_trace(trace)
    assert 0 <= f.confidence <= 0.95
    for e in f.evidence:
        assert e.value is None or np.isfinite(e.value)
        assert "nan" not in e.text
    features = extract(trace)
    assert features.rest is None or np.isfinite(features.rest.tail_a)


@pytest.mark.parametrize(("value", "low", "high", "result"), [
    (0.5, 0, 1, 0.5), (-1, 0, 1, 0), (2, 0, 1, 1), (0.25, 1, 0, 0.75), (2, 1, 0, 0), (1, 1, 1, 1), (0.9, 1, 1, 0),
])  # fmt: skip
def test_ramp(value: float, low: float, high: float, result: float) -> None:
    assert ramp(value, low, high) == result


def test_busy_and_stall_of_the_same_mean_are_told_apart() -> None:
    rng = np.random.default_rng(10)
    stall = Board(np.concatenate([flat(3, 0.001), flat(20, 0.35)]), button_s=3.0)
    alive = Board(np.concatenate([flat(3, 0.001), busy(rng, 12, 0.45, 0.2), busy(rng, 8, 0.25, 0.02)]), button_s=3.0)
    assert read_trace(read(stall, Meter())).signature == "mid-stall"
    assert read_trace(read(alive, Meter())).signature == "clean-boot"
