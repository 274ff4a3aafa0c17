"""The course of a run in columns: from the bins that a long run keeps of itself, else from the readings in the log. For
any thread."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator

import msgspec
import numpy as np
from numpy.typing import NDArray

from benchd.procedures.bins import BREAK_S, COURSE, Bin, course_of, is_course
from benchd.procedures.record import Curve, Run
from benchd.store.log import Log
from benchd.store.procedure_rows import state_of
from benchd.web.port import Refused
from benchd.web.procedure_port import RunBins

LONG_NS = 7200 * 10**9
"""The readings of so long are read for a picture, some 70 ms at 50/s; of a longer run that goes on, the bins that it
kept last are shown, which are a minute old at most. Our choice."""


def course(log: Log, run: Run, role: str, columns: int, now_ns: int) -> RunBins:
    """Least, mean and largest current of each column. Raises Refused for a role that the run does not have."""
    side = next((each for each in run.sides if each.role == role), None)
    if side is None:
        there = ", ".join(each.role for each in run.sides)
        raise Refused("not-found", f"run {run.id} has no side {role!r}; it has {there}")
    if role == run.sides[0].role and (kept := _kept(log, run, now_ns)) is not None:
        return _of_curve(run, role, kept, columns)
    begin, end = run.began_ns, max(run.ended_ns or now_ns, run.began_ns + 1)
    width_ns = max(1, -(-(end - begin) // columns))
    low, high = np.full(columns, np.inf), np.full(columns, -np.inf)
    total, count = np.zeros(columns), np.zeros(columns, np.int64)
    gaps: list[tuple[float, float]] = []
    last_ns: int | None = None
    for part in log.stream_samples(side.supply, side.channel, begin, end):
        t = part.t_ns if last_ns is None else np.concatenate(([last_ns], part.t_ns))
        gaps += _gaps(t, begin)
        last_ns = int(part.t_ns[-1])
        valid = np.isfinite(part.current_a)
        at, amps = (part.t_ns[valid] - begin) // width_ns, part.current_a[valid]
        np.minimum.at(low, at, amps)
        np.maximum.at(high, at, amps)
        total += np.bincount(at, amps, columns)
        count += np.bincount(at, minlength=columns)
    middle = (np.arange(columns) + 0.5) * width_ns / 1e9
    mean = total / np.maximum(count, 1)
    shown = [_known(each, count) for each in (low, mean, high)]
    return RunBins(run.id, role, begin, np.round(middle, 3).tolist(), shown[0], shown[1], shown[2], gaps)


class _Live(msgspec.Struct):
    """What a live measurement of a long run leaves; others leave something else."""

    bins: list[tuple[int, int, int, float, float, float]]
    gaps: list[tuple[int, int]]


class _State(msgspec.Struct):
    live: _Live


def _kept(log: Log, run: Run, now_ns: int) -> Curve | None:
    """What a run has kept of its course, at its end or on its way."""
    curve = next((each for each in run.curves if each.name == COURSE and is_course(each)), None)
    if curve is not None:
        return curve
    if (run.ended_ns or now_ns) - run.began_ns <= LONG_NS:
        return None
    try:
        live = msgspec.convert(state_of(log, run.id), _State).live
    except msgspec.ValidationError:
        return None
    return course_of([Bin(*each) for each in live.bins], live.gaps) if live.bins else None


def _of_curve(run: Run, role: str, kept: Curve, columns: int) -> RunBins:
    """From bins: days of readings need not be read for a picture. Each counts by its readings, since lengths differ.
    Nothing is joined over a gap: there is a column without reading in it."""
    times, means, lows, highs = ([v or 0.0 for v in column.values] for column in kept.columns)
    step = -(-len(times) // columns)
    weights = kept.weights or (1,) * len(times)
    found = RunBins(run.id, role, kept.t0_ns or run.began_ns, [], [], [], [], list(kept.gaps))
    before = 0
    for begin, end, gap in _stretches(times, kept.gaps):
        for n in range(begin, end, step):
            part = slice(n, min(n + step, end))
            found.t_s.append(round(_mean(times[part], weights[part]), 3))
            found.low_a.append(min(lows[part]))
            found.mean_a.append(_mean(means[part], weights[part]))
            found.high_a.append(max(highs[part]))
        if gap is not None and end > before:
            found.t_s.append(round((gap[0] + gap[1]) / 2, 3))
            for row in (found.low_a, found.mean_a, found.high_a):
                row.append(None)
        before = end
    return found


def _stretches(
    times: list[float], gaps: tuple[tuple[float, float], ...]
) -> Iterator[tuple[int, int, tuple[float, float] | None]]:
    """Bins between gaps, first and one after the last, and the gap that follows."""
    begin = 0
    for gap in gaps:
        end = bisect_left(times, gap[1], begin)
        yield begin, end, gap
        begin = end
    yield begin, len(times), None


def _mean(values: list[float], weights: tuple[int, ...]) -> float:
    return sum(value * n for value, n in zip(values, weights, strict=True)) / sum(weights)


def _gaps(t_ns: NDArray[np.int64], begin: int) -> list[tuple[float, float]]:
    wide = np.flatnonzero(np.diff(t_ns) > BREAK_S * 1e9)
    return [(float(t_ns[n] - begin) / 1e9, float(t_ns[n + 1] - begin) / 1e9) for n in wide]


def _known(values: NDArray[np.float64], count: NDArray[np.int64]) -> list[float | None]:
    return [round(float(v), 9) if n else None for v, n in zip(values, count, strict=True)]
