"""Writes the tables of benchd/traces/READING.md; the words around them are written by hand."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import benchd.traces
from tests.corpus.run import Result
from tests.corpus.score import by_rate, confusion, forbidden, reliability, share, wilson

PAGE = Path(benchd.traces.__path__[0]) / "READING.md"
PUBLISHED_FROM = 20_000
"""The published figures are of numbers from here on: nobody had looked at one of them while the reading was made."""
SLICE = range(PUBLISHED_FROM + 1, PUBLISHED_FROM + 161, 2)
"""Held-out cases that every run of the tests reads again."""


def shares_table(results: Sequence[Result]) -> str:
    """Shares of right readings by rate of readings."""
    lines = ["| readings | cases | right | 95 % interval | named as made | short read as clean, or the reverse |"]
    lines.append("| --- | ---: | ---: | --- | ---: | ---: |")
    single = [r for r in results if len(r.accept) == 1]
    for name, some in (("all", list(results)), *by_rate(results), ("with one answer only", single)):
        low, high = wilson(sum(r.right for r in some), len(some))
        exact = sum(r.exact for r in some) / max(len(some), 1)
        lines.append(
            f"| {name} | {len(some)} | {share(some):.1%} | {low:.1%} to {high:.1%} | {exact:.1%} "
            f"| {len(forbidden(some))} |"
        )
    return "\n".join(lines)


def confusion_table(results: Sequence[Result]) -> str:
    """Rows: what was made; columns: what was read."""
    counts = confusion(results)
    found = sorted({f for _, f in counts} - {"also right"})
    columns = ["also right", *found]
    lines = ["| made \\ read | " + " | ".join(columns) + " | right |", "| --- |" + " ---: |" * (len(columns) + 1)]
    for truth in sorted({t for t, _ in counts}):
        cells = [str(counts.get((truth, c), "")) for c in columns]
        right = share([r for r in results if r.truth == truth])
        lines.append(f"| {truth} | " + " | ".join(cells) + f" | {right:.1%} |")
    return "\n".join(lines)


def reliability_table(results: Sequence[Result]) -> str:
    """What was said against what was right."""
    lines = [
        "| stated confidence | findings | mean of it | named as made | 95 % interval |",
        "| --- | ---: | ---: | ---: | --- |",
    ]
    for low, high, n, mean, hits in reliability(results):
        a, b = wilson(round(hits * n), n)
        lines.append(f"| {low:.2f} to {high:.2f} | {n} | {mean:.2f} | {hits:.2f} | {a:.2f} to {b:.2f} |")
    return "\n".join(lines)


def slice_line(results: Sequence[Result]) -> str:
    """One line on the cases that are read again by every run of the tests."""
    some = [r for r in results if r.number in SLICE]
    return (
        f"Of these, the {len(some)} cases that every run of the tests reads again: {sum(r.right for r in some)} right."
    )


def tables(results: Sequence[Result]) -> dict[str, str]:
    """Every generated part of the page by its name, from the held-out half."""
    kept = [r for r in results if r.held_out]
    return {
        "shares": shares_table(kept),
        "slice": slice_line(kept),
        "confusion": confusion_table(kept),
        "reliability": reliability_table(kept),
    }


def fill(page: str, parts: dict[str, str]) -> str:
    """The page with its generated parts (between `<!-- name -->` and `<!-- /name -->`) made anew."""
    for name, text in parts.items():
        pattern = re.compile(rf"(<!-- {name} -->\n).*?(<!-- /{name} -->)", re.DOTALL)
        page, n = pattern.subn(lambda m, text=text: m[1] + text + "\n" + m[2], page)  # type: ignore[misc]
        if n != 1:
            raise ValueError(f"{PAGE.name}: expected one part between <!-- {name} --> and <!-- /{name} -->, found {n}")
    return page


def publish(results: Sequence[Result]) -> int:
    """Write the page's tables."""
    PAGE.write_text(fill(PAGE.read_text(encoding="utf-8"), tables(results)), encoding="utf-8")
    print(f"{PAGE}: {len(results)} cases, all of them held out")
    return 0
