"""A trace that came from a file, and what a person said of it."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import partial

from benchd.traces.file_error import TraceFileError
from benchd.traces.plausible import is_date
from benchd.traces.table_options import ReadAs
from benchd.traces.trace import Conditions, Mark, Trace

MARK_SLACK_S = 1.0
"""A mark may lie this far outside the readings: hands and clocks are that exact."""


@dataclasses.dataclass(frozen=True, slots=True)
class FromFile:
    """A trace from a file, and what a person should know of how the file was taken."""

    trace: Trace
    notes: tuple[str, ...] = ()


def conditions_with(conditions: Conditions, options: ReadAs) -> Conditions:
    """The conditions, where a person has said nothing else."""
    return Conditions(
        **{
            field: getattr(conditions, field) if getattr(options, field, None) is None else getattr(options, field)
            for field in Conditions.__struct_fields__
        }
    )


def mark_ns(at_s: float, trace: Trace, fault: Callable[[str], TraceFileError]) -> int:
    """A time that a file or a person gave, in ns since the epoch: s after the trace's start, or since 1970 where it can
    be nothing else. Raises what `fault` makes of the problem when it is not among the readings."""
    first, last = ((int(trace.samples.t_ns[k]) - trace.start_ns) / 1e9 for k in (0, -1))
    after_s = at_s - trace.start_ns / 1e9 if is_date(at_s) else at_s
    if not first - MARK_SLACK_S <= after_s <= last + MARK_SLACK_S:
        raise fault(f"{at_s:g} s lies outside the readings, {first:g} to {last:g} s")
    return trace.start_ns + round(after_s * 1e9)


def with_button(trace: Trace, options: ReadAs, error: type[TraceFileError], name: str) -> Trace:
    """The trace with the button where a person said it was, if anybody did. Raises `error`."""
    if options.button_s is None:
        return trace
    at_ns = mark_ns(options.button_s, trace, partial(error, name, None, "--button"))
    others = [m for m in trace.marks if m.kind != "button"]
    marks = tuple(sorted([*others, Mark("button", at_ns, "hand")], key=lambda m: m.t_ns))
    return dataclasses.replace(trace, marks=marks)
