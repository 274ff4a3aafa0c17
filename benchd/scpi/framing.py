"""When is a reply complete? No I/O: bytes so far go in, the length of the reply comes out, or 'more is needed'.

    Frame
    ├── EndFrame      lines: each ends with a terminator
    ├── LengthFrame   a fixed number of bytes, no terminator
    ├── GapFrame      no terminator, no known length: a pause ends it
    └── BlockFrame    an IEEE 488.2 block, in which any byte may stand; anything else that comes is a line

Whoever reads calls `complete` after every piece, and once more with `quiet` when nothing has come for `idle_ms`
(0: silence tells this frame nothing) or when a bus has marked the end of the message. Bytes beyond the returned
length are no part of the reply, and a reason to doubt what is on the link.
"""

from __future__ import annotations

import re
from typing import Protocol

from benchd.scpi.reply import ReplyError

LONGEST_REPLY = 65536
"""Bytes without a block. Longer than any such reply that a profile asks for; bounds what a babbling unit can make
us hold."""
LONGEST_BLOCK = 16 * 1024 * 1024
"""Bytes. A chunk of a fast log (250 ms of two 32-bit floats at 250 kS/s) is half a megabyte."""
IDLE_MS = 20.0
"""USB-to-serial converters hand bytes over in bursts up to 16 ms apart (common practice, no source)."""

_DIGITS = re.compile(rb"[0-9]+")
_LENGTH_DIGITS = tuple(b"%d" % digit for digit in range(1, 10))
_AFTER_HASH = (b"", b"0", *_LENGTH_DIGITS)


class Frame(Protocol):
    """One way to tell that a reply is complete."""

    @property
    def idle_ms(self) -> float:
        """How long nothing must come before `quiet` may be said, ms; 0 where that tells nothing."""

    @property
    def longest(self) -> int:
        """Bytes that may be held while the reply is not complete."""

    def complete(self, got: bytes, quiet: bool = False) -> int | None:
        """How many bytes are the reply, None when more is needed. Raises ReplyError when it cannot become one."""

    def body(self, got: bytes) -> bytes:
        """What a complete reply says, without what frames it."""


class EndFrame:
    """`lines` lines, each closed by `end`. With `end` LF the CR of CR LF stays in the body, where parsers strip it.

    `skip_leading`: CR and LF before a line are no empty line but are passed over, and likewise after the last one.
    Where a bus marks message ends, the last line may lack its own.
    """

    idle_ms = 0.0
    longest = LONGEST_REPLY

    def __init__(self, end: bytes = b"\n", lines: int = 1, skip_leading: bool = False) -> None:
        if not end or lines < 1:
            raise ValueError(f"a line needs an end and there is at least one; given {end!r}, {lines} lines")
        self.end = end
        self.lines = lines
        self.skip_leading = skip_leading

    def complete(self, got: bytes, quiet: bool = False) -> int | None:
        if self.lines == 1 and not self.skip_leading:  # nearly always
            at = got.find(self.end)
            return at + len(self.end) if at >= 0 else len(got) if quiet and got else None
        at = 0
        for line in range(1, self.lines + 1):
            start = self._skipped(got, at)
            at = got.find(self.end, start)
            if at < 0:
                return self._unended(got, start, line) if quiet else None
            at += len(self.end)
        return self._skipped(got, at)

    def _unended(self, got: bytes, start: int, line: int) -> int | None:
        if start == len(got):
            return None
        if line < self.lines:  # the next message would be glued to it
            raise ReplyError("", got.decode("latin-1"), f"{self.lines} lines, each closed by {self.end!r}")
        return len(got)

    def body(self, got: bytes) -> bytes:
        """The line; several are joined by LF, whatever ended them."""
        if self.lines == 1 and not self.skip_leading:
            return got.removesuffix(self.end)
        found, at = [], 0
        for _ in range(self.lines):
            line, _, _ = got[self._skipped(got, at) :].partition(self.end)
            found.append(line)
            at = self._skipped(got, at) + len(line) + len(self.end)
        return b"\n".join(found)

    def _skipped(self, got: bytes, at: int) -> int:
        while self.skip_leading and got[at : at + 1] in (b"\r", b"\n"):
            at += 1
        return at


class LengthFrame:
    """`length` bytes without an end, and up to `stray` more that mean nothing and may be missing.

    Complete only when nothing follows for `idle_ms`: the first bytes of an error text, or of a late reply to an
    older question, would otherwise pass for a status byte.
    """

    longest = LONGEST_REPLY

    def __init__(self, length: int, stray: int = 0, idle_ms: float = IDLE_MS) -> None:
        if length < 1 or stray < 0 or not idle_ms > 0:
            raise ValueError(f"length at least 1, stray at least 0, pause above 0; given {length}, {stray}, {idle_ms}")
        self.length = length
        self.stray = stray
        self.idle_ms = idle_ms

    def complete(self, got: bytes, quiet: bool = False) -> int | None:
        if len(got) > self.length + self.stray:
            expected = f"{self.length} bytes" + (f" and at most {self.stray} more" if self.stray else "")
            raise ReplyError("", got.decode("latin-1"), expected)
        return len(got) if quiet and len(got) >= self.length else None

    def body(self, got: bytes) -> bytes:
        return got[: self.length]


class GapFrame:
    """Whatever comes until nothing has come for `idle_ms`. The body is all of it, line ends included.

    Half a reply passes for a whole one here, and two without a pause for one: where the length is known, `LengthFrame`.
    """

    longest = LONGEST_REPLY

    def __init__(self, idle_ms: float = IDLE_MS) -> None:
        if not idle_ms > 0:
            raise ValueError(f"a pause is above 0 ms; given {idle_ms}")
        self.idle_ms = idle_ms

    def complete(self, got: bytes, quiet: bool = False) -> int | None:
        return len(got) if got and quiet else None

    def body(self, got: bytes) -> bytes:
        return got


class BlockFrame:
    """A block (IEEE 488.2 §8.7.9 definite, §8.7.10 indefinite) and its end, or else one line such as an error text.

    An indefinite block may hold line ends, so on a link without message ends only an end followed by a pause of
    `idle_ms` closes it. With an empty `end` a definite block closes itself and everything else needs the pause.
    """

    longest = LONGEST_BLOCK

    def __init__(self, end: bytes = b"\n", idle_ms: float = IDLE_MS) -> None:
        if not idle_ms > 0:
            raise ValueError(f"a pause is above 0 ms; given {idle_ms}")
        self.end = end
        self.idle_ms = idle_ms

    def complete(self, got: bytes, quiet: bool = False) -> int | None:
        if got[:1] != b"#" or got[1:2] not in _AFTER_HASH:
            return self._line(got, quiet)
        if len(got) < 2:
            return None
        count = got[1] - ord("0")
        if count == 0:
            return len(got) if quiet and got.endswith(self.end) else None
        return self._definite(got, 2 + count, quiet)

    def _line(self, got: bytes, quiet: bool) -> int | None:
        at = got.find(self.end) if self.end else -1
        if at >= 0:
            return at + len(self.end)
        if len(got) > LONGEST_REPLY:
            raise ReplyError("", got[:80].decode("latin-1"), f"a block, or a line of at most {LONGEST_REPLY} bytes")
        return len(got) if quiet and got and not self.end else None

    def _definite(self, got: bytes, start: int, quiet: bool) -> int | None:
        digits = got[2:start]
        if digits and not _DIGITS.fullmatch(digits):
            raise ReplyError("", got[:80].decode("latin-1"), f"a block length of {start - 2} digits")
        if len(digits) < start - 2:
            return None
        after = start + int(digits)
        if after > LONGEST_BLOCK:
            raise ReplyError("", got[:80].decode("latin-1"), f"a block of at most {LONGEST_BLOCK} bytes")
        if len(got) < after:
            return None
        tail = got[after : after + len(self.end) + 1]
        ends = (self.end, b"\r" + self.end)
        for end in ends:
            if tail.startswith(end):
                return after + len(end)
        if not any(end.startswith(tail) for end in ends):
            raise ReplyError("", tail.decode("latin-1"), f"{self.end!r} after the {after} bytes of the block")
        return after if quiet and not tail else None

    def body(self, got: bytes) -> bytes:
        """The block with its header, or the line without its end: what `reply.block` and `reply.string` read.

        An indefinite block keeps an LF as its end, since one that stands before it belongs to the data.
        """
        if got[:1] == b"#" and got[1:2] in _LENGTH_DIGITS:
            return got[: 2 + int(got[1:2]) + int(got[2 : 2 + int(got[1:2])])]
        body = got.removesuffix(self.end)
        return body + b"\n" if got.startswith(b"#0") else body
