"""`cycle-test`: a board switched on again and again: how often it starts, how alike the starts are, the odd one out.

Goes by the power-ups that were filed meanwhile (`Taken.traces`); a cycle without one did nothing at all.
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Sequence
from typing import Literal, NamedTuple

from benchd.procedures.record import Column, Curve, Outcome, Result
from benchd.procedures.taken import Analysed, CannotTell, Taken, TraceSeen
from benchd.procedures.wilson import wilson

ODD = 3.5
"""A start whose figure lies so many robust deviations from the median is an odd one (B. Iglewicz and D. Hoaglin, How to
Detect and Handle Outliers, ASQC 1993: modified z-score above 3.5)."""
NORMAL_MAD = 0.6745
"""Median absolute deviation of a normal distribution, in standard deviations (the same source)."""
LEAST_SPREAD = 0.02
"""Of the median: starts that differ by less are alike. Our choice, so that identical starts have no odd one."""

Verdict = Literal["", "good", "bad", "unclear"]
OUTCOMES: dict[Verdict, Outcome] = {"good": "passed", "bad": "failed", "unclear": "unclear", "": "done"}


class Figure(NamedTuple):
    """One figure of all starts."""

    name: str
    title: str
    unit: str
    values: list[tuple[TraceSeen, float]]

    def odd(self) -> list[tuple[TraceSeen, float, float]]:
        """Starts that stand out: start, its value, by how many robust deviations; the farthest first."""
        numbers = [value for _, value in self.values]
        if len(numbers) < 5:
            return []
        middle = statistics.median(numbers)
        mad = statistics.median(abs(value - middle) for value in numbers)
        spread = max(mad / NORMAL_MAD, LEAST_SPREAD * abs(middle))
        if spread == 0:
            return []
        found = [(seen, value, (value - middle) / spread) for seen, value in self.values]
        return sorted((each for each in found if abs(each[2]) > ODD), key=lambda each: -abs(each[2]))


def analyse(taken: Taken) -> Analysed:
    """Pass rate with its interval, distributions, and the odd one out.

    Parameters: `pass_signature` (default clean-boot), `least_share` (0 to 1; the least share of passes asked for, None:
    nothing is asked for).
    Raises CannotTell when no cycle was made.
    """
    wanted = str(taken.parameters.get("pass_signature") or "clean-boot")
    cycles = _cycles(taken)
    if not cycles:
        raise CannotTell("no cycle was made: there is nothing to count")
    passed = sum(1 for seen in cycles.values() if seen is not None and seen.signature == wanted)
    low, high = wilson(passed, len(cycles))
    results = [_pass_rate(passed, len(cycles), low, high, taken.parameters.get("least_share"))]
    results += _kinds(cycles)
    figures = _figures([seen for seen in cycles.values() if seen is not None])
    results += [row for figure in figures for row in _spread(figure)]
    odd = _odd(cycles, figures, wanted)
    results.append(Result("odd_one_out", "The odd one out", odd or "none", text=odd or "No start stands out."))
    outcome = OUTCOMES[results[0].verdict]
    text = results[0].text if not odd else f"{results[0].text} {odd}"
    return Analysed(outcome, text, tuple(results), tuple(_curves(cycles)))


def _cycles(taken: Taken) -> dict[int, TraceSeen | None]:
    """The power-up of each cycle, by its number; None: it made none."""
    made = [each.labels.get("cycle") for each in taken.measured] + [each.values.get("cycle") for each in taken.happened]
    numbers = {int(number) for number in made if isinstance(number, float | int) and not isinstance(number, bool)}
    found: dict[int, TraceSeen | None] = dict.fromkeys(sorted(numbers))
    for seen in taken.traces:
        number = seen.labels.get("cycle")
        if isinstance(number, float | int) and not isinstance(number, bool):
            found[int(number)] = seen
    return dict(sorted(found.items()))


def _pass_rate(passed: int, of: int, low: float, high: float, least: object) -> Result:
    told = f"{passed} of {of} starts passed: {100 * passed / of:.0f} % (95 %: {100 * low:.0f} to {100 * high:.0f} %)."
    verdict: Verdict = ""
    if isinstance(least, float | int) and not isinstance(least, bool):
        if low >= least:
            verdict = "good"
        elif high < least:
            verdict = "bad"
        else:
            verdict = "unclear"
            told += f" Whether at least {100 * least:.0f} % start cannot be told from so few."
    return Result("pass_rate", "Starts that passed", passed / of, "", None, low, high, told, verdict)


def _kinds(cycles: dict[int, TraceSeen | None]) -> list[Result]:
    kinds = Counter((seen.signature or "unclear") if seen is not None else "no-draw" for seen in cycles.values())
    told = ", ".join(f"{count} × {kind}" for kind, count in kinds.most_common())
    return [Result("kinds", "What the starts looked like", told, text=f"{told}.")]


def _figures(seen: Sequence[TraceSeen]) -> list[Figure]:
    return [
        Figure(name, title, unit, [(each, value) for each in seen if (value := getattr(each, name)) is not None])
        for name, title, unit in (
            ("boot_s", "Time to settle", "s"),
            ("peak_a", "Highest current", "A"),
            ("settled_a", "Current at the end", "A"),
        )
    ]


def _spread(figure: Figure) -> list[Result]:
    """Median with the tenth and the ninetieth of a hundred."""
    numbers = sorted(value for _, value in figure.values)
    if not numbers:
        return []
    middle = statistics.median(numbers)
    if len(numbers) < 2:
        return [
            Result(figure.name, figure.title, middle, figure.unit, text=f"{figure.title}: {middle:.3g} {figure.unit}.")
        ]
    tenths = statistics.quantiles(numbers, n=10, method="inclusive")
    told = (
        f"{figure.title}: median {middle:.3g} {figure.unit}, 80 % of the starts between {tenths[0]:.3g} and "
        f"{tenths[-1]:.3g} {figure.unit}, all between {numbers[0]:.3g} and {numbers[-1]:.3g} {figure.unit}."
    )
    return [Result(figure.name, figure.title, middle, figure.unit, None, None, None, told)]


def _odd(cycles: dict[int, TraceSeen | None], figures: Sequence[Figure], wanted: str) -> str:
    """A sentence about the start that stands out most; empty: none does."""
    others = [(number, seen) for number, seen in cycles.items() if seen is None or seen.signature != wanted]
    if len(others) == 1 and len(cycles) > 1:
        number, seen = others[0]
        what = f"was {seen.signature or 'unclear'} ({seen.id})" if seen is not None else "drew nothing"
        return f"The odd one out: start {number} {what}."
    found = [(figure, *odd[0]) for figure in figures if (odd := figure.odd())]
    if not found:
        return ""
    figure, seen, value, by = max(found, key=lambda each: abs(each[3]))
    number = next((number for number, each in cycles.items() if each is seen), 0)
    middle = statistics.median(value for _, value in figure.values)
    more = "above" if by > 0 else "below"
    return (
        f"The odd one out: start {number} ({seen.id}): {figure.title.lower()} {value:.3g} {figure.unit}, far {more} "
        f"the median of {middle:.3g} {figure.unit}."
    )


def _curves(cycles: dict[int, TraceSeen | None]) -> list[Curve]:
    there = [(number, seen) for number, seen in cycles.items() if seen is not None]
    if not there:
        return []

    def column(name: str, title: str, unit: str) -> Column:
        return Column(name, title, unit, tuple(getattr(seen, name) for _, seen in there))

    numbers = Column("cycle", "Start", "", tuple(float(number) for number, _ in there))
    columns = (
        numbers,
        column("peak_a", "Highest current", "A"),
        column("boot_s", "Time to settle", "s"),
        column("settled_a", "Current at the end", "A"),
    )
    return [Curve("starts", "Each start", columns)]
