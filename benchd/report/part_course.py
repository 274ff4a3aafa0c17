"""The part of a report that tells what was done: steps with the traces before and after, notes, changes of state."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from typing import Literal

import numpy as np

from benchd.jobs.job import JournalEntry
from benchd.report.document import Block, Drawing, Drawings, Heading, Para
from benchd.report.drawing import Frame, small
from benchd.report.gather import Gathered, StepKept, Traced
from benchd.report.texts import Texts
from benchd.report.words import known_word, peak, short_finding
from benchd.traces.picture import Curve

When = Literal["before", "after"]
Words = Callable[[When, Traced, Texts], tuple[str, str]]
"""Caption of a drawing, and its words for those who do not see it."""
KINDS = ("step", "note", "job-state", "probe", "leak", "trip", "trace")


def course(g: Gathered, texts: Texts) -> Iterator[Block]:
    """The journal in order, as far as it tells of work."""
    yield Heading(texts("course.heading"))
    numbers = {traced.row.id: traced for traced in g.traces}
    day, told = "", 0
    for entry in sorted((e for e in g.entries if e.kind in KINDS), key=_when_ns):
        blocks = list(_entry(entry, g, numbers, texts))
        if not blocks:
            continue
        if (today := texts.date(_when_ns(entry))) != day:
            day = today
            yield Heading(day, 2)
        yield from blocks
        told += entry.kind in ("step", "note")
    if not told:
        yield Para(texts("course.none"))


def _entry(entry: JournalEntry, g: Gathered, numbers: dict[str, Traced], texts: Texts) -> Iterator[Block]:
    p, time = entry.payload, texts.clock(_when_ns(entry))
    match entry.kind:
        case "step":
            yield from _step(g.steps[entry.seq], g, texts)
        case "note":
            yield Para(f"{time} {texts('course.note')}{_by(p, texts)}: {p.get('text', '')}")
        case "job-state":
            words = texts("course.state", after=known_word("state", str(p.get("after", "")), texts))
            yield Para(f"{time} {words}{_by(p, texts)}", "quiet")
        case "probe" | "leak":
            yield Para(f"{time} {texts.said(str(p.get('text', '')))}", "quiet")
        case "trip":
            off = texts("trips.short-off" if p.get("off_confirmed") else "trips.short-unknown")
            rule = known_word("rule", str(p.get("rule", "")), texts)
            yield Para(f"{time} {texts('course.trip', number=p.get('trip', ''), rule=rule, off=off)}", "quiet")
        case "trace" if entry.trace in numbers:
            traced = numbers[entry.trace]
            told = texts("course.trace", number=traced.number, finding=short_finding(traced.row.finding, texts))
            yield Para(f"{time} {told}", "quiet")


def _when_ns(entry: JournalEntry) -> int:
    """When it was: a trace when it began, for one may be filed, or read from a file, long after."""
    return int(entry.payload.get("start_ns", entry.t_ns)) if entry.kind == "trace" else entry.t_ns


def _step(step: StepKept, g: Gathered, texts: Texts) -> Iterator[Block]:
    p = step.entry.payload
    words = [str(p.get("label") or p.get("step") or "")]
    words += [str(p["detail"])] if p.get("detail") else []
    line = f"{texts.clock(step.entry.t_ns)} {': '.join(texts.said(w) for w in words)}"
    more = [texts("course.minutes", minutes=texts.plain(p["minutes"]))] if p.get("minutes") else []
    more += [texts("course.by", by=p["by"])] if p.get("by") else []
    if step.taken_back_by is not None:
        more.append(texts("course.taken-back", by=step.taken_back_by or texts("course.somebody")))
        yield Para(line + (f" ({', '.join(more)})" if more else ""), "quiet")
        return
    yield Para(line + (f" ({', '.join(more)})" if more else ""), "lead")
    if p.get("text"):
        yield Para(str(p["text"]))
    if passed_over := p.get("anyway"):
        yield Para(texts("course.anyway", checks="; ".join(texts.said(str(label)) for label in passed_over)))
    before, after = g.trace(step.before), g.trace(step.after)
    if drawings := pair(before, after, texts):
        yield Drawings(drawings)
    if g.traces and before is None:
        yield Para(texts("course.no-before"), "quiet")
    if g.traces and after is None:
        yield Para(texts("course.no-after"), "quiet")
    if step.shared and after is not None:
        yield Para(texts("course.shared"), "quiet")


def _beside(when: When, traced: Traced, texts: Texts) -> tuple[str, str]:
    """What stands below a drawing beside a step, and what it is called for those who do not see it."""
    finding = short_finding(traced.row.finding, texts)
    named = texts(f"course.when-{when}")
    alt = texts("course.pair-alt", when=named, number=traced.number, finding=finding, peak=peak(traced, texts))
    return texts(f"course.{when}", number=traced.number, finding=finding), alt


def pair(before: Traced | None, after: Traced | None, texts: Texts, words: Words = _beside) -> list[Drawing]:
    """Both traces on the same axes; from the button where both have one."""
    sides: tuple[tuple[When, Traced | None], ...] = (("before", before), ("after", after))
    there = [(when, traced) for when, traced in sides if traced is not None and traced.scene is not None]
    zeros = [_button_s(traced) for _, traced in there]
    by_button = None not in zeros
    curves = [_moved(t, (zero or 0.0) if by_button else 0.0) for (_, t), zero in zip(there, zeros, strict=True)]
    frame = Frame.of(curves)
    drawings = []
    for (when, traced), curve in zip(there, curves, strict=True):
        caption, alt = words(when, traced, texts)
        drawings.append(Drawing(small(curve, frame, texts, by_button, alt), caption, alt))
    return drawings


def _button_s(traced: Traced) -> float | None:
    """The button on the time axis of its scene."""
    assert traced.scene is not None
    return next((m.at_s for m in traced.scene.moments if m.kind == "button"), None)


def _moved(traced: Traced, zero_s: float) -> Curve:
    assert traced.scene is not None
    curve = traced.scene.curves[0]
    return dataclasses.replace(curve, t_s=np.asarray(curve.t_s) - zero_s)


def _by(payload: dict[str, object], texts: Texts) -> str:
    return f" ({texts('course.by', by=payload['by'])})" if payload.get("by") else ""
