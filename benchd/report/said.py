"""Sentences that the log holds in English (evidence, checks, cautions), said in another language.

A line of the file is a pair of templates: what stands in {braces} in the English one may be anything, and stands in
the same braces of the other. What no line fits stays as it is. By their names some braces hold more than figures:
{said} is a sentence that has a line of its own, {title} and {word} may have one, and what tables of ids are handed in
for ({rule}, {signature}) is said by those. What is in {as_…} is a name, whose figures stay as they are.
"""

from __future__ import annotations

import functools
import re
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple

FIELD = re.compile(r"\{([a-z][a-z0-9_]*)(?: ±)?\}")
_PLACE = re.compile(r"\{[a-z][a-z0-9_]*(?: ±)?\}")
_BETWEEN = re.compile(r"(?<=[.?!]) ")
MOST_SENTENCES = 3
"""So many at most have one line together."""


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
    before: dict[str, str]
    """What may stand before a sentence that has its own line."""


class Said:
    """The sentences of one language. `numbers`: how it writes the figures in what was in the braces; `rest`: where a
    sentence is looked for that has no line here; `ids`: tables of words, by the name of the braces."""

    def __init__(
        self,
        read: _Read,
        numbers: Callable[[str], str],
        rest: Said | None = None,
        ids: Mapping[str, Mapping[str, str]] | None = None,
    ) -> None:
        self._read = read
        self._numbers = numbers
        self._rest = rest
        self._ids = ids or {}

    @classmethod
    def of(
        cls,
        file: Path,
        numbers: Callable[[str], str],
        rest: Said | None = None,
        ids: Mapping[str, Mapping[str, str]] | None = None,
    ) -> Said:
        """From a file; without one every sentence stays as it is."""
        return cls(_read(file), numbers, rest, ids) if file.is_file() else cls(_Read((), {}, {}, {}), str)

    def told(self, sentence: str) -> str:
        """The sentence in this language, else as it is."""
        found = self._found(sentence, strict=False)
        return sentence if found is None else found

    def joined(self, text: str) -> str:
        """Sentences that were put together, each by itself; those that are not known as they are."""
        pieces = _BETWEEN.split(text)
        told, at = [], 0
        while at < len(pieces):
            before = next((each for each in self._read.before if f"{pieces[at]} ".startswith(each)), None)
            if before is not None:
                told.append(self._read.before[before].rstrip())
                pieces[at] = pieces[at][len(before) :]
            sentence, at = self._next(pieces, at)
            told.append(sentence)
        return " ".join(told)

    def _next(self, pieces: list[str], at: int) -> tuple[str, int]:
        """What the next sentence is, and where the one after it begins: the shortest that has a line, for braces could
        take in all that follows."""
        ends = range(at + 1, min(at + MOST_SENTENCES, len(pieces)) + 1)
        for strict in (True, False):
            for end in ends:
                if (found := self._found(" ".join(pieces[at:end]), strict)) is not None:
                    return found, end
        return pieces[at], at + 1

    def _found(self, sentence: str, strict: bool) -> str | None:
        """None: no line fits. `strict`: {said} has to have a line, too."""
        if (word := self._read.words.get(sentence)) is not None:
            return word
        for line in self._read.lines:
            if all(text in sentence for text in line.between) and (found := pattern(line.english).fullmatch(sentence)):
                values = {name: self._value(name, text, strict) for name, text in found.groupdict().items()}
                if None not in values.values():
                    return FIELD.sub(lambda m, v=values: v[m[1]], line.other)  # type: ignore[misc]
        if self._rest is not None and (other := self._rest._found(sentence, strict)) is not None:
            return other
        if sentence.endswith(".") and (other := self._found(sentence[:-1], strict)) is not None:
            return f"{other}."  # a reason that others were told after
        return None

    def _value(self, name: str, text: str, strict: bool) -> str | None:
        kind = name.partition("_")[0]
        if (words := self._ids.get(kind.removesuffix("s"))) is not None:
            return ", ".join(_counted(each, words) for each in text.split(", "))
        if kind in ("said", "title", "word") and (told := self.joined(text)) != text:
            return told
        if kind == "said" and strict:
            return None
        for english, other in self._read.inside.items():
            text = text.replace(english, other)
        return text if kind == "as" else self._numbers(text)


def _counted(text: str, words: Mapping[str, str]) -> str:
    """`19 × clean-boot`, or one id alone."""
    head, times, id_ = text.rpartition(" × ")
    return f"{head}{times}{words.get(id_, id_)}"


@functools.cache
def _read(file: Path) -> _Read:
    told = tomllib.loads(file.read_text("utf-8"))
    sentences: dict[str, str] = told["sentences"]
    templates = {english: other for english, other in sentences.items() if FIELD.search(english)}
    lines = tuple(_Line(english, tuple(_PLACE.split(english)), other) for english, other in templates.items())
    words = {english: other for english, other in sentences.items() if not FIELD.search(english)}
    return _Read(lines, words, told["inside"], told.get("before", {}))


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
