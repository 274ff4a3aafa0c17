"""One run of a procedure, as it is kept: what was asked, what came of it, and how well that is known. Pure."""

from __future__ import annotations

from typing import Literal

import msgspec

Outcome = Literal[
    "running", "passed", "failed", "done", "unclear", "stopped", "timed-out", "tripped", "refused", "interrupted"
]
"""How a run stands, or ended. `passed` and `failed`: what was compared; `done`: measured, nothing to compare;
`unclear`: measured, but the instrument cannot tell; `stopped`: by a person; `timed-out`: nobody answered, or what was
waited for did not come; `tripped`: the guard cut; `refused`: it could not begin or go on; `interrupted`: the daemon
ended, or the link was lost."""

Value = float | str | bool | None
"""A parameter, an answer, or a label of a measurement."""


class Side(msgspec.Struct, frozen=True):
    """One output that a run uses, in the role that it has there."""

    role: str
    """main, or the name that the card gives it: battery, usb."""
    supply: str
    channel: int


class Result(msgspec.Struct, frozen=True):
    """One figure, or one statement, that a run ends in."""

    name: str
    """For programs: resistance, leak_kind, pass_rate."""
    title: str
    """For people: Resistance of the leads."""
    value: float | str | None
    """None: it could not be measured; `text` says why."""
    unit: str = ""
    u: float | None = None
    """Half of its 95 % interval, in `unit`. None: not known, or it has an interval of its own."""
    low: float | None = None
    high: float | None = None
    """Ends of a 95 % interval that is not symmetrical (a share of passes)."""
    text: str = ""
    """A sentence for the technician, figures with units."""
    verdict: Literal["", "good", "bad", "unclear"] = ""
    """Where it was compared with something."""


class Column(msgspec.Struct, frozen=True):
    """One column of a curve; `u`: half of the 95 % interval of each value, empty where not known."""

    name: str
    title: str
    unit: str
    values: tuple[float | None, ...]
    """None: not known there."""
    u: tuple[float, ...] = ()


class Curve(msgspec.Struct, frozen=True):
    """Columns of equal length that belong together: the first is the abscissa."""

    name: str
    title: str
    columns: tuple[Column, ...]
    t0_ns: int | None = None
    """Of a course: when its time 0 was, ns since the epoch."""
    fitted: tuple[float | None, ...] = ()
    """What the best model says at each abscissa, in the unit of the second column; None: it was not fitted there."""
    weights: tuple[int, ...] = ()
    """Of a course in bins: how many readings stand behind each, so that means of several are right."""
    gaps: tuple[tuple[float, float], ...] = ()
    """Of a course: stretches without readings, from and to, in the abscissa's unit. No line goes over them."""

    def points(self) -> list[tuple[float, float, float]]:
        """Abscissa, value of the second column and its uncertainty (0: not known), where both are known."""
        across, up = self.columns[0], self.columns[1]
        return [
            (x, y, up.u[n] if n < len(up.u) else 0.0)
            for n, (x, y) in enumerate(zip(across.values, up.values, strict=True))
            if x is not None and y is not None
        ]


def comparable(curve: Curve) -> bool:
    """Whether the curves of two boards may be laid over each other: not where the abscissa is a time or a count."""
    return curve.columns[0].unit not in ("", "s")


class Happened(msgspec.Struct, frozen=True):
    """One moment of a run: a mark, an answer, a step that ended, a gap."""

    t_ns: int
    kind: Literal["began", "step", "mark", "answer", "point", "gap", "resumed", "trip", "off", "ended"]
    text: str
    values: dict[str, Value] = {}
    photo: str = ""
    """Id of a photo of the job that belongs to it."""


class Run(msgspec.Struct, frozen=True):
    """One run. While it goes on, `outcome` is `running` and what is filled grows."""

    id: str
    card: str
    """Name of the card, and its version as it was run."""
    version: int
    title: str
    job: str | None
    began_ns: int
    sides: tuple[Side, ...]
    plan: str
    parameters: dict[str, Value]
    by: str = ""
    ended_ns: int | None = None
    outcome: Outcome = "running"
    text: str = ""
    """One sentence: what came of it, or why it ended."""
    results: tuple[Result, ...] = ()
    curves: tuple[Curve, ...] = ()
    happened: tuple[Happened, ...] = ()
    traces: tuple[str, ...] = ()
    """Ids of traces that were filed while it went on, of its outputs."""
    cautions: tuple[str, ...] = ()
    compared: str = ""
    """Against the earlier run of the same card in the same job: a sentence; empty: there is none."""
    earlier: str = ""
    """Id of that run."""
    against: tuple[str, ...] = ()
    """Ids of the runs on good boards of its kind that it was laid beside."""


class LeadSet(msgspec.Struct, frozen=True):
    """What the leads of an output were measured to have, there and back."""

    supply: str
    channel: int
    name: str
    """Of the lead set, as the technician calls it; empty: the usual one."""
    ohm: float
    u_ohm: float
    """Half of its 95 % interval, Ω."""
    current_a: float
    """Measured with."""
    celsius: float | None
    """Of the room, as typed; None: not noted."""
    t_ns: int
    run: str = ""
    by: str = ""
    sense: Literal["two-wire", "remote"] = "two-wire"
    chosen_ns: int = 0
    """When this set was put on again, of several; 0: since it was measured or typed."""

    @property
    def taken_off_ohm(self) -> float:
        """Ω; noise may have made them less than nothing."""
        return max(self.ohm, 0.0)

    @property
    def since_ns(self) -> int:
        """From when on it counts."""
        return max(self.t_ns, self.chosen_ns)


TYPED_MOMENTS = ("answer", "point", "mark")
"""Moments whose words a person may have typed."""


def typed_in(run: Run) -> list[str]:
    """What people typed in a run: answers, names of points, parameters that are text."""
    said = [value for value in run.parameters.values() if isinstance(value, str)]
    for moment in run.happened:
        if moment.kind in TYPED_MOMENTS:
            said += [moment.text, *(value for value in moment.values.values() if isinstance(value, str))]
    return [text for text in said if text]


def results_with_typed(run: Run) -> list[str]:
    """Names of results whose title or statement holds what somebody typed: the name of a point, say."""
    typed = typed_in(run)
    return [
        each.name
        for each in run.results
        if any(text in said for text in typed for said in (each.title, each.value) if isinstance(said, str))
    ]


def run_without_person(run: Run) -> Run:
    """A run with its figures, and without what people typed, also where results repeat it."""
    typed = typed_in(run)

    def told(text: str) -> str:
        return "" if any(each in text for each in typed) else text

    def clean(result: Result) -> Result:
        value = told(result.value) if isinstance(result.value, str) else result.value
        return msgspec.structs.replace(result, value=value, title=told(result.title), text=told(result.text))

    def words_out(moment: Happened) -> Happened:
        if moment.kind not in TYPED_MOMENTS:
            return msgspec.structs.replace(moment, text=told(moment.text))
        figures = {key: value for key, value in moment.values.items() if not isinstance(value, str)}
        return msgspec.structs.replace(moment, text="", values=figures, photo="")

    return msgspec.structs.replace(
        run,
        parameters={key: value for key, value in run.parameters.items() if not isinstance(value, str)},
        results=tuple(clean(result) for result in run.results),
        happened=tuple(words_out(moment) for moment in run.happened),
        text=told(run.text),
        compared=told(run.compared),
    )
