"""Which traces lie beside a step."""

from __future__ import annotations

from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from benchd.jobs.around import Around, around
from benchd.jobs.job import JournalEntry

S = 1_000_000_000


def trace(
    seq: int, start_s: float, seconds: float = 10.0, channel: int = 1, filed_s: float | None = None
) -> JournalEntry:
    """A trace T<start>, filed half a second after its end."""
    filed = start_s + seconds + 0.5 if filed_s is None else filed_s
    payload = {"start_ns": round(start_s * S), "duration_s": seconds}
    return JournalEntry(seq, round(filed * S), "trace", "R-1", "lab", channel, f"T{start_s:g}", payload)


def step(seq: int, at_s: float, **payload: Any) -> JournalEntry:
    return JournalEntry(seq, round(at_s * S), "step", "R-1", None, None, None, {"step": "cleaned", **payload})


def back(seq: int, of: JournalEntry) -> JournalEntry:
    payload = {"seq": of.seq, "step_ns": of.t_ns, "by": "north"}
    return JournalEntry(seq, of.t_ns + S, "step-taken-back", "R-1", None, None, None, payload)


def test_the_last_trace_before_and_the_first_after() -> None:
    found = around([trace(1, 10), trace(2, 30), step(3, 50), trace(4, 60), trace(5, 80)])
    assert found == {3: Around("T30", "T60")}


def test_a_step_before_and_after_all_traces() -> None:
    assert around([step(1, 5), trace(2, 10), step(3, 50)]) == {1: Around(None, "T10"), 3: Around("T10", None)}
    assert around([step(1, 5)]) == {1: Around(None, None)}


def test_a_trace_filed_after_the_step_had_ended_before_it() -> None:
    """Output off, step written down at once, and the trace filed a moment later."""
    assert around([trace(1, 10, 10, filed_s=22), step(2, 21)]) == {2: Around("T10", None)}


def test_a_trace_that_runs_while_the_step_is_written_down_shows_its_effect() -> None:
    assert around([trace(1, 10), step(2, 45), trace(3, 40, 20)]) == {2: Around("T10", "T40")}


def test_the_power_up_one_second_after_the_step_is_after_it() -> None:
    """Though the readings kept from before it begin earlier."""
    assert around([step(1, 41), trace(2, 40, 20)]) == {1: Around(None, "T40")}


def test_the_trace_that_shows_the_effect_may_be_named() -> None:
    entries = [trace(1, 10), trace(2, 30), trace(3, 50), step(4, 70, effect="T30")]
    assert around(entries) == {4: Around("T10", "T30")}
    assert around([trace(1, 10), step(2, 70, effect="T999")]) == {2: Around("T10", None)}


def test_two_steps_without_a_trace_between_them_are_told() -> None:
    found = around([trace(1, 10), step(2, 30), step(3, 31), trace(4, 40), step(5, 60)])
    assert found == {2: Around("T10", "T40", (3,)), 3: Around("T10", "T40", (2,)), 5: Around("T40", None)}


def test_a_step_that_was_taken_back_is_none() -> None:
    wrong = step(2, 30)
    assert around([trace(1, 10), wrong, step(3, 31), back(4, wrong)]) == {3: Around("T10", None)}


def test_traces_of_the_same_output_are_compared() -> None:
    """The battery's side before, the USB side and then the battery's side after."""
    entries = [trace(1, 10, channel=2), trace(2, 25, channel=1), step(3, 50), trace(4, 60, channel=2)]
    assert around(entries) == {3: Around("T10", "T60")}
    usb_alone = [trace(1, 10, channel=1), step(2, 50), trace(3, 60, channel=2)]
    assert around(usb_alone) == {2: Around("T10", "T60")}


@given(
    st.lists(st.tuples(st.integers(0, 500), st.integers(1, 50)), unique=True),
    st.lists(st.integers(0, 600), unique=True),
)
def test_before_has_ended_and_after_has_not(traces: list[tuple[int, int]], steps: list[int]) -> None:
    spans = {f"T{start:g}-{length}": (start, start + length) for start, length in traces}
    entries = [
        JournalEntry(
            n, (start + length) * S, "trace", "R-1", "lab", 1, f"T{start:g}-{length}",
            {"start_ns": start * S, "duration_s": length},
        )
        for n, (start, length) in enumerate(traces, 1)
    ] + [step(1000 + at, at) for at in steps]  # fmt: skip
    found = around(entries)
    assert found.keys() == {1000 + at for at in steps}
    for at in steps:
        pair = found[1000 + at]
        ended = [end for _, end in spans.values() if end <= at]
        later = [end for _, end in spans.values() if end > at]
        assert (spans[pair.before][1] if pair.before else None) == max(ended, default=None)
        assert (spans[pair.after][1] if pair.after else None) == min(later, default=None)
