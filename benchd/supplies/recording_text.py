r"""The text of a dialogue: what went over the wire between us and a supply, in its order, step by step.

    # benchd dialogue 1
    profile: generic-scpi
    origin: documents
    identity: Example Works,EX-30,SERIAL,1.07
    channel: 1
    ## identify
    > *IDN?\n                                        # IEEE 488.2 §10.14
    < Example Works,EX-30,SERIAL,1.07\n
    ## read
    > MEAS:VOLT?\n
    ! late

`>` was sent and `<` came back, as printable ASCII with the escapes \n \r \t \\ \xNN. A line is closed by the bytes of a
line end or stands alone, so one message or reply may be several lines. `!` is what happened on the link without bytes:
late, garbled (the reply could not be read), unread (bytes were waiting that nobody asked for), lost, unsent (lost while
sending), unopened. Two spaces and a `#` begin a comment. `link: port` stands in the head where an opened connection
may bring old replies, as a serial port does.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal, NamedTuple, get_args

FIRST_LINE = "# benchd dialogue 1"
Kind = Literal[">", "<", "!"]
Origin = Literal["documents", "simulated", "hardware"]
LinkKind = Literal["socket", "port"]
EVENTS = ("late", "garbled", "unread", "lost", "unsent", "unopened")

_ESCAPES = {"n": "\n", "r": "\r", "t": "\t", "\\": "\\"}
_WRITTEN = {ord(char): f"\\{letter}" for letter, char in _ESCAPES.items()}
_COMMENT_COLUMN = 64


class DialogueError(Exception):
    """A file is no dialogue: says the file, the line, what was given and what is allowed."""


class Entry(NamedTuple):
    """One line. `data`: the bytes, or the name of an event."""

    kind: Kind
    data: bytes
    comment: str = ""


class Step(NamedTuple):
    """The lines of one thing that was done."""

    name: str
    entries: tuple[Entry, ...]


@dataclass(frozen=True)
class Dialogue:
    """A whole one. `identity`: the reply to the identification query without its end, serial number redacted."""

    profile: str
    origin: Origin
    identity: str
    channel: int
    steps: tuple[Step, ...]
    link: LinkKind = "socket"

    def without_comments(self) -> Dialogue:
        """The same, as a recorder would have written it."""
        steps = (Step(name, tuple(Entry(kind, data) for kind, data, _ in entries)) for name, entries in self.steps)
        return Dialogue(self.profile, self.origin, self.identity, self.channel, tuple(steps), self.link)


def lines_of(data: bytes) -> list[bytes]:
    """Bytes cut behind each line end; joined they are what they were."""
    return re.findall(rb"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+", data)


def shown(data: bytes) -> str:
    """Bytes as they stand in the file: a second space in a row and those at the ends are written as escapes."""
    text = "".join(_WRITTEN.get(byte) or (chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:02x}") for byte in data)
    return re.sub(r"^ | $|(?<= ) ", r"\\x20", text)


def write(dialogue: Dialogue) -> str:
    """The file."""
    head = {
        "profile": dialogue.profile,
        "origin": dialogue.origin,
        "identity": shown(dialogue.identity.encode("latin-1")),
        "channel": str(dialogue.channel),
    }
    if dialogue.link != "socket":
        head["link"] = dialogue.link
    lines = [FIRST_LINE, *(f"{key}: {value}".rstrip() for key, value in head.items())]
    for step in dialogue.steps:
        lines.append(f"## {step.name}")
        for entry in step.entries:
            line = f"{entry.kind} {shown(entry.data)}"
            lines.append(f"{line:<{_COMMENT_COLUMN}}  # {entry.comment}" if entry.comment else line.rstrip())
    return "\n".join(lines) + "\n"


def parse(text: str, file: str) -> Dialogue:
    """The dialogue in a text; `file` is named in errors. Raises DialogueError."""
    return _Parser(file).parse(text)


class _Parser:
    def __init__(self, file: str) -> None:
        self._file = file
        self._line = 0
        self._head: dict[str, str] = {}
        self._steps: list[tuple[str, list[Entry]]] = []

    def parse(self, text: str) -> Dialogue:
        for self._line, line in enumerate(text.removeprefix("\ufeff").split("\n"), 1):
            self._take(line.rstrip())
        if not self._line or not self._steps:
            raise self._wrong("the end of the file", "steps, each begun by a line `## name`")
        return Dialogue(
            self._of_head("profile", r"[A-Za-z0-9._-]+", "the name of a profile"),
            self._of_head("origin", "|".join(get_args(Origin)), ", ".join(get_args(Origin))),  # type: ignore[arg-type]
            self._unescaped(self._of_head("identity", r".*", "")).decode("latin-1"),
            int(self._of_head("channel", r"\d{1,3}", "the number of an output")),
            tuple(Step(name, tuple(entries)) for name, entries in self._steps),
            self._of_head("link", "|".join(get_args(LinkKind)), ", ".join(get_args(LinkKind)), "socket"),  # type: ignore[arg-type]
        )

    def _take(self, line: str) -> None:
        if self._line == 1:
            if line != FIRST_LINE:
                raise self._wrong(line, f"`{FIRST_LINE}`")
        elif step := re.fullmatch(r"## ([a-z0-9][a-z0-9 -]*)", line):
            self._steps.append((step[1], []))
        elif not line or (line.startswith("#") and not line.startswith("##")):
            pass
        elif not self._steps:
            self._take_head(line)
        elif entry := re.fullmatch(r"([<>!])(?: (.*?))?(?:\s{2,}#\s*(.*))?", line):
            self._steps[-1][1].append(self._entry(entry[1], entry[2] or "", entry[3] or ""))
        else:
            raise self._wrong(line, "`## name`, `> sent`, `< received`, `! event`, a comment `# …`, or nothing")

    def _take_head(self, line: str) -> None:
        pair = re.fullmatch(r"(profile|origin|identity|channel|link): ?(.*?)(?:\s{2,}#.*)?", line)
        if pair is None:
            raise self._wrong(line, "`profile: `, `origin: `, `identity: `, `channel: `, `link: `, then `## name`")
        if pair[1] in self._head:
            raise self._wrong(line, f"one line `{pair[1]}: `")
        self._head[pair[1]] = pair[2]

    def _of_head(self, key: str, pattern: str, allowed: str, default: str | None = None) -> str:
        value = self._head.get(key, default)
        if value is None:
            raise self._wrong("no such line", f"a line `{key}: ` before the first step", line=1)
        if not re.fullmatch(pattern, value):
            raise self._wrong(f"{key}: {value}", allowed, line=1)
        return value

    def _entry(self, kind: str, text: str, comment: str) -> Entry:
        if kind == "!":
            if text not in EVENTS:
                raise self._wrong(f"! {text}", ", ".join(f"! {event}" for event in EVENTS))
            return Entry("!", text.encode(), comment)
        data = self._unescaped(text.strip(" "))
        if not data:
            raise self._wrong(f"{kind} {text}", "at least one byte")
        return Entry(">" if kind == ">" else "<", data, comment)

    def _unescaped(self, text: str) -> bytes:
        def replaced(found: re.Match[str]) -> str:
            if found[0] in _ESCAPES.values() or not found[1]:
                raise self._wrong(found[0] + text[found.end() : found.end() + 2], r"\n, \r, \t, \\ and \xNN")
            return _ESCAPES.get(found[1]) or chr(int(found[1][1:], 16))

        if not re.fullmatch(r"[ -~]*", text):
            raise self._wrong(text, "printable ASCII; other bytes are written as \\xNN")
        return re.sub(r"\\([nrt\\]|x[0-9A-Fa-f]{2}|)", replaced, text).encode("latin-1")

    def _wrong(self, given: str, allowed: str, line: int = 0) -> DialogueError:
        return DialogueError(f"{self._file}, line {line or self._line}: given {given!r}, allowed {allowed}")
