"""Where the board's part of a trace ends although the output stays on: it was taken off the leads."""

from __future__ import annotations

import dataclasses

import numpy as np

from benchd.traces.line import UP, Line
from benchd.traces.trace import Trace

RAN_S = 4.0
"""After running so long a board is no brief kick, s (common practice, no source)."""
SHORT_RAN_S = 2.0
"""The same where too little comes after it to say that it stays off, s."""
TELLS_S = 1.5
"""Nothing for less than this at the end of a trace tells nothing of the board, s (common practice, no source)."""
PAUSE_S = 0.3
"""Nothing for as long as this in between: it goes off by itself, s (common practice, no source)."""
NEAR_S = 1.0
"""A mark so near to the fall belongs to it, s (common practice, no source)."""
RUNNING_A = 0.015
"""Less is no board at work, A (common practice, no source)."""


def taken_off(line: Line, trace: Trace) -> float | None:
    """When the board was taken off the leads, s; None: not, or not to be told from a board that goes off by itself.

    The current falls to nothing from one reading to the next, the voltage stays, and nothing flows to the end of the
    trace, after the board had run for long. A mark `removed` there says so; without one the rest must be too short to
    tell anything. A board that had gone off in between goes off by itself. What a person marked counts as it stands.
    """
    marked_s = trace.mark_s("removed")
    by_hand = any(m.kind == "removed" and m.by == "hand" for m in trace.marks)
    t, i = line.t_s, line.current_a
    if by_hand and marked_s is not None:
        return marked_s if t[0] < marked_s < t[-1] else None
    first = _last_nothing(line)
    if first is None:
        return None
    at_s, rest_s = float(t[first]), float(t[-1] - t[first])
    usual = float(np.median(i[np.searchsorted(t, at_s - 1.0) : first]))
    low = i < max(line.seen_a, 0.1 * usual)
    drew = np.flatnonzero(i > max(line.seen_a, 0.5 * usual))
    ran_s = at_s - float(t[drew[0]])
    marked = marked_s is not None and abs(marked_s - at_s) <= NEAR_S
    if usual < max(RUNNING_A, 2 * line.seen_a) or not (
        (marked and ran_s >= RAN_S) or (rest_s < TELLS_S and ran_s >= SHORT_RAN_S)
    ):
        return None
    paused_s = _longest_s(line, low[drew[0] : first])
    return None if paused_s >= PAUSE_S else at_s


def until(line: Line, end_s: float) -> Line:
    """The line up to there."""
    n = int(np.searchsorted(line.t_s, end_s))
    columns = ("t_s", "voltage_v", "current_a", "pinned", "collapsed", "reversed")
    return dataclasses.replace(line, **{name: getattr(line, name)[:n] for name in columns})


def _last_nothing(line: Line) -> int | None:
    """First reading of the stretch without current that the trace ends with; None without one, or where the voltage
    went too."""
    flows = np.flatnonzero(line.current_a > line.seen_a)
    first = int(flows[-1]) + 1 if len(flows) else 0
    if first < 4 or first + 1 >= len(line.t_s):
        return None
    # The reading at the edge is a mean with a share of the current in it.
    stays = line.set_v is None or bool(np.all(line.voltage_v[first - 1 :] > UP * line.set_v))
    return first if stays else None


def _longest_s(line: Line, hits: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> float:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], hits, [False]]).astype(np.int8)))
    return float((edges[1::2] - edges[::2]).max()) * line.interval_s if len(edges) else 0.0
