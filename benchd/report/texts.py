"""The words of a report, by language; and its figures, dates and sentences of other rooms in that language.

All words stand in `texts/`: one file a language with the same keys (`en.toml` is the first), and for each language but
English those with the sentences that are filed in English: `de-said.toml`, and of runs `de-procedures-said.toml`.
"""

from __future__ import annotations

import functools
import math
import re
import tomllib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

from benchd.report.said import Said
from benchd.traces.rounding import figure

FOLDER = Path(__file__).with_name("texts")
_POINT = re.compile(r"(?<=\d)\.(?=\d)")


class TextsError(ValueError):
    """No such language, or no such text. Says what there is."""


@functools.cache
def languages() -> tuple[str, ...]:
    """Those that a report can be in."""
    return tuple(sorted(file.stem for file in FOLDER.glob("*.toml") if not file.stem.endswith("-said")))


@functools.cache
def read_texts(language: str) -> dict[str, Any]:
    """The file of a language: tables of texts."""
    return tomllib.loads((FOLDER / f"{language}.toml").read_text("utf-8"))


def _local(t_ns: int) -> datetime:
    return datetime.fromtimestamp(t_ns / 1e9)


class Texts:
    """One language. `local`: the clock's time at the bench of a moment in ns since the epoch."""

    def __init__(self, language: str, local: Callable[[int], datetime] = _local) -> None:
        """Raises TextsError."""
        if language not in languages():
            raise TextsError(f"language = {language!r}: allowed are {', '.join(languages())}")
        self.language = language
        self._texts = read_texts(language)
        self._local = local
        self._said = Said.of(FOLDER / f"{language}-said.toml", self.numbers)

    def __call__(self, key: str, **fields: object) -> str:
        """The text of `table.key`, its {fields} filled. Raises TextsError when there is none."""
        found = self.get(key)
        if found is None:
            raise TextsError(f"there is no text {key!r} in {self.language}.toml")
        return found.format(**fields) if fields else found

    def get(self, key: str) -> str | None:
        """The same as it stands; None: there is none."""
        table, _, name = key.partition(".")
        found = self._texts.get(table, {}).get(name)
        return found if isinstance(found, str) else None

    def counted(self, key: str, number: int) -> str:
        """`1 trace`, `2 traces`: of `table.key-one` and `table.key-more`."""
        return self(f"{key}-{'one' if number == 1 else 'more'}", number=number)

    def said(self, sentence: str) -> str:
        """A sentence that was filed in English; as it is where its translation is not known (a card of one's own)."""
        return self._said.told(sentence)

    @functools.cached_property
    def _said_of_runs(self) -> Said:
        """Read when it is wanted first: most jobs have no run."""
        ids = {"rule": self._texts["rule"], "signature": self._texts["signature"]}
        return Said.of(FOLDER / f"{self.language}-procedures-said.toml", self.numbers, self._said, ids)

    def said_of_run(self, text: str) -> str:
        """One sentence or several of a run of a procedure; those that are not known as they are."""
        return self._said_of_runs.joined(text)

    # ---- figures -------------------------------------------------------------------------------------------------

    def numbers(self, text: str) -> str:
        """Figures in a text, written with a decimal point, as this language writes them."""
        point = self("format.point")
        return text if point == "." else _POINT.sub(point, text)

    def figure(self, value: float | None, unit: str, u: float | None = None) -> str:
        """A value with its unit and its expanded uncertainty (k = 2) in that unit; None or NaN: not known."""
        if value is None or not math.isfinite(value):
            return self("format.not-known")
        return self.numbers(figure(value, u, unit)).replace("-", "\N{MINUS SIGN}")

    def number(self, value: float, digits: int) -> str:
        """With so many decimals."""
        return self.numbers(f"{value:.{digits}f}").replace("-", "\N{MINUS SIGN}")

    def plain(self, value: float) -> str:
        """A setting, as short as it can be said."""
        return self.numbers(f"{value:g}")

    def percent(self, share: float) -> str:
        """Of 1, in whole per cent."""
        return self("format.percent", number=f"{share * 100:.0f}")

    def seconds(self, value: float) -> str:
        """A length of time in s, or in minutes and seconds from two minutes on."""
        if value < 120:
            return f"{self.number(value, 1 if value >= 10 else 2)} s"
        minutes, seconds = divmod(round(value), 60)
        return f"{minutes} min {seconds} s"

    # ---- dates ---------------------------------------------------------------------------------------------------

    def date(self, t_ns: int) -> str:
        """A day, at the bench."""
        at = self._local(t_ns)
        months: list[str] = self._texts["format"]["months"]
        return self("format.date", day=at.day, month=months[at.month - 1], year=at.year)

    def moment(self, t_ns: int) -> str:
        """A day with the time."""
        return self("format.moment", date=self.date(t_ns), time=self.clock(t_ns))

    def clock(self, t_ns: int) -> str:
        """The time of a day, to the minute."""
        return f"{self._local(t_ns):%H:%M}"
