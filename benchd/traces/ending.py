"""Where the board's part of a trace ends although the output stays on: it was taken off the leads."""

from __future__ import annotations

import dataclasses
import math

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
RAN_BEFORE_S = 0.5
"""It had run before when it drew for so long, s: charging is shorter (common practice, no source)."""
LEAST_STAND_BY_A = 0.0005
"""A smaller change is a meter's drift, A (common practice, no source)."""
STAND_BY_SEEN_A = 0.004
"""A stand-by current above this is no zero error, A (common practice, no source)."""
BOARD_A = 0.004
"""Less may be a meter's zero, A (common practice, no source)."""


def taken_off(line: Line, trace: Trace) -> float | None:
    """When the board was taken off the leads, s; None: not, or not to be told from a board that goes off by itself.

    The current falls to nothing from one reading to the next, the voltage stays, and nothing flows to the end of the
    trace. That its stand-by current is gone too says that the board is; that it is still there, that it is not. Where
    that is too small to see, a board that had run for long was taken off if a mark `removed` says so, or if the rest is
    too short to tell anything, unless it had gone off in between already. A mark by hand counts as it stands.
    """
    marked_s = trace.mark_s("removed")
    if marked_s is not None and any(m.kind == "removed" and m.by == "hand" for m in trace.marks):
        return marked_s if line.t_s[0] < marked_s < line.t_s[-1] else None
    first = _last_nothing(line)
    if first is None:
        return None
    t, i = line.t_s, line.current_a
    at_s, rest_s = float(t[first]), float(t[-1] - t[first])
    usual = float(np.median(i[min(int(np.searchsorted(t, at_s - 1.0)), first - 1) : first]))
    if usual < max(BOARD_A, 1.3 * line.seen_a):
        return None
    # The reading at the edge is a mean with a share of the fall in it.
    end_s = float(t[max(first - line.repeats, 1)])
    from_s, ran_before = _ran_from(line, first, usual)
    gone = _stand_by_gone(line, from_s, first)
    if gone is not None:
        return end_s if gone else None
    marked = marked_s is not None and abs(marked_s - at_s) <= NEAR_S
    long = at_s - from_s >= (RAN_S if marked and rest_s >= TELLS_S else SHORT_RAN_S)
    return end_s if long and not ran_before and (marked or rest_s < TELLS_S) else None


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


def _ran_from(line: Line, first: int, usual_a: float) -> tuple[float, bool]:
    """Since when it had run without a pause, s; and whether it had run before that pause."""
    drew = np.flatnonzero(line.current_a[:first] > max(line.seen_a, 0.1 * usual_a))
    at = line.t_s[drew]
    # Where readings are missing nothing is known of a pause.
    pauses = np.flatnonzero((np.diff(at) >= max(PAUSE_S, 2.5 * line.interval_s)) & (np.diff(drew) > 1))
    if not len(pauses):
        return float(at[0]), False
    last = int(pauses[-1]) + 1
    ran_s = np.count_nonzero(line.current_a[drew[:last]] > 0.5 * usual_a) * line.interval_s
    return float(at[last]), bool(ran_s >= RAN_BEFORE_S)


def _stand_by_gone(line: Line, from_s: float, first: int) -> bool | None:
    """Whether less flows at the end than right before the start: the stand-by current is gone with the board. None
    where it is too small to be seen."""
    before = line.current_a[np.searchsorted(line.t_s, from_s - 1.0) : np.searchsorted(line.t_s, from_s - 0.1)]
    after = line.current_a[first + line.repeats :]
    if min(len(before), len(after)) < 2 * line.repeats + 2:
        return None
    level, end = float(np.median(before)), float(np.median(after))
    noise = 5 * line.sigma_a * math.sqrt(line.repeats * (1 / len(before) + 1 / len(after)))
    if level - end > max(noise, 1.5 * line.resolution_a, LEAST_STAND_BY_A):
        return True
    return False if level > max(line.seen_a, STAND_BY_SEEN_A) else None
