"""Sentences that the log holds in English (evidence, checks, cautions), said in another language.

A line of the file is a pair of templates: what stands in {braces} in the English one may be anything, and stands in
the same braces of the other. What no line fits stays as it is.
"""

from __future__ import annotations

import functools
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

FIELD = re.compile(r"\{([a-z][a-z0-9_]*)(?: ±)?\}")
_PLACE = re.compile(r"\{[a-z][a-z0-9_]*(?: ±)?\}")


class _Line(NamedTuple):
    english: str
    between: tuple[str, ...]
    """What stands between its braces: looked for first, for to make a pattern takes longer than all of a report's
    sentences."""
    other: str


class _Read(NamedTuple):
    lines: tuple[_Line, ...]
    """Those with braces."""
    words: dict[str, str]
    """Those without."""
    inside: dict[str, str]
    """What may stand within braces."""


class Said:
    """The sentences of one language. `numbers`: how it writes the figures in what was in the braces."""

    def __init__(self, read: _Read, numbers: Callable[[str], str]) -> None:
        self._read = read
        self._numbers = numbers

    @classmethod
    def of(cls, file: Path, numbers: Callable[[str], str]) -> Said:
        """From a file; without one every sentence stays as it is."""
        return cls(_read(file), numbers) if file.is_file() else cls(_Read((), {}, {}), str)

    def told(self, sentence: str) -> str:
        """The sentence in this language, else as it is."""
        if (word := self._read.words.get(sentence)) is not None:
            return word
        for line in self._read.lines:
            if all(text in sentence for text in line.between) and (found := pattern(line.english).fullmatch(sentence)):
                values = {name: self._value(text) for name, text in found.groupdict().items()}
                return FIELD.sub(lambda m, v=values: v[m[1]], line.other)  # type: ignore[misc]
        return sentence

    def _value(self, text: str) -> str:
        for english, other in self._read.inside.items():
            text = text.replace(english, other)
        return self._numbers(text)


@functools.cache
def _read(file: Path) -> _Read:
    told = tomllib.loads(file.read_text("utf-8"))
    sentences: dict[str, str] = told["sentences"]
    templates = {english: other for english, other in sentences.items() if FIELD.search(english)}
    lines = tuple(_Line(english, tuple(_PLACE.split(english)), other) for english, other in templates.items())
    words = {english: other for english, other in sentences.items() if not FIELD.search(english)}
    return _Read(lines, words, told["inside"])


@functools.cache
def pattern(template: str) -> re.Pattern[str]:
    """What the sentences made of a template look like. A field twice has to be the same twice."""
    parts, seen, last = [], set[str](), 0
    for match in FIELD.finditer(template):
        parts.append(re.escape(template[last : match.start()]))
        parts.append(f"(?P={match[1]})" if match[1] in seen else f"(?P<{match[1]}>.+?)")
        seen.add(match[1])
        last = match.end()
    return re.compile("".join([*parts, re.escape(template[last:])]), re.DOTALL)
