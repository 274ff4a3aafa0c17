"""The part of a report that tells of bench procedures: what was measured, how well it is known, and against what."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from benchd.procedures.bins import is_course
from benchd.procedures.record import Curve, Outcome, Result, Run
from benchd.procedures.titles import Titled, titles_of
from benchd.report.chart import chart, course_chart
from benchd.report.document import Block, Drawing, Drawings, Facts, Heading, Para, Table
from benchd.report.gather import Gathered
from benchd.report.texts import Texts

VERDICTS = {
    "": "runs.verdict-none",
    "good": "runs.verdict-good",
    "bad": "runs.verdict-bad",
    "unclear": "runs.verdict-unclear",
}
OUTCOMES: dict[Outcome, str] = {
    "running": "runs.outcome-interrupted",
    "passed": "runs.outcome-passed",
    "failed": "runs.outcome-failed",
    "done": "runs.outcome-done",
    "unclear": "runs.outcome-unclear",
    "stopped": "runs.outcome-stopped",
    "timed-out": "runs.outcome-timed-out",
    "tripped": "runs.outcome-tripped",
    "refused": "runs.outcome-refused",
    "interrupted": "runs.outcome-interrupted",
}


def runs(g: Gathered, texts: Texts) -> Iterator[Block]:
    """Each run with its results, curves, and the run before it; those that ended early with the reason."""
    if not g.runs:
        return
    yield Heading(texts("runs.heading"))
    for number, run in enumerate(g.runs, 1):
        yield Heading(texts("runs.title", number=number, title=texts.said_of_run(run.title)), 2)
        sides = ", ".join(f"{side.supply} {side.channel}" for side in run.sides)
        where = texts("runs.facts", moment=texts.moment(run.began_ns), sides=sides, plan=run.plan)
        yield Para(where, "quiet")
        yield Para(f"{texts(OUTCOMES[run.outcome])} {texts.said_of_run(run.text)}", "lead")
        if run.compared:
            yield Para(texts.said_of_run(run.compared))
        yield from _results(run, texts)
        yield from _curves(run, g.beside.get(run.id, ()), texts)
        if run.parameters:
            yield Facts(_parameters(run, texts))


def _results(run: Run, texts: Texts) -> Iterator[Block]:
    rows = [
        [texts.said_of_run(result.title), _figure(result, texts), texts(VERDICTS[result.verdict])]
        for result in run.results
    ]
    if rows:
        yield Table([texts("runs.what"), texts("runs.value"), texts("runs.verdict")], rows)


def _figure(result: Result, texts: Texts) -> str:
    from benchd.traces.trip_words import quantity

    if result.value is None:
        return texts.said_of_run(result.text) if result.text else texts("format.not-known")
    if isinstance(result.value, str):
        return texts.said_of_run(result.value)
    if result.low is not None and result.high is not None:
        value, low, high = (texts.plain(_rounded(each)) for each in (result.value, result.low, result.high))
        return texts("runs.interval", value=value, low=low, high=high, unit=result.unit)
    text = texts.numbers(quantity(float(result.value), result.unit, result.u))
    return f"{text} (95 %)" if result.u is not None else text


def _rounded(value: float) -> float:
    """To three digits, whole ones left as they are."""
    return float(round(value)) if abs(value) >= 1000 else float(f"{value:.3g}")


def _curves(run: Run, good: Sequence[Curve], texts: Texts) -> Iterator[Block]:
    drawn = []
    for curve in run.curves:
        beside = [each for each in good if each.name == curve.name]
        caption = _caption(curve, len(beside), texts)
        alt = texts("runs.curve-alt", title=caption)
        svg = course_chart(curve, texts, alt) if is_course(curve) else chart(curve, texts, alt, beside)
        if svg:
            drawn.append(Drawing(svg, caption, alt))
    if drawn:
        yield Drawings(drawn, wide=True)


def _caption(curve: Curve, beside: int, texts: Texts) -> str:
    """Title and legend."""
    told = []
    if any(value is not None for value in curve.fitted):
        told.append(texts("runs.legend-fit"))
    if beside:
        told.append(texts("runs.legend-good-one" if beside == 1 else "runs.legend-good-more", count=beside))
    if is_course(curve):
        told.append(texts("runs.legend-course"))
    if curve.gaps:
        told.append(
            texts("runs.legend-gaps-one" if len(curve.gaps) == 1 else "runs.legend-gaps", count=len(curve.gaps))
        )
    return "; ".join([texts.said_of_run(curve.title), *told])


def _parameters(run: Run, texts: Texts) -> list[tuple[str, str]]:
    titles = titles_of(run)
    found = []
    for name, value in run.parameters.items():
        titled = titles.get(name, Titled(name, "", choice=False))
        shown = _shown(value, titled, texts)
        found.append((texts.said_of_run(titled.title), f"{shown} {titled.unit}" if titled.unit else shown))
    return found


def _shown(value: float | str | bool | None, titled: Titled, texts: Texts) -> str:
    if isinstance(value, bool):
        return texts.said_of_run("yes" if value else "no")
    if isinstance(value, int | float):
        return texts.plain(value)
    word = str(value)
    return texts.get(f"signature.{word}") or texts.said_of_run(word) if titled.choice else word
